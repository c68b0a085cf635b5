"""Counts over the API, checked against batches made by hand: JSON, CSV, workbook, ADX, FHIR."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from bot.accounts import digest
from bot.adx import NAMESPACE
from bot.api import api
from bot.register import District, Facility, Register, assemble
from bot.store import Store
from bot.tokens import Token, Tokens
from flows.batch import Entry
from flows.indicators import EXPECTED, INDICATORS, MEASURES, SPANS
from tests.bot.hostile import HOSTILE
from tests.bot.store_stand import START, alert, batch, closed, demo_register, raised, record
from tests.bot.test_workbook import read

NAME = "=HYPERLINK(1)<b>&]]>"  # of a facility; its id is as bad
BAD = "=1+1<x>"
MARCH = "from=2025-03-01&to=2025-03-31"


def the_register() -> Register:
    """Two districts: five facilities, one of which is silent, and two."""
    demo = demo_register()

    def facility(i: str, district: str, name: str = "") -> Facility:
        return Facility(i, name or f"Unit {i}", district, 10.0, "UTC", ("chlorine",))

    return assemble(
        (District("TAM", "Tamarind"), District("BAO", "Baobab Plain")),
        (*(facility(i, "TAM") for i in ("A", "B", "C", "D", "SILENT")),
         facility("FAR", "BAO"), facility(BAD, "BAO", NAME)),
        demo.models, (), ())


# Batches that ended, by facility: released, set aside, begun by mistake.
MADE = {"A": (12, 0, 0), "B": (3, 0, 0), "C": (6, 0, 0), "D": (8, 6, 0), "FAR": (7, 1, 0),
        BAD: (9, 0, 0)}  # fmt: skip
DISTRICT = {"A": "TAM", "B": "TAM", "C": "TAM", "D": "TAM", "FAR": "BAO", BAD: "BAO"}


def missed(n: int, stage: str, reason: str) -> Entry:
    return Entry(n, START, "aside", stage, "P1", "sms", "1", "", facts={"reason": reason})


def fill(store: Store) -> None:
    store.save_register(the_register())
    for facility, numbers in MADE.items():
        for outcome, n in zip(("released", "set aside", "cancelled"), numbers, strict=True):
            store.record([record(closed(
                f"{facility}-{outcome}-{i}", outcome, facility=facility,  # type: ignore[arg-type]
                district=DISTRICT[facility])) for i in range(n)])
    store.record([record(batch("A-open", facility="A", district="TAM"))])
    store.record([raised(alert(f"D-{i}", facility="D", batch="")) for i in range(2)])


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('counts') / 'store.db'}")
    store.migrate()
    fill(store)
    yield store
    store.close()


def client_of(store: Store, least: int) -> FlaskClient:
    app = Flask(__name__)
    tokens = Tokens(store.database, {
        digest("all"): Token("read"), digest("tam"): Token("read", "TAM"),
        digest("bao"): Token("read", "BAO")})
    app.register_blueprint(api(store, tokens, lambda: START + timedelta(days=20), least))
    return app.test_client()


@pytest.fixture(scope="module")
def client(kept: Store) -> FlaskClient:
    """Everything is told."""
    return client_of(kept, 0)


@pytest.fixture(scope="module")
def careful(kept: Store) -> FlaskClient:
    """Nothing below 5."""
    return client_of(kept, 5)


def get(client: FlaskClient, path: str, who: str = "all", **headers: str) -> TestResponse:
    return client.get(f"/api/v1/{path}", headers={"Authorization": f"Bearer {who}", **headers})


def rows(client: FlaskClient, query: str, who: str = "all") -> list[dict[str, Any]]:
    answer = get(client, f"counts?{query}", who)
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.get_json()["counts"]
    return found


def by_facility(client: FlaskClient, query: str = MARCH) -> dict[str, dict[str, Any]]:
    return {row["facility"]: row for row in rows(client, f"{query}&by=facility")}


def refused(answer: TestResponse) -> tuple[int, str]:
    return answer.status_code, answer.get_json()["error"].get("parameter", "")


# ---- JSON ------------------------------------------------------------------------------------


def test_one_row_where_nothing_is_told_apart(client: FlaskClient) -> None:
    body = get(client, f"counts?{MARCH}").get_json()

    [row] = body["counts"]
    ended = sum(map(sum, MADE.values()))
    assert (row["batches"], row["sets"], row["started"]) == (ended, 2 * ended, ended + 1)
    assert (row["since"], row["until"]) == ("2025-03-01", "2025-03-31")
    assert row["indicators"]["set_aside"] == {
        "numerator": 7, "denominator": ended, "value": 7 / ended, "suppressed": False}
    assert {k: n for k, n in body.items() if k != "counts"} == {
        "expected": 7, "silent": ["SILENT"], "from": "2025-03-01", "to": "2025-03-31",
        "suppressed_below": 0, "next": None}  # fmt: skip
    assert set(row["indicators"]) == {one.id for one in INDICATORS}
    assert set(MEASURES) | set(EXPECTED) <= set(row)


def test_a_time_without_anything_has_one_row_of_noughts(client: FlaskClient) -> None:
    [row] = rows(client, "from=2024-01-02&to=2024-01-09")
    assert all(row[name] == 0 for name in MEASURES)
    assert row["indicators"]["released"]["value"] is None


@pytest.mark.parametrize("query", ["by=facility&by=month", "by=facility,month"])
def test_rows_by_facility_and_month(client: FlaskClient, query: str) -> None:
    found = {(row["facility"], row["month"]): row for row in rows(client, f"{MARCH}&{query}")}

    for facility, numbers in MADE.items():
        row = found[facility, "2025-03"]
        assert (row["released"], row["set_aside"], row["cancelled"]) == numbers
    assert found["SILENT", "2025-03"]["batches"] == 0
    assert found["SILENT", "2025-03"]["indicators"]["completeness"]["value"] == 0


def test_filters_may_be_given_more_than_once(client: FlaskClient) -> None:
    assert rows(client, f"{MARCH}&facility=A&facility=C")[0]["batches"] == 18
    assert rows(client, f"{MARCH}&facility=A&facility=C&district=BAO")[0]["batches"] == 0
    assert rows(client, f"{MARCH}&district=BAO&district=TAM")[0]["batches"] == 52
    assert rows(client, f"{MARCH}&method=boiling,steaming")[0]["batches"] == 0
    assert rows(client, f"{MARCH}&method=boiling,chlorine")[0]["batches"] == 52


def test_days_are_local_and_both_are_included(client: FlaskClient) -> None:
    assert rows(client, "from=2025-03-03&to=2025-03-03")[0]["batches"] == 52
    assert rows(client, "from=2025-03-04")[0]["batches"] == 0
    assert rows(client, "to=2025-03-02")[0]["batches"] == 0
    assert rows(client, "from=2025-03-01&to=9999-12-31")[0]["batches"] == 52
    assert rows(client, "from=9999-12-31")[0]["batches"] == 0


def test_alerts_by_their_rule(client: FlaskClient) -> None:
    body = get(client, f"counts?{MARCH}&by=reason&what=alert").get_json()

    assert body["counts"] == [{
        "reason": "still", "since": "2025-03-01", "until": "2025-03-31", "n": 2, "batches": 52,
        "cancelled": 0, "suppressed": []}]  # fmt: skip
    assert body["silent"] == ["SILENT"]


def test_steps_missed_by_facility_stage_and_reason(tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    store.save_register(the_register())
    for n in range(4):
        one = closed(f"A-{n}", facility="A")
        log = (*one.log[:3], missed(3, "inspect", "missing")) if n < 3 else one.log
        store.record([record(replace(one, log=log))])
    store.record([record(closed("A-oops", "cancelled", facility="A"))])

    found = rows(client_of(store, 0), "by=facility,stage,reason")
    hidden = rows(client_of(store, 5), "by=facility,stage,reason")
    one_stage = rows(client_of(store, 0), "stage=elsewhere")

    [row] = found
    assert (row["facility"], row["stage"], row["reason"]) == ("A", "soak", "missing")
    assert (row["n"], row["batches"], row["cancelled"]) == (3, 5, 1)
    [row] = [r for r in hidden if r["facility"] == "A"]
    assert row["n"] is None
    assert row["suppressed"] == ["n", "cancelled"]
    assert [r["n"] for r in one_stage] == [0]
    store.close()


# ---- who may see -----------------------------------------------------------------------------


@pytest.mark.parametrize("least", [0, 5])
def test_a_token_of_a_district_sees_that_district_alone(kept: Store, least: int) -> None:
    client = client_of(kept, least)
    body = get(client, f"counts?{MARCH}&by=facility", "bao").get_json()

    assert {row["facility"] for row in body["counts"]} == {"FAR", BAD}
    assert (body["expected"], body["silent"]) == (2, [])
    assert rows(client, f"{MARCH}&facility=A", "bao")[0]["batches"] == 0
    assert rows(client, MARCH, "tam")[0]["batches"] == 35
    assert rows(client, f"{MARCH}&by=district", "bao")[0]["district"] == "BAO"
    for query in ("district=TAM", "district=BAO&district=TAM"):
        assert refused(get(client, f"counts?{query}", "bao")) == (403, "district")
    fhir = get(client, f"counts?{MARCH}&by=facility&format=fhir", "bao").text
    assert "Unit A" not in fhir


@pytest.mark.parametrize(("query", "parameter"), [
    ("by=colour", "by"), ("month=2025-03", "month"), ("facility=", "facility"),
    ("what=else", "what"), ("method=magic", "method"), ("format=xml", "format"),
    ("from=2025-03-02&to=2025-03-01", "from"),
    ("format=adx", "by"), ("format=fhir&by=month", "by"),
    ("format=adx&by=facility,stage", "by"), ("format=adx&by=facility&reason=missing", "reason"),
    ("format=fhir&by=district&stage=x", "stage"), ("format=adx&by=district&facility=A", "by"),
    ("format=adx&by=district&method=chlorine", "by"),
])  # fmt: skip
def test_what_makes_no_sense_is_refused(client: FlaskClient, query: str, parameter: str) -> None:
    assert refused(get(client, f"counts?{query}")) == (400, parameter)


# ---- CSV and workbook ------------------------------------------------------------------------


def test_csv_is_flat_and_says_the_same(client: FlaskClient) -> None:
    answer = get(client, f"counts?{MARCH}&by=facility&format=csv")
    table = list(csv.DictReader(io.StringIO(answer.text, newline="")))

    told = rows(client, f"{MARCH}&by=facility")
    assert [row["facility"].removeprefix("'") for row in table] == [r["facility"] for r in told]
    for line, row in zip(table, told, strict=True):
        assert line["batches"] == str(row["batches"])
        for i, figure in row["indicators"].items():
            for part in ("numerator", "denominator", "value"):
                told_part = figure[part]
                assert line[f"{i}.{part}"] == ("" if told_part is None else str(told_part))
    assert list(table[0])[:4] == ["facility", "since", "until", next(iter(MEASURES))]


def test_the_workbook_brings_definitions_and_the_silent_along(client: FlaskClient) -> None:
    answer = get(client, f"counts?{MARCH}&by=facility&format=xlsx")
    book = read(answer.data)
    assert list(book.names) == ["counts", "definitions", "silent"]


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_a_hostile_id_is_a_text(client: FlaskClient, form: str) -> None:
    answer = get(client, f"counts?{MARCH}&by=facility&district=BAO&format={form}")
    if form == "csv":
        assert f"\n'{BAD}," in answer.text
    else:
        assert BAD in {cell for line in read(answer.data).texts() for cell in line}


# ---- ADX and FHIR ----------------------------------------------------------------------------


def adx_values(answer: TestResponse) -> dict[tuple[str, str], str]:
    """Numbers by place and data element, of a message that is well-formed."""
    root = ET.fromstring(answer.data)  # noqa: S314
    return {(group.attrib["orgUnit"], value.attrib["dataElement"]): value.attrib["value"]
            for group in root for value in group}


def test_adx_by_facility_and_month(client: FlaskClient) -> None:
    answer = get(client, f"counts?{MARCH}&by=facility,month&format=adx")

    assert answer.mimetype == "application/xml"
    assert ET.fromstring(answer.data).tag == f"{{{NAMESPACE}}}adx"  # noqa: S314
    values = adx_values(answer)
    assert (values["D", "SET_ASIDE_NUM"], values["D", "SET_ASIDE_DEN"]) == ("6", "14")
    assert values[BAD, "RELEASED_NUM"] == "9"


def test_fhir_by_district(client: FlaskClient) -> None:
    answer = get(client, f"counts?{MARCH}&by=district&format=fhir")

    assert answer.mimetype == "application/fhir+json"
    found = {}
    for entry in json.loads(answer.data)["entry"]:
        report = entry["resource"]
        if report["measure"].endswith("/Measure/set_aside"):
            [group] = report["group"]
            found[report["subject"]["display"]] = {
                p["code"]["coding"][0]["code"]: p["count"] for p in group["population"]}
    assert found == {"Tamarind": {"numerator": 6, "denominator": 35},
                     "Baobab Plain": {"numerator": 1, "denominator": 17}}  # fmt: skip


@pytest.mark.parametrize("form", ["adx", "fhir"])
def test_nothing_to_send_is_said(client: FlaskClient, form: str) -> None:
    answer = get(client, f"counts?by=facility&district=NOWHERE&format={form}")
    assert answer.status_code == 400
    assert "nothing to send" in answer.get_json()["error"]["message"]


def test_a_message_of_the_same_figures_has_the_same_mark(client: FlaskClient) -> None:
    path = f"counts?{MARCH}&by=facility&format=adx"
    mark = get(client, path).headers["ETag"]
    assert get(client, path, **{"If-None-Match": mark}).status_code == 304
    assert get(client, f"{path}&district=BAO").headers["ETag"] != mark


# ---- small numbers ---------------------------------------------------------------------------


def test_a_small_number_and_the_next_smallest_are_hidden(careful: FlaskClient) -> None:
    found = by_facility(careful)

    assert {f: found[f]["batches"] for f in "ABCD"} == {"A": 12, "B": None, "C": None, "D": 14}
    assert "batches" in found["B"]["suppressed"]
    assert found["B"]["indicators"]["released"] == {
        "numerator": None, "denominator": None, "value": None, "suppressed": True}
    assert found["A"]["indicators"]["released"]["numerator"] == 12
    assert found["SILENT"]["batches"] == 0
    assert found["SILENT"]["suppressed"] == []
    # The total of four that were heard of stays, alerts below 5 among it.
    [tam] = rows(careful, f"{MARCH}&by=district&district=TAM")
    assert (tam["batches"], tam["alerts"], tam["suppressed"]) == (35, 2, [])


def test_no_other_question_of_the_same_days_fills_the_gap(careful: FlaskClient) -> None:
    assert rows(careful, f"{MARCH}&facility=C")[0]["batches"] is None
    assert rows(careful, f"{MARCH}&facility=A&facility=D&facility=C")[0]["batches"] is None
    assert rows(careful, f"{MARCH}&facility=A&facility=D")[0]["batches"] == 26
    assert rows(careful, f"{MARCH}&facility=B&facility=C")[0]["batches"] == 9
    # Two facilities are few: what is small in their district is theirs.
    [bao] = rows(careful, f"{MARCH}&by=district&district=BAO")
    assert (bao["batches"], bao["set_aside"]) == (17, None)
    # And the whole less the one other district would tell it.
    assert rows(careful, MARCH)[0]["set_aside"] is None


@pytest.mark.parametrize("form", ["json", "csv", "xlsx", "adx", "fhir"])
def test_what_is_hidden_is_hidden_in_every_form(careful: FlaskClient, form: str) -> None:
    answer = get(careful, f"counts?{MARCH}&by=facility&district=TAM&format={form}")
    assert answer.status_code == 200
    if form == "csv":
        table = {r["facility"]: r for r in csv.DictReader(io.StringIO(answer.text, newline=""))}
        assert (table["B"]["batches"], table["B"]["released.numerator"]) == ("", "")
        assert "batches" in table["B"]["suppressed"].split()
    elif form == "adx":
        values = adx_values(answer)
        assert ("A", "RELEASED_NUM") in values
        assert ("B", "RELEASED_NUM") not in values
    elif form == "fhir":
        [report] = [e["resource"] for e in json.loads(answer.data)["entry"]
                    if e["resource"]["measure"].endswith("/released")
                    and e["resource"]["subject"]["identifier"]["value"] == "B"]
        assert all("count" not in p for p in report["group"][0]["population"])


def test_alerts_by_rule_and_facility_hide_a_lone_one_behind_another(careful: FlaskClient) -> None:
    found = rows(careful, f"{MARCH}&by=facility,reason&what=alert")
    assert {(row["facility"], row["n"]) for row in found} == {("A", None), ("D", None)}
    assert [row["n"] for row in rows(careful, f"{MARCH}&by=reason&what=alert")] == [2]


def test_who_hides_another_is_not_missing_from_the_answer(tmp_path: Path) -> None:
    """Without a row it would be read as 0, and the other would be all there is."""
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    store.save_register(the_register())
    store.record([record(closed(f"A-{n}", facility="A")) for n in range(3)])
    later = START + timedelta(days=7)
    store.record([record(closed(f"B-{n}", facility="B", opened_at=later, at=later))
                  for n in range(5)])  # fmt: skip
    careful = client_of(store, 5)

    week = "from=2025-03-03&to=2025-03-12&by=facility,week"
    both = {(r["facility"], r["week"]): r["batches"] for r in rows(careful, week)}
    alone = {(r["facility"], r["week"]): r["batches"] for r in rows(careful, f"{week}&facility=B")}

    assert both == {("A", "2025-W10"): None, ("B", "2025-W10"): None, ("B", "2025-W11"): 5}
    assert alone == {("B", "2025-W10"): None, ("B", "2025-W11"): 5}
    store.close()


# ---- definitions -----------------------------------------------------------------------------


def test_definitions_say_what_every_number_means(client: FlaskClient) -> None:
    found = get(client, "indicators").get_json()["indicators"]
    table = list(csv.DictReader(io.StringIO(get(client, "indicators?format=csv").text, newline="")))

    assert [row["id"] for row in found] == [
        *(one.id for one in INDICATORS), *MEASURES, *EXPECTED, *SPANS]
    assert all(row["sentence"] for row in found)
    assert [row["id"] for row in table] == [row["id"] for row in found]
    [late] = [row for row in found if row["id"] == "late" and row["kind"] == "indicator"]
    assert late["denominator"] == ["batches", "-cancelled"]
    assert read(get(client, "indicators?format=xlsx").data).texts()[0] == list(table[0])


@pytest.mark.parametrize("form", ["json", "csv", "xlsx", "adx", "fhir"])
@pytest.mark.parametrize("text", HOSTILE[:6], ids=range(6))
def test_a_hostile_question_is_answered_or_refused_in_the_one_shape(
    client: FlaskClient, form: str, text: str
) -> None:
    query = {"facility": text, "by": "facility", "format": form}
    answer = client.get("/api/v1/counts", query_string=query,
                        headers={"Authorization": "Bearer all"})
    assert answer.status_code in (200, 400)
