"""Shift checks in the store and over the API: done of those that were due, each once."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest
from flask import Flask
from flask.testing import FlaskClient

from bot.accounts import digest
from bot.api import api
from bot.effects import Checked
from bot.store import CheckFilter, Store
from bot.tokens import Token, Tokens
from tests.bot.store_stand import START, demo_register

SLOT = START.replace(hour=4)  # 07:00 at LOWF
DONE = Checked(
    "LOWF-20250303T040000Z", "LOWF", "TAM", SLOT, SLOT + timedelta(minutes=12), "P1",
    SLOT - timedelta(hours=12), {"BAG-1": "well", "SUC-1": "open"}, 3, 1, 5, 1, 12.0, done=True,
)  # fmt: skip
MISSED = replace(
    DONE, id="LOWF-20250303T160000Z", slot=SLOT + timedelta(hours=12), at=None, by="", sets={},
    uses_said=None, births=None, helped=None, late_minutes=0.0, done=False,
)  # fmt: skip
BETWEEN = replace(
    DONE, id="LOWF-any-20250303T100000Z", slot=None, at=SLOT + timedelta(hours=6),
    uses_said=None, births=None, helped=None, late_minutes=0.0,
)  # fmt: skip
FAR = replace(DONE, id="HIGH-20250303T040000Z", facility="HIGH", uses_said=0, uses_counted=2)


def ids(rows: list[dict[str, object]]) -> list[object]:
    return [row["id"] for row in rows]


# ---- the store -------------------------------------------------------------------------------


def test_a_check_is_kept_as_it_was_said(store: Store) -> None:
    assert store.record([DONE]) == 1

    [row] = store.checks(CheckFilter()).rows
    assert row == {
        "id": DONE.id, "facility": "LOWF", "district": "TAM", "moment": SLOT, "slot": SLOT,
        "at": SLOT + timedelta(minutes=12), "by": "P1", "since": SLOT - timedelta(hours=12),
        "sets": ["BAG-1:well", "SUC-1:open"], "uses_said": 3, "uses_counted": 1, "gap": 2,
        "births": 5, "helped": 1, "late_minutes": 12.0, "done": True,
    }  # fmt: skip


def test_what_nobody_said_is_nothing_and_never_zero(store: Store) -> None:
    store.record([MISSED])

    [row] = store.checks(CheckFilter()).rows
    assert (row["uses_said"], row["births"], row["helped"], row["gap"]) == (None,) * 4


def test_counted_and_not_reported_is_a_gap_below_zero(store: Store) -> None:
    store.record([replace(FAR, births=0, helped=0)])

    assert [row["gap"] for row in store.checks(CheckFilter()).rows] == [-2]


def test_the_same_check_again_changes_nothing(store: Store) -> None:
    store.record([DONE])

    assert store.record([DONE, DONE]) == 0
    assert len(store.checks(CheckFilter()).rows) == 1


def test_one_that_was_done_is_never_missed_after_all(store: Store) -> None:
    store.record([DONE])
    store.record([replace(MISSED, id=DONE.id, slot=SLOT)])

    assert [row["done"] for row in store.checks(CheckFilter()).rows] == [True]


def test_done_of_those_due_by_facility(store: Store) -> None:
    store.record([DONE, MISSED, BETWEEN, FAR])

    assert store.checks_done(CheckFilter()) == [
        {"facility": "HIGH", "due": 1, "done": 1},
        {"facility": "LOWF", "due": 2, "done": 1},
    ]


def test_checks_are_listed_newest_first_and_page_by_page(store: Store) -> None:
    store.record([DONE, MISSED, BETWEEN])

    first = store.checks(CheckFilter(limit=2))
    assert ids(first.rows) == [MISSED.id, BETWEEN.id]
    assert first.next
    assert ids(store.checks(CheckFilter(limit=2, after=first.next)).rows) == [DONE.id]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (CheckFilter(facility="HIGH"), [FAR.id]),
        (CheckFilter(district="BAO"), []),
        (CheckFilter(done=False), [MISSED.id]),
        (CheckFilter(since=SLOT + timedelta(hours=6)), [MISSED.id, BETWEEN.id]),
        (CheckFilter(until=SLOT), []),
    ],
)
def test_checks_are_found_by_what_they_are(
    store: Store, wanted: CheckFilter, found: list[str]
) -> None:
    store.record([DONE, MISSED, BETWEEN, FAR])

    assert ids(store.checks(wanted).rows) == found


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (replace(DONE, id=""), "every id"),
        (replace(DONE, sets={"BAG 1": "well"}), "every id"),
        (replace(DONE, sets={"BAG-1": "fine"}), "not 'fine'"),
        (replace(DONE, slot=SLOT.replace(tzinfo=None)), "carries its zone"),
        (replace(DONE, at=None), "done at a time"),
        (replace(BETWEEN, done=False, at=None), "missed at one"),
        (replace(MISSED, at=SLOT), "done at a time"),
        (replace(DONE, uses_said=-1), "0 to 9999"),
        (replace(DONE, births=0), "more were helped"),
        (replace(DONE, late_minutes=float("nan")), "late_minutes"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(
    store: Store, wrong: Checked, why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        store.record([MISSED, wrong])

    assert store.checks(CheckFilter()).rows == []


# ---- the API ---------------------------------------------------------------------------------


@pytest.fixture
def client(tmp_path: Path) -> Iterator[FlaskClient]:
    kept = Store(f"sqlite:///{tmp_path / 'store.db'}")
    kept.migrate()
    kept.save_register(demo_register())
    kept.record([DONE, MISSED])
    app = Flask("test")
    tokens = {digest("tam"): Token("all", "TAM"), digest("bao"): Token("all", "BAO")}
    app.register_blueprint(api(kept, Tokens(kept.database, tokens), lambda: START))
    yield app.test_client()
    kept.close()


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def test_checks_over_the_api(client: FlaskClient) -> None:
    answer = client.get("/api/v1/checks?done=no", headers=bearer("tam")).get_json()

    assert ids(answer["checks"]) == [MISSED.id]
    assert (answer["checks"][0]["uses_said"], answer["next"]) == (None, None)


def test_checks_as_a_table(client: FlaskClient) -> None:
    text = client.get("/api/v1/checks?format=csv", headers=bearer("tam")).text

    rows = {row["id"]: row for row in csv.DictReader(io.StringIO(text))}
    assert rows[DONE.id]["sets"] == "BAG-1:well SUC-1:open"
    assert (rows[DONE.id]["gap"], rows[MISSED.id]["gap"]) == ("2", "")


def test_another_district_sees_none_of_them_and_may_not_write_them(client: FlaskClient) -> None:
    assert client.get("/api/v1/checks", headers=bearer("bao")).get_json()["checks"] == []

    body = msgspec.json.encode([replace(DONE, district="BAO")])
    answer = client.post("/api/v1/checks", data=body, headers=bearer("bao"))

    assert answer.status_code == 403


def test_a_check_is_taken_in_once(client: FlaskClient) -> None:
    body = msgspec.json.encode([FAR, BETWEEN])

    taken = [client.post("/api/v1/checks", data=body, headers=bearer("tam")).get_json()["taken"]
             for _ in range(2)]

    assert taken == [2, 0]


def test_done_is_asked_with_yes_or_no(client: FlaskClient) -> None:
    answer = client.get("/api/v1/checks?done=maybe", headers=bearer("tam"))

    assert answer.status_code == 400
