"""What was counted at facilities in the last whole weeks, for `bot.needs`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from bot.count_queries import REPORTS, CountFilter, count
from bot.cursors import Row
from bot.expected import places_of
from bot.mix_queries import MixFilter, made_of
from bot.needs import WEEKS, Observed
from bot.site import Site

SUMMED = ("bags_begun", "suctions_begun", "started", "cancelled", "births", "timed",
          "timed_minutes", "pieces_missing", "pieces_damaged", "tests_failed")  # fmt: skip
CHLORINE = "chlorine"
WEEK = timedelta(days=7)


def window(now: datetime, zone: str) -> tuple[date, date]:
    """The last whole calendar weeks before *now* in *zone*: their first Monday, their last Sunday.

    Whole ones, so that each day of the week counts as often and a silent week is told as such.
    """
    today = now.astimezone(ZoneInfo(zone)).date()
    monday = today - timedelta(days=today.weekday())
    return monday - WEEKS * WEEK, monday - timedelta(days=1)


def observed(connection: Connection, sites: Sequence[Site], now: datetime) -> dict[str, Observed]:
    """What `needs.needs` is made from, by facility; chlorine is left out (`with_chlorine`)."""
    ids, found = tuple(site.id for site in sites), dict[str, Observed]()
    if not ids:
        return found
    first = {p.id: p.first for p in places_of(connection, CountFilter(facility=ids))}
    for zone in sorted({site.zone for site in sites}):
        here = tuple(site.id for site in sites if site.zone == zone)
        since, until = window(now, zone)
        rows: dict[str, list[Row]] = defaultdict(list)
        wanted = CountFilter(since=since, until=until, by=("facility", "week"), facility=here)
        for row in count(connection, wanted):
            rows[row["facility"]].append(row)
        for facility in here:
            found[facility] = _seen(rows[facility], first.get(facility), since, until)
    return found


def _seen(rows: Sequence[Row], first: date | None, since: date, until: date) -> Observed:
    if first is None or first > until:
        return Observed(since=since, until=until)
    begin = max(since, first)
    weeks = (until - (begin - timedelta(days=begin.weekday()))).days // 7 + 1
    sums = {name: sum(row[name] for row in rows) for name in SUMMED}
    return Observed(
        since=since, until=until, days=(until - begin).days + 1, weeks=weeks,
        quiet=weeks - sum(any(row[name] for name in REPORTS) for row in rows),
        uses={"bag": sums["bags_begun"], "suction": sums["suctions_begun"]},
        started=sums["started"], cancelled=sums["cancelled"], births=sums["births"],
        timed=sums["timed"], timed_minutes=sums["timed_minutes"],
        pieces_missing=sums["pieces_missing"], pieces_damaged=sums["pieces_damaged"],
        tests_failed=sums["tests_failed"],
    )  # fmt: skip


def with_chlorine(connection: Connection, site: Site, seen: Observed) -> Observed:
    """*seen* at *site* with its solutions, and its days with a chlorine batch."""
    wanted = CountFilter(since=seen.since, until=seen.until, by=("day",), facility=(site.id,),
                         method=(CHLORINE,))  # fmt: skip
    days = sum(bool(row["started"]) for row in count(connection, wanted))
    zone = ZoneInfo(site.zone)
    begin = datetime.combine(seen.since, time(), zone).astimezone(UTC)
    end = datetime.combine(seen.until + timedelta(days=1), time(), zone).astimezone(UTC)
    made = made_of(connection, MixFilter(facility=site.id, since=begin, until=end))
    return replace(seen, chlorine_days=days, mixes=made)
