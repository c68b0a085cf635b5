"""What is kept by whole months: times in bins, and readiness by the hour of the week."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from bot.count_queries import CountFilter
from bot.effects import Gap
from bot.store import Store
from bot.tally import hours
from bot.whole_months import HOURS, bins, minutes_of, readiness, whole_months
from flows.statistics import minute_bin
from tests.bot.store_stand import closed, record

ZONE = ZoneInfo("Africa/Dar_es_Salaam")
NOW = datetime(2025, 3, 31, 21, 0, tzinfo=UTC)  # the end of March there
MARCH = CountFilter(since=date(2025, 3, 10), until=date(2025, 3, 12), facility=("LOWF",))


def test_the_days_grow_to_the_months_they_touch() -> None:
    asked = CountFilter(since=date(2024, 12, 31), until=date(2025, 2, 1))
    found = whole_months(asked)

    assert (found.since, found.until) == (date(2024, 12, 1), date(2025, 2, 28))


@given(st.integers(0, 150 * 24 * 60), st.integers(0, 90 * 24 * 60))
def test_minutes_by_hour_are_those_of_walking_through_them(begin: int, minutes: int) -> None:
    since = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(minutes=begin)
    until = since + timedelta(minutes=minutes)
    walked = dict.fromkeys(range(7 * HOURS), 0)
    for start, some in hours(since, until, ZONE.key):
        here = start.astimezone(ZONE)
        walked[here.weekday() * HOURS + here.hour] += some

    assert {**dict.fromkeys(walked, 0), **minutes_of(since, until, ZONE)} == walked


def test_times_are_counted_in_the_bins_of_their_month(store: Store) -> None:
    took = (30, 30, 95)
    for n, minutes in enumerate(took):
        begin = datetime(2025, 3, 1 + n, 8, tzinfo=UTC)
        end = begin + timedelta(minutes=minutes)
        store.record([record(closed(f"LOWF-{n}", at=end, opened_at=begin))])
    with store.database.read() as connection:
        found = bins(connection, MARCH, "use_to_ready")
        empty = bins(connection, MARCH, "use_to_wipe")

    assert found == {minute_bin(30): 2, minute_bin(95): 1}
    assert empty == {}


def test_readiness_is_of_the_time_since_a_facility_was_first_heard_of(store: Store) -> None:
    """LOWF is heard of on Saturday 1 March; its bags were gone from Monday the 3rd 06:00 to 07:30
    there, and are gone since Monday the 31st 23:15."""
    begin = datetime(2025, 3, 1, 5, tzinfo=UTC)
    store.record([record(closed(opened_at=begin, at=begin + timedelta(hours=1)))])
    with store.database.read() as connection:
        before = readiness(connection, MARCH, "bag", NOW)
    gone = datetime(2025, 3, 3, 3, tzinfo=UTC)
    lasting = datetime(2025, 3, 31, 20, 15, tzinfo=UTC)
    store.record([Gap("g1", "LOWF", "TAM", "bag", gone, gone + timedelta(minutes=90)),
                  Gap("g2", "LOWF", "TAM", "bag", lasting, None)])  # fmt: skip
    with store.database.read() as connection:
        shares = readiness(connection, MARCH, "bag", NOW)
        suction = readiness(connection, MARCH, "suction", NOW)
        april = CountFilter(since=date(2025, 4, 1), until=date(2025, 4, 2), facility=("LOWF",))
        to_come = readiness(connection, april, "bag", NOW)

    mondays = 5  # 3, 10, 17, 24 and 31 March
    assert {share for day in before for share in day} == {1}
    assert shares[0][6] == 1 - 60 / (60 * mondays)
    assert shares[0][7] == 1 - 30 / (60 * mondays)
    assert shares[0][23] == 1 - 45 / (60 * mondays)
    assert sum(share == 1 for day in shares for share in day if share) == 7 * HOURS - 3
    assert {share for day in suction for share in day} == {1}
    assert {share for day in to_come for share in day} == {None}


def test_where_nobody_was_heard_of_nothing_is_known(store: Store) -> None:
    with store.database.read() as connection:
        shares = readiness(connection, MARCH, "bag", NOW)

    assert {share for day in shares for share in day} == {None}
