"""MeasureReports, held against two readings of the standard that are not ours.

The models of fhir.resources are those of R4B (4.3.0), the nearest to R4 (4.0.1) that the library
still has. The elements of MeasureReport and how often each may be there are the same in both, as
far as their dependency graphs show (measurereport-dependencies.html, hl7.org/fhir/R4/ and /R4B/).
R4's own list stands below, by hand, and every report is held against it as well.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import msgspec
import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.measurereport import MeasureReport
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from bot.figure import Figure
from bot.measure_report import measure_reports
from tests.bot.hostile import HOSTILE, NAMES

NOW = datetime(2026, 12, 2, 8, 15, tzinfo=UTC)
BASE = "http://example.org/fhir"
CALLED = {"cycles": "Cycles with no step missed", "HF0042": "Tamba health post",
          "chlorine": "Chlorine", "method": "Method"}  # fmt: skip
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"

# FHIR 4.0.1, MeasureReport and what it is made of: element, least, most ("*": a list), its parts.
CONCEPT: dict[str, Any] = {
    "coding": (0, "*", {"system": (0, 1, str), "code": (0, 1, str)}), "text": (0, 1, str)}
REFERENCE: dict[str, Any] = {
    "type": (0, 1, str), "display": (0, 1, str),
    "identifier": (0, 1, {"system": (0, 1, str), "value": (0, 1, str)})}  # fmt: skip
EXTENSION: dict[str, Any] = {
    "extension": (0, "*", {"url": (1, 1, str), "valueCode": (0, 1, str)})}
POPULATION: dict[str, Any] = {
    "code": (0, 1, CONCEPT), "count": (0, 1, int), "_count": (0, 1, EXTENSION)}
NUMBERS: dict[str, Any] = {
    "population": (0, "*", POPULATION),
    "measureScore": (0, 1, {"value": (0, 1, float), **EXTENSION})}
REPORT: dict[str, Any] = {
    "resourceType": (1, 1, str), "id": (0, 1, str), "status": (1, 1, str), "type": (1, 1, str),
    "measure": (1, 1, str), "subject": (0, 1, REFERENCE), "date": (0, 1, str),
    "reporter": (0, 1, REFERENCE),
    "period": (1, 1, {"start": (0, 1, str), "end": (0, 1, str)}),
    "group": (0, "*", {
        "code": (0, 1, CONCEPT), **NUMBERS,
        "stratifier": (0, "*", {
            "code": (0, "*", CONCEPT),
            "stratum": (0, "*", {
                "value": (0, 1, CONCEPT),
                "component": (0, "*", {"code": (1, 1, CONCEPT), "value": (1, 1, CONCEPT)}),
                **NUMBERS})})})}  # fmt: skip


def figure(**more: Any) -> Figure:
    facts = {"indicator": "cycles", "place": "HF0042", "since": date(2026, 11, 1),
             "until": date(2026, 11, 30), "numerator": 18, "denominator": 21,
             "value": 0.857}  # fmt: skip
    return Figure(**{**facts, **more})


def count(**more: Any) -> Figure:
    facts = {"indicator": "uses", "numerator": 21, "denominator": None, "value": None}
    return figure(**{**facts, **more})


def reports(*figures: Figure, **more: Any) -> list[Any]:
    """The reports as they are after they went through JSON and both readings of the standard."""
    told = measure_reports(figures, **{"now": NOW, "base": BASE, "names": CALLED, **more})
    text = msgspec.json.encode(told)
    Bundle.model_validate_json(text)
    bundle = json.loads(text)
    found = [e["resource"] for e in bundle.get("entry", [])]
    for report in found:
        MeasureReport.model_validate(report)
        hold(report, REPORT)
        hold_invariants(report)
    return found


def hold(element: dict[str, Any], parts: dict[str, Any]) -> None:
    """*element* has what R4 asks for, nothing that R4 does not know, and nothing empty."""
    assert element
    assert set(element) <= set(parts)
    assert {name for name, (least, _, _) in parts.items() if least} <= set(element)
    for name, value in element.items():
        _, most, kind = parts[name]
        assert isinstance(value, list) == (most == "*")
        assert value or kind in {int, float}
        for one in value if isinstance(value, list) else [value]:
            if isinstance(kind, dict):
                hold(one, kind)
            else:
                assert isinstance(one, kind)


def inside(element: Any) -> Iterator[dict[str, Any]]:
    """Every object in *element*, itself included."""
    if isinstance(element, dict):
        yield element
    for part in element.values() if isinstance(element, dict) else element:
        if isinstance(part, dict | list):
            yield from inside(part)


def hold_invariants(report: dict[str, Any]) -> None:
    """What R4 asks for in rules and patterns rather than in its list of elements."""
    assert report["status"] in {"complete", "pending", "error"}
    assert report["type"] in {"individual", "subject-list", "summary", "data-collection"}
    assert re.fullmatch(r"[A-Za-z0-9\-.]{1,64}", report["id"])
    assert report["period"]["start"] <= report["period"]["end"]  # per-1
    for element in inside(report):
        for stratum in element.get("stratum", []):
            assert ("component" in stratum) != ("value" in stratum)  # mrp-2
        if "system" in element and "code" in element:
            assert re.fullmatch(r"[^\s]+(\s[^\s]+)*", element["code"])  # the pattern of a code
            assert re.fullmatch(r"\S+", element["system"])


def numbers(element: dict[str, Any]) -> dict[str, Any]:
    """The populations of a group or a stratum by code: a count, or why it is absent."""
    def told(population: dict[str, Any]) -> Any:
        return population.get("count", population.get("_count"))

    return {p["code"]["coding"][0]["code"]: told(p) for p in element["population"]}


def masked() -> dict[str, Any]:
    return {"extension": [{"url": ABSENT, "valueCode": "masked"}]}


def test_the_report_of_a_facilitys_month() -> None:
    (report,) = reports(figure())

    facility = {"type": "Location", "display": "Tamba health post",
                "identifier": {"system": f"{BASE}/place", "value": "HF0042"}}  # fmt: skip
    system = "http://terminology.hl7.org/CodeSystem/measure-population"
    assert UUID(report.pop("id")).version == 5
    assert report == {
        "resourceType": "MeasureReport", "status": "complete", "type": "summary",
        "measure": "http://example.org/fhir/Measure/cycles",
        "subject": facility, "reporter": facility, "date": "2026-12-02T08:15:00+00:00",
        "period": {"start": "2026-11-01", "end": "2026-11-30"},
        "group": [{
            "code": {"text": "Cycles with no step missed",
                     "coding": [{"system": f"{BASE}/CodeSystem/indicator", "code": "cycles"}]},
            "population": [
                {"code": {"coding": [{"system": system, "code": "denominator"}]}, "count": 21},
                {"code": {"coding": [{"system": system, "code": "numerator"}]}, "count": 18}],
            "measureScore": {"value": 0.857}}]}  # fmt: skip


def test_a_plain_count_is_a_population_without_a_score() -> None:
    (report,) = reports(count())

    assert numbers(report["group"][0]) == {"initial-population": 21}
    assert "measureScore" not in report["group"][0]


def test_no_cases_at_all_are_a_count_of_nought_and_have_no_score() -> None:
    (report,) = reports(figure(numerator=0, denominator=0, value=None))

    assert numbers(report["group"][0]) == {"denominator": 0, "numerator": 0}
    assert "measureScore" not in report["group"][0]


def test_what_is_only_a_value_is_a_score() -> None:
    (report,) = reports(count(numerator=None, value=0.0))

    assert report["group"][0]["measureScore"] == {"value": 0.0}
    assert "population" not in report["group"][0]


def test_parts_are_strata_made_of_components() -> None:
    by_method = [figure(numerator=n, denominator=d, dims={"method": m})
                 for m, n, d in (("steam", 8, 9), ("chlorine", 10, 12))]
    by_both = figure(numerator=5, denominator=6, dims={"stage": "soak", "method": "chlorine"})

    ((group,),) = (r["group"] for r in reports(*by_method, figure(), by_both))

    assert numbers(group) == {"denominator": 21, "numerator": 18}
    method, both = group["stratifier"]
    assert [c["coding"][0]["code"] for c in method["code"]] == ["method"]
    assert [c["coding"][0]["code"] for c in both["code"]] == ["method", "stage"]
    found = [({c["code"]["coding"][0]["code"]: c["value"]["coding"][0]["code"]
               for c in s["component"]}, numbers(s)) for x in (method, both) for s in x["stratum"]]
    assert found == [
        ({"method": "chlorine"}, {"denominator": 12, "numerator": 10}),
        ({"method": "steam"}, {"denominator": 9, "numerator": 8}),
        ({"method": "chlorine", "stage": "soak"}, {"denominator": 6, "numerator": 5})]
    chlorine = method["stratum"][0]["component"][0]
    assert chlorine["code"]["text"] == "Method"
    assert chlorine["value"] == {
        "text": "Chlorine",
        "coding": [{"system": f"{BASE}/CodeSystem/method", "code": "chlorine"}]}


def test_parts_without_their_whole_are_not_added_up() -> None:
    (report,) = reports(*(count(numerator=n, dims={"reason": str(n)}) for n in (5, 7)))

    assert "population" not in report["group"][0]
    assert [numbers(s) for s in report["group"][0]["stratifier"][0]["stratum"]] == [
        {"initial-population": 5}, {"initial-population": 7}]


def test_a_figure_too_small_is_masked() -> None:
    small = figure(numerator=None, denominator=None, value=None, suppressed=True, place="SMALL")
    lone = count(numerator=None, suppressed=True)

    whole, counted, ratio = reports(figure(), small, lone)

    assert numbers(ratio["group"][0]) == {"denominator": masked(), "numerator": masked()}
    assert ratio["group"][0]["measureScore"] == masked()
    assert numbers(counted["group"][0]) == {"initial-population": masked()}
    assert "measureScore" not in counted["group"][0]
    assert whole["group"][0]["measureScore"] == {"value": 0.857}


def test_a_number_that_came_with_a_suppressed_figure_stays_here() -> None:
    leak = figure(numerator=3, denominator=1234, value=0.75, suppressed=True)

    (report,) = reports(leak)

    assert numbers(report["group"][0]) == {"denominator": masked(), "numerator": masked()}
    assert not {"1234", "0.75"} & set(re.findall(r"[\d.]+", json.dumps(report)))


def test_one_report_for_an_indicator_a_place_and_a_period_whatever_the_order() -> None:
    figures = [figure(place=p, indicator=i, since=s) for p in ("B", "A") for i in ("y", "x")
               for s in (date(2026, 11, 1), date(2026, 11, 30))]  # fmt: skip

    found = reports(*figures)

    assert [(r["subject"]["identifier"]["value"], r["period"]["start"], r["measure"][-1])
            for r in found] == [(p, s, i) for p in "AB" for s in ("2026-11-01", "2026-11-30")
                                for i in "xy"]  # fmt: skip
    assert reports(*reversed(figures)) == found
    assert len({r["id"] for r in found}) == 8


def test_a_report_sent_again_is_the_same_report() -> None:
    """Its id is what it is about, not when it was made nor what was counted by then."""
    later, elsewhere = NOW + timedelta(days=3), "http://example.net"

    (first,), (again,) = reports(figure()), reports(figure(numerator=19), now=later)
    (other,) = reports(figure(), base=elsewhere)

    assert first["id"] == again["id"] != other["id"]


def test_the_bundle_is_a_collection_whose_entries_are_known_by_their_reports() -> None:
    east = timezone(timedelta(hours=3))
    bundle = measure_reports([figure(), count()], now=datetime(2026, 12, 2, 11, tzinfo=east),
                             base=f"{BASE}/", names={})  # fmt: skip

    Bundle.model_validate(bundle)
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "collection")
    assert bundle["timestamp"] == "2026-12-02T11:00:00+03:00"
    assert [e["fullUrl"] for e in bundle["entry"]] == [
        f"urn:uuid:{e['resource']['id']}" for e in bundle["entry"]]
    assert bundle["entry"][0]["resource"]["measure"] == f"{BASE}/Measure/cycles"


def test_nothing_to_report_is_a_bundle_without_entries() -> None:
    assert reports() == []
    assert "entry" not in measure_reports([], now=NOW, base=BASE, names={})


@pytest.mark.parametrize("dims", [{}, {"method": "steam"}])
def test_two_figures_that_are_the_same_one_are_refused(dims: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=r"two figures are .*cycles"):
        measure_reports([figure(dims=dims), figure(dims=dims)], now=NOW, base=BASE, names={})


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        measure_reports([figure()], now=NOW.replace(tzinfo=None), base=BASE, names={})


@pytest.mark.parametrize("text", HOSTILE, ids=NAMES)
def test_no_text_breaks_a_report(text: str) -> None:
    (report,) = reports(figure(place=text, indicator=text, dims={text: text}), names={text: text})

    assert report["subject"]["identifier"]["value"].split() == report["subject"]["display"].split()
    assert re.fullmatch(r"http://example\.org/fhir/Measure/[\w.~%-]+", report["measure"])


COUNTS = st.integers(0, 2**31 - 1)  # as far as FHIR's integers go


@settings(max_examples=40)
@given(st.text(), st.text(), COUNTS, st.none() | COUNTS, st.booleans())
def test_any_figure_at_all_makes_a_report_of_r4(
    a: str, b: str, number: int, of: int | None, suppressed: bool
) -> None:
    said = figure(indicator=a, place=b, numerator=number, denominator=of, suppressed=suppressed)

    (report,) = reports(said, names={a: b})

    assert report["status"] == "complete"


@pytest.mark.parametrize(("change", "complaint"), [
    ({"period": None}, "period"), ({"status": None}, "status"), ({"measure": None}, "measure"),
    ({"group": [{"populations": []}]}, "populations"),
    ({"group": [{"population": [{"count": "many"}]}]}, "count"),
])  # fmt: skip
def test_the_librarys_models_refuse_what_is_no_report(change: Any, complaint: str) -> None:
    """That they accept ours says something only because they do not accept everything."""
    (report,) = reports(figure())
    broken = {k: v for k, v in {**report, **change}.items() if v is not None}

    with pytest.raises((ValidationError, ValueError), match=complaint):
        MeasureReport.model_validate(broken)
