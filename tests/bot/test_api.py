"""The API keeps to its contract: who may ask, what is answered, one shape for every error."""

from __future__ import annotations

import csv
import gzip
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from bot.accounts import digest
from bot.api import api
from bot.api_asked import MOST_BODY_BYTES
from bot.count_queries import DIMENSIONS
from bot.effects import Conditions
from bot.formats import XLSX, csv_text
from bot.model import SetState
from bot.register import District, Facility, Register, assemble
from bot.store import Record, Store
from bot.tokens import Token, Tokens
from tests.bot.store_stand import (
    START,
    alert,
    batch,
    closed,
    demo_register,
    raised,
    ready,
    record,
)
from tests.bot.test_workbook import read

TOKENS = {
    digest("reader"): Token("read"),
    digest("writer"): Token("ingest"),
    digest("both"): Token("all"),
    digest("tam"): Token("all", "TAM"),
    digest("bao"): Token("all", "BAO"),
}
READS = ["batches", "batches/LOWF-1", "sets", "alerts", "alerts/LOWF-9", "messages", "facilities",
         "counts"]


def two_districts() -> Register:
    """The demonstration's register and one more district with one facility."""
    demo = demo_register()
    return assemble(
        (*demo.districts, District("BAO", "Baobab Plain")),
        (*demo.facilities, Facility("FAR", "Far Post", "BAO", 10.0, "UTC", ("boiling",))),
        demo.models, demo.sets, demo.people)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    """A store with a released batch in one district and an open one in another, each with an
    alert."""
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    store.save_register(two_districts())
    of = closed()
    store.record([record(of, ready(of)), record(batch("FAR-1", facility="FAR", district="BAO"))])
    far = alert("FAR-2", facility="FAR", batch="FAR-1", matter="FAR-1")
    store.record([raised(alert()), raised(far, "BAO")])
    yield store
    store.close()


@pytest.fixture
def client(kept: Store) -> FlaskClient:
    return client_of(kept)


def client_of(store: Store) -> FlaskClient:
    app = Flask(__name__)
    tokens = Tokens(store.database, TOKENS)
    app.register_blueprint(api(store, tokens, lambda: START + timedelta(days=1)))
    return app.test_client()


def bearer(token: str, **more: str) -> dict[str, str]:
    """The headers of *token* and *more* (underscores for hyphens)."""
    return {"Authorization": f"Bearer {token}",
            **{name.replace("_", "-"): value for name, value in more.items()}}


def get(client: FlaskClient, path: str, who: str = "reader", **headers: str) -> TestResponse:
    return client.get(f"/api/v1/{path}", headers=bearer(who, **headers))


def post(client: FlaskClient, body: object, who: str = "writer") -> TestResponse:
    data = body if isinstance(body, bytes) else msgspec.json.encode(body)
    return client.post("/api/v1/batches", data=data, headers=bearer(who))


def error(answer: TestResponse) -> tuple[int, str]:
    """Status and code, having checked the shape."""
    body = answer.get_json()
    assert set(body) == {"error"}
    assert set(body["error"]) - {"parameter"} == {"code", "message"}
    assert body["error"]["message"]
    return answer.status_code, body["error"]["code"]


# ---- who may ask -------------------------------------------------------------------------------


@pytest.mark.parametrize("path", READS)
@pytest.mark.parametrize("header", ["", "Bearer", "Bearer ", "Bearer wrong", "Basic reader",
                                    "reader", f"Bearer {digest('reader')}"])
def test_without_a_right_token_nothing_is_read(
    client: FlaskClient, path: str, header: str
) -> None:
    answer = client.get(f"/api/v1/{path}", headers={"Authorization": header} if header else {})

    assert error(answer) == (401, "unauthorized")
    assert answer.headers["WWW-Authenticate"] == "Bearer"


def test_token_does_only_what_its_scope_says(client: FlaskClient) -> None:
    for path in READS:
        assert error(get(client, path, "writer")) == (403, "forbidden")
        assert get(client, path, "both").status_code == 200
    assert error(post(client, record(batch("N")), "reader")) == (403, "forbidden")
    assert get(client, "batches/N").status_code == 404
    assert post(client, record(batch("N")), "both").status_code == 200


def test_token_of_a_district_sees_that_district_alone(client: FlaskClient) -> None:
    assert [b["id"] for b in get(client, "batches", "bao").get_json()["batches"]] == ["FAR-1"]
    assert error(get(client, "batches/LOWF-1", "bao")) == (404, "not_found")
    assert get(client, "batches/LOWF-1", "tam").status_code == 200
    assert get(client, "sets", "bao").get_json()["sets"] == []
    assert len(get(client, "sets", "tam").get_json()["sets"]) == 7
    assert [f["id"] for f in get(client, "facilities", "bao").get_json()["facilities"]] == ["FAR"]
    assert get(client, "counts", "bao").get_json()["counts"][0]["batches"] == 0
    assert get(client, "counts", "tam").get_json()["counts"][0]["batches"] == 1
    assert get(client, "batches?facility=LOWF", "bao").get_json()["batches"] == []
    assert error(get(client, "batches?district=TAM", "bao")) == (403, "forbidden")


@pytest.mark.parametrize("doc", [
    record(batch("N")),  # another district's batch
    record(batch("N", district="BAO")),  # another's facility under the own name
    record(batch("LOWF-1", entries=9, facility="FAR", district="BAO")),  # another's batch replaced
    record(batch("N", facility="FAR", district="BAO"), ready(closed())),  # another's set
])
def test_token_of_a_district_writes_to_that_district_alone(
    client: FlaskClient, kept: Store, doc: Record
) -> None:
    before = kept.batch("LOWF-1")

    assert error(post(client, doc, "bao")) == (403, "forbidden")

    assert kept.batch("N") is None
    assert kept.batch("LOWF-1") == before


def test_token_of_a_district_writes_its_own(client: FlaskClient, kept: Store) -> None:
    assert post(client, record(batch("N", facility="FAR", district="BAO")), "bao").get_json() == {
        "received": 1, "taken": 1}
    assert kept.batch("N") is not None


def test_a_token_of_the_store_opens_until_it_is_revoked(client: FlaskClient, kept: Store) -> None:
    tokens = Tokens(kept.database)
    tokens.add("figures", Token("read", "BAO"), "secret", START, "")
    assert [b["id"] for b in get(client, "batches", "secret").get_json()["batches"]] == ["FAR-1"]

    tokens.revoke("figures", START, "")
    over = get(client, "batches", "secret")
    assert over.get_json() == get(client, "batches", "never").get_json()
    assert error(over) == (401, "unauthorized")


# ---- reading -----------------------------------------------------------------------------------


def test_batch_comes_with_its_log(client: FlaskClient) -> None:
    found = get(client, "batches/LOWF-1").get_json()

    assert (found["outcome"], found["opened_at"]) == ("released", "2025-03-03T08:00:00Z")
    assert [entry["n"] for entry in found["log"]] == [0, 1, 2, 3]


def test_batches_in_which_a_step_was_missed_are_found_by_step_and_reason(
    client: FlaskClient, kept: Store
) -> None:
    short = batch("SHORT")
    broken = replace(short.log[-1], kind="interrupted", mark="exposure_started")
    kept.record([record(replace(short, log=(*short.log[:-1], broken)))])

    def found(query: str) -> list[str]:
        return [b["id"] for b in get(client, f"batches?{query}").get_json()["batches"]]

    [miss] = get(client, "batches/SHORT").get_json()["missed"]
    stage, reason = miss.split(":")
    assert found(f"stage={stage}&reason={reason}") == found(f"reason={reason}") == ["SHORT"]
    assert found(f"stage={stage}x") == found("reason=supplies") == []


def test_sets_show_their_condition_at_the_time_of_asking(client: FlaskClient) -> None:
    found = get(client, "sets?condition=READY").get_json()

    assert [s["id"] for s in found["sets"]] == ["BAG-1"]


def test_pages_follow_the_cursor_to_the_end(client: FlaskClient, kept: Store) -> None:
    kept.record([record(batch(f"B-{n}")) for n in range(5)])

    found, path = [], "batches?limit=3"
    while path:
        page = get(client, path).get_json()
        found += [b["id"] for b in page["batches"]]
        path = f"batches?limit=3&after={page['next']}" if page["next"] else ""

    assert sorted(found) == ["B-0", "B-1", "B-2", "B-3", "B-4", "FAR-1", "LOWF-1"]


def test_days_of_a_span_are_included_at_both_ends(client: FlaskClient) -> None:
    def number(query: str) -> int:
        return len(get(client, f"batches?{query}").get_json()["batches"])

    assert number("from=2025-03-03&to=2025-03-03") == 2
    assert number("from=2025-03-04") == 0
    assert number("to=2025-03-02") == 0
    [day] = get(client, "counts?from=2025-03-03&to=2025-03-03").get_json()["counts"]
    assert (day["batches"], day["sets"], day["aside"], day["segments"]) == (1, 2, 0, 4)


@pytest.mark.parametrize("query", ["by=district&by=month", "by=district,month"])
def test_counts_by_several_dimensions(client: FlaskClient, query: str) -> None:
    rows = get(client, f"counts?{query}").get_json()["counts"]
    [row] = [row for row in rows if row["batches"]]
    assert (row["district"], row["month"], row["batches"], row["sets"]) == ("TAM", "2025-03", 1, 2)


@pytest.mark.parametrize("path", [
    "counts?by=colour", "counts?by=", "counts?by=day,", "counts?from=March", "batches?limit=many",
    "batches?limit=0", "batches?limit=100000", "batches?limit=1.0", "batches?after=x",
    "batches?after=2025-03-03~LOWF-1", "sets?format=xml", "batches?from=0000-00-00",
    "batches?from=20250303", "batches?to=2025-02-29", "sets?limit=-1", "sets?condition=ready",
    "batches?outcome=lost", "batches?method=frying", "alerts?state=gone", "alerts?rule=x",
    "messages?state=lost", "checks?done=maybe", "facilities?district=", "sets?facility=",
    "sets?colour=red", "facilities?limit=5", "sets?limit=5&limit=6", "batches/LOWF-1?format=csv",
    "counts?from=2025-03-04&to=2025-03-03", "openapi.json?format=yaml"])
def test_question_that_makes_no_sense_is_a_bad_request_and_says_why(
    client: FlaskClient, path: str
) -> None:
    answer = get(client, path)
    blamed = path.partition("?")[2].partition("=")[0]

    assert error(answer) == (400, "bad_request")
    assert answer.get_json()["error"]["parameter"] == blamed
    assert blamed in answer.get_json()["error"]["message"]


@pytest.mark.parametrize(("path", "allowed"), [
    ("sets?colour=red", "district, facility, condition, limit, after, format"),
    ("batches/LOWF-1?x=1", "none"), ("checks?done=maybe", "yes, no"),
    ("sets?limit=0", "1 to 1000"), ("sets?condition=x", "READY, IN PROCESS, USED")])
def test_a_refusal_says_what_is_allowed(client: FlaskClient, path: str, allowed: str) -> None:
    assert allowed in get(client, path).get_json()["error"]["message"]


def test_what_is_posted_takes_no_parameters(client: FlaskClient) -> None:
    answer = client.post("/api/v1/batches?dry=1", data=b"[]", headers=bearer("writer"))

    assert error(answer) == (400, "bad_request")
    assert answer.get_json()["error"]["parameter"] == "dry"


def test_the_last_day_that_there_is_ends_a_span_too(client: FlaskClient) -> None:
    assert len(get(client, "batches?to=9999-12-31").get_json()["batches"]) == 2


@pytest.mark.parametrize("headers", [{"Accept": "text/csv"}, {}])
def test_table_comes_as_csv_when_asked(client: FlaskClient, headers: dict[str, str]) -> None:
    answer = get(client, "sets" if headers else "sets?format=csv", **headers)

    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert answer.mimetype == "text/csv"
    assert rows[0]["id"] == "BAG-1"
    assert rows[0]["condition"] == "READY"
    assert rows[0]["since"] == "2025-03-03T09:00:00+00:00"
    assert len(rows) == 7


@pytest.mark.parametrize("path", [
    "batches", "sets", "alerts", "messages", "checks", "gaps", "mixes", "facilities", "counts",
    "counts?by=method,day"])
def test_table_comes_as_a_workbook_of_the_same_rows(client: FlaskClient, path: str) -> None:
    mark = "&" if "?" in path else "?"
    name = path.partition("?")[0]
    rows = get(client, path).get_json()[name]
    plain = list(csv.reader(io.StringIO(get(client, f"{path}{mark}format=csv").text)))

    answer = get(client, path, Accept=XLSX)
    cells = read(answer.data).texts()

    assert answer.mimetype == XLSX
    assert get(client, f"{path}{mark}format=xlsx").headers["ETag"] == answer.headers["ETag"]
    assert cells[0] == plain[0]
    assert len(cells) == len(plain) == 1 + len(rows)
    assert not rows or set(rows[0]) - {"indicators"} <= set(plain[0])


def test_a_table_of_nothing_has_its_header(client: FlaskClient) -> None:
    assert get(client, "checks?format=csv").text.startswith("id,facility,district,moment,")


def test_accept_of_anything_gets_json(client: FlaskClient) -> None:
    assert get(client, "sets", Accept="*/*").mimetype == "application/json"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "\uff1d1"])
def test_csv_holds_no_formula(text: str) -> None:
    rows = list(csv.reader(io.StringIO(csv_text([{"a": text, "b": -1, "c": ["x", "y"]}]),
                                       newline="")))

    assert rows[1] == [f"'{text}", "-1", "x y"]


def test_no_answer_holds_a_phone(client: FlaskClient, kept: Store) -> None:
    typed = batch("TYPED", entries=2)
    said = replace(typed.log[1], said="call +12025550101 or 202 555 0102",
                   facts={"note": "+12025550103", "day": "2025-03-03"})
    kept.record([record(replace(typed, log=(typed.log[0], said)))])
    phones = [m.person.phone for m in kept.load_register().people]

    answers = [get(client, path).text for path in (*READS, "batches/TYPED", "openapi.json")]
    answers += [get(client, f"{p}?format=csv").text for p in READS if "/" not in p]

    for text in answers:
        assert not any(phone in text or phone[2:] in text for phone in phones)
    found = get(client, "batches/TYPED").get_json()["log"][1]
    assert found["said"] == "call [number] or [number]"
    assert found["facts"] == {"note": "[number]", "day": "2025-03-03"}


# ---- how answers travel --------------------------------------------------------------------------


@pytest.mark.parametrize("path", [*READS, "batches?format=csv", "batches?format=xlsx",
                                  "openapi.json"])
def test_what_a_system_has_already_is_not_sent_again(client: FlaskClient, path: str) -> None:
    first = get(client, path, Accept_Encoding="gzip")
    mark = first.headers["ETag"]
    same = get(client, path, Accept_Encoding="gzip", If_None_Match=mark)
    head = client.head(f"/api/v1/{path}", headers=bearer("reader"))

    assert (same.status_code, same.data, same.headers["ETag"]) == (304, b"", mark)
    for answer in (first, same, head):
        assert answer.headers["Cache-Control"] == "private, no-cache"
        assert {"authorization", "accept-encoding"} <= set(answer.vary.as_set())
    assert (head.status_code, head.data) == (200, b"")


def test_a_change_is_sent(client: FlaskClient, kept: Store) -> None:
    mark = get(client, "batches").headers["ETag"]
    kept.record([record(batch("NEW"))])

    assert get(client, "batches", If_None_Match=mark).status_code == 200


def test_an_answer_packed_is_the_same_answer(client: FlaskClient) -> None:
    packed = get(client, "sets", Accept_Encoding="gzip")

    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == get(client, "sets").data


# ---- ingest ------------------------------------------------------------------------------------


def test_state_pushed_twice_or_late_changes_nothing(client: FlaskClient, kept: Store) -> None:
    docs = [record(closed("N")), record(batch("N", entries=2))]

    assert post(client, docs[0]).get_json() == {"received": 1, "taken": 1}
    assert post(client, docs).get_json() == {"received": 2, "taken": 0}

    assert get(client, "counts").get_json()["counts"][0]["batches"] == 2
    found = kept.batch("N")
    assert found is not None
    assert found["outcome"] == "released"


def test_empty_list_is_taken(client: FlaskClient) -> None:
    assert post(client, [], "tam").get_json() == {"received": 0, "taken": 0}


def opened(set_id: str = "BAG-1", site_id: str = "LOWF") -> Conditions:
    return Conditions(site_id, (SetState(set_id, "USED", START + timedelta(hours=2)),))


def post_sets(client: FlaskClient, body: object, who: str = "writer") -> TestResponse:
    data = body if isinstance(body, bytes) else msgspec.json.encode(body)
    return client.post("/api/v1/sets", data=data, headers=bearer(who))


def condition(client: FlaskClient, set_id: str = "BAG-1") -> str:
    rows = get(client, "sets").get_json()["sets"]
    return str(next(row["condition"] for row in rows if row["id"] == set_id))


def test_condition_without_a_batch_is_taken_once(client: FlaskClient) -> None:
    assert condition(client) == "READY"

    assert post_sets(client, opened()).get_json() == {"received": 1, "taken": 1}
    assert post_sets(client, [opened(), opened()]).get_json() == {"received": 2, "taken": 0}

    assert condition(client) == "USED"


def test_ready_without_a_batch_that_proves_it_is_refused_until_that_is_here(
    client: FlaskClient,
) -> None:
    of = closed("N", expires_at=START + timedelta(days=7))
    claim = Conditions("LOWF", (ready(of, "SUC-1"),))
    claim = replace(claim, states=(replace(claim.states[0], expires_at=of.expires_at),))

    assert error(post_sets(client, [claim, opened()])) == (409, "conflict")
    assert (condition(client, "SUC-1"), condition(client)) == ("USED", "USED")

    post(client, record(of))
    assert post_sets(client, claim).status_code == 200
    assert condition(client, "SUC-1") == "READY"


@pytest.mark.parametrize(("doc", "who"), [
    (opened(), "reader"), (opened(), "bao"), (opened("FAR-9", "FAR"), "tam"),
    (opened("BAG-1", "FAR"), "bao"), (opened("FAR-9", "GONE"), "tam")])
def test_conditions_are_written_by_who_may_write_there_alone(
    client: FlaskClient, doc: Conditions, who: str
) -> None:
    assert error(post_sets(client, doc, who)) == (403, "forbidden")

    assert condition(client) == "READY"


@pytest.mark.parametrize("body", [
    b"", b"null", msgspec.json.encode(record(batch("N"))),
    msgspec.json.encode(opened("")),
    msgspec.json.encode(Conditions("LOWF", (SetState("BAG-1"),))),
    msgspec.json.encode(opened()).replace(b"USED", b"CLEAN"),
])
def test_what_is_no_condition_is_a_bad_request(client: FlaskClient, body: bytes) -> None:
    assert error(post_sets(client, body)) == (400, "bad_request")
    assert condition(client) == "READY"


@pytest.mark.parametrize("body", [
    b"", b"{", b"null", b"\xff", b"{}", b'{"batch": {}, "sets": []}', b"[" * 100_000,
    msgspec.json.encode(record(batch(""))),
    msgspec.json.encode(record(batch("N", opened_at=START.replace(tzinfo=None)))),
    msgspec.json.encode(record(batch("N", segments=2**70))),
    msgspec.json.encode(record(batch("N"))).replace(b'"chlorine"', b'"frying"'),
])
def test_what_is_no_record_is_a_bad_request(client: FlaskClient, body: bytes) -> None:
    assert error(post(client, body)) == (400, "bad_request")


def test_too_much_at_once_is_refused_before_it_is_read(client: FlaskClient) -> None:
    assert error(post(client, b" " * (MOST_BODY_BYTES + 1)))[0] == 413
    assert error(post(client, [record(batch(f"N-{n}")) for n in range(501)]))[0] == 413
    assert get(client, "batches/N-0").status_code == 404


# ---- errors ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["", "/", "/v1", "/v1/nothing", "/v2/batches", "/v1/batches/a/b"])
@pytest.mark.parametrize("method", ["GET", "POST", "DELETE"])
def test_unknown_address_has_the_one_error_shape(
    client: FlaskClient, path: str, method: str
) -> None:
    assert error(client.open(f"/api{path}", method=method)) == (404, "not_found")


@pytest.mark.parametrize(("method", "path", "allowed"), [
    ("DELETE", "batches", "GET, POST"), ("POST", "facilities", "GET"),
    ("DELETE", "sets", "GET, POST"), ("PUT", "batches/LOWF-1", "GET")])
def test_wrong_method_is_told_the_right_one(
    client: FlaskClient, method: str, path: str, allowed: str
) -> None:
    answer = client.open(f"/api/v1/{path}", method=method)

    assert error(answer) == (405, "method_not_allowed")
    assert answer.headers["Allow"] == allowed


def test_batch_that_is_not_there_is_not_found(client: FlaskClient) -> None:
    assert error(get(client, "batches/NONE")) == (404, "not_found")


def test_store_that_is_down_asks_to_come_again() -> None:
    client = client_of(Store("sqlite:////no/such/folder/store.db"))

    for path in READS:
        answer = get(client, path)
        assert error(answer) == (503, "service_unavailable")
        assert answer.headers["Retry-After"]
    assert error(post(client, record(batch()))) == (503, "service_unavailable")
    assert error(get(client, "batches", "unknown")) == (503, "service_unavailable")


def test_failure_of_our_own_has_the_one_error_shape_and_tells_no_detail(kept: Store) -> None:
    def broken_clock() -> Any:
        raise RuntimeError("+12025550101")

    app = Flask(__name__)
    app.register_blueprint(api(kept, Tokens(kept.database, TOKENS), broken_clock))

    answer = get(app.test_client(), "sets")

    assert error(answer) == (500, "internal_server_error")
    assert "2025550101" not in answer.text


# ---- description -------------------------------------------------------------------------------


def test_description_names_every_route_and_no_other(client: FlaskClient) -> None:
    described = client.get("/api/v1/openapi.json").get_json()
    paths = {(f"/api/v1{path}", method.upper())
             for path, item in described["paths"].items() for method in item}

    routes = {(re.sub("<[a-z_]+>", "{id}", rule.rule), method)
              for rule in client.application.url_map.iter_rules()
              if rule.rule.startswith("/api/v1/") and not rule.endpoint.endswith("_other")
              for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}}
    assert paths == routes
    by = next(p for p in described["paths"]["/counts"]["get"]["parameters"] if p["name"] == "by")
    assert set(by["schema"]["items"]["enum"]) == set(DIMENSIONS)
