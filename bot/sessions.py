"""The units of all facilities in Redis: one read a turn, one commit a turn.

A unit is a hash `sb:unit:<site id>`: its version `v`, its `serial`, and a field for each talk,
batch, set, reminder, alert, invitation and request to the register, and `spores`, `watch`, `tally`
and `check` (`unit_fields`). The register's pages (`site_pages`) lie beside it. What a facility
shows to its district is a field of `sb:board:<district>`, written by the facility's commits alone
and read with the unit of the district's supervisors. A commit is one script: it looks for the
event's id and compares the version before it writes anything, then writes state, answer, outgoing
messages, timers and pushes together. The scripts make names of keys from what they read, so all
keys must be on one Redis server (a primary with replicas, not a cluster).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import msgspec
from redis import Redis

from bot.effects import (
    Amendments,
    Checked,
    ClearTimer,
    Conditions,
    CountsAsked,
    Gap,
    Mixed,
    Post,
    Push,
    Raised,
    SetTimer,
)
from bot.events import Event
from bot.leases import Op, score
from bot.model import Standing, Unit
from bot.outbox import Outgoing, outgoing_ops
from bot.posts import post_ops
from bot.pushes import (
    Fact,
    amend_ops,
    condition_ops,
    counts_ops,
    fact_ops,
    newest,
    push_ops,
    raised_ops,
)
from bot.site import DISTRICT
from bot.timers import timer_ops
from bot.unit_fields import read_unit, some, unit_ops

SEEN_SECONDS = 2 * 86400  # longer than any gateway repeats a request

READ = """
local seen = redis.call('GET', KEYS[1])
local site = not seen and redis.call('GET', KEYS[2])
if not site then return {seen} end
local board = {}
if string.sub(site, 1, 9) == 'district-' then
  board = redis.call('HGETALL', 'sb:board:' .. string.sub(site, 10))
end
local page = redis.call('GET', 'sb:site:' .. site)
return {false, page, redis.call('HGETALL', 'sb:unit:' .. site), board}
"""

# ARGV: the version that the turn read, then the commands as JSON. Nothing is undone once
# written, so every refusal comes before the first write.
COMMIT = """
local seen = redis.call('GET', KEYS[1])
if seen then return {'seen', seen} end
if (redis.call('HGET', KEYS[2], 'v') or '0') ~= ARGV[1] then return {'stale'} end
for _, op in ipairs(cjson.decode(ARGV[2])) do redis.call(unpack(op)) end
return {'committed'}
"""


class Loaded(NamedTuple):
    """What a turn begins with: the answer already given to this event, or the asker's unit."""

    seen: str | None
    unit: Unit | None


@dataclass(frozen=True, slots=True)
class Change:
    """What a turn makes durable beside the unit itself. *body* answers a repeat of *event*."""

    event: Event
    body: str = ""
    outgoing: tuple[Outgoing, ...] = ()
    timers: tuple[SetTimer | ClearTimer, ...] = ()
    pushes: tuple[Push, ...] = ()
    conditions: tuple[Conditions, ...] = ()
    raised: tuple[Raised, ...] = ()
    checked: tuple[Checked, ...] = ()
    gaps: tuple[Gap, ...] = ()
    mixes: tuple[Mixed, ...] = ()
    amendments: tuple[Amendments, ...] = ()
    counts_asked: tuple[CountsAsked, ...] = ()
    posts: tuple[Post, ...] = ()
    standing: Standing | None = None


class Turn(NamedTuple):
    """A unit before and after one event, and what goes with it."""

    before: Unit
    after: Unit
    change: Change


@dataclass(frozen=True, slots=True)
class Committed:
    """All of it was written."""


@dataclass(frozen=True, slots=True)
class Stale:
    """Nothing was written: the unit moved since it was read. Read it again."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Nothing was written: this event was taken before, and answered with *body*."""

    body: str


Verdict = Committed | Stale | Seen


def turn_ops(turn: Turn) -> list[Op]:
    """Every command of one commit."""
    before, after, change = turn
    now = score(change.event.at)
    ops = unit_ops(before, after)
    ops.append(["SET", f"sb:seen:{change.event.id}", change.body, "EX", str(SEEN_SECONDS)])
    for item in change.outgoing:
        ops += outgoing_ops(item)
    for effect in change.timers:
        ops += timer_ops(after.site.id, effect)
    for push in newest(change.pushes):
        ops += push_ops(push, now)
    for conditions in change.conditions:
        ops += condition_ops(conditions, now)
    for raised in change.raised:
        ops += raised_ops(raised, now)
    facts: tuple[Fact, ...] = (*change.checked, *change.gaps, *change.mixes)
    for fact in facts:
        ops += fact_ops(fact, now)
    ops += _asked_ops(change, now)
    for post in change.posts:
        ops += post_ops(post)
    if change.standing:
        board = f"sb:board:{after.site.district}"
        shown = msgspec.json.encode(change.standing).decode()
        ops.append(["HSET", board, after.site.id, shown])
    return ops


def _asked_ops(change: Change, due: str) -> list[Op]:
    amends = [op for asked in change.amendments for op in amend_ops(asked, due)]
    return amends + [op for asked in change.counts_asked for op in counts_ops(asked, due)]


class Sealed(NamedTuple):
    """A turn as its script takes it."""

    keys: list[str]
    words: list[str]


def seal(turn: Turn) -> Sealed:
    """Everything of *turn* as text; ValueError for what cannot be kept, as a naive moment."""
    keys = [f"sb:seen:{turn.change.event.id}", f"sb:unit:{turn.after.site.id}"]
    return Sealed(keys, [str(turn.before.version), msgspec.json.encode(turn_ops(turn)).decode()])


class Sessions:
    """Reads and commits units. *redis* answers in bytes."""

    def __init__(self, redis: Redis) -> None:
        self.redis = redis
        self._read = redis.register_script(READ)
        self._commit = redis.register_script(COMMIT)

    def read(self, phone: str, seen_id: str) -> Loaded:
        """All that a turn of *phone* needs, in one round trip. An unknown phone has no unit."""
        found = self._read([f"sb:seen:{seen_id}", f"sb:phone:{phone}"])
        if found[0] is not None:
            return Loaded(seen=found[0].decode(), unit=None)
        if len(found) == 1 or found[1] is None:
            return Loaded(seen=None, unit=None)
        return Loaded(seen=None, unit=read_unit(found[1], _paired(found[2]), _paired(found[3])))

    def unit(self, site_id: str) -> Unit | None:
        """The unit of a site; None when the register never had it."""
        return self.units([site_id])[site_id]

    def units(self, site_ids: Sequence[str]) -> dict[str, Unit | None]:
        """The units of several sites in one round trip."""
        pipe = self.redis.pipeline(transaction=False)
        for site_id in site_ids:
            # Page and hash need not be of one moment: the commit compares the version.
            pipe.get(f"sb:site:{site_id}")
            pipe.hgetall(f"sb:unit:{site_id}")
            if site_id.startswith(DISTRICT):
                pipe.hgetall(f"sb:board:{site_id.removeprefix(DISTRICT)}")
        replies = iter(pipe.execute())
        return {
            i: _unit(next(replies), next(replies), next(replies) if i.startswith(DISTRICT) else {})
            for i in site_ids
        }

    def board(self, district: str) -> dict[str, Standing]:
        """What every facility of *district* shows, by facility."""
        fields = cast("dict[bytes, bytes]", self.redis.hgetall(f"sb:board:{district}"))
        return some({name.decode(): raw for name, raw in fields.items()}, "", Standing)

    def commit(self, before: Unit, after: Unit, change: Change) -> Verdict:
        """Make one turn durable, whole or not at all."""
        keys, words = seal(Turn(before, after, change))
        return _verdict(self._commit(keys, words))

    def commit_all(self, sealed: Sequence[Sealed]) -> list[Verdict]:
        """Commit several turns in order and in one round trip; each stands or falls alone.

        One that Redis could not take counts as stale: made again alone, it shows its error.
        """
        pipe = self.redis.pipeline(transaction=False)
        for keys, words in sealed:
            self._commit(keys, words, client=pipe)
        return [_verdict(reply) for reply in pipe.execute(raise_on_error=False)]


def _paired(flat: Sequence[bytes]) -> dict[str, bytes]:
    pairs = iter(flat)
    return {name.decode(): raw for name, raw in zip(pairs, pairs, strict=True)}


def _unit(
    page: bytes | None, fields: Mapping[bytes, bytes], board: Mapping[bytes, bytes]
) -> Unit | None:
    if page is None:
        return None
    named, shown = ({name.decode(): raw for name, raw in h.items()} for h in (fields, board))
    return read_unit(page, named, shown)


def _verdict(reply: list[Any] | Exception) -> Verdict:
    if isinstance(reply, Exception):
        return Stale()
    if reply[0] == b"committed":
        return Committed()
    return Seen(reply[1].decode()) if reply[0] == b"seen" else Stale()
