"""Alerts as a unit keeps them, and what its clock and its day go by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

AlertState = Literal["open", "seen", "taken", "solved", "over"]
AlertDeed = Literal[
    "told",  # a person was told
    "seen",  # she knows
    "taken",  # she sees to it
    "solved",  # it is done; the word says why
    "asked",  # she asks the facility; the word is her question
    "replied",  # the facility's words
    "passed",  # she passes it on
    "nobody",  # nobody answered in time, and nobody is left to be told
    "over",  # the matter itself is no more
]


@dataclass(frozen=True, slots=True)
class AlertLine:
    """One thing that happened to an alert. *by* is a register id, "" for the clock."""

    at: datetime
    by: str
    what: AlertDeed
    word: str = ""


@dataclass(frozen=True, slots=True)
class Alert:
    """Something that somebody must know, open until it is answered.

    *rule* is the id of its rule, *matter* what it is about: the same matter is one alert, with a
    *count* of how often it came. *facts* fill its text. *step* is the last step of the rule that
    was taken (-1: none), *due* when the next one is; *waiting*: told when the quiet hours end.
    """

    id: str
    facility: str
    rule: str
    matter: str
    at: datetime
    last: datetime
    facts: Mapping[str, str] = field(default_factory=dict)
    batch: str = ""
    by: str = ""
    count: int = 1
    state: AlertState = "open"
    step: int = -1
    due: datetime | None = None
    waiting: bool = False
    history: tuple[AlertLine, ...] = ()

    @property
    def told(self) -> tuple[str, ...]:
        """The register ids of everyone who was told, the first first."""
        return tuple(dict.fromkeys(line.by for line in self.history if line.what == "told"))

    @property
    def closed(self) -> bool:
        """Whether nothing more is to be done about it."""
        return self.state in ("solved", "over")

    def with_line(self, line: AlertLine, **changes: object) -> Alert:
        """The same alert with one more line, and *changes*."""
        return replace(self, history=(*self.history, line), **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Ended:
    """An alert that is closed: *at* when, *told* everyone who had been told of it. A digit that
    comes soon after may have been meant for it."""

    id: str
    rule: str
    at: datetime
    state: AlertState
    told: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Watch:
    """What a facility's clock goes by: *due* when it must look next, *heard* when anybody there
    last said something, *since* when it was first looked at. *empty*: since when no set of a kind
    has been READY; *few*: since when there are fewer than the least. *ended*: the alerts closed
    last, the newest last. *settled*: matters that somebody called solved, each with the moment from
    which it is looked at again."""

    due: datetime | None = None
    since: datetime | None = None
    heard: datetime | None = None
    empty: Mapping[str, datetime] = field(default_factory=dict)
    few: Mapping[str, datetime] = field(default_factory=dict)
    ended: tuple[Ended, ...] = ()
    settled: Mapping[str, datetime] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tally:
    """What one facility did on one *day* of its own: batches begun, ended by outcome, uses of
    READY sets, alerts raised."""

    day: str = ""
    begun: int = 0
    released: int = 0
    set_aside: int = 0
    uses: int = 0
    alerts: int = 0
