"""The bells to come. A batch has one timer; its member is "<site id>|<batch id>"."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from redis import Redis

from bot.effects import ClearTimer, SetTimer
from bot.leases import Leases, Op, drop_op, put_new_op, put_op, score

KEY = "sb:timers"

# More than the worst wait in the queue (30 s), so that a ring is seldom made twice.
LEASE_SECONDS = 35.0

# A timer whose turn failed is tried again after this long, for ever: a bell is never dropped.
POISONED_SECONDS = 60.0


def member(site_id: str, batch_id: str) -> str:
    """The name of a batch's timer. Site ids hold no bar."""
    return f"{site_id}|{batch_id}"


def parted(name: str) -> tuple[str, str]:
    """(site id, batch id) of a timer's name."""
    site_id, _, batch_id = name.partition("|")
    return site_id, batch_id


def timer_ops(site_id: str, effect: SetTimer | ClearTimer) -> list[Op]:
    """The commands that set or clear a batch's timer."""
    name = member(site_id, effect.batch_id)
    if isinstance(effect, ClearTimer):
        return drop_op(KEY, name)
    return put_op(KEY, name, score(effect.due))


class Timers:
    """The due side of the timers; setting and clearing is part of a commit."""

    def __init__(self, redis: Redis) -> None:
        self.due = Leases(redis, KEY)

    def lease(self, now: float, limit: int) -> list[str]:
        """Names of up to *limit* timers due at *now*."""
        return self.due.lease(now, LEASE_SECONDS, limit)

    def held(self, names: Sequence[str]) -> dict[str, float]:
        """The timers of *names* that nobody has cleared, with their scores as they stand."""
        return self.due.held(names)

    def postpone(self, name: str, held: float, now: float) -> bool:
        """Ring again later, unless a commit has set or cleared the timer since."""
        return self.due.postpone(name, held, now + POISONED_SECONDS)

    def put_new(self, site_ids: Iterable[str], name: str, due: datetime) -> None:
        """A timer *name* at *due* for each site that has none of that name."""
        pipe = self.due.redis.pipeline()
        for site_id in site_ids:
            for op in put_new_op(KEY, member(site_id, name), score(due)):
                pipe.execute_command(*op)  # type: ignore[no-untyped-call]
        pipe.execute()

    def depth(self) -> int:
        """How many batches wait for a bell."""
        return self.due.depth()

    def oldest(self, now: float) -> float:
        """Seconds by which the latest bell is late."""
        return self.due.oldest(now)
