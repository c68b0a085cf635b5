"""Alerts over the API: who sees and sends which, as JSON and CSV, and never a name or a phone."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from bot.alert import Alert, AlertLine
from bot.effects import Raised
from bot.store import Store
from flows.alerting import RULES
from tests.bot.store_stand import START, alert, batch, raised, record
from tests.bot.test_api import bearer, client_of, error, get, two_districts

LATER = START + timedelta(hours=1)
SOLVED = alert("LOWF-8", at=LATER, last=LATER, rule="load").with_line(
    AlertLine(LATER, "P8", "solved", "mask replaced"), state="solved")
FAR = alert("FAR-2", facility="FAR", batch="FAR-1", at=START + timedelta(days=1))


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    """A store with an open and a solved alert in one district, and an open one in another."""
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    store.save_register(two_districts())
    store.record([record(batch()), raised(alert()), raised(SOLVED), raised(FAR, "BAO")])
    yield store
    store.close()


@pytest.fixture
def client(kept: Store) -> FlaskClient:
    return client_of(kept)


def post(client: FlaskClient, body: object, who: str = "writer") -> TestResponse:
    data = body if isinstance(body, bytes) else msgspec.json.encode(body)
    return client.post("/api/v1/alerts", data=data, headers=bearer(who))


def ids(client: FlaskClient, query: str = "", who: str = "reader") -> list[str]:
    return [a["id"] for a in get(client, f"alerts?{query}", who).get_json()["alerts"]]


# ---- reading -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("query", "found"), [
    ("", ["FAR-2", "LOWF-8", "LOWF-9"]),
    ("state=open", ["FAR-2", "LOWF-9"]),
    ("state=solved", ["LOWF-8"]),
    ("district=TAM", ["LOWF-8", "LOWF-9"]),
    ("facility=FAR", ["FAR-2"]),
    ("rule=load", ["LOWF-8"]),
    ("batch=LOWF-1&state=open", ["LOWF-9"]),
    ("from=2025-03-04", ["FAR-2"]),
    ("to=2025-03-03", ["LOWF-8", "LOWF-9"]),
    ("from=2025-03-03&to=2025-03-04", ["FAR-2", "LOWF-8", "LOWF-9"]),
    ("to=2025-03-02", []),
])
def test_alerts_are_told_apart(client: FlaskClient, query: str, found: list[str]) -> None:
    assert ids(client, query) == found


def test_alert_comes_with_its_history(client: FlaskClient) -> None:
    found = get(client, "alerts/LOWF-8").get_json()

    assert (found["state"], found["closed_at"]) == ("solved", "2025-03-03T09:00:00Z")
    assert (found["by"], found["told"]) == ("P1", ["P2"])
    assert found["history"] == [
        {"at": "2025-03-03T08:05:00Z", "by": "P2", "what": "told", "word": ""},
        {"at": "2025-03-03T09:00:00Z", "by": "P8", "what": "solved", "word": "mask replaced"}]
    assert error(get(client, "alerts/NONE")) == (404, "not_found")


def test_batch_comes_with_its_alerts_and_their_history(client: FlaskClient) -> None:
    found = get(client, "batches/LOWF-1").get_json()["alerts"]

    assert [(a["id"], [line["what"] for line in a["history"]]) for a in found] == [
        ("LOWF-9", ["told"]), ("LOWF-8", ["told", "solved"])]


def test_token_of_a_district_sees_its_alerts_alone(client: FlaskClient) -> None:
    assert ids(client, who="tam") == ["LOWF-8", "LOWF-9"]
    assert ids(client, who="bao") == ["FAR-2"]
    assert ids(client, "facility=LOWF", "bao") == []
    assert ids(client, "batch=LOWF-1", "bao") == []
    assert error(get(client, "alerts?district=TAM", "bao")) == (403, "forbidden")
    assert error(get(client, "alerts/LOWF-9", "bao")) == (404, "not_found")
    assert get(client, "alerts/FAR-2", "bao").status_code == 200


def test_pages_follow_the_cursor_to_the_end(client: FlaskClient) -> None:
    first = get(client, "alerts?limit=2")
    last = get(client, f"alerts?limit=2&after={first.get_json()['next']}")

    assert first.headers["X-Next"] == first.get_json()["next"]
    assert [a["id"] for a in last.get_json()["alerts"]] == ["LOWF-9"]
    assert last.get_json()["next"] is None


def test_alerts_come_as_csv_with_lists_as_words(client: FlaskClient, kept: Store) -> None:
    told = (AlertLine(START, "P2", "told"), AlertLine(START, "P8", "told"))
    kept.record([raised(alert("A-1", at=START + timedelta(days=2), matter="=1+1", history=told))])

    answer = get(client, "alerts", Accept="text/csv")

    first, *_, last = csv.DictReader(io.StringIO(answer.text))
    assert answer.mimetype == "text/csv"
    assert (first["id"], first["told"], first["closed_at"]) == ("A-1", "P2 P8", "")
    assert first["matter"] == "'=1+1"
    assert (last["id"], last["at"], last["count"]) == ("LOWF-9", "2025-03-03T08:00:00+00:00", "1")
    assert not {"doc", "history"} & set(first)


@pytest.mark.parametrize("query", [
    "state=asleep", "rule=flood", "limit=0", "limit=x", "after=x", "from=March", "format=xml"])
def test_question_that_makes_no_sense_is_a_bad_request(client: FlaskClient, query: str) -> None:
    assert error(get(client, f"alerts?{query}")) == (400, "bad_request")


def test_no_answer_holds_a_name_or_a_phone(client: FlaskClient, kept: Store) -> None:
    asked = AlertLine(LATER, "P8", "asked", "call +12025550101 or 202 555 0102")
    typed = alert("TYPED", matter="LOWF-1 +12025550103", facts={"note": "+12025550104"},
                  history=(AlertLine(LATER, "P4", "told"), asked))
    kept.record([raised(typed)])
    people = kept.load_register().people

    paths = ["alerts", "alerts?format=csv", "alerts/TYPED", "batches/LOWF-1"]
    answers = [get(client, path).text for path in paths]

    for text in answers:
        assert "TYPED" in text
        assert not re.search(r"202\D?555\D?01\d\d", text)
        assert not any(m.person.name in text or m.person.phone in text for m in people)
    found = get(client, "alerts/TYPED").get_json()
    assert found["history"][1]["word"] == "call [number] or [number]"
    assert (found["facts"], found["matter"]) == ({"note": "[number]"}, "LOWF-1 [number]")


# ---- ingest ------------------------------------------------------------------------------------


def test_alert_sent_twice_or_late_changes_nothing(client: FlaskClient, kept: Store) -> None:
    new = alert("LOWF-7")
    seen = new.with_line(AlertLine(LATER, "P8", "seen"), state="seen")

    assert post(client, raised(seen)).get_json() == {"received": 1, "taken": 1}
    assert post(client, [raised(new), raised(seen)]).get_json() == {"received": 2, "taken": 0}
    assert post(client, []).get_json() == {"received": 0, "taken": 0}

    found = kept.alert("LOWF-7")
    assert found is not None
    assert (found["state"], len(found["history"])) == ("seen", 2)


@pytest.mark.parametrize(("doc", "who"), [
    (raised(alert("N")), "reader"),
    (raised(alert("N")), "bao"),  # another district's alert
    (raised(alert("N"), "BAO"), "bao"),  # another's facility under the own name
    (raised(alert("LOWF-9", facility="FAR", count=9), "BAO"), "bao"),  # another's replaced
    (raised(alert("N", facility="GONE"), "BAO"), "tam"),
])
def test_alerts_are_sent_by_who_may_write_there_alone(
    client: FlaskClient, kept: Store, doc: Raised, who: str
) -> None:
    before = kept.alert("LOWF-9")

    assert error(post(client, doc, who)) == (403, "forbidden")

    assert kept.alert("N") is None
    assert kept.alert("LOWF-9") == before


def test_token_of_a_district_sends_its_own(client: FlaskClient) -> None:
    own = raised(alert("N", facility="FAR"), "BAO")

    assert post(client, own, "bao").get_json() == {"received": 1, "taken": 1}
    assert ids(client, who="bao") == ["FAR-2", "N"]


def strange(**values: Any) -> bytes:
    """An alert with words that no version yet has."""
    doc = msgspec.to_builtins(raised(alert("N")))
    doc["alert"] |= values
    return msgspec.json.encode([msgspec.to_builtins(raised(alert("GOOD"))), doc])


@pytest.mark.parametrize(("values", "words"), [
    ({"rule": "flood"}, "alert N: no rule 'flood' is known here"),
    ({"state": "asleep"}, "'asleep', at $[1].alert.state, is no word"),
    ({"history": [{"at": "2025-03-03T08:00:00Z", "by": "P1", "what": "sung"}]},
     "'sung', at $[1].alert.history[0].what, is no word"),
])
def test_words_not_known_here_are_refused_in_a_sentence_and_nothing_beside_them_is_kept(
    client: FlaskClient, kept: Store, values: dict[str, Any], words: str
) -> None:
    answer = post(client, strange(**values))

    assert error(answer) == (400, "bad_request")
    message = answer.get_json()["error"]["message"]
    assert words in message
    assert "once this Soakbell is brought up to date" in message
    assert (kept.alert("N"), kept.alert("GOOD")) == (None, None)


@pytest.mark.parametrize("body", [
    b"", b"{", b"null", b"{}", b'{"district": "TAM", "alert": {}}', b"\xff",
    msgspec.json.encode(record(batch("N"))),
    msgspec.json.encode(raised(alert(""))),
    msgspec.json.encode(raised(alert("N"), "")),
    msgspec.json.encode(raised(alert("N", at=START.replace(tzinfo=None)))),
    msgspec.json.encode(raised(alert("N", count=2**70))),
])
def test_what_is_no_alert_is_a_bad_request(client: FlaskClient, kept: Store, body: bytes) -> None:
    assert error(post(client, body)) == (400, "bad_request")
    assert kept.alert("N") is None


def test_alert_goes_from_one_store_over_the_wire_to_another_unchanged(
    client: FlaskClient, kept: Store
) -> None:
    whole: Alert = replace(SOLVED, id="N", facts={"sets": "BAG-1, BAG-2"}, waiting=True, step=2,
                           due=LATER, count=3)
    post(client, raised(whole))

    direct = Store("sqlite://")
    direct.migrate()
    direct.record([raised(whole)])
    assert kept.alert("N") == direct.alert("N")
    direct.close()


def test_description_names_the_rules_and_states(client: FlaskClient) -> None:
    described = client.get("/api/v1/openapi.json").get_json()["paths"]["/alerts"]["get"]
    said = {p["name"]: p["schema"] for p in described["parameters"]}

    assert set(said["rule"]["enum"]) == set(RULES)
    assert set(said) == {"from", "to", "district", "facility", "state", "rule", "batch", "limit",
                         "after", "format"}
