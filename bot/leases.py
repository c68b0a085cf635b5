"""What is due, in a sorted set that any number of sweeps may read.

A member's score is the moment (unix seconds) of its next try. Leasing a member moves its score
ahead: whoever leased it has that long to settle it, and if they die it comes up again. Nobody
holds a lock. `<key>:since` keeps, for members leased or postponed, when they first came due, so
that a lease which is renewed for ever still shows as late; `<key>:tries` how often they failed
in a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, cast

from redis import Redis

Op = list[str]
"""One Redis command, every word a string, as the commit's script takes it."""

LEASE = """
local due = redis.call('ZRANGEBYSCORE', KEYS[1], '-inf', ARGV[1], 'WITHSCORES', 'LIMIT', 0, ARGV[2])
local members = {}
for i = 1, #due, 2 do
  redis.call('HSETNX', KEYS[2], due[i], due[i + 1])
  redis.call('ZADD', KEYS[1], ARGV[3], due[i])
  members[#members + 1] = due[i]
end
return members
"""

# A member that was set anew in the meantime keeps its newer moment.
POSTPONE = """
local score = redis.call('ZSCORE', KEYS[1], ARGV[1])
if not score or tonumber(score) ~= tonumber(ARGV[2]) then return 0 end
redis.call('ZADD', KEYS[1], ARGV[3], ARGV[1])
return 1
"""

# ARGV: the member, then the moments of its next try after one failure in a row, after two, ...
DEFER = """
local tries = redis.call('HINCRBY', KEYS[2], ARGV[1], 1)
redis.call('ZADD', KEYS[1], 'XX', ARGV[math.min(tries + 1, #ARGV)], ARGV[1])
return tries
"""

# Seconds before the next try, by failures in a row; the last one repeats.
DELAYS = (5.0, 15.0, 60.0, 300.0, 900.0)


def score(at: datetime) -> str:
    """*at* as unix seconds in text; ValueError for a naive moment."""
    if at.tzinfo is None:
        raise ValueError("a moment without its zone cannot be kept")
    return repr(at.timestamp())


def put_op(key: str, member: str, due: str) -> list[Op]:
    """Commands that make *member* due at *due*, whatever it was before."""
    return [["ZADD", key, due, member], ["HDEL", f"{key}:since", member]]


def put_new_op(key: str, member: str, due: str) -> list[Op]:
    """Commands that make *member* due at *due* unless it already waits: no try is moved."""
    return [["ZADD", key, "NX", due, member]]


def drop_op(key: str, member: str) -> list[Op]:
    """Commands that make *member* not due any more."""
    return [["ZREM", key, member], ["HDEL", f"{key}:since", member]]


class Leases:
    """The reading side of one sorted set of due members. *redis* answers in bytes."""

    def __init__(
        self, redis: Redis, key: str, delays: Sequence[float] = DELAYS
    ) -> None:  # fmt: skip
        self.redis = redis
        self.key = key
        self.since = f"{key}:since"
        self._lease = redis.register_script(LEASE)
        self.tries = f"{key}:tries"
        self._defer = redis.register_script(DEFER)
        self._postpone = redis.register_script(POSTPONE)
        self.delays = delays

    def lease(self, now: float, seconds: float, limit: int) -> list[str]:
        """Up to *limit* members due at *now*, oldest first; each is ours for *seconds*."""
        found = self._lease([self.key, self.since], [repr(now), limit, repr(now + seconds)])
        return [member.decode() for member in found]

    def held(self, members: Sequence[str]) -> dict[str, float]:
        """The score of each of *members* that is still in the set."""
        if not members:
            return {}
        scores = self.redis.zmscore(self.key, list(members))
        return {m: s for m, s in zip(members, scores, strict=True) if s is not None}

    def postpone(self, member: str, held: float, until: float) -> bool:
        """Move *member* to *until* if its score is still *held*; says whether it was."""
        return bool(self._postpone([self.key], [member, repr(held), repr(until)]))

    def defer(self, member: str, now: float) -> int:
        """Try *member* again later, later each time. Returns its failures in a row."""
        moments = [repr(now + delay) for delay in self.delays]
        return int(self._defer([self.key, self.tries], [member, *moments]))

    def depth(self) -> int:
        """How many members wait, due or not."""
        return self.redis.zcard(self.key)

    def oldest(self, now: float) -> float:
        """Seconds that the member longest due has waited; 0.0 when nothing is late."""
        head = cast("list[tuple[bytes, float]]", self.redis.zrange(self.key, 0, 0, withscores=True))
        late = cast("list[Any]", self.redis.hvals(self.since))
        moments = [due for _, due in head] + [float(due) for due in late]
        return max([0.0, *(now - due for due in moments)])
