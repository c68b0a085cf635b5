"""The shift check as a unit keeps it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Round:
    """A check that somebody is at. *by* is her register id, *of* the time it is for (None: between
    the times), *last* when she answered last. *answers* say what each set was found as
    (`flows.readiness`); *uses* and *births* are None until they were said."""

    by: str
    at: datetime
    last: datetime
    of: datetime | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    singly: bool = False
    uses: int | None = None
    births: int | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """What a facility's shift check goes by.

    *since*: when its times were first looked at. *slot* is the newest time that has come, *asked*
    when *asked_of* was asked for it. *done_slot* is the last time that was done, *done_at* when
    uses were last reckoned; *counted* are the uses since then. *round* is under way.
    """

    since: datetime | None = None
    slot: datetime | None = None
    asked: datetime | None = None
    asked_of: str = ""
    done_slot: datetime | None = None
    done_at: datetime | None = None
    counted: int = 0
    round: Round | None = None

    @property
    def due(self) -> datetime | None:
        """The newest time, if its check is not done."""
        return self.slot if self.slot != self.done_slot else None
