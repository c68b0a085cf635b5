"""What the counts come to: every indicator with numerator and denominator, for each group asked.

Sums come from the running totals. What lasts at the moment of asking, the time that facilities were
heard of and the months that they should have reported are added, so that a silence never looks like
a zero.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy import Connection

from bot.count_queries import CountFilter, silent, spans_whole_month, summed
from bot.expected import (
    Group,
    Place,
    by_group,
    key_of,
    last_day,
    lasting,
    observed,
    place_key,
    places_of,
    reports,
    unregistered,
)
from bot.figure import Figure
from flows.indicators import BY_ID, EXPECTED, MEASURES, Indicator, total
from flows.statistics import percentile

EVERYWHERE = "*"
BY = ("district", "facility", "month", "week", "day", "method")
Spans = Mapping[str, Mapping[int, int]]  # a histogram for each span of `flows.indicators`
OF_SPANS = frozenset({"district", "facility", "month", "method"})


@dataclass(frozen=True, slots=True)
class Counted:
    """One group: its *keys* by dimension, its local days, its *measures* (those of EXPECTED are
    None where the group has none) and what each *indicator* comes to."""

    keys: Mapping[str, str]
    since: date
    until: date
    measures: Mapping[str, int | None]
    indicators: Mapping[str, Figure]


@dataclass(frozen=True, slots=True)
class Counts:
    """All groups in order, the facilities *expected*, and those of them that are *silent*."""

    groups: tuple[Counted, ...]
    expected: tuple[str, ...]
    silent: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked, with both days, and all that the groups are made from."""

    wanted: CountFilter
    by: Group
    places: tuple[Place, ...]
    here: Mapping[Group, tuple[Place, ...]]
    now: datetime
    spans: Mapping[Group, Spans] | None
    lasting: Mapping[Group, int]
    due: Mapping[Group, tuple[int, int]]
    left: Mapping[Group, int]

    @property
    def of_places(self) -> bool:
        """Whether what is true of a place alone can be told: a method has no months and no gaps."""
        return "method" not in self.by and not self.wanted.method


def counts(connection: Connection, wanted: CountFilter, now: datetime) -> Counts:
    """Everything in `flows.indicators` for the groups of *wanted* at *now* (aware). ValueError for
    a dimension that indicators are not told apart by.

    What a district's own page wrote is in no group of a facility: it is none.
    """
    if unknown := sorted(set(wanted.by) - set(BY)):
        raise ValueError(f"by is any of {', '.join(BY)}, not {unknown[0][:40]}")
    if wanted.stage or wanted.reason:
        raise ValueError("indicators are not told by stage or reason; steps missed are")
    asked = _asked(connection, wanted, now)
    rows = {key_of(row, asked.by): row
            for row in summed(connection, "measures", wanted, asked.by)
            if row.get("facility") != ""}
    found = {*rows, *(asked.lasting if asked.of_places else ()), *asked.due}
    nothing = dict.fromkeys(MEASURES, 0)
    groups = (_group(asked, key, rows.get(key, nothing)) for key in sorted(found))
    return Counts(tuple(groups), tuple(p.id for p in asked.places),
                  tuple(silent(connection, wanted)))


def _asked(connection: Connection, wanted: CountFilter, now: datetime) -> _Asked:
    by = tuple(name for name in BY if name in wanted.by)
    places = places_of(connection, wanted)
    first = min((p.due for p in places if p.due), default=now.date())
    last = last_day(places, now)
    whole = replace(wanted, since=wanted.since or first, until=wanted.until or last)
    return _Asked(
        whole, by, tuple(places), by_group(places, by), now, _spans(connection, wanted, by),
        lasting(connection, whole, places, by, now),
        reports(connection, replace(whole, until=min(whole.until or last, last)), places, by),
        _left(connection, wanted, by),
    )  # fmt: skip


def _group(asked: _Asked, key: Group, row: Mapping[str, int]) -> Counted:
    keys = dict(zip(asked.by, key, strict=True))
    since, until = days_of(keys, asked.wanted)
    measures: dict[str, int | None] = {name: row[name] for name in MEASURES}
    measures |= dict.fromkeys(EXPECTED)
    if asked.of_places:
        ended = row["empty_minutes"] - asked.left.get(key, 0)
        measures["empty_minutes"] = ended + asked.lasting.get(key, 0)
        here = asked.here.get(place_key(keys, asked.by), ())
        measures["observed_minutes"] = observed(here, since, until, asked.now)
        measures["reports"], measures["reports_due"] = asked.due.get(key, (None, None))
    spans = None if asked.spans is None else asked.spans.get(key, {})
    return Counted(keys, since, until, measures,
                   _Figures(measures, spans, keys, (since, until)))


def days_of(keys: Mapping[str, str], wanted: CountFilter) -> tuple[date, date]:
    """The first and last day of a group, within the days of *wanted* (both given)."""
    since, until = wanted.since or date.min, wanted.until or date.max
    if "day" in keys:
        since = until = date.fromisoformat(keys["day"])
    if "week" in keys:
        year, week = keys["week"].split("-W")
        monday = date.fromisocalendar(int(year), int(week), 1)
        since, until = max(since, monday), min(until, monday + timedelta(days=6))
    if "month" in keys:
        begin = date.fromisoformat(f"{keys['month']}-01")
        end = (begin + timedelta(days=32)).replace(day=1) - timedelta(days=1)
        since, until = max(since, begin), min(until, end)
    return since, until


@dataclass(frozen=True, slots=True, eq=False)
class _Figures(Mapping[str, Figure]):
    """Every indicator of one group, each worked out when it is asked for: a page about a thousand
    facilities asks for few. *spans*: histograms of its times, None where they are not known."""

    measures: Mapping[str, int | None]
    spans: Spans | None
    where: Mapping[str, str]
    days: tuple[date, date]

    def __getitem__(self, name: str) -> Figure:
        one = BY_ID[name]
        bins = None if self.spans is None else self.spans.get(one.span, {})
        return _figure(one, self.measures, bins, self.where, self.days)

    def __iter__(self) -> Iterator[str]:
        return iter(BY_ID)

    def __len__(self) -> int:
        return len(BY_ID)


def _figure(one: Indicator, measures: Mapping[str, int | None], bins: Mapping[int, int] | None,
            keys: Mapping[str, str], days: tuple[date, date]) -> Figure:
    place = keys.get("facility") or keys.get("district") or EVERYWHERE
    dims = {"method": keys["method"]} if "method" in keys else {}
    top, bottom, value = _parts(one, measures, bins)
    return Figure(indicator=one.id, place=place, since=days[0], until=days[1], numerator=top,
                  denominator=bottom, value=value, dims=dims)


def _parts(
    one: Indicator, measures: Mapping[str, int | None], bins: Mapping[int, int] | None
) -> tuple[int | None, int | None, float | None]:
    """Numerator, denominator and what they come to."""
    if one.span:
        if bins is None:
            return None, None, None
        minutes = percentile(bins, one.share)
        return minutes, sum(bins.values()), minutes
    top, bottom = _total(measures, one.numerator), _total(measures, one.denominator)
    if not one.denominator:
        return top, None, top
    if top is None or bottom is None:
        return None, None, None  # of a method, or of a day: nothing is told in part
    return top, bottom, top / bottom if bottom else None


def _total(measures: Mapping[str, int | None], names: tuple[str, ...]) -> int | None:
    parts = {n.removeprefix("-"): measures[n.removeprefix("-")] for n in names}
    known = {name: n for name, n in parts.items() if n is not None}
    return total(known, names) if len(known) == len(parts) else None


# ---- times -----------------------------------------------------------------------------------


def _spans(
    connection: Connection, wanted: CountFilter, by: Sequence[str]
) -> Mapping[Group, Spans] | None:
    """Histograms by group and span, of whole months only; None by week or day, and where no whole
    month is asked for: times are not known then, and not none."""
    if not set(by) <= OF_SPANS or not spans_whole_month(wanted):
        return None
    found: dict[Group, dict[str, dict[int, int]]] = defaultdict(lambda: defaultdict(dict))
    for row in summed(connection, "spans", wanted, by):
        found[key_of(row, by)][row["what"]][row["bin"]] = row["n"]
    return found


def _left(connection: Connection, wanted: CountFilter, by: Sequence[str]) -> dict[Group, int]:
    """Minutes without a READY set of facilities that left the register: the time that these were
    heard of is no longer known, so they are in neither part of a share."""
    gone = unregistered(connection, wanted)
    if not gone:
        return {}
    rows = summed(connection, "measures", replace(wanted, facility=gone), by)
    return {key_of(row, by): row["empty_minutes"] for row in rows}
