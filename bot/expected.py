"""What should be there: facilities of the register, the time they were heard of, the months that
they owe, and the gaps that last at the moment of asking.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, func, select

from bot.count_queries import PLACES, CountFilter, came, registered
from bot.cursors import fetch
from bot.tables import facilities, gaps, models, sets
from bot.total_tables import heard

OF_REPORTS = frozenset({"district", "facility", "month"})

Group = tuple[str, ...]


def key_of(row: Mapping[str, Any], by: Sequence[str]) -> Group:
    """The group of *row* by the dimensions *by*."""
    return tuple(str(row[name]) for name in by)


@dataclass(frozen=True, slots=True)
class Place:
    """A registered facility: since which day it is heard of, since which its district is (that of
    the whole register, for a district of which nothing came), and how many kinds of sets it has."""

    id: str
    district: str
    zone: str
    first: date | None
    due: date | None
    kinds: int


def places_of(connection: Connection, wanted: CountFilter) -> list[Place]:
    known = registered(connection, CountFilter())
    first = _first(connection, known)
    districts: dict[str, date] = {}
    for facility, row in known.items():
        if day := first.get(facility):
            districts[row["district"]] = min(day, districts.get(row["district"], day))
    began = min(districts.values(), default=None)
    kinds = _kinds(connection, wanted)
    return [
        Place(i, row["district"], row["zone"], first.get(i), districts.get(row["district"], began),
              kinds.get(i, 0))
        for i, row in known.items()
        if row["district"] in (wanted.district or (row["district"],))
        and i in (wanted.facility or (i,))
    ]  # fmt: skip


def _kinds(connection: Connection, wanted: CountFilter) -> dict[str, int]:
    query = (select(sets.c.facility, func.count(models.c.kind.distinct()))
             .join(models, sets.c.model == models.c.id).group_by(sets.c.facility))
    if wanted.facility:
        query = query.where(sets.c.facility.in_(wanted.facility))
    if wanted.district:
        query = (query.join(facilities, sets.c.facility == facilities.c.id)
                 .where(facilities.c.district.in_(wanted.district)))
    return {row[0]: row[1] for row in connection.execute(query)}


def _first(connection: Connection, known: Mapping[str, Mapping[str, Any]]) -> dict[str, date]:
    """The first day of each facility, that of a gap which still lasts included."""
    found = {r["facility"]: date.fromisoformat(r["day"]) for r in fetch(connection, select(heard))}
    for row in fetch(connection, select(gaps.c.facility, gaps.c.since)
                     .where(gaps.c.until.is_(None))):
        if row["facility"] in known:
            day = row["since"].astimezone(ZoneInfo(known[row["facility"]]["zone"])).date()
            found[row["facility"]] = min(day, found.get(row["facility"], day))
    return found


def last_day(places: Sequence[Place], now: datetime) -> date:
    """The last day that has begun at any of *places*."""
    return max((_today(p.zone, now) for p in places), default=now.date())


@lru_cache(maxsize=1024)  # a country's facilities share a few zones
def _today(zone: str, now: datetime) -> date:
    return now.astimezone(ZoneInfo(zone)).date()


def by_group(places: Iterable[Place], by: Sequence[str]) -> dict[Group, tuple[Place, ...]]:
    """*places* by those of the dimensions *by* that are places."""
    found: dict[Group, list[Place]] = defaultdict(list)
    for place in places:
        found[place_key({"district": place.district, "facility": place.id}, by)].append(place)
    return {key: tuple(here) for key, here in found.items()}


def place_key(keys: Mapping[str, str], by: Sequence[str]) -> Group:
    return tuple(keys[name] for name in PLACES if name in by)


def unregistered(connection: Connection, wanted: CountFilter) -> tuple[str, ...]:
    """Facilities that were heard of and are in the register no more: of those asked for, if any."""
    query = select(heard.c.facility).where(heard.c.facility.not_in(select(facilities.c.id)))
    if wanted.facility:
        query = query.where(heard.c.facility.in_(wanted.facility))
    return tuple(connection.scalars(query.order_by(heard.c.facility)))


# ---- time without a READY set, and time heard of ---------------------------------------------


def observed(places: Iterable[Place], since: date, until: date, now: datetime) -> int:
    """Minutes of *places* and their kinds from *since* to *until*, as far as each was heard of and
    they are past. A day is as long as the clocks there make it."""
    alike: Counter[tuple[str, date]] = Counter()  # most of a country share zone and first day
    for place in places:
        if place.first is not None:
            alike[place.zone, max(since, place.first)] += place.kinds
    return sum(kinds * _between(ZoneInfo(zone), begin, min(until, _today(zone, now)), now)
               for (zone, begin), kinds in alike.items())


def _between(zone: ZoneInfo, begin: date, last: date, now: datetime) -> int:
    if begin > last:
        return 0
    stop = min(now, _midnight(last + timedelta(days=1), zone))
    return _minutes(stop) - _minutes(_midnight(begin, zone))


@lru_cache(maxsize=4096)
def _midnight(day: date, zone: ZoneInfo) -> datetime:
    # In UTC: two times of one zone are compared by what its clocks show, not by what passed.
    return datetime.combine(day, datetime.min.time(), zone).astimezone(UTC)


def lasting(
    connection: Connection, wanted: CountFilter, places: Sequence[Place], by: Sequence[str],
    now: datetime,
) -> dict[Group, int]:
    """Minutes of the gaps that have not ended, by group."""
    zones = {p.id: p for p in places}
    found: dict[Group, int] = defaultdict(int)
    for row in fetch(connection, select(gaps).where(gaps.c.until.is_(None))):
        place = zones.get(row["facility"])
        if place:
            here = replace(place, district=row["district"])  # whose it is when it has ended
            for keys, minutes in _pieces(row["since"], now, wanted, here, by):
                found[keys] += minutes
    return found


def _pieces(
    since: datetime, now: datetime, wanted: CountFilter, place: Place, by: Sequence[str]
) -> Iterator[tuple[Group, int]]:
    """The whole minutes of one gap by group, day by day only where time is told apart."""
    zone = ZoneInfo(place.zone)
    first = max(wanted.since or date.min, since.astimezone(zone).date())
    last = min(wanted.until or date.max, now.astimezone(zone).date())
    steps = _days(first, last) if {"month", "week", "day"} & set(by) else [(first, last)]
    for begin, end in steps:
        start = max(since, _midnight(begin, zone))
        stop = min(now, _midnight(end + timedelta(days=1), zone))
        if start < stop:
            year, week, _ = begin.isocalendar()
            keys = {"district": place.district, "facility": place.id, "method": "",
                    "month": begin.isoformat()[:7], "week": f"{year}-W{week:02}",
                    "day": begin.isoformat()}
            yield key_of(keys, by), _minutes(stop) - _minutes(start)


def _minutes(moment: datetime) -> int:
    """Whole minutes of the clock: a gap is counted by the minutes in which it begins and ends."""
    return int(moment.timestamp() // 60)


def _days(first: date, last: date) -> Iterable[tuple[date, date]]:
    while first <= last:
        yield first, first
        first += timedelta(days=1)


# ---- who should have reported ----------------------------------------------------------------


def reports(
    connection: Connection, wanted: CountFilter, places: Sequence[Place], by: Sequence[str],
) -> dict[Group, tuple[int, int]]:
    """Months of facilities in which anything was heard, and all of them, by group: those asked
    (both days given), from the first in which anything of their district was heard."""
    if not set(by) <= OF_REPORTS or wanted.method:
        return {}
    said = came(connection, wanted, ("facility", "month"))
    begin, end = wanted.since or date.min, wanted.until or date.max
    due: Counter[Group] = Counter()
    got: Counter[Group] = Counter()
    for place in places:
        here = {"district": place.district, "facility": place.id}
        for month in months(max(begin, place.due or end), end):
            key = tuple(month if name == "month" else here[name] for name in by)
            due[key] += 1
            got[key] += (place.id, month) in said
    return {key: (got[key], due[key]) for key in due}


@lru_cache(maxsize=256)  # asked for each facility of a country
def months(first: date, last: date) -> tuple[str, ...]:
    """The months that lie, whole or in part, between two days, as 2025-03."""
    found, here = [], first.replace(day=1)
    while here <= last:
        found.append(here.isoformat()[:7])
        here = (here + timedelta(days=32)).replace(day=1)
    return tuple(found)
