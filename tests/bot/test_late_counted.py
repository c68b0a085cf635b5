"""Batches that were told late are counted apart, and marked wherever they are listed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask

from bot.api import api
from bot.model import SetState
from bot.store import CountFilter, Record, Store
from bot.tokens import Tokens
from bot.views import told_later
from flows.batch import Entry
from tests.bot.store_stand import START, closed
from tests.bot.test_api import TOKENS, bearer
from tests.bot.test_told_late import kept
from tests.nurse import Ward, play


def record(of: object, *sets: SetState) -> Record:
    return Record(of, sets)  # type: ignore[arg-type]


def test_the_totals_of_days_and_of_months_count_them(store: Store) -> None:
    store.record([record(closed("A", late=True)), record(closed("B")), record(closed("C"))])

    assert [row["late"] for row in store.counts(CountFilter())] == [1]
    [day] = store.counts(CountFilter(by=("day", "facility")))
    assert (day["batches"], day["late"]) == (3, 1)


def test_a_newer_state_moves_the_count_with_it(store: Store) -> None:
    store.record([record(closed("A", late=True))])
    store.record([record(closed("A", entries=9, late=False))])

    assert store.counts(CountFilter())[0]["late"] == 0


@pytest.fixture
def filled(tmp_path: Path) -> Iterator[Store]:
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    store.record([record(closed("A", late=True)), record(closed("B"))])
    yield store
    store.close()


def test_the_api_says_which_they_are(filled: Store) -> None:
    app = Flask(__name__)
    app.register_blueprint(api(filled, Tokens(filled.database, TOKENS), lambda: START))
    client = app.test_client()

    listed = client.get("/api/v1/batches", headers=bearer("reader")).get_json()["batches"]
    assert {b["id"]: b["late"] for b in listed} == {"A": True, "B": False}
    assert client.get("/api/v1/batches/A", headers=bearer("reader")).get_json()["late"] is True


def test_each_line_of_a_log_says_where_it_came_from() -> None:
    late, live = kept().ended.log, play(Ward(), "BAG-1").ended.log

    assert {*map(tuple, map(told_later, late))} == {("(told late, from paper)",)}
    assert {*map(tuple, map(told_later, live))} == {()}
    said = Entry(1, START, "answered", facts={"said_time": "14:05"})
    assert told_later(said) == ["(said 14:05)"]
