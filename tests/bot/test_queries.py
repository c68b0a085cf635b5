"""What the store answers: conditions of sets, lists page by page, counts."""

from __future__ import annotations

import itertools
import logging
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import insert, select, update

from bot.count_queries import DIMENSIONS, MISSED
from bot.model import SetState
from bot.queries import condition_at
from bot.store import BatchFilter, CountFilter, SetFilter, Store
from bot.tables import batches, set_states
from tests.bot.store_stand import START, OpenStore, batch, closed, ready, record

NOW = START + timedelta(days=1)


def condition(store: Store, set_id: str, now: datetime = NOW) -> str:
    rows = store.sets(SetFilter(), now).rows
    return str(next(row["condition"] for row in rows if row["id"] == set_id))


# ---- conditions of sets ----------------------------------------------------------------------


def test_registered_set_never_heard_of_is_used(store: Store) -> None:
    page = store.sets(SetFilter(), NOW)

    assert [r["id"] for r in page.rows] == [
        "BAG-1", "BAG-2", "BAG-5", "SUC-1", "SUC-2", "SUC-5", "SUC-6"]
    assert {r["condition"] for r in page.rows} == {"USED"}
    assert page.next is None


def test_ready_ends_at_the_moment_its_storage_life_does(store: Store) -> None:
    of = closed()
    store.record([record(of, ready(of, days=7))])
    assert of.closed_at is not None
    end = of.closed_at + timedelta(days=7)

    assert condition(store, "BAG-1", end - timedelta(microseconds=1)) == "READY"
    assert condition(store, "BAG-1", end) == "EXPIRED"
    assert [r["id"] for r in store.sets(SetFilter(condition="EXPIRED"), end).rows] == ["BAG-1"]
    assert store.sets(SetFilter(condition="READY"), end).rows == []


def test_ready_without_an_end_is_expired(store: Store) -> None:
    of = closed()
    store.record([record(of, replace(ready(of), expires_at=None))])

    assert condition(store, "BAG-1", START) == "EXPIRED"


def test_later_condition_stands_in_every_order_of_arrival(store: Store) -> None:
    later = START + timedelta(hours=2)
    for n, order in enumerate(itertools.permutations(range(4))):
        name, first = f"S-{n}", closed(f"A-{n}", sets=(replace(batch().sets[0], id=f"S-{n}"),))
        states = [
            record(batch(first.id), SetState(name, "IN PROCESS", START, batch=first.id)),
            record(first, ready(first, name)),
            record(batch(f"B-{n}", entries=1), SetState(name, "IN PROCESS", later, batch="B")),
            record(first, SetState(name, "USED", later - timedelta(minutes=1), batch=first.id)),
        ]
        for i in order:
            store.record([states[i]])

    with store.database.read() as connection:
        rows = connection.execute(select(set_states)).all()
    assert len(rows) == 24
    assert {(row.condition, row.batch) for row in rows} == {("IN PROCESS", "B")}


@pytest.mark.parametrize("ready_first", [True, False])
def test_of_two_conditions_at_one_moment_ready_gives_way(store: Store, ready_first: bool) -> None:
    older, newer = closed("A"), closed("B", entries=6)
    states = [record(newer, ready(newer)),
              record(older, SetState("BAG-1", "USED", older.closed_at, batch="A"))]

    for state in states if ready_first else reversed(states):
        store.record([state])

    assert condition(store, "BAG-1") == "USED"


def test_ready_is_taken_only_from_a_batch_that_proves_it(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    unfinished, failed, good = batch("A"), closed("B", "set aside"), closed("C")
    left_out = closed("D", sets=(replace(good.sets[0], aside="torn"), good.sets[1]))
    other = ready(good, "BAG-5")  # no set of batch C
    borrowed = replace(ready(good), batch="A")

    with caplog.at_level(logging.WARNING):
        for claim in (record(unfinished, ready(unfinished)), record(failed, ready(failed)),
                      record(left_out, ready(left_out)), record(good, other, borrowed)):
            assert store.record([claim]) == 1

    assert {r["condition"] for r in store.sets(SetFilter(), NOW).rows} == {"USED"}
    assert len(caplog.records) == 4


def test_ready_is_not_taken_where_findings_stand_against_the_batch(open_store: OpenStore) -> None:
    store = open_store(findings=lambda b: ["no rinse"] if b.id == "BAD" else [])
    store.migrate()
    bad, good = closed("BAD"), closed("GOOD")

    store.record([record(bad, ready(bad, "BAG-1")), record(good, ready(good, "SUC-1"))])

    with store.database.read() as connection:
        assert connection.execute(select(set_states.c.id)).scalars().all() == ["SUC-1"]


@settings(deadline=None)
@given(st.sampled_from(["READY", "USED", "IN PROCESS", "SET ASIDE", "EXPIRED"]),
       st.none() | st.integers(-3, 3))
def test_database_and_set_state_agree_on_the_condition(condition_: str, hours: int | None) -> None:
    store = Store("sqlite://")
    store.migrate()
    expires = None if hours is None else NOW + timedelta(hours=hours)
    state = SetState("S", condition_, START, expires)  # type: ignore[arg-type]
    sql = select(condition_at(NOW)).select_from(set_states)
    with store.database.write() as connection:
        connection.execute(insert(set_states).values(
            id="S", condition=condition_, since=START, expires_at=expires, batch="", load="",
            version=1))
        assert connection.scalar(sql) == state.now(NOW)
    store.close()


# ---- lists -----------------------------------------------------------------------------------


def test_batches_come_newest_first_page_by_page_each_once(store: Store) -> None:
    # Pairs opened at one moment, so that a page ends between two of them.
    store.record([record(batch(f"B-{n:02}", opened_at=START + timedelta(hours=n // 2)))
                  for n in range(11)])

    found, cursor, pages = [], "", 0
    while pages == 0 or cursor:
        page = store.batches(BatchFilter(limit=3, after=cursor))
        found += [row["id"] for row in page.rows]
        cursor, pages = page.next or "", pages + 1

    assert found == [f"B-{n:02}" for n in reversed(range(11))]
    assert pages == 4


def test_batches_are_filtered(store: Store) -> None:
    store.record([
        record(batch("OPEN")),
        record(closed("DONE", opened_at=START - timedelta(days=2))),
        record(closed("HEAT", "set aside", facility="HIGH", method="boiling")),
        record(batch("FAR", facility="FAR", district="BAO")),
    ])

    def ids(**wanted: object) -> set[str]:
        return {r["id"] for r in store.batches(BatchFilter(**wanted)).rows}  # type: ignore[arg-type]

    assert ids(outcome="open") == {"OPEN", "FAR"}
    assert ids(outcome="released") == {"DONE"}
    assert ids(method="boiling") == {"HEAT"}
    assert ids(facility="LOWF") == {"OPEN", "DONE"}
    assert ids(district="BAO") == {"FAR"}
    assert ids(since=START) == {"OPEN", "HEAT", "FAR"}
    assert ids(until=START) == {"DONE"}


def test_sets_page_by_id_within_a_district(store: Store) -> None:
    first = store.sets(SetFilter(district="TAM", facility="LOWF", limit=3), NOW)
    rest = store.sets(SetFilter(facility="LOWF", limit=3, after=first.next or ""), NOW)

    assert [r["id"] for r in first.rows + rest.rows] == ["BAG-1", "BAG-2", "SUC-1", "SUC-2"]
    assert store.sets(SetFilter(district="BAO"), NOW).rows == []


@pytest.mark.parametrize("wanted", [
    BatchFilter(limit=0), BatchFilter(limit=1001), BatchFilter(after="yesterday"),
    BatchFilter(after="2025-03-03T08:00:00~B-1")])
def test_page_that_cannot_be_is_refused_in_plain_words(store: Store, wanted: BatchFilter) -> None:
    with pytest.raises(ValueError, match=r"^(a page has|the cursor is)"):
        store.batches(wanted)


def test_facilities_say_how_many_sets_they_have(store: Store) -> None:
    assert [(f["id"], f["district_name"], f["sets"]) for f in store.facilities()] == [
        ("HIGH", "Tamarind Valley", 3), ("LOWF", "Tamarind Valley", 4)]
    assert store.facilities("BAO") == []


# ---- counts ----------------------------------------------------------------------------------


@pytest.fixture
def counted(store: Store) -> Store:
    """Three batches in March and one in April, local days."""
    store.record([
        record(closed("A", at=datetime.fromisoformat("2025-03-01T10:00Z"))),
        record(closed("B", at=datetime.fromisoformat("2025-03-31T10:00Z"), facility="HIGH")),
        record(closed("C", "cancelled", at=datetime.fromisoformat("2025-03-31T11:00Z"))),
        record(closed("D", at=datetime.fromisoformat("2025-04-01T10:00Z"), district="BAO")),
        record(batch("E")),
    ])
    return store


@pytest.mark.parametrize(("since", "until", "number"), [
    (None, None, 4), ("2025-03-01", "2025-03-31", 3), ("2025-03-02", None, 3),
    ("2025-03-31", "2025-03-31", 2), (None, "2025-03-31", 3), ("2025-04-01", None, 1),
    ("2025-05-01", None, 0)])
def test_both_ends_of_a_span_of_days_count(
    counted: Store, since: str | None, until: str | None, number: int
) -> None:
    def day(text: str | None) -> date | None:
        return date.fromisoformat(text) if text else None

    span = CountFilter(since=day(since), until=day(until))

    assert counted.counts(span)[0]["batches"] == number
    by_day = counted.counts(replace(span, by=("day",)))
    assert sum(row["batches"] for row in by_day) == number


def test_counts_keep_to_a_district_and_a_facility(counted: Store) -> None:
    began, april = counted.counts(CountFilter(district=("BAO",), by=("month",)))
    assert (began["month"], began["started"], began["batches"]) == ("2025-03", 1, 0)
    assert (april["month"], april["batches"], april["sets"]) == ("2025-04", 1, 2)
    assert (april["aside"], april["segments"], april["late"]) == (0, 4, 0)
    assert counted.counts(CountFilter(facility=("HIGH",)))[0]["batches"] == 1
    assert counted.counts(CountFilter(facility=("HIGH", "LOWF")))[0]["batches"] == 4


@pytest.mark.parametrize("by", [d for d in DIMENSIONS if d not in MISSED])
def test_each_dimension_divides_the_whole(counted: Store, by: str) -> None:
    assert sum(row["batches"] for row in counted.counts(CountFilter(by=(by,)))) == 4


def test_unknown_dimension_is_refused_in_plain_words(counted: Store) -> None:
    with pytest.raises(ValueError, match="not colour"):
        counted.counts(CountFilter(by=("month", "colour")))


def test_counts_read_the_totals_alone(counted: Store) -> None:
    with counted.database.write() as connection:
        connection.execute(update(batches).values(outcome="", doc="{}"))

    assert counted.counts(CountFilter())[0]["batches"] == 4
