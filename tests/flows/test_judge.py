"""What a reading means, and what is not a reading at all."""

from __future__ import annotations

from dataclasses import replace

import pytest

from flows.batch import Batch, BatchSet
from flows.judge import JUDGES, read
from flows.reprocess import REPROCESS
from flows.stage import Reading
from tests.flows.logs import RULES, batch_of, clean

COUNT = Reading("count", 0, 60, "count")
STRENGTH = Reading("strength", 0.01, 20, "percent")
HEAT = Reading("temperature", 50, 300, "celsius")
GAUGE = Reading("pressure", 0, 500, "kpa")
MINUTES = Reading("minutes", 0, 240, "minutes")


@pytest.mark.parametrize(
    ("text", "reading", "value"),
    [
        ("7", COUNT, 7),
        (" 07 ", COUNT, 7),
        ("00", COUNT, 0),
        ("0.5", STRENGTH, 0.5),
        ("0,5", STRENGTH, 0.5),
        ("0.5%", STRENGTH, 0.5),
        ("0.5 %", STRENGTH, 0.5),
        ("121", HEAT, 121),
        ("121c", HEAT, 121),
        ("121 C", HEAT, 121),
        ("104", GAUGE, 104),
        ("104kPa", GAUGE, 104),
        ("30 min", MINUTES, 30),
        ("30m", MINUTES, 30),
    ],
)
def test_a_number_is_read_as_people_write_it(text: str, reading: Reading, value: float) -> None:
    assert read(text, reading) == value


@pytest.mark.parametrize(
    ("text", "reading", "value"),
    [
        ("250F", HEAT, 121.11),  # (250 - 32) / 1.8
        ("270 f", HEAT, 132.22),
        ("15psi", GAUGE, 103.42),  # 1 psi = 6.894757 kPa; not 106, as some handbooks print
        ("15 lb", GAUGE, 103.42),
        ("1.1bar", GAUGE, 110),
        ("1,1 bar", GAUGE, 110),
    ],
)
def test_other_units_are_converted(text: str, reading: Reading, value: float) -> None:
    assert read(text, reading) == pytest.approx(value, abs=0.005)


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ("", COUNT),
        ("seven", COUNT),
        ("7 pieces", COUNT),
        ("about 7", COUNT),
        ("-7", COUNT),
        ("7.5", COUNT),
        ("61", COUNT),
        ("7 3", COUNT),
        ("7\n8", COUNT),
        ("1e2", HEAT),
        ("nan", HEAT),
        ("inf", GAUGE),
        ("0", STRENGTH),
        ("50", STRENGTH),
        ("0.5.1", STRENGTH),
        ("5,000", GAUGE),  # a comma is a decimal point: 5 kPa would be read, never 5000
        ("49", HEAT),
        ("301", HEAT),
        ("121psi", HEAT),
        ("121F", GAUGE),
        ("121%", HEAT),
        ("1234567", Reading("load", 1, 9_999_999, "id")),
    ],
)
def test_what_is_no_number_of_that_kind_is_not_read(text: str, reading: Reading) -> None:
    value = read(text, reading)

    if text == "5,000":
        assert value == 5
    else:
        assert value is None


def test_digits_of_other_alphabets_are_read_as_digits_or_not_at_all() -> None:
    for text in ("\u0667", "\u096d", "\u00b2"):  # Arabic and Devanagari seven, superscript two
        assert read(text, COUNT) in (None, 7)


# ---- judges -------------------------------------------------------------------------------------

BAG = BatchSet("BAG-1", "BAG", "bag", 7, ("autoclave",))


def judged(judge: str, value: float, batch: Batch | None = None, bag: BatchSet | None = BAG) -> str:
    return JUDGES[judge](value, batch or clean("autoclave"), bag, RULES)


@pytest.mark.parametrize(("count", "verdict"), [(0, "fewer"), (6, "fewer"), (7, "ok"), (8, "more")])
def test_a_count_is_right_only_if_it_is_exactly_right(count: float, verdict: str) -> None:
    assert judged("count", count) == verdict


def test_a_count_of_no_set_is_never_right() -> None:
    assert judged("count", 7, bag=None) == "fewer"


@pytest.mark.parametrize(
    ("percent", "verdict"),
    [(0.1, "weak"), (0.49, "weak"), (0.5, "ok"), (0.65, "ok"), (0.66, "strong"), (5, "harmful")],
)
def test_a_solution_is_never_too_weak_and_warned_of_above_1_3_times(
    percent: float, verdict: str
) -> None:
    """Never weaker than the target; warn above 1.3 times it (common practice, no source)."""
    assert judged("strength", percent) == verdict


@pytest.mark.parametrize(
    ("cycle", "judge", "value", "verdict"),
    [
        # Gravity, wrapped, 121 C: 30 min (CDC 2008, Table 7).
        ("w121", "minutes", 30, "ok"),
        ("w121", "minutes", 20, "short"),
        ("w121", "temperature", 121, "ok"),
        ("w121", "temperature", 120.9, "short"),
        ("w121", "temperature", (250 - 32) / 1.8, "ok"),
        # Gravity, unwrapped, 121 C: 20 min (Reference Manual, Appendix C).
        ("u121", "minutes", 20, "ok"),
        ("u121", "minutes", 19, "short"),
        # Pre-vacuum, wrapped, 132 C: 4 min (CDC 2008, Table 7).
        ("p132", "minutes", 4, "ok"),
        ("p132", "minutes", 3, "short"),
        ("p132", "temperature", (270 - 32) / 1.8, "ok"),
    ],
)
def test_an_autoclave_cycle_is_judged_by_its_own_row(
    cycle: str, judge: str, value: float, verdict: str
) -> None:
    batch = batch_of([(12, "cycle", "", {"cycle": cycle})])

    assert judged(judge, value, batch) == verdict


@pytest.mark.parametrize(
    ("altitude", "psi", "verdict"),
    [
        (0, 15, "ok"),
        (0, 14.5, "short"),
        (2000, 15, "short"),  # steam of 117.4 C only; 18.21 psi are needed (IAPWS-IF97)
        (2000, 18, "short"),
        (2000, 18.3, "ok"),
    ],
)
def test_thin_air_asks_more_of_the_gauge(altitude: float, psi: float, verdict: str) -> None:
    batch = replace(clean("autoclave"), altitude_m=altitude)

    assert judged("pressure", psi * 6.894757, batch) == verdict


def test_106_kpa_at_sea_level_are_enough() -> None:
    """What some handbooks print for 15 psi; saturated steam of 121.35 C (IAPWS-IF97)."""
    assert judged("pressure", 106, replace(clean("autoclave"), altitude_m=0)) == "ok"


@pytest.mark.parametrize("judge", ["temperature", "pressure", "minutes"])
def test_a_reading_of_no_cycle_is_never_enough(judge: str) -> None:
    assert judged(judge, 1000, batch_of([])) == "short"
    assert judged(judge, 1000, batch_of([(12, "cycle", "", {"cycle": "x9"})])) == "short"


def test_a_load_number_is_only_written_down() -> None:
    assert judged("load", 417) == "ok"


@pytest.mark.parametrize("stage", [s for s in REPROCESS.stages.values() if s.kind == "number"])
def test_every_number_that_the_graph_asks_for_can_be_sent(stage: object) -> None:
    reading = stage.reading  # type: ignore[attr-defined]

    for value in (reading.low, reading.high):
        assert read(f"{value:g}", reading) == value
