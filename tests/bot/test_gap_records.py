"""Times without a READY set in the store and over the API: begun, ended, each once."""

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

from bot.effects import Gap
from bot.store import GapFilter, Store
from tests.bot.facts_stand import bearer, facts_client
from tests.bot.store_stand import START

HOUR = timedelta(hours=1)
BEGUN = Gap("LOWF-bag-1", "LOWF", "TAM", "bag", START, None)
ENDED = replace(BEGUN, until=START + 5 * HOUR)
LASTS = Gap("LOWF-suction-1", "LOWF", "TAM", "suction", START + HOUR, None)
FAR = Gap("HIGH-bag-1", "HIGH", "TAM", "bag", START + 30 * HOUR, START + 31 * HOUR)


def ids(rows: list[dict[str, object]]) -> list[object]:
    return [row["id"] for row in rows]


# ---- the store -------------------------------------------------------------------------------


def test_a_gap_is_kept_as_it_was_told(store: Store) -> None:
    assert store.record([BEGUN]) == 1

    [row] = store.gaps(GapFilter()).rows
    assert row == {"id": "LOWF-bag-1", "facility": "LOWF", "district": "TAM", "kind": "bag",
                   "since": START, "until": None}


def test_one_that_ended_never_lasts_again_in_whatever_order_it_is_told(store: Store) -> None:
    for n, order in enumerate(permutations([BEGUN, ENDED, BEGUN])):
        for gap in order:
            store.record([replace(gap, id=f"G-{n}")])

    assert {row["until"] for row in store.gaps(GapFilter()).rows} == {START + 5 * HOUR}


def test_told_together_or_again_it_counts_once(store: Store) -> None:
    assert store.record([BEGUN, ENDED, BEGUN]) == 1
    assert store.record([ENDED, BEGUN]) == 0
    assert len(store.gaps(GapFilter()).rows) == 1


def test_gaps_are_listed_newest_first_and_page_by_page(store: Store) -> None:
    store.record([ENDED, LASTS, FAR])

    first = store.gaps(GapFilter(limit=2))
    assert ids(first.rows) == [FAR.id, LASTS.id]
    assert first.next
    assert ids(store.gaps(GapFilter(limit=2, after=first.next)).rows) == [ENDED.id]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (GapFilter(facility="HIGH"), [FAR.id]),
        (GapFilter(district="BAO"), []),
        (GapFilter(kind="bag"), [FAR.id, ENDED.id]),
        (GapFilter(lasting=True), [LASTS.id]),
        (GapFilter(lasting=False), [FAR.id, ENDED.id]),
        # Whatever lies in the time asked for, if only in part; an end is no part of it.
        (GapFilter(since=START + 5 * HOUR), [FAR.id, LASTS.id]),
        (GapFilter(since=START + 4 * HOUR), [FAR.id, LASTS.id, ENDED.id]),
        (GapFilter(until=START + HOUR), [ENDED.id]),
        (GapFilter(since=START + 2 * HOUR, until=START + 3 * HOUR), [LASTS.id, ENDED.id]),
    ],
)
def test_gaps_are_found_by_what_they_are(
    store: Store, wanted: GapFilter, found: list[str]
) -> None:
    store.record([ENDED, LASTS, FAR])

    assert ids(store.gaps(wanted).rows) == found


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (replace(BEGUN, id=""), "every id"),
        (replace(BEGUN, facility="L" * 65), "every id"),
        (replace(BEGUN, district="TA\nM"), "every id"),
        (replace(BEGUN, kind="mask"), "brought up to date"),  # type: ignore[arg-type]
        (replace(BEGUN, since=START.replace(tzinfo=None)), "carries its zone"),
        (replace(ENDED, until=START.replace(tzinfo=None)), "carries its zone"),
        (replace(ENDED, until=START - HOUR), "no sooner than it begins"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(
    store: Store, wrong: Gap, why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        store.record([LASTS, wrong])

    assert store.gaps(GapFilter()).rows == []


def test_a_kind_that_nobody_knows_and_a_page_of_nothing_are_refused(store: Store) -> None:
    with pytest.raises(ValueError, match="kind is one of bag, suction"):
        store.gaps(GapFilter(kind="mask"))
    with pytest.raises(ValueError, match="1 to"):
        store.gaps(GapFilter(limit=0))


# ---- the API ---------------------------------------------------------------------------------


@pytest.fixture
def client(tmp_path: Path) -> Iterator[FlaskClient]:
    with facts_client(tmp_path, [ENDED, LASTS]) as made:
        yield made


def test_gaps_over_the_api(client: FlaskClient) -> None:
    answer = client.get("/api/v1/gaps?lasting=yes", headers=bearer("tam")).get_json()

    assert ids(answer["gaps"]) == [LASTS.id]
    assert (answer["gaps"][0]["until"], answer["next"]) == (None, None)


def test_gaps_as_a_table(client: FlaskClient) -> None:
    text = client.get("/api/v1/gaps?format=csv", headers=bearer("tam")).text

    rows = {row["id"]: row for row in csv.DictReader(io.StringIO(text))}
    assert (rows[LASTS.id]["until"], bool(rows[ENDED.id]["until"])) == ("", True)


def test_another_district_sees_none_of_them_and_may_not_write_them(client: FlaskClient) -> None:
    assert client.get("/api/v1/gaps", headers=bearer("bao")).get_json()["gaps"] == []
    for gap in (ENDED, replace(ENDED, facility="ELSE", district="BAO")):  # by its place, by its id
        body = msgspec.json.encode([gap])
        assert client.post("/api/v1/gaps", data=body, headers=bearer("bao")).status_code == 403


def test_a_gap_is_taken_in_once(client: FlaskClient) -> None:
    body = msgspec.json.encode([FAR, LASTS])

    taken = [client.post("/api/v1/gaps", data=body, headers=bearer("tam")).get_json()["taken"]
             for _ in range(2)]

    assert taken == [1, 0]


@pytest.mark.parametrize("asked", ["lasting=maybe", "kind=mask", "from=soon", "after=here"])
def test_what_cannot_be_asked_is_a_bad_request(client: FlaskClient, asked: str) -> None:
    assert client.get(f"/api/v1/gaps?{asked}", headers=bearer("tam")).status_code == 400


def test_a_kind_of_a_newer_soakbell_is_refused_in_so_many_words(client: FlaskClient) -> None:
    body = msgspec.json.encode([{**msgspec.to_builtins(FAR), "kind": "mask"}])

    answer = client.post("/api/v1/gaps", data=body, headers=bearer("tam"))

    assert answer.status_code == 400
    assert "brought up to date" in answer.get_json()["error"]["message"]
