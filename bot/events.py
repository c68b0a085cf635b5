"""Events: what people, clocks, gateways and other units do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

Channel = Literal["sms", "ussd"]
# Begins the session text of a gateway that sends only the newest USSD answer; nobody can type it.
NEWEST_ONLY = "\x1e"


@dataclass(frozen=True, slots=True)
class Heard:
    """A person said *text* (one answer; on USSD the newest). *sent_at* is the gateway's date.

    *draw* is a code drawn at random for this event, for whoever needs one that nobody can guess.
    """

    id: str
    phone: str
    channel: Channel
    text: str
    at: datetime
    sent_at: datetime | None = None
    session: str = ""
    session_text: str = ""
    tick: tuple[str, float] | None = None
    draw: str = ""


@dataclass(frozen=True, slots=True)
class Rang:
    """The timer of *batch_id* came up. The batch itself knows what was due, so a second ring of
    the same timer finds nothing due and only sets the next one again."""

    id: str
    batch_id: str
    at: datetime
    tick: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True)
class Receipt:
    """The gateway says what became of a message about *batch_id* (kind: ask, bell, note, alert)."""

    id: str
    phone: str
    batch_id: str
    kind: str
    delivered: bool
    at: datetime


@dataclass(frozen=True, slots=True)
class Letter:
    """What a turn of one unit says to another, whose commit cannot reach it: a supervisor's
    answer to an alert (*kind* is the deed, *about* the alert, *word* her words), or that she is
    not to be told ("absent", *until* when). *by* and *name* say who. Or the register's answer to
    the amendment *about*: "amended" (*word*: whom or what it made) or "refused" (*word*: why). Or
    the store's to a question of *by*: "counted", with *facts*."""

    id: str
    at: datetime
    kind: str
    by: str
    name: str = ""
    about: str = ""
    word: str = ""
    until: datetime | None = None
    facts: Mapping[str, int] = field(default_factory=dict)


Event = Heard | Rang | Receipt | Letter
