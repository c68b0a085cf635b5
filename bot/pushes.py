"""What is promised to the store: states of batches, alerts, messages, gaps and solutions,
conditions that no batch carries; and what is asked of it.

The newest state of a batch, and the newest condition of a set, replaces the older ones here. A
batch waits under its id, the others under their own names with a prefix that no batch id has.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import cast

import msgspec
from redis import Redis

from bot.effects import (
    Amendments,
    Checked,
    Conditions,
    CountsAsked,
    Gap,
    Mixed,
    Push,
    Pushed,
    Raised,
)
from bot.leases import Leases, Op, put_new_op
from bot.message import Message

DUE = "sb:push:due"
DOC = "sb:push:doc"
TRIES = f"{DUE}:tries"

LEASE_SECONDS = 60.0

SET = "set|"  # ids in a register hold no bar
ALERT = "alert|"
CHECK = "check|"
GAP = "gap|"
MIX = "mix|"
AMEND = "amend|"
COUNTS = "counts|"
MESSAGE = "message|"

Fact = Checked | Gap | Mixed
FACTS: Mapping[type[Fact], str] = {Checked: CHECK, Gap: GAP, Mixed: MIX}
FORMS: Mapping[str, type[Pushed]] = {
    SET: Conditions, ALERT: Raised, CHECK: Checked, GAP: Gap, MIX: Mixed, MESSAGE: Message,
}  # fmt: skip

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

# Receipts come in any order, and what was delivered stays so. ARGV: name, state, when it is due.
RECEIVED = """
local held = redis.call('HGET', KEYS[2], ARGV[1])
if held and cjson.decode(held).state == 'delivered' then return 0 end
redis.call('HSET', KEYS[2], ARGV[1], ARGV[2])
redis.call('ZADD', KEYS[1], 'NX', ARGV[3], ARGV[1])
return 1
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


def condition_ops(conditions: Conditions, due: str) -> list[Op]:
    """The commands that promise *conditions*: each set for itself, so that one replaces one."""
    ops: list[Op] = []
    for state in conditions.states:
        doc = msgspec.json.encode(Conditions(conditions.site_id, (state,))).decode()
        ops += [["HSET", DOC, SET + state.id, doc], *put_new_op(DUE, SET + state.id, due)]
    return ops


def raised_ops(raised: Raised, due: str) -> list[Op]:
    """The commands that promise *raised*."""
    doc, name = msgspec.json.encode(raised).decode(), ALERT + raised.alert.id
    return [["HSET", DOC, name, doc], *put_new_op(DUE, name, due)]


def message_ops(message: Message, due: str) -> list[Op]:
    """The commands that promise *message*, which no older state may follow."""
    doc, name = msgspec.json.encode(message).decode(), MESSAGE + message.id
    return [["HSET", DOC, name, doc], *put_new_op(DUE, name, due)]


def fact_ops(fact: Fact, due: str) -> list[Op]:
    """The commands that promise *fact*: of a gap or a solution, its end takes the place of its
    beginning."""
    doc, name = msgspec.json.encode(fact).decode(), FACTS[type(fact)] + fact.id
    return [["HSET", DOC, name, doc], *put_new_op(DUE, name, due)]


def amend_ops(asked: Amendments, due: str) -> list[Op]:
    """The commands that promise *asked*: it holds all that earlier ones still wait for."""
    doc, name = msgspec.json.encode(asked).decode(), AMEND + asked.site_id
    return [["HSET", DOC, name, doc], *put_new_op(DUE, name, due)]


def counts_ops(asked: CountsAsked, due: str) -> list[Op]:
    """The commands that promise *asked*: whoever asks twice before the answer has one answer."""
    doc, name = msgspec.json.encode(asked).decode(), COUNTS + asked.by
    return [["HSET", DOC, name, doc], *put_new_op(DUE, name, due)]


class Pushes:
    """The pushing side: states are leased, recorded, then settled or postponed."""

    def __init__(self, redis: Redis) -> None:
        self.redis = redis
        self.due = Leases(redis, DUE)
        self._settle = redis.register_script(SETTLE)
        self._received = redis.register_script(RECEIVED)

    def lease(self, now: float, limit: int) -> list[str]:
        """Names of up to *limit* batches and sets with something to push at *now*."""
        return self.due.lease(now, LEASE_SECONDS, limit)

    def read(self, names: Sequence[str]) -> dict[str, bytes]:
        """What waits under *names*, as it lies in Redis; what is already settled is left out."""
        if not names:
            return {}
        docs = cast("list[bytes | None]", self.redis.hmget(DOC, list(names)))
        return {i: raw for i, raw in zip(names, docs, strict=True) if raw is not None}

    def settle(self, name: str, raw: bytes, now: float) -> bool:
        """The store has *raw*. False if a newer state came meanwhile, which is now due."""
        return bool(self._settle([DUE, DOC, TRIES], [name, raw, repr(now)]))

    def postpone(self, name: str, now: float) -> int:
        """Try again later, later each time. Returns the failures in a row."""
        return self.due.defer(name, now)

    def received(self, message: Message, now: float) -> bool:
        """Promise what a receipt says of *message*; False if it is known to be delivered."""
        doc, name = msgspec.json.encode(message).decode(), MESSAGE + message.id
        return bool(self._received([DUE, DOC], [name, doc, repr(now)]))

    def depth(self) -> int:
        """How many batches and sets have a state that the store lacks."""
        return self.due.depth()

    def oldest(self, now: float) -> float:
        """Seconds that the state longest due has waited."""
        return self.due.oldest(now)


def read_push(name: str, raw: bytes) -> Pushed:
    """What waits under *name*, checked while it is read; msgspec.ValidationError for nonsense."""
    prefix, bar, _ = name.partition("|")
    form = FORMS.get(prefix + bar, Push)
    found: Pushed = msgspec.json.decode(raw, type=form)
    return found


def read_counts_asked(raw: bytes) -> CountsAsked:
    """Who asks for which counts; msgspec.ValidationError for nonsense."""
    return msgspec.json.decode(raw, type=CountsAsked)


def read_amendments(raw: bytes) -> Amendments:
    """What a facility asks of the register; msgspec.ValidationError for nonsense."""
    return msgspec.json.decode(raw, type=Amendments)
