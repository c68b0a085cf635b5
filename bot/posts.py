"""Letters from one unit to another: kept with the turn that wrote them, delivered at least once.

`sb:post:doc` holds the letters by id, `sb:post:due` when each is tried next. The unit that reads
one knows its id, so a letter delivered twice is read once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import msgspec
from redis import Redis

from bot.effects import Post
from bot.leases import Leases, Op, drop_op, put_op, score

DUE = "sb:post:due"
DOC = "sb:post:doc"

LEASE_SECONDS = 60.0


def post_ops(post: Post) -> list[Op]:
    """The commands that promise *post*."""
    doc = msgspec.json.encode(post).decode()
    return [["HSET", DOC, post.letter.id, doc], *put_op(DUE, post.letter.id, score(post.letter.at))]


class Posts:
    """The delivering side: letters are leased, read by their unit, then settled or postponed."""

    def __init__(self, redis: Redis) -> None:
        self.redis = redis
        self.due = Leases(redis, DUE)

    def put(self, post: Post) -> None:
        """Promise *post* by itself; one that is promised already is only due again."""
        pipe = self.redis.pipeline()
        for op in post_ops(post):
            pipe.execute_command(*op)  # type: ignore[no-untyped-call]
        pipe.execute()

    def lease(self, now: float, limit: int) -> list[str]:
        """Ids of up to *limit* letters due at *now*."""
        return self.due.lease(now, LEASE_SECONDS, limit)

    def read(self, ids: Sequence[str]) -> dict[str, bytes]:
        """The letters *ids* as they lie in Redis; those already delivered are left out."""
        if not ids:
            return {}
        docs = cast("list[bytes | None]", self.redis.hmget(DOC, list(ids)))
        return {i: raw for i, raw in zip(ids, docs, strict=True) if raw is not None}

    def settle(self, letter_id: str) -> None:
        """The letter was read."""
        pipe = self.redis.pipeline()
        pipe.hdel(DOC, letter_id)
        for op in drop_op(DUE, letter_id):
            pipe.execute_command(*op)  # type: ignore[no-untyped-call]
        pipe.hdel(self.due.tries, letter_id)
        pipe.execute()

    def postpone(self, letter_id: str, now: float) -> int:
        """Try again later, later each time. Returns the failures in a row."""
        return self.due.defer(letter_id, now)

    def oldest(self, now: float) -> float:
        """Seconds that the letter longest due has waited."""
        return self.due.oldest(now)
