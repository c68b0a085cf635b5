"""Which rows of an autoclave's table may stand in a protocol: those that kill enough."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS97

from flows import protocol as module
from flows.protocol import Protocol, ProtocolError, load, parse

FOLDER = Path(module.__file__).parent / "protocols"
TEXT = (FOLDER / "default.toml").read_text(encoding="utf-8")
LBM = "Laboratory Biosafety Manual, 3rd ed., WHO 2004"  # from memory: solids in a gravity machine
CDC = "Guideline for Disinfection and Sterilization, CDC 2008, Table 7"


def with_row(
    celsius: float, minutes: float, source: str = "a test", gauge_kpa: float = 250
) -> Protocol:
    """The default protocol and one more row; a gauge of 250 kPa is enough for any of them."""
    return parse(
        f"{TEXT}\n[[autoclave.cycles]]\n"
        'id = "x1"\nmachine = "gravity"\nload = "wrapped"\n'
        f'celsius = {celsius!r}\ngauge_kpa = {gauge_kpa}\n'
        f'minutes = {minutes!r}\nsource = "{source}"\n'
    )


def f0(celsius: float, minutes: float) -> float:
    """F0 of a plateau by its definition: minutes at 121.1 C, ten times as fast for each 10 C."""
    return minutes * math.pow(10, (celsius - 121.1) / 10)


@pytest.mark.parametrize(
    ("celsius", "minutes", "source"),
    [
        (134, 3, LBM),
        (126, 10, LBM),
        (121, 15, LBM),
        (121, 20, "Reference Manual, Appendix C"),
        (121, 30, CDC),
        (132, 15, CDC),
        (132, 4, CDC),
        (115, 60, "worked out: 60 min are F0 14.73, just over the 14.66 of 15 min at 121 C"),
    ],
)
def test_the_rows_of_the_handbooks_may_stand(celsius: float, minutes: float, source: str) -> None:
    row = with_row(celsius, minutes, source).cycle("x1")

    assert row is not None
    assert (row.celsius, row.minutes) == (celsius, minutes)


@pytest.mark.parametrize(
    ("celsius", "minutes", "reached"),
    [
        (115, 3, "0.7"),
        (115, 25, "6.1"),  # the biosafety manual's own row, from memory: under half of its 121 C
        (115, 59, "14.5"),
        (121, 3, "2.9"),
        (121, 14, "13.7"),
        (120, 15, "11.6"),
        (125, 5, "12.3"),
    ],
)
def test_a_row_that_kills_too_little_is_refused_whatever_its_source(
    celsius: float, minutes: float, reached: str
) -> None:
    """Worked out from the definition of F0; 15 min at 121 C are 14.66."""
    with pytest.raises(ProtocolError) as refused:
        with_row(celsius, minutes, LBM)

    assert str(refused.value) == (
        f"autoclave cycle x1: {celsius} C for {minutes} min is F0 {reached};"
        " it must be 14.7, as 15 min at 121 C"
    )
    assert f"{f0(celsius, minutes):.1f}" == reached


@given(st.floats(115, 138), st.floats(3, 120))
def test_a_row_stands_if_and_only_if_it_kills_as_much_as_15_min_at_121_c(
    celsius: float, minutes: float
) -> None:
    reached, floor = f0(celsius, minutes), f0(121, 15)
    if reached > floor * 1.000001:
        assert with_row(celsius, minutes).cycle("x1") is not None
    elif reached < floor * 0.999999:
        with pytest.raises(ProtocolError, match=r"cycle x1: .* F0"):
            with_row(celsius, minutes)


@given(st.floats(115, 138), st.floats(3, 120), st.floats(0, 23), st.floats(0, 117))
def test_hotter_or_longer_is_never_refused_where_less_is_taken(
    celsius: float, minutes: float, hotter: float, longer: float
) -> None:
    try:
        with_row(celsius, minutes)
    except ProtocolError:
        return

    assert with_row(min(celsius + hotter, 138), min(minutes + longer, 120)).cycle("x1") is not None


# ---- the gauge beside the temperature -----------------------------------------------------------


@pytest.mark.parametrize(
    ("celsius", "kpa"),
    [
        (121, 103),  # printed so in handbooks: 15 lb/in2, 120.9 C
        (121, 106),  # Reference Manual, Appendix C, as printed
        (132, 185),
        (134, 203),
    ],
)
def test_a_gauge_of_saturated_steam_may_stand(celsius: float, kpa: float) -> None:
    """IAPWS-IF97 at sea level: 103.7, 185.5 and 202.9 kPa; handbooks round."""
    assert with_row(celsius, 30, gauge_kpa=kpa).cycle("x1") is not None


@pytest.mark.parametrize(
    ("celsius", "kpa"),
    [
        (121, 98),  # 14.2 psi: 119.5 C
        (132, 103),  # the gauge of another row
        (134, 185),
        (138, 203),
    ],
)
def test_a_gauge_that_asks_for_colder_steam_than_the_row_is_refused(
    celsius: float, kpa: float
) -> None:
    with pytest.raises(ProtocolError, match="cycle x1 contradicts itself"):
        with_row(celsius, 30, gauge_kpa=kpa)


@pytest.mark.parametrize("kpa", [59, 301, 1850, math.inf])
def test_a_gauge_that_no_autoclave_shows_is_refused(kpa: float) -> None:
    with pytest.raises(ProtocolError, match="cycle x1 lies outside what autoclaves do"):
        with_row(121, 30, gauge_kpa=kpa)


@given(st.floats(119, 138), st.floats(60, 300))
def test_no_row_stands_whose_gauge_is_a_degree_too_cold(celsius: float, kpa: float) -> None:
    """The saturation line of another program, the iapws package."""
    theirs = IAPWS97(P=(kpa + 101.325) / 1000, x=0).T - 273.15
    if theirs < celsius - 0.51:
        with pytest.raises(ProtocolError, match="contradicts itself"):
            with_row(celsius, 30, gauge_kpa=kpa)
    elif theirs > celsius - 0.49:
        assert with_row(celsius, 30, gauge_kpa=kpa).cycle("x1") is not None


# ---- what is shipped ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["default", "boiled-water", "immersion"])
def test_the_built_in_rows_kill_more_than_12_decades_of_common_spores(name: str) -> None:
    """A million spores to one in a million, a tenth left after each minute at 121.1 C."""
    for row in load(FOLDER / f"{name}.toml").cycles:
        assert f0(row.celsius, row.minutes) > 12
