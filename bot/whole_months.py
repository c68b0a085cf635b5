"""What the totals keep by whole months only: times in bins, and the hours of the week without a
READY set."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from bot.count_queries import CountFilter, registered, summed
from bot.cursors import fetch
from bot.tables import gaps, models, sets
from bot.tally import hours
from bot.total_tables import heard

HOURS = 24
WEEK = 7 * HOURS
_A_WEEK = timedelta(days=7)

Week = Sequence[Sequence[float | None]]


def whole_months(wanted: CountFilter) -> CountFilter:
    """The same for all of the months that its days (both given) touch."""
    since, until = wanted.since or date.min, wanted.until or date.max
    last = (until.replace(day=1) + timedelta(days=32)).replace(day=1) - timedelta(days=1)
    return replace(wanted, since=since.replace(day=1), until=last)


def bins(connection: Connection, wanted: CountFilter, span: str) -> dict[int, int]:
    """How many times of *span* (a key of `flows.indicators.SPANS`) began in each bin of minutes, in
    the whole months of *wanted*; by method where it asks for some."""
    rows = summed(connection, "spans", whole_months(wanted), ())
    return {row["bin"]: row["n"] for row in rows if row["what"] == span}


def readiness(connection: Connection, wanted: CountFilter, kind: str, now: datetime) -> Week:
    """The share of each hour of the week (7 days from Monday, 24 hours each, by the facilities'
    clocks) in which a set of *kind* was READY, in the whole months of *wanted*, up to *now*.

    The denominator is the time since each registered facility with such a set was first heard of;
    None for an hour without any. A change of the clocks is not looked at in it.
    """
    asked = replace(whole_months(wanted), method=())
    zones = _zones(connection, asked, kind)
    empty = Counter({row["bin"]: row["n"] for row in summed(connection, "hours", asked, ())
                     if row["what"] == kind})  # fmt: skip
    for minutes in _lasting(connection, asked, kind, zones, now):
        empty.update(minutes)
    known = _known(connection, asked, zones, now)
    return [[_share(empty[i], known[i]) for i in range(day * HOURS, (day + 1) * HOURS)]
            for day in range(7)]  # fmt: skip


def _share(empty: int, known: int) -> float | None:
    # A facility that left the register is in the totals still.
    return max(1 - empty / known, 0.0) if known else None


def _zones(connection: Connection, asked: CountFilter, kind: str) -> dict[str, ZoneInfo]:
    """The clock of each facility that has a set of *kind*."""
    query = select(sets.c.facility).join(models, sets.c.model == models.c.id)
    having = set(connection.scalars(query.where(models.c.kind == kind).distinct()))
    return {i: ZoneInfo(row["zone"]) for i, row in registered(connection, asked).items()
            if i in having}  # fmt: skip


def _lasting(
    connection: Connection, asked: CountFilter, kind: str, zones: Mapping[str, ZoneInfo],
    now: datetime,
) -> Iterator[Counter[int]]:  # fmt: skip
    """The minutes by hour of the week of each gap that has not ended."""
    query = select(gaps.c.facility, gaps.c.since).where(gaps.c.until.is_(None))
    for row in fetch(connection, query.where(gaps.c.kind == kind)):
        zone = zones.get(row["facility"])
        if zone:
            begin, end = _ends(asked, zone, now)
            yield minutes_of(max(row["since"], begin), end, zone)


def _ends(asked: CountFilter, zone: ZoneInfo, now: datetime) -> tuple[datetime, datetime]:
    """The moments between which the days of *asked* lie by one clock, none of them to come."""
    since, until = asked.since or date.min, asked.until or date.max
    begin = datetime.combine(since, time(), zone).astimezone(UTC)
    end = datetime.combine(until + timedelta(days=1), time(), zone).astimezone(UTC)
    return begin, min(end, now)


def minutes_of(since: datetime, until: datetime, zone: ZoneInfo) -> Counter[int]:
    """The minutes from *since* to *until* by hour of the week; whole weeks are not walked through,
    so that a gap of years costs no more than one of days."""
    if since >= until:
        return Counter()
    weeks = (until - since) // _A_WEEK
    found = Counter(dict.fromkeys(range(WEEK), 60 * weeks)) if weeks else Counter[int]()
    for start, minutes in hours(since + weeks * _A_WEEK, until, zone.key):
        here = start.astimezone(zone)
        found[here.weekday() * HOURS + here.hour] += minutes
    return found


def _known(
    connection: Connection, asked: CountFilter, zones: Mapping[str, ZoneInfo], now: datetime
) -> Counter[int]:
    first = {r["facility"]: date.fromisoformat(r["day"]) for r in fetch(connection, select(heard))}
    found: Counter[int] = Counter()
    for facility, zone in zones.items():
        if facility in first:
            begin, end = _ends(asked, zone, now)
            heard_at = datetime.combine(first[facility], time(), zone).astimezone(UTC)
            found.update(minutes_of(max(begin, heard_at), end, zone))
    return found
