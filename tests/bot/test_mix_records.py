"""Solutions that were made, in the store and over the API: made, ended, each once."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from itertools import permutations
from pathlib import Path

import msgspec
import pytest
from flask.testing import FlaskClient

from bot.effects import Mixed
from bot.store import MixFilter, Store
from tests.bot.facts_stand import bearer, facts_client
from tests.bot.store_stand import START, OpenStore

HOUR = timedelta(hours=1)
MADE = Mixed("solution-LOWF-4", "LOWF", "TAM", START, START + 24 * HOUR, 0.52, 2.0,
             "calcium hypochlorite", "LOWF-2", "P1")  # fmt: skip
GONE = replace(MADE, closed_at=START + 20 * HOUR, ended="replaced")
LATER = replace(MADE, id="solution-LOWF-9", at=START + 20 * HOUR, expires_at=START + 44 * HOUR)
FAR = replace(
    MADE, id="solution-HIGH-4", facility="HIGH", at=START + HOUR, expires_at=START + 25 * HOUR,
    closed_at=START + 25 * HOUR, ended="outlived",
)  # fmt: skip


def ids(rows: list[dict[str, object]]) -> list[object]:
    return [row["id"] for row in rows]


# ---- the store -------------------------------------------------------------------------------


def test_a_solution_is_kept_as_it_was_told(store: Store) -> None:
    assert store.record([MADE]) == 1

    [row] = store.mixes(MixFilter()).rows
    assert row == {
        "id": MADE.id, "facility": "LOWF", "district": "TAM", "at": START,
        "expires_at": START + 24 * HOUR, "strength_percent": 0.52, "litres": 2.0,
        "product": "calcium hypochlorite", "stock": "LOWF-2", "by": "P1", "closed_at": None,
        "ended": "",
    }  # fmt: skip


def test_one_that_ended_never_stands_again_in_whatever_order_it_is_told(store: Store) -> None:
    for n, order in enumerate(permutations([MADE, GONE, MADE])):
        for mixed in order:
            store.record([replace(mixed, id=f"M-{n}")])

    assert {row["ended"] for row in store.mixes(MixFilter()).rows} == {"replaced"}


def test_told_together_or_again_it_counts_once(store: Store) -> None:
    assert store.record([MADE, GONE, MADE]) == 1
    assert store.record([GONE, MADE]) == 0
    assert len(store.mixes(MixFilter()).rows) == 1


def test_those_of_a_demonstration_count_only_where_it_is_one(open_store: OpenStore) -> None:
    service, demo = open_store(), open_store(allow_hastened=True)
    service.migrate()
    hastened = replace(MADE, hasten=60)

    assert service.record([hastened, FAR]) == 1
    assert ids(service.mixes(MixFilter()).rows) == [FAR.id]
    assert demo.record([hastened]) == 1


def test_solutions_are_listed_newest_first_and_page_by_page(store: Store) -> None:
    store.record([GONE, LATER, FAR])

    first = store.mixes(MixFilter(limit=2))
    assert ids(first.rows) == [LATER.id, FAR.id]
    assert first.next
    assert ids(store.mixes(MixFilter(limit=2, after=first.next)).rows) == [GONE.id]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (MixFilter(facility="HIGH"), [FAR.id]),
        (MixFilter(district="BAO"), []),
        (MixFilter(ended="standing"), [LATER.id]),
        (MixFilter(ended="replaced"), [GONE.id]),
        (MixFilter(ended="outlived"), [FAR.id]),
        (MixFilter(since=START + HOUR), [LATER.id, FAR.id]),
        (MixFilter(until=START + HOUR), [GONE.id]),
    ],
)
def test_solutions_are_found_by_what_they_are(
    store: Store, wanted: MixFilter, found: list[str]
) -> None:
    store.record([GONE, LATER, FAR])

    assert ids(store.mixes(wanted).rows) == found


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (replace(MADE, id=""), "every id"),
        (replace(MADE, stock=""), "every id"),
        (replace(MADE, by="P\n1"), "every id"),
        (replace(MADE, product="x" * 65), "every id"),
        (replace(GONE, ended="spilled"), "brought up to date"),  # type: ignore[arg-type]
        (replace(MADE, at=START.replace(tzinfo=None)), "carries its zone"),
        (replace(GONE, closed_at=None), "come together"),
        (replace(MADE, closed_at=START + HOUR), "come together"),
        (replace(MADE, expires_at=START), "made first"),
        (replace(GONE, closed_at=START - HOUR), "made first"),
        (replace(MADE, strength_percent=0), "strength"),
        (replace(MADE, strength_percent=21), "strength"),
        (replace(MADE, strength_percent=float("nan")), "strength"),
        (replace(MADE, litres=0), "litres"),
        (replace(MADE, litres=1001), "litres"),
        (replace(MADE, litres=float("inf")), "litres"),
        (replace(MADE, hasten=0), "hasten"),
        (replace(MADE, hasten=float("nan")), "hasten"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(
    store: Store, wrong: Mixed, why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        store.record([FAR, wrong])

    assert store.mixes(MixFilter()).rows == []


# ---- the API ---------------------------------------------------------------------------------


@pytest.fixture
def client(tmp_path: Path) -> Iterator[FlaskClient]:
    with facts_client(tmp_path, [GONE, LATER]) as made:
        yield made


def test_solutions_over_the_api(client: FlaskClient) -> None:
    answer = client.get("/api/v1/mixes?ended=standing", headers=bearer("tam")).get_json()

    assert ids(answer["mixes"]) == [LATER.id]
    assert (answer["mixes"][0]["closed_at"], answer["next"]) == (None, None)


def test_solutions_as_a_table(client: FlaskClient) -> None:
    text = client.get("/api/v1/mixes?format=csv", headers=bearer("tam")).text

    rows = {row["id"]: row for row in csv.DictReader(io.StringIO(text))}
    assert (rows[GONE.id]["ended"], rows[GONE.id]["strength_percent"]) == ("replaced", "0.52")


def test_another_district_sees_none_of_them_and_may_not_write_them(client: FlaskClient) -> None:
    assert client.get("/api/v1/mixes", headers=bearer("bao")).get_json()["mixes"] == []
    for mixed in (GONE, replace(GONE, facility="ELSE", district="BAO")):  # by its place, by its id
        body = msgspec.json.encode([mixed])
        assert client.post("/api/v1/mixes", data=body, headers=bearer("bao")).status_code == 403


def test_a_solution_is_taken_in_once(client: FlaskClient) -> None:
    body = msgspec.json.encode([FAR, LATER])

    taken = [client.post("/api/v1/mixes", data=body, headers=bearer("tam")).get_json()["taken"]
             for _ in range(2)]

    assert taken == [1, 0]


@pytest.mark.parametrize("asked", ["ended=spilled", "limit=0", "to=soon", "after=here"])
def test_what_cannot_be_asked_is_a_bad_request(client: FlaskClient, asked: str) -> None:
    assert client.get(f"/api/v1/mixes?{asked}", headers=bearer("tam")).status_code == 400
