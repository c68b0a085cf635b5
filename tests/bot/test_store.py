"""What the store keeps: once, the newest, on SQLite and PostgreSQL alike."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect, select, text

from bot.errors import ConfigError, StoreDown
from bot.model import SetState
from bot.register import Register
from bot.store import BatchFilter, CountFilter, SetFilter, Store
from bot.tables import metadata, people
from flows.batch import Outcome
from tests.bot.store_stand import (
    START,
    OpenStore,
    batch,
    closed,
    demo_register,
    ready,
    record,
    recount,
)
from tests.bot.test_migrations import at_step

NOW = START + timedelta(days=1)


def listed(store: Store) -> list[dict[str, object]]:
    return store.batches(BatchFilter(limit=1000)).rows


def whole(store: Store) -> tuple[int, int, int, int]:
    [row] = store.counts(CountFilter())
    return row["batches"], row["sets"], row["aside"], row["segments"]


def condition(store: Store, set_id: str, now: datetime = NOW) -> str:
    rows = store.sets(SetFilter(), now).rows
    return str(next(row["condition"] for row in rows if row["id"] == set_id))


# ---- schema and register ---------------------------------------------------------------------


def test_schema_steps_lead_to_the_tables_that_the_code_uses(open_store: OpenStore) -> None:
    store = open_store()
    at_step(store, "head")

    with store.database.read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_an_empty_database_gets_what_the_steps_lead_to(
    open_store: OpenStore, store_url: str
) -> None:
    """Column for column, key for key: what a first start makes and what years of steps make."""
    made = open_store()
    made.migrate()
    at_once = described(made)
    with made.database.write() as connection:
        for table in (*reversed(metadata.sorted_tables), "alembic_version"):
            connection.execute(text(f"DROP TABLE {table}"))
    at_step(made, "head")

    assert described(made) == at_once
    made.migrate()
    assert described(made) == at_once


def described(store: Store) -> dict[str, object]:
    """Every table with its columns, keys and indexes, as the database itself tells them."""
    with store.database.read() as connection:
        seen = inspect(connection)
        versions = connection.execute(text("SELECT version_num FROM alembic_version")).all()
        told: dict[str, object] = {"": [tuple(row) for row in versions]}
        for table in sorted(seen.get_table_names()):
            columns = {c["name"]: (str(c["type"]), c["nullable"], c["default"])
                       for c in seen.get_columns(table)}
            told[table] = (
                columns, sorted(seen.get_pk_constraint(table)["constrained_columns"]),
                sorted((i["name"] or "", tuple(i["column_names"]), bool(i["unique"]))
                       for i in seen.get_indexes(table)),
                sorted(tuple(k["constrained_columns"]) for k in seen.get_foreign_keys(table)),
                sorted(tuple(u["column_names"]) for u in seen.get_unique_constraints(table)),
            )  # fmt: skip
        return told


def test_several_processes_may_migrate_at_once(open_store: OpenStore) -> None:
    stores = [open_store() for _ in range(8)]

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(Store.migrate, stores))

    assert stores[0].load_register() == Register((), (), (), (), ())


def test_first_connections_to_a_new_file_may_come_at_once(tmp_path: Path) -> None:
    for n in range(20):
        stores = [Store(f"sqlite:///{tmp_path / str(n)}.db") for _ in range(8)]
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(Store.ping, stores))
        for store in stores:
            store.close()


def test_register_comes_back_as_it_was_saved_and_the_next_replaces_it(store: Store) -> None:
    whole = demo_register()
    fewer = replace(whole, people=whole.people[:3], sets=whole.sets[1:])

    assert store.load_register() == whole
    store.save_register(fewer)
    assert store.load_register() == fewer


def test_refused_register_leaves_the_old_one(store: Store) -> None:
    whole = demo_register()
    orphan = replace(whole, models=())

    with pytest.raises(ValueError, match="cannot hold"):
        store.save_register(orphan)

    assert store.load_register() == whole


def test_reader_sees_one_moment_while_a_register_is_replaced(store: Store) -> None:
    whole = demo_register()

    with store.database.read() as connection:
        before = len(connection.execute(select(people)).all())
        store.save_register(replace(whole, people=whole.people[:2]))
        after = len(connection.execute(select(people)).all())

    assert before == after == len(whole.people)
    assert len(store.load_register().people) == 2


def test_registers_saved_at_once_leave_one_of_them_whole(store: Store) -> None:
    whole = demo_register()
    registers = [replace(whole, people=whole.people[:n]) for n in range(1, 7)]

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(store.save_register, registers))

    assert store.load_register() in registers


# ---- batches: newest, once -------------------------------------------------------------------


def test_batch_is_kept_with_its_log(store: Store) -> None:
    assert store.record([record(batch())]) == 1

    found = store.batch("LOWF-1")

    assert found is not None
    assert (found["version"], found["sets"], found["outcome"]) == (3, ["BAG-1", "SUC-1"], "")
    assert (found["opened_at"], found["closed_at"]) == (START, None)
    assert [entry["n"] for entry in found["log"]] == [0, 1, 2]
    assert found["log"][2]["at"] == START + timedelta(minutes=2)
    assert found["log"][0]["by"] == "P1"
    assert store.batch("LOWF-2") is None


def test_newer_state_replaces_older_ones_in_any_order(store: Store) -> None:
    states = [record(batch(entries=n)) for n in (1, 2, 3)] + [record(closed())]

    for order in ([3, 0, 1, 2], [2, 3, 1, 0], [0, 1, 2, 3]):
        for i in order:
            store.record([states[i]])

    found = store.batch("LOWF-1")
    assert found is not None
    assert (found["version"], found["outcome"], len(found["log"])) == (4, "released", 4)
    assert whole(store) == (1, 2, 0, 4)


def test_states_of_one_batch_in_one_push_count_once(store: Store) -> None:
    assert store.record([record(closed()), record(batch()), record(closed())]) == 1
    assert store.record([record(closed()), record(batch())]) == 0

    assert store.counts(CountFilter())[0]["batches"] == 1


def test_changed_outcome_moves_the_total(store: Store) -> None:
    first = closed()
    store.record([record(first)])
    store.record([record(closed(outcome="set aside", entries=6))])

    assert whole(store) == (1, 2, 2, 4)
    [counted] = store.counts(CountFilter())
    assert (counted["released"], counted["sets_ready"], counted["set_aside"]) == (0, 0, 1)


def test_same_states_pushed_by_many_threads_count_once(store: Store, open_store: OpenStore) -> None:
    # Days out of step with ids, and several batches a day: writers meet on the same totals.
    days = [START + timedelta(days=n * 5 % 7) for n in range(24)]
    ended = [closed(f"B-{n:02}", at=day) for n, day in enumerate(days)]
    states = [record(of, ready(of, ("BAG-1", "SUC-1")[n % 2])) for n, of in enumerate(ended)]
    older = [record(batch(of.id, entries=2)) for of in ended]
    stores = [store, open_store()]

    def push(seed: int) -> int:
        mixed = random.Random(seed).sample([*states, *older], 48)  # noqa: S311 (no secret)
        chunks = [mixed[i : i + 5] for i in range(0, 48, 5)]
        return sum(stores[seed % 2].record(chunk) for chunk in chunks)

    with ThreadPoolExecutor(8) as pool:
        taken = sum(pool.map(push, range(16)))

    assert 24 <= taken <= 48  # a batch is new once, and once more if its older state came first
    assert whole(store) == (24, 48, 0, 96)
    by_day = store.counts(CountFilter(by=("day",)))
    assert {(r["day"],): (r["batches"], r["sets"]) for r in by_day} == recount(listed(store), "day")
    assert {row["version"] for row in listed(store)} == {4}


def test_writers_of_the_same_days_in_different_orders_do_not_block_each_other(
    store: Store,
) -> None:
    def push(writer: int) -> int:
        days = [START + timedelta(days=(n * (writer + 1) + writer) % 7) for n in range(60)]
        return store.record([record(closed(f"W{writer}-{n:02}", at=day))
                             for n, day in enumerate(days)])

    with ThreadPoolExecutor(6) as pool:
        assert list(pool.map(push, range(6))) == [60] * 6

    by_day = {(r["day"],): (r["batches"], r["sets"])
              for r in store.counts(CountFilter(by=("day",)))}
    assert by_day == recount(listed(store), "day")


def test_totals_equal_a_plain_recount(store: Store) -> None:
    dice = random.Random(7)  # noqa: S311 (no secret)
    outcomes: tuple[Outcome, ...] = ("released", "set aside", "cancelled")
    docs = []
    for n in range(150):
        place = dice.choice(["LOWF", "HIGH", "GONE"])
        at = START + timedelta(hours=dice.randrange(24 * 90))
        docs += [record(batch(f"B-{n}", facility=place, entries=2))]
        docs += [record(closed(f"B-{n}", dice.choice(outcomes), at, facility=place, entries=k,
                               method=dice.choice(["chlorine", "boiling"]),
                               district=dice.choice(["TAM", "BAO"])))
                 for k in range(3, 3 + dice.randrange(3))]
    dice.shuffle(docs)
    store.record([d for d in docs if d.batch.outcome or dice.random() < 0.5] + docs[:40])

    rows = listed(store)

    for by in (("month",), ("district", "method"), ("facility", "day"),
               ("month", "district", "method")):
        counted = {tuple(r[k] for k in by): (r["batches"], r["sets"])
                   for r in store.counts(CountFilter(by=by)) if r["batches"]}
        assert counted == recount(rows, *by)
    assert len(rows) > 100
    assert store.drift() == []


def test_day_is_the_facilitys_own(store: Store) -> None:
    evening = datetime(2025, 3, 31, 22, 30, tzinfo=UTC)  # already April in Dar es Salaam
    store.record([record(closed("A", at=evening)), record(closed("B", at=evening, facility="X"))])

    rows = store.counts(CountFilter(by=("facility", "day", "week", "month")))

    assert [tuple(r.values())[:4] for r in rows if r["batches"]] == [
        ("LOWF", "2025-04-01", "2025-W14", "2025-04"), ("X", "2025-03-31", "2025-W14", "2025-03")]


def test_practice_is_never_kept_and_hastened_time_only_in_a_demonstration(
    store: Store, open_store: OpenStore
) -> None:
    practice = closed("P", practice=True)
    hastened = closed("H", hasten=60.0)

    assert store.record([record(practice, ready(practice)), record(hastened, ready(hastened))]) == 0
    assert (listed(store), store.counts(CountFilter())[0]["batches"]) == ([], 0)
    assert condition(store, "BAG-1") == "USED"

    demo = open_store(allow_hastened=True)
    assert demo.record([record(practice), record(hastened, ready(hastened))]) == 1
    assert demo.counts(CountFilter())[0]["batches"] == 1
    assert condition(demo, "BAG-1") == "READY"


def test_impossible_record_is_refused_and_nothing_of_its_push_is_kept(store: Store) -> None:
    naive = START.replace(tzinfo=None)
    double = batch(entries=2)
    impossible = [
        record(batch("B", opened_at=naive)),
        record(batch("B"), SetState("BAG-1", since=naive)),
        record(batch("")),
        record(batch("x" * 65)),
        record(batch("B\0")),
        record(batch("B", outcome="released")),
        record(batch("B", closed_at=START)),
        record(replace(double, log=(double.log[1], double.log[0]))),
        record(batch("B", segments=2**70)),
    ]

    for one in impossible:
        with pytest.raises(ValueError, match=r"."):
            store.record([record(closed("GOOD")), one])

    assert listed(store) == []
    assert store.counts(CountFilter())[0]["batches"] == 0


def test_words_that_one_engine_cannot_hold_are_kept_readable(store: Store) -> None:
    odd = batch(entries=1)
    odd = replace(odd, log=(replace(odd.log[0], said="a\0b", facts={"x": "c\0"}),))
    store.record([record(odd)])

    found = store.batch("LOWF-1")

    assert found is not None
    assert found["log"][0]["said"] == "a\ufffdb"


def test_times_come_back_in_utc_from_any_zone(store: Store) -> None:
    there = START.astimezone(timezone(timedelta(hours=3)))
    store.record([record(batch(opened_at=there))])

    found = listed(store)[0]["opened_at"]

    assert found == START
    assert isinstance(found, datetime)
    assert found.tzinfo is UTC


# ---- errors ------------------------------------------------------------------------------------


@pytest.mark.parametrize("address", [
    "postgresql://nobody@127.0.0.1:1/none", "sqlite:////no/such/folder/store.db"])
def test_store_that_does_not_answer_is_down(address: str) -> None:
    store = Store(address)

    for call in (store.ping, store.load_register, store.migrate, lambda: store.record(
            [record(batch())]), lambda: store.counts(CountFilter())):
        with pytest.raises(StoreDown):
            call()
    store.close()


def test_store_without_its_tables_is_down_not_broken(open_store: OpenStore) -> None:
    with pytest.raises(StoreDown):
        open_store().record([record(batch())])


@pytest.mark.parametrize("address", ["mysql://x/y", "nonsense", "", "https://example.org"])
def test_address_of_no_known_engine_is_a_wrong_setting(address: str) -> None:
    with pytest.raises(ConfigError):
        Store(address)
