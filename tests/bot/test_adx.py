"""A message of IHE ADX, held against the rules of the profile's normative stylesheet."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.adx import adx, code, period
from bot.figure import Figure

NS = "{urn:ihe:qrph:adx:2015}"
NOW = datetime(2026, 12, 2, 8, 15, tzinfo=UTC)
NOVEMBER = (date(2026, 11, 1), date(2026, 11, 30))
DURATION = re.compile(r"\d{4}-\d\d-\d\d/P\d+[DMY]")
DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)")
DATE_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)?")
TOKEN = re.compile(r"\S+( \S+)*")


def figure(indicator: str = "uses", place: str = "HF0042", **more: Any) -> Figure:
    facts = {"since": NOVEMBER[0], "until": NOVEMBER[1], "numerator": 21, **more}
    return Figure(indicator=indicator, place=place, **facts)


def message(*figures: Figure, exported: datetime = NOW) -> ET.Element:
    """What is written, read again, after it was held against the schema."""
    root = ET.fromstring(adx(figures, exported=exported, data_set="NRR_MONTHLY"))  # noqa: S314
    hold_against_the_schema(root)
    return root


def hold_against_the_schema(root: ET.Element) -> None:
    """What the schema made by the stylesheet asks of every message, whatever its code lists."""
    assert root.tag == f"{NS}adx"
    assert DATE_TIME.fullmatch(root.attrib["exported"])
    assert len(root) >= 1
    for group in root:
        assert group.tag == f"{NS}group"
        assert TOKEN.fullmatch(group.attrib["orgUnit"])
        assert DURATION.fullmatch(group.attrib["period"])
        assert group.attrib["dataSet"]
        assert len(group) >= 1
        for value in group:
            assert value.tag == f"{NS}dataValue"
            assert TOKEN.fullmatch(value.attrib["dataElement"])
            assert DECIMAL.fullmatch(value.attrib["value"])
            assert len(value) == 0


def values(group: ET.Element) -> list[dict[str, str]]:
    return [dict(v.attrib) for v in group]


def test_the_message_of_a_facilitys_month() -> None:
    missed = figure("cycles-step-missed", numerator=3, dims={"method": "chlorine"})

    root = message(missed, figure(), figure("cycles complete", numerator=18))

    assert root.attrib == {"exported": "2026-12-02T08:15:00Z"}
    assert [g.attrib for g in root] == [
        {"orgUnit": "HF0042", "period": "2026-11-01/P1M", "dataSet": "NRR_MONTHLY"}]
    assert values(root[0]) == [
        {"dataElement": "CYCLES_COMPLETE", "value": "18"},
        {"dataElement": "CYCLES_STEP_MISSED", "value": "3", "method": "CHLORINE"},
        {"dataElement": "USES", "value": "21"}]  # fmt: skip


def test_a_denominator_goes_with_its_numerator() -> None:
    rate = figure("ready_in_time", numerator=18, denominator=21, value=18 / 21,
                  dims={"stage": "soak", "method": "chlorine"})

    assert values(message(rate)[0]) == [
        {"dataElement": f"READY_IN_TIME_{part}", "value": number,
         "method": "CHLORINE", "stage": "SOAK"} for part, number in (("NUM", "18"), ("DEN", "21"))]


def test_what_is_neither_goes_as_its_value_without_an_exponent() -> None:
    small = figure("hours_late", numerator=None, value=0.00000012)

    assert values(message(small)[0]) == [{"dataElement": "HOURS_LATE", "value": "0.00000012"}]


def test_groups_go_by_place_and_period_whatever_the_order_they_came_in() -> None:
    week = (date(2024, 12, 30), date(2025, 1, 5))
    figures = [figure(place=place, since=since, until=until)
               for place in ("B", "A") for since, until in (NOVEMBER, week)]

    root = message(*figures)

    assert [(g.attrib["orgUnit"], g.attrib["period"]) for g in root] == [
        ("A", "2024-12-30/P7D"), ("A", "2026-11-01/P1M"),
        ("B", "2024-12-30/P7D"), ("B", "2026-11-01/P1M")]  # fmt: skip
    assert ET.tostring(message(*reversed(figures))) == ET.tostring(root)


def test_a_figure_too_small_is_left_out_and_said_to_be() -> None:
    small = figure("needle_sticks", numerator=None, suppressed=True)
    leak = figure("stained", numerator=4, denominator=77, value=4 / 77, suppressed=True)

    root = message(small, leak, figure())

    assert values(root[0]) == [{"dataElement": "USES", "value": "21"}]
    assert root.attrib["comment"] == "Left out, too small to leave the facility: 2"
    assert root[0].attrib["comment"] == root.attrib["comment"]
    assert b"77" not in ET.tostring(root)


def test_a_place_with_nothing_but_small_figures_has_no_group() -> None:
    """A group without a dataValue is no group; the message still says that something is missing."""
    root = message(figure(place="SMALL", numerator=None, suppressed=True), figure())

    assert [g.attrib["orgUnit"] for g in root] == ["HF0042"]
    assert "comment" not in root[0].attrib
    assert root.attrib["comment"].endswith(": 1")


@pytest.mark.parametrize("figures", [
    [], [figure(numerator=None, suppressed=True)], [figure(numerator=None)],
], ids=["none", "small", "unknown"])
def test_there_is_no_empty_message(figures: list[Figure]) -> None:
    with pytest.raises(ValueError, match="no number is left"):
        adx(figures, exported=NOW, data_set="X")


@pytest.mark.parametrize("other", ["uses", "Uses", " uses"])
def test_two_figures_that_would_be_one_are_refused(other: str) -> None:
    with pytest.raises(ValueError, match="the same dataValue"):
        adx([figure(), figure(other, numerator=5)], exported=NOW, data_set="X")


@pytest.mark.parametrize("name", ["value", "dataElement", "xmlns", "a b", "xml:x", "", "1st", "é"])
def test_a_split_that_could_not_be_an_attribute_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="name of an attribute"):
        adx([figure(dims={name: "x"})], exported=NOW, data_set="X")


def test_the_time_of_export_is_in_utc_and_needs_a_zone() -> None:
    east = timezone(timedelta(hours=3))
    root = message(figure(), exported=datetime(2026, 12, 2, 1, 30, 5, 999, tzinfo=east))

    assert root.attrib["exported"] == "2026-12-01T22:30:05Z"
    with pytest.raises(ValueError, match="zone"):
        adx([figure()], exported=NOW.replace(tzinfo=None), data_set="X")


@pytest.mark.parametrize(("typed", "read"), [
    ('"><group a="&', '"><group a="&'), ("a\x00b\x1bc", "a\ufffdb\ufffdc"), ("\ud800x", "\ufffdx"),
    ("x\ufffe\uffff", "x\ufffd\ufffd"), ("]]>", "]]>"), ("\U0001f6bc", "\U0001f6bc"),
])  # fmt: skip
def test_no_text_breaks_the_message(typed: str, read: str) -> None:
    written = adx([figure(place=typed)], exported=NOW, data_set=typed)
    root = ET.fromstring(written)  # noqa: S314

    assert root[0].attrib["orgUnit"] == root[0].attrib["dataSet"] == read
    assert len(root) == len(root[0]) == 1


@given(st.text(), st.text(), st.integers(min_value=0))
def test_any_text_at_all_makes_a_message_that_can_be_read(a: str, b: str, number: int) -> None:
    said = figure(a, place=b, numerator=number, dims={"reason": a})
    root = ET.fromstring(adx([said], exported=NOW, data_set=b))  # noqa: S314

    assert root[0][0].attrib["value"] == str(number)
    assert re.fullmatch(r"[A-Z0-9_]+", root[0][0].attrib["dataElement"])
    assert re.fullmatch(r"[A-Z0-9_]+", root[0][0].attrib["reason"])


@pytest.mark.parametrize(("text", "said"), [
    ("cycles.complete", "CYCLES_COMPLETE"), ("a-b c", "A_B_C"), ("straße", "STRASSE"),
    ("été", "_T_"), ("", "UNKNOWN"), (" \t", "UNKNOWN"),
])  # fmt: skip
def test_a_code_is_of_plain_letters(text: str, said: str) -> None:
    assert code(text) == said


def day(text: str) -> date:
    return date.fromisoformat(text)


@pytest.mark.parametrize(("since", "until", "text"), [
    ("2026-11-01", "2026-11-30", "2026-11-01/P1M"),
    ("2024-02-01", "2024-02-29", "2024-02-01/P1M"),
    ("2023-02-01", "2023-02-28", "2023-02-01/P1M"),
    ("2024-02-01", "2024-02-28", "2024-02-01/P28D"),
    ("2026-12-01", "2026-12-31", "2026-12-01/P1M"),
    ("2026-10-01", "2026-12-31", "2026-10-01/P3M"),
    ("2026-11-01", "2027-01-31", "2026-11-01/P3M"),
    ("2026-01-01", "2026-06-30", "2026-01-01/P6M"),
    ("2026-01-01", "2026-12-31", "2026-01-01/P1Y"),
    ("2026-07-01", "2027-06-30", "2026-07-01/P1Y"),
    ("2026-01-01", "2027-12-31", "2026-01-01/P2Y"),
    ("2024-12-30", "2025-01-05", "2024-12-30/P7D"),
    ("2026-12-28", "2027-01-03", "2026-12-28/P7D"),
    ("2026-11-25", "2026-11-25", "2026-11-25/P1D"),
    ("2026-11-01", "2026-11-01", "2026-11-01/P1D"),
    ("2026-11-02", "2026-12-01", "2026-11-02/P30D"),
    ("9999-12-01", "9999-12-31", "9999-12-01/P31D"),
    ("0999-05-03", "0999-05-04", "0999-05-03/P2D"),
])  # fmt: skip
def test_a_period_is_its_first_day_and_how_long(since: str, until: str, text: str) -> None:
    assert period(day(since), day(until)) == text


@pytest.mark.parametrize(("first", "week"), [
    ("2024-12-30", (2025, 1)), ("2026-12-28", (2026, 53)),
])  # fmt: skip
def test_weeks_at_the_turn_of_a_year_are_the_weeks_of_iso_8601(
    first: str, week: tuple[int, int]
) -> None:
    """2024-12-30 begins 2025-W01; 2026-12-31 and 2027-01-01 are in 2026-W53."""
    days = [day(first) + timedelta(days=n) for n in range(7)]

    assert {d.isocalendar()[:2] for d in days} == {week}
    assert period(days[0], days[-1]) == f"{first}/P7D"


STEP: dict[str, Callable[[date, int], date]] = {
    "D": lambda start, n: start + timedelta(days=n),
    "M": lambda start, n: start.replace(year=start.year + (start.month - 1 + n) // 12,
                                        month=(start.month - 1 + n) % 12 + 1),
    "Y": lambda start, n: start.replace(year=start.year + n),
}  # fmt: skip


@given(st.dates(date(1900, 1, 1), date(2100, 1, 1)), st.integers(0, 1500))
def test_a_period_read_again_ends_the_day_after(since: date, days: int) -> None:
    until = since + timedelta(days=days)
    start, duration = period(since, until).split("/P")

    assert STEP[duration[-1]](day(start), int(duration[:-1])) == until + timedelta(days=1)


def test_a_period_that_ends_before_it_begins_is_refused() -> None:
    backwards = replace(figure(), since=NOVEMBER[1], until=NOVEMBER[0])

    with pytest.raises(ValueError, match="before it begins"):
        adx([backwards], exported=NOW, data_set="X")
