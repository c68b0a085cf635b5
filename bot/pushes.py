"""States of batches promised to the store. The newest of a batch replaces the older ones here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import cast

import msgspec
from redis import Redis

from bot.leases import Leases, Op, put_new_op
from bot.model import Push

DUE = "sb:push:due"
DOC = "sb:push:doc"
TRIES = f"{DUE}:tries"

LEASE_SECONDS = 60.0

# A newer state that came while the older one was on its way is due at once.
SETTLE = """
redis.call('HDEL', KEYS[3], ARGV[1])
redis.call('HDEL', KEYS[1] .. ':since', ARGV[1])
if redis.call('HGET', KEYS[2], ARGV[1]) == ARGV[2] then
  redis.call('HDEL', KEYS[2], ARGV[1])
  redis.call('ZREM', KEYS[1], ARGV[1])
  return 1
end
redis.call('ZADD', KEYS[1], 'XX', ARGV[3], ARGV[1])
return 0
"""


def newest(pushes: Iterable[Push]) -> list[Push]:
    """One state for each batch: the one with the longest log, the later of two equals."""
    best: dict[str, Push] = {}
    for push in pushes:
        known = best.get(push.batch.id)
        if known is None or len(push.batch.log) >= len(known.batch.log):
            best[push.batch.id] = push
    return list(best.values())


def push_ops(push: Push, due: str) -> list[Op]:
    """The commands that promise *push*.

    They may overwrite what is there: the commit's version check has put the turns of a unit in
    order, so the state of a later turn is never older.
    """
    doc = msgspec.json.encode(push).decode()
    return [["HSET", DOC, push.batch.id, doc], *put_new_op(DUE, push.batch.id, due)]


class Pushes:
    """The pushing side: states are leased, recorded, then settled or postponed."""

    def __init__(self, redis: Redis) -> None:
        self.redis = redis
        self.due = Leases(redis, DUE)
        self._settle = redis.register_script(SETTLE)

    def lease(self, now: float, limit: int) -> list[str]:
        """Ids of up to *limit* batches with a state to push at *now*."""
        return self.due.lease(now, LEASE_SECONDS, limit)

    def read(self, batch_ids: Sequence[str]) -> dict[str, bytes]:
        """The states of *batch_ids* as they lie in Redis; those already settled are left out."""
        if not batch_ids:
            return {}
        docs = cast("list[bytes | None]", self.redis.hmget(DOC, list(batch_ids)))
        return {i: raw for i, raw in zip(batch_ids, docs, strict=True) if raw is not None}

    def settle(self, batch_id: str, raw: bytes, now: float) -> bool:
        """The store has *raw*. False if a newer state came meanwhile, which is now due."""
        return bool(self._settle([DUE, DOC, TRIES], [batch_id, raw, repr(now)]))

    def postpone(self, batch_id: str, now: float) -> int:
        """Try again later, later each time. Returns the failures in a row."""
        return self.due.defer(batch_id, now)

    def depth(self) -> int:
        """How many batches have a state that the store lacks."""
        return self.due.depth()

    def oldest(self, now: float) -> float:
        """Seconds that the state longest due has waited."""
        return self.due.oldest(now)


def read_push(raw: bytes) -> Push:
    """The state in *raw*, checked while it is read; msgspec.ValidationError when it is not one."""
    return msgspec.json.decode(raw, type=Push)
