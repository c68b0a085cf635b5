"""What is asked of the pages of the counts: a time, a place, a method, and one thing of several.

Pure: whoever asks says which day it is and what may be chosen.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from bot.count_queries import CountFilter
from flows.batch import METHODS

PERIODS: Mapping[str, str] = {
    "4w": "the last 4 weeks", "3m": "the last 3 months", "12m": "the last 12 months",
}  # fmt: skip
_MONTHS = {"3m": 3, "12m": 12}
FOUR_WEEKS = timedelta(days=28)
BY_WEEK = timedelta(days=190)  # up to here a series has a point a week, then one a month
LONGEST = timedelta(days=5 * 366)  # a software limit: so many points are still a page
MOST_TYPED = 60  # characters of one field

NO_DAY = "A day is written as 2025-03-31."
TURNED = "The first day comes after the last one."
TO_COME = "That time has not begun yet."
TOO_LONG = "Choose five years at most."
NO_METHOD = f"The method is one of {', '.join(METHODS)}."


class Unknown(LookupError):
    """A district or a facility that is not there for whoever asks."""


@dataclass(frozen=True, slots=True)
class Scope:
    """To what the account is kept: districts and facilities as the store is asked (empty: all)."""

    district: tuple[str, ...] = ()
    facility: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked, understood: local days, both included; "" where all are meant. *period* is a
    key of PERIODS, or "" for days that were chosen."""

    since: date
    until: date
    period: str = ""
    district: str = ""
    facility: str = ""
    method: str = ""
    what: str = ""

    @property
    def query(self) -> dict[str, str]:
        """The same as parts of an address, the empty ones left out."""
        days = {"period": self.period} if self.period else self.days
        return {**days, **self.rest}

    @property
    def days(self) -> dict[str, str]:
        """The days as parts of an address."""
        return {"from": self.since.isoformat(), "to": self.until.isoformat()}

    @property
    def place(self) -> dict[str, str]:
        """District, facility and method as parts of an address."""
        named = {"district": self.district, "facility": self.facility, "method": self.method}
        return {name: value for name, value in named.items() if value}

    @property
    def rest(self) -> dict[str, str]:
        """All but the days."""
        return {**self.place, **({"what": self.what} if self.what else {})}

    @property
    def onward(self) -> dict[str, str]:
        """What goes along to another page, which may have a time of its own: days that were
        chosen, and the place."""
        return self.place if self.period else {**self.days, **self.place}

    @property
    def words(self) -> str:
        """ "29 Oct 2026 to 25 Nov 2026" """
        return f"{said_day(self.since)} to {said_day(self.until)}"

    @property
    def grain(self) -> str:
        """What a point of a series is: a week, or a month."""
        return "week" if self.until - self.since <= BY_WEEK else "month"

    def filter(self, scope: Scope, *by: str) -> CountFilter:
        """The same for the store, within *scope*, told apart by each of *by*."""
        return CountFilter(
            since=self.since, until=self.until, by=by,
            district=(self.district,) if self.district else scope.district,
            facility=(self.facility,) if self.facility else scope.facility,
            method=(self.method,) if self.method else (),
        )  # fmt: skip

    def between(self, first: date, last: date) -> dict[str, str]:
        """A part of these days, as parts of an address with the same place."""
        since, until = max(first, self.since), min(last, self.until)
        return {"from": since.isoformat(), "to": until.isoformat(), **self.place}

    def without_method(self) -> Wanted:
        """The same of all methods: what is counted of a place has none."""
        return replace(self, method="")


def said_day(day: date) -> str:
    """ "3 Nov 2026" """
    return f"{day.day} {day:%b %Y}"


def understood(
    asked: Mapping[str, str], today: date, districts: Collection[str],
    facilities: Collection[str], period: str = "4w",
) -> Wanted:  # fmt: skip
    """What the fields *asked* mean on the day *today*; *period* holds where no time is asked.

    ValueError, with a sentence for whoever asked, for what cannot be meant; Unknown for a place
    that is not there for her.
    """
    given = {name: value.strip()[:MOST_TYPED] for name, value in asked.items()}
    district, facility = given.get("district", ""), given.get("facility", "")
    if district not in ("", *districts) or facility not in ("", *facilities):
        raise Unknown
    if given.get("method", "") not in ("", *METHODS):
        raise ValueError(NO_METHOD)
    wanted = Wanted(today, today, "", district, facility, given.get("method", ""),
                    given.get("what", ""))  # fmt: skip
    if given.get("from") or given.get("to"):
        return _chosen(wanted, given.get("from", ""), given.get("to", ""), today)
    period = given.get("period") or period
    if period not in PERIODS:
        raise ValueError(f"The time is one of {', '.join(PERIODS.values())}.")
    return replace(wanted, since=_first(period, today), period=period)


def _chosen(wanted: Wanted, since: str, until: str, today: date) -> Wanted:
    last = _day(until) if until else today
    first = _day(since) if since else last - FOUR_WEEKS + timedelta(days=1)
    if first > today:
        raise ValueError(TO_COME)
    if first > last:
        raise ValueError(TURNED)
    last = min(last, today)
    if last - first > LONGEST:
        raise ValueError(TOO_LONG)
    return replace(wanted, since=first, until=last)


def _day(text: str) -> date:
    try:
        found = date.fromisoformat(text)
    except ValueError as error:
        raise ValueError(NO_DAY) from error
    if found.year < 1990:  # before any batch, and before what can be reckoned with
        raise ValueError(NO_DAY)
    return found


def _first(period: str, today: date) -> date:
    """The day after the same day of the month so long ago; of a shorter month, after its last."""
    if period not in _MONTHS:
        return today - FOUR_WEEKS + timedelta(days=1)
    years, month = divmod(today.year * 12 + today.month - 1 - _MONTHS[period], 12)
    for day in range(today.day, 27, -1):
        try:
            return date(years, month + 1, day) + timedelta(days=1)
        except ValueError:
            continue
    return date(years, month + 1, min(today.day, 28)) + timedelta(days=1)


# ---- the points of a series --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stretch:
    """One point of a series: its *key* as the store tells it, a *label*, its days."""

    key: str
    label: str
    first: date
    last: date


def stretches(wanted: Wanted) -> list[Stretch]:
    """Every week or month that lies, whole or in part, within the days of *wanted*."""
    found, day = list[Stretch](), wanted.since
    while day <= wanted.until:
        found.append(_week(day) if wanted.grain == "week" else _month(day))
        day = found[-1].last + timedelta(days=1)
    return found


def _week(day: date) -> Stretch:
    year, week, _ = day.isocalendar()
    monday = date.fromisocalendar(year, week, 1)
    label = f"{monday.day} {monday:%b}"
    return Stretch(f"{year}-W{week:02}", label, monday, monday + timedelta(days=6))


def _month(day: date) -> Stretch:
    first = day.replace(day=1)
    last = (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)
    return Stretch(f"{first:%Y-%m}", f"{first:%b %Y}", first, last)
