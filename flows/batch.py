"""The record of a batch: what was said and seen, in order, never rewritten.

Everything that decides READY reads these types and nothing else, so they carry the facts that
the decision needs (pieces, allowed methods, altitude) as they were when the batch was opened.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

Kind = Literal["bag", "suction"]
Method = Literal["chlorine", "boiling", "steaming", "autoclave"]
Outcome = Literal["", "released", "set aside", "cancelled"]
Value = str | int | float | bool

METHODS: tuple[Method, ...] = ("chlorine", "boiling", "steaming", "autoclave")

# What an entry is. `answered` alone can establish a mark; the rest explain what happened between.
EntryKind = Literal[
    "opened",  # the batch began; facts hold the sets and the facility
    "answered",  # an answer that moved the batch forward; may establish `mark`
    "taken_back",  # the entry numbered `voids` no longer counts ("I made a mistake")
    "again",  # every mark from `mark` on must be made again
    "interrupted",  # the running exposure does not count; it starts again
    "refused",  # an answer that was not accepted (too early, out of bounds)
    "misunderstood",  # an answer that means nothing here; its words are not kept
    "rang",  # the bell, a reminder or the over-soak warning was sent
    "undelivered",  # a bell did not reach a phone
    "delivered",  # a bell reached a phone
    "aside",  # the set `set_id` left the batch
    "handed",  # another person holds the batch now
    "told",  # someone above was told; `mark` says of what
    "checked",  # a release was asked for; facts hold what stood against it
    "closed",  # the batch is over; facts hold the outcome
]


@dataclass(frozen=True, slots=True)
class BatchSet:
    """One set as it went into the batch: *pieces* counted whole, *methods* its maker allows."""

    id: str
    model: str
    kind: Kind
    pieces: int
    methods: tuple[Method, ...]
    aside: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a batch's log. *at* is aware UTC; *by* is a person's register id, never a phone.

    *tick* is the server's running time (name of the boot, seconds since it): a second witness to
    how long an exposure lasted, for the day when somebody sets the clock.
    """

    n: int
    at: datetime
    kind: EntryKind
    stage: str = ""
    by: str = ""
    via: str = ""
    said: str = ""
    mark: str = ""
    set_id: str = ""
    voids: int | None = None
    facts: dict[str, Value] = field(default_factory=dict)
    tick: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True)
class Batch:
    """One pass of one or more sets from used to released or set aside.

    *autoclave* is the type of the facility's machine. *hasten* divides every exposure: 1 in
    service, more in practice and in a demonstration. *stage*, *detour* (where a side question
    returns to), *aside_of* (why a set is leaving), *method*, *due* (end of the running exposure)
    and *bells* (how often it has rung) are where the conversation stands; the log is what
    happened. *late*: it was done by the paper log and told afterwards.
    """

    id: str
    facility: str
    district: str
    altitude_m: float
    facility_methods: tuple[Method, ...]
    protocol: str
    flow: str
    opened_at: datetime
    opened_by: str
    holder: str
    sets: tuple[BatchSet, ...]
    stage: str
    autoclave: str = ""
    practice: bool = False
    hasten: float = 1.0
    detour: str = ""
    aside_of: str = ""
    method: str = ""
    due: datetime | None = None
    bells: int = 0
    log: tuple[Entry, ...] = ()
    outcome: Outcome = ""
    closed_at: datetime | None = None
    expires_at: datetime | None = None
    segments: int = 0
    late: bool = False

    @property
    def remaining(self) -> tuple[BatchSet, ...]:
        """The sets still in the batch, in the order they were named."""
        return tuple(s for s in self.sets if not s.aside)

    @property
    def kinds(self) -> str:
        """bag, suction or both: which wording a prompt needs."""
        found = {s.kind for s in self.remaining}
        return "both" if len(found) > 1 else next(iter(found), "bag")

    @property
    def names(self) -> str:
        """The ids of the remaining sets, as a person reads them; from the third on a number."""
        return short([s.id for s in (self.remaining or self.sets)])

    def with_entry(self, entry: Entry) -> Batch:
        """The same batch with one more line in its log."""
        return replace(self, log=(*self.log, entry))


def short(ids: Sequence[str]) -> str:
    """Up to two ids in full, the rest as a number: a text message has room for no more."""
    more = [f"+{len(ids) - 2}"] if len(ids) > 2 else []
    return "+".join(ids[:2]) + "".join(more)


def effective(log: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """The entries that nobody took back, in order. The log itself keeps both answers.

    An interruption stands whatever is said later: the pieces may have been out.
    """
    voided = {e.voids for e in log if e.kind == "taken_back"}
    if not voided:
        return log
    return tuple(
        e for e in log if e.kind == "interrupted" or (e.n not in voided and e.kind != "taken_back")
    )
