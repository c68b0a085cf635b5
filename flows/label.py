"""The label of a mixed solution, as data: what, how strong, when, by whom, until when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

from flows.measures import exact, number

What = Literal["bleach", "calcium hypochlorite", "chlorinated lime", "NaDCC", "vinegar"]


@dataclass(frozen=True, slots=True)
class Label:
    """What belongs on the container. *by* is a register id; moments are aware UTC.

    From *warn_at* the solution is doubtful, at *discard_at* it is over. None: no early doubt.
    """

    what: What
    percent: float
    made_at: datetime
    by: str
    discard_at: datetime
    warn_at: datetime | None = None

    def condition(self, now: datetime) -> Literal["fresh", "doubtful", "discard"]:
        """What the solution is good for at *now*; one from the future is not trusted."""
        if not self.made_at <= _utc(now) < self.discard_at:
            return "discard"
        return "doubtful" if self.warn_at is not None and now >= self.warn_at else "fresh"


def label(
    what: What,
    percent: float,
    made_at: datetime,
    by: str,
    *,
    life_hours: float,
    celsius: float | None,
    hot_above_celsius: float,
    hot_life_hours: float,
) -> Label:
    """The label of a solution kept at about *celsius*; None where nobody knows, taken for hot.

    NaDCC loses its strength in the heat: above *hot_above_celsius* it is doubtful after
    *hot_life_hours*. Raises ValueError for moments that are not UTC and lives that cannot be.
    """
    if what not in get_args(What):
        raise ValueError(f"{what} is not a solution that gets a label.")
    number(exact("The strength", percent))
    hot = celsius is None or not celsius <= hot_above_celsius
    end, doubt = _after(made_at, life_hours), _after(made_at, hot_life_hours)
    return Label(
        what=what,
        percent=percent,
        made_at=made_at,
        by=by,
        discard_at=end,
        warn_at=min(doubt, end) if what == "NaDCC" and hot else None,
    )


def _after(moment: datetime, hours: float) -> datetime:
    try:
        return _utc(moment) + timedelta(hours=number(exact("The life", hours)))
    except OverflowError:
        raise ValueError(f"A life of {hours} hours is too long.") from None


def _utc(moment: datetime) -> datetime:
    if moment.utcoffset() != timedelta(0):
        raise ValueError(f"{moment} is not a moment in UTC.")
    return moment
