"""Effects: what the bot does, and what it says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, NamedTuple

from bot.alert import Alert
from bot.amend import Amend
from bot.events import Letter
from bot.message import Message
from bot.model import SetState, Unit
from flows.batch import Batch, Kind

MixEnd = Literal["", "replaced", "outlived"]


@dataclass(frozen=True, slots=True)
class Prompt:
    """A text to be rendered: catalogue *key* and its values, each text, number, time or Prompt."""

    key: str
    values: Mapping[str, Shown] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Day:
    """A moment shown as a date with the time, in the facility's zone."""

    at: datetime


Shown = Prompt | Day | str | int | float | datetime


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to the person who spoke: the USSD body, or an SMS. *end* closes the session."""

    prompt: Prompt
    end: bool = False
    practice: bool = False
    hastened: bool = False
    batch_id: str = ""


@dataclass(frozen=True, slots=True)
class Say:
    """An SMS to *phone*. *kind* is ask, bell, note or alert."""

    phone: str
    prompt: Prompt
    kind: str = "note"
    batch_id: str = ""
    practice: bool = False
    hastened: bool = False


@dataclass(frozen=True, slots=True)
class SetTimer:
    """Ring *batch_id* (a batch, or a reminder) at *due*. Each has one timer at most; setting
    replaces it."""

    batch_id: str
    due: datetime


@dataclass(frozen=True, slots=True)
class ClearTimer:
    """*batch_id* has no timer any more."""

    batch_id: str


@dataclass(frozen=True, slots=True)
class Push:
    """Send this state of the batch, and of its sets, to the store. Newer ones replace it there."""

    batch: Batch
    sets: tuple[SetState, ...]


@dataclass(frozen=True, slots=True)
class Conditions:
    """Send conditions of sets of one facility that no batch's push carries, each since its turn.

    A READY one names the released batch that proves it; the store takes its word for nothing.
    """

    site_id: str
    states: tuple[SetState, ...]


@dataclass(frozen=True, slots=True)
class Raised:
    """Send this state of an alert to the store. Newer ones replace it there."""

    district: str
    alert: Alert


@dataclass(frozen=True, slots=True)
class Amendments:
    """Send what a facility asks of the register and has no answer to: all of it, in its order, so
    that a later one carries whatever an earlier one still waits for."""

    site_id: str
    district: str
    amends: tuple[Amend, ...]


@dataclass(frozen=True, slots=True)
class CountsAsked:
    """Ask the store for the counts of *district*, for the person *by*: the answer is a letter to
    the unit of *site_id*."""

    id: str
    site_id: str
    district: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Checked:
    """Send a shift check to the store: done, or missed. *slot* is the time it was for (None:
    between the times), *sets* what each set was found as, *uses_said* what somebody counted since
    *since* and *uses_counted* what the conversations did; None where nobody said.
    """

    id: str
    facility: str
    district: str
    slot: datetime | None
    at: datetime | None
    by: str
    since: datetime | None
    sets: Mapping[str, str]
    uses_said: int | None
    uses_counted: int
    births: int | None
    helped: int | None
    late_minutes: float
    done: bool


@dataclass(frozen=True, slots=True)
class Gap:
    """Send to the store that no set of *kind* is READY at a facility since *since*; *until* is when
    one was again, or the facility had none of that kind any more. None: it lasts.
    """

    id: str
    facility: str
    district: str
    kind: Kind
    since: datetime
    until: datetime | None


@dataclass(frozen=True, slots=True)
class Mixed:
    """Send a chlorine solution that was made by MIX to the store: of which *stock* of the register,
    how strong, how much, good until *expires_at*. *by* is a register id.

    *ended*: "replaced", another was made while it was good; "outlived", its time passed and none
    had been. *hasten* as of a batch: not 1 in a demonstration.
    """

    id: str
    facility: str
    district: str
    at: datetime
    expires_at: datetime
    strength_percent: float
    litres: float
    product: str
    stock: str
    by: str
    closed_at: datetime | None = None
    ended: MixEnd = ""
    hasten: float = 1


@dataclass(frozen=True, slots=True)
class Post:
    """Hand *letter* to the unit of *site_id*: at least once, and taken once."""

    site_id: str
    letter: Letter


Pushed = Push | Conditions | Raised | Message | Checked | Gap | Mixed
"""What is pushed to the store."""
Effect = (
    Reply | Say | SetTimer | ClearTimer | Push | Conditions | Raised | Checked | Gap | Mixed
    | Amendments | CountsAsked | Post
)  # fmt: skip


class Step(NamedTuple):
    """What a turn comes to: the unit after it, and what to do about it."""

    unit: Unit
    effects: tuple[Effect, ...]
