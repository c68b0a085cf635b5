"""Messages over the API: who sees and sends which, and never a phone, a name or the words."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from bot.message import Message, record_id
from bot.store import MessageFilter, Store
from tests.bot.store_stand import START, batch, record
from tests.bot.test_api import bearer, client_of, get, two_districts

SENT = Message(record_id("a"), "LOWF", "TAM", "LOWF-1", "bell", "P1", START, 2, "sent", START,
               tries=1)
REFUSED = replace(SENT, id=record_id("b"), site="district-TAM", about="LOWF-9", kind="alert",
                  person="P8", at=START + timedelta(hours=1), state="refused", sent_at=None,
                  reason="code 403", segments=1)  # fmt: skip
FAR = replace(SENT, id=record_id("c"), site="FAR", district="BAO", about="FAR-1",
              at=START + timedelta(days=1))  # fmt: skip
NAMES = {SENT.id: "sent", REFUSED.id: "refused", FAR.id: "far"}


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    store.save_register(two_districts())
    store.record([record(batch()), SENT, REFUSED, FAR])
    yield store
    store.close()


@pytest.fixture
def client(kept: Store) -> FlaskClient:
    return client_of(kept)


def post(client: FlaskClient, body: object, who: str = "writer") -> TestResponse:
    return client.post("/api/v1/messages", data=msgspec.json.encode(body), headers=bearer(who))


@pytest.mark.parametrize(("query", "found"), [
    ("", ["far", "refused", "sent"]),
    ("state=refused", ["refused"]),
    ("district=TAM", ["refused", "sent"]),
    ("site=district-TAM", ["refused"]),
    ("about=LOWF-1", ["sent"]),
    ("from=2025-03-04", ["far"]),
    ("to=2025-03-03", ["refused", "sent"]),
])  # fmt: skip
def test_messages_are_told_apart(client: FlaskClient, query: str, found: list[str]) -> None:
    rows = get(client, f"messages?{query}").get_json()["messages"]
    assert [NAMES[row["id"]] for row in rows] == found


def test_a_row_says_what_became_of_it_and_to_whom_by_her_id(client: FlaskClient) -> None:
    [row] = get(client, "messages?state=refused").get_json()["messages"]
    assert row == {
        "id": REFUSED.id, "site": "district-TAM", "district": "TAM", "about": "LOWF-9",
        "kind": "alert", "person": "P8", "at": "2025-03-03T09:00:00Z", "segments": 1,
        "sent_at": None, "state": "refused", "reason": "code 403", "tries": 1,
    }  # fmt: skip
    table = get(client, "messages?format=csv&state=refused")
    [line] = csv.DictReader(io.StringIO(table.text))
    assert (line["person"], line["state"], line["reason"]) == ("P8", "refused", "code 403")


def test_pages_follow_each_other(client: FlaskClient) -> None:
    first = get(client, "messages?limit=2").get_json()
    rest = get(client, f"messages?limit=2&after={first['next']}".replace("+", "%2B")).get_json()
    assert [NAMES[r["id"]] for r in (*first["messages"], *rest["messages"])] == [
        "far", "refused", "sent"]
    assert rest["next"] is None


@pytest.mark.parametrize("query", ["state=lost", "limit=0", "after=x", "from=tomorrow"])
def test_nonsense_is_refused(client: FlaskClient, query: str) -> None:
    assert get(client, f"messages?{query}").status_code == 400


def test_a_token_of_one_district_sees_and_sends_its_own_only(
    client: FlaskClient, kept: Store
) -> None:
    rows = get(client, "messages", "tam").get_json()["messages"]
    assert [NAMES[row["id"]] for row in rows] == ["refused", "sent"]
    assert get(client, "messages?district=BAO", "tam").status_code == 403
    before = kept.messages(MessageFilter()).rows
    for stolen in (replace(FAR, state="delivered"), replace(FAR, district="TAM", again=1)):
        assert post(client, stolen, "tam").status_code == 403
    assert kept.messages(MessageFilter()).rows == before


def test_what_is_sent_is_taken_once(client: FlaskClient, kept: Store) -> None:
    came = replace(SENT, state="delivered")
    assert post(client, [came, came]).get_json() == {"received": 2, "taken": 1}
    assert post(client, SENT).get_json() == {"received": 1, "taken": 0}
    assert post(client, replace(SENT, segments=0)).status_code == 400
    assert post(client, {"id": "x"}).status_code == 400
    assert post(client, SENT, "reader").status_code == 403
    [row] = kept.messages(MessageFilter(about="LOWF-1")).rows
    assert row["state"] == "delivered"


def test_a_batch_comes_with_its_messages(client: FlaskClient) -> None:
    found = get(client, "batches/LOWF-1").get_json()
    assert found["messages"] == [
        {"kind": "bell", "at": "2025-03-03T08:00:00Z", "state": "sent", "segments": 2}]
