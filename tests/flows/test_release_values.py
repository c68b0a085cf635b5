"""Release: times, vinegar, methods, counts and readings of a batch."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from flows.batch import METHODS, Batch, BatchSet, Entry, Method
from flows.release import (
    exposed_seconds,
    findings,
    gas_risk,
)
from tests.flows.logs import (
    RULES,
    START,
    Line,
    at,
    batch_of,
    clean,
    later,
    lines,
    more,
    vinegar,
    with_facts,
)


def codes(batch: Batch) -> list[tuple[str, str]]:
    """The findings, as (code, mark)."""
    return [(f.code, f.mark) for f in findings(batch, RULES)]


# ---- exposure -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("minutes", "enough"), [(17, False), (19.99, False), (20, True),
                                                 (41, True)])  # fmt: skip
def test_a_soak_of_20_minutes(minutes: float, enough: bool) -> None:
    """In at 10:00: out at 10:17 is refused, at 10:20 accepted, at 10:41 accepted with a warning.

    Reference Manual, Appendix C, Table C-1 (IARC): 20 min. The warning is bot.progress.too_long.
    """
    answers = [a for a in lines("chlorine") if a[0] <= 14]
    rest = [a for a in lines("chlorine") if a[0] > 34]
    out: Line = (14 + minutes, "exposed", "", {})
    batch = batch_of([*answers, out, *later(rest, minutes)])

    assert (codes(batch) == []) is enough
    assert (codes(batch) == [("too_short", "exposure_started")]) is not enough


@pytest.mark.parametrize("method", METHODS)
def test_every_exposure_is_measured(method: Method) -> None:
    assert ("too_short", "exposure_started") in codes(at(method, "exposed", 33.9))


def test_something_added_to_the_pot_starts_the_twenty_minutes_again() -> None:
    """Boiling from 10:00, added to at 10:08: not before 10:28 (restart: common practice)."""
    head = [a for a in lines("boiling") if a[0] <= 14]
    tail = later([a for a in lines("boiling") if a[0] > 34], 10)
    for out, enough in ((35.0, False), (41.9, False), (42.0, True)):
        batch = more(batch_of(head), "interrupted", mark="exposure_started")
        again: list[Line] = [(22.0, "exposure_started", "", {}), (out, "exposed", "", {}), *tail]
        for entry in batch_of(again).log[1:]:
            batch = batch.with_entry(replace(entry, n=len(batch.log)))

        assert (findings(batch, RULES) == []) is enough


def test_the_minutes_of_a_too_short_exposure_are_told() -> None:
    [found] = findings(at("boiling", "exposed", 31), RULES)

    assert found.values == {"lasted": 17, "need": 20}


def seen(n: int, minutes: float, tick: tuple[str, float] | None) -> Entry:
    return Entry(n, START + timedelta(minutes=minutes), "answered", tick=tick)


@pytest.mark.parametrize(
    ("start", "end", "seconds"),
    [
        (None, None, 1200),
        (("a", 0.0), ("a", 1200.0), 1200),  # both clocks agree
        (("a", 0.0), ("a", 60.0), 60),  # somebody set the wall clock forward
        (("a", 0.0), ("b", 60.0), 1200),  # the server restarted between: only the wall is left
        (("a", 0.0), None, 1200),
        (("a", 0.0), ("a", 3600.0), 1200),  # the wall says less, and the lesser counts
        (("a", 0.0), ("a", 1196.0), 1200),  # within the slack of two clocks
    ],
)
def test_the_clock_that_says_less_counts(
    start: tuple[str, float] | None, end: tuple[str, float] | None, seconds: float
) -> None:
    assert exposed_seconds(seen(1, 0, start), seen(2, 20, end)) == seconds


def test_a_hastened_batch_needs_the_hastened_time_only() -> None:
    batch = at("chlorine", "exposed", 15)

    assert ("too_short", "exposure_started") in codes(batch)
    assert codes(replace(batch, hasten=20)) == []


# ---- vinegar and chlorine -----------------------------------------------------------------------


def test_vinegar_that_was_rinsed_off_is_no_fault() -> None:
    answers = sorted(lines("chlorine") + vinegar(), key=lambda a: a[0])

    assert findings(batch_of(answers), RULES) == []
    assert not gas_risk(batch_of(answers).log)


def test_vinegar_without_a_rinse_is_a_gas_risk() -> None:
    answers = sorted(lines("chlorine") + vinegar()[:2], key=lambda a: a[0])

    assert gas_risk(batch_of(answers).log)
    assert ("vinegar_not_rinsed", "vinegar_rinsed") in codes(batch_of(answers))


def test_vinegar_whose_answer_was_taken_back_is_a_risk_all_the_same() -> None:
    batch = batch_of(vinegar()[:1])

    assert gas_risk(more(batch, "taken_back", voids=1).log)


def test_a_rinse_whose_answer_was_taken_back_does_not_count() -> None:
    batch = batch_of(vinegar())
    assert not gas_risk(batch.log)

    assert gas_risk(more(batch, "taken_back", voids=3).log)


def test_a_rinse_after_the_chlorine_comes_too_late() -> None:
    answers = [*lines("chlorine")]
    late: list[Line] = [(13.2, "vinegar_started", "", {}), (34.5, "vinegar_rinsed", "", {})]
    batch = batch_of(sorted([*answers, *late], key=lambda a: a[0]))

    assert ("vinegar_not_rinsed", "soak_dry") in codes(batch)


# ---- method -------------------------------------------------------------------------------------


def test_a_method_that_one_sets_maker_does_not_allow() -> None:
    batch = clean("boiling")
    only = BatchSet("SUC-1", "SUC", "suction", 3, ("chlorine",))

    [found] = findings(replace(batch, sets=(batch.sets[0], only)), RULES)

    assert (found.code, found.mark, found.set_id) == ("method_not_allowed", "method", "SUC-1")


def test_a_method_that_the_facility_does_not_have() -> None:
    assert codes(clean("boiling", facility_methods=("chlorine",))) == [
        ("method_not_here", "method")
    ]


def test_a_method_that_does_not_exist() -> None:
    batch = with_facts("boiling", "method", {"method": "sun"})

    assert ("unknown_method", "method") in codes(batch)


@pytest.mark.parametrize(("altitude", "found"), [(5500, []), (5600, [("too_high", "method")])])
def test_boiling_above_5500_m(altitude: float, found: list[tuple[str, str]]) -> None:
    """Reference Manual, Appendix C (Favero 1985 cited there)."""
    assert codes(clean("boiling", altitude_m=altitude)) == found


# ---- counts, solution, cycle --------------------------------------------------------------------


@pytest.mark.parametrize("value", [0, 6, 8, "7", True])
def test_a_count_other_than_the_pieces_of_the_set(value: int) -> None:
    batch = with_facts("boiling", "counted", {"value": value}, "BAG-1")

    assert codes(batch) == [("count_wrong", "counted")]


@pytest.mark.parametrize("value", [0.49, 0.05, "0.5"])
def test_a_weak_solution(value: float) -> None:
    assert codes(with_facts("chlorine", "solution_strength", {"value": value})) == [
        ("solution_weak", "solution_fresh")
    ]


def test_a_solution_whose_strength_nobody_sent() -> None:
    batch = clean()
    log = tuple(replace(e, facts={}) if e.mark == "solution_strength" else e for e in batch.log)

    assert codes(replace(batch, log=log)) == [("solution_weak", "solution_fresh")]


def test_a_solution_that_stood_more_than_24_hours_before_the_soak() -> None:
    """South African primary-care guideline: 24 h; EngenderHealth module 4: daily."""
    for minutes, found in ((24 * 60, []), (24 * 60 + 1, [("solution_old", "solution_fresh")])):
        made = [a for a in lines("chlorine") if a[0] <= 13]
        rest = [a for a in lines("chlorine") if a[0] > 13]
        assert codes(batch_of([*made, *later(rest, minutes - 2)])) == found


@pytest.mark.parametrize(
    ("mark", "value"),
    [
        ("read_temperature", 120.9),
        ("read_minutes", 20),  # gravity, wrapped, 121 C: 30 min (CDC 2008, Table 7)
        ("read_pressure", 15 * 6.894757),  # at 2000 m 18.21 psi are needed (IAPWS-IF97)
        ("read_pressure", "126"),
    ],
)
def test_an_autoclave_cycle_that_was_too_weak(mark: str, value: float) -> None:
    assert codes(with_facts("autoclave", mark, {"value": value})) == [
        ("cycle_short", "exposure_started")
    ]


def test_15_psi_are_enough_at_sea_level() -> None:
    batch = with_facts("autoclave", "read_pressure", {"value": 15 * 6.894757})

    assert codes(replace(batch, altitude_m=0)) == []


@pytest.mark.parametrize("cycle", ["p132", "x9", ""])
def test_a_cycle_of_another_machine_or_of_none(cycle: str) -> None:
    batch = with_facts("autoclave", "cycle", {"cycle": cycle})

    assert "unknown_cycle" in dict(codes(batch))


# ---- heat and pressure that cannot both be right ------------------------------------------------


@pytest.mark.parametrize(
    ("celsius", "kpa", "agree"),
    [
        # 205.04 kPa absolute is 121 C in pure steam (IAPWS-IF97); a tenth of air costs 3.3 C, a
        # quarter 8.9 C (Dalton's law on the same table). Air at 2000 m: 79.50 kPa (ISO 2533).
        (121, 205.04 - 79.50, True),
        (121, 239.46 - 79.50, False),  # the gauge says 126 C: air in the chamber
        (130, 205.04 - 79.50, False),  # hotter than its steam: one of the two is wrong
        (122, 205.04 - 79.50, True),  # as near as gauges are read
    ],
)
def test_heat_and_pressure_of_a_cycle_must_agree(celsius: float, kpa: float, agree: bool) -> None:
    answers = [
        (n, m, s, {"value": celsius if m == "read_temperature" else kpa})
        if m in ("read_temperature", "read_pressure")
        else (n, m, s, f)
        for n, m, s, f in lines("autoclave")
    ]

    found = codes(batch_of(answers))  # type: ignore[arg-type]

    assert found == ([] if agree else [("cycle_contradicts", "exposure_started")])


def test_at_2000_m_the_gauge_must_show_eighteen_psi() -> None:
    """18.21 psi where 15.04 psi do at the sea: IAPWS-IF97 and ISO 2533; 15 psi gives 117.4 C."""
    cycle = RULES.cycle("w121")
    assert cycle

    needed = RULES.gauge_kpa(cycle, 2000) / 6.894757

    # The table's row is the handbook's 103 kPa, a tenth of a psi under saturated steam at 121 C.
    assert needed == pytest.approx(18.21, abs=0.15)
