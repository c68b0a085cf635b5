"""Steam and air against published tables, and against other people's code over the whole range.

Each row ends with its source and how far that source was seen. P: published, and read. P2: read
in a second document that restates it. M: published, from memory. D: derived from the formula
that the row names; it guards against change and is no authority.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95, IAPWS97

from flows import steam

IF97 = "IAPWS R7-97(2012), Tables 35 and 36, from files that cite it: P2"
IF97_MEMORY = "IAPWS R7-97(2012), Tables 35 and 36: M"
FROM_IF97 = "IAPWS R7-97(2012), region 4: D"
UNIVERSITY = "a university's steam table: P"
ATMOSPHERE = "standard atmosphere, formula P, values D"
HANDBOOK = "handbook table of the standard atmosphere, by geometric height: P"
GAUGE = "IAPWS R7-97(2012) less the standard atmosphere: D"
RULE = "handbook rule, +0.5 psi per 1000 ft: rule M, temperatures D"

TEMPERATURES = st.floats(0, 373.946)
ALTITUDES = st.floats(-2000, 11000)
KPA_PER_PSI = 6.894757

# ---- the saturation line ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kelvin", "mpa", "source"),
    [
        (300, 0.353658941e-2, IF97),
        (500, 0.263889776e1, IF97),
        (600, 0.123443146e2, IF97_MEMORY),
    ],
)
def test_pressures_of_the_release_are_met_to_its_nine_digits(
    kelvin: float, mpa: float, source: str
) -> None:
    found = steam.saturation_pressure_kpa(kelvin - 273.15) / 1000

    assert found == pytest.approx(mpa, rel=2e-9), source


@pytest.mark.parametrize(
    ("mpa", "kelvin", "source"),
    [
        (0.1, 0.372755919e3, IF97),
        (1, 0.453035632e3, IF97),
        (10, 0.584149488e3, IF97_MEMORY),
        (0.101325, 373.1243, FROM_IF97),
    ],
)
def test_temperatures_of_the_release_are_met_to_its_digits(
    mpa: float, kelvin: float, source: str
) -> None:
    found = steam.saturation_temp_c(mpa * 1000) + 273.15

    assert found == pytest.approx(kelvin, abs=6e-5 if source == FROM_IF97 else 6e-7), source


WORKING_POINTS = [
    (80, 47.41), (90, 70.18), (95, 84.61), (98, 94.39), (100, 101.42), (105, 120.90),
    (110, 143.38), (115, 169.18), (118, 186.40), (120, 198.67), (121, 205.04), (121.1, 205.69),
    (124, 225.17), (126, 239.46), (130, 270.26), (132, 286.82), (134, 304.20), (135, 313.20),
    (138, 341.51), (140, 361.50),
]  # fmt: skip


@pytest.mark.parametrize(
    ("temp_c", "kpa", "source"),
    [
        *((temp, kpa, FROM_IF97) for temp, kpa in WORKING_POINTS),
        (80, 47.41, UNIVERSITY),
        (90, 70.18, UNIVERSITY),
        (95, 84.61, UNIVERSITY),
        (121, 205.0390, FROM_IF97),
        ((270 - 32) / 1.8, 288.71, FROM_IF97),
    ],
)
def test_working_points(temp_c: float, kpa: float, source: str) -> None:
    assert steam.saturation_pressure_kpa(temp_c) == pytest.approx(kpa, abs=0.0051), source
    assert steam.saturation_temp_c(kpa) == pytest.approx(temp_c, abs=0.01), source


@pytest.mark.parametrize(
    ("kelvins", "rel"),
    [
        ([273.16, *range(274, 624)], 1e-9),
        # Nearer the critical point the other program takes its pressure from the density (region
        # 3), and the release itself lets the two equations differ a little there.
        ([*range(624, 648), 647.09], 1e-4),
    ],
)
def test_another_program_finds_the_same_line(kelvins: list[float], rel: float) -> None:
    for kelvin in kelvins:
        theirs = IAPWS97(T=kelvin, x=0).P * 1000
        assert steam.saturation_pressure_kpa(kelvin - 273.15) == pytest.approx(theirs, rel=rel)
        back = IAPWS97(P=theirs / 1000, x=0).T - 273.15
        assert steam.saturation_temp_c(theirs) == pytest.approx(back, abs=1e-6)


@pytest.mark.parametrize("temp_c", [1, 20, 50, 80, 100, 121, 134, 140, 200, 300, 370])
def test_the_scientific_formulation_of_1995_gives_the_same_steam(temp_c: float) -> None:
    """Another equation of state altogether (a Helmholtz energy); the release allows 0.025 %."""
    theirs = IAPWS95(T=temp_c + 273.15, x=0.5).P * 1000

    assert steam.saturation_pressure_kpa(temp_c) == pytest.approx(theirs, rel=2.5e-4)


@given(TEMPERATURES)
def test_temperature_to_pressure_and_back(temp_c: float) -> None:
    there = steam.saturation_pressure_kpa(temp_c)

    assert steam.saturation_temp_c(there) == pytest.approx(temp_c, abs=1e-6)


@given(st.floats(0.611213, 22064))
def test_pressure_to_temperature_and_back(kpa: float) -> None:
    there = steam.saturation_temp_c(kpa)

    assert steam.saturation_pressure_kpa(there) == pytest.approx(kpa, rel=1e-8)


@given(st.floats(0, 373.9), st.floats(1e-3, 50))
def test_hotter_steam_has_more_pressure(temp_c: float, more: float) -> None:
    hotter = min(temp_c + more, 373.946)

    assert steam.saturation_pressure_kpa(hotter) > steam.saturation_pressure_kpa(temp_c)


def test_air_in_the_chamber_takes_its_share_of_the_pressure() -> None:
    """At 205.04 kPa absolute the steam has what the air leaves it. IAPWS R7-97(2012): D."""
    by_air = {0: 121.0, 10: 117.7, 25: 112.1, 50: 100.3}

    found = {air: steam.saturation_temp_c(205.04 * (1 - air / 100)) for air in by_air}

    assert found == pytest.approx(by_air, abs=0.051)


# ---- the atmosphere ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("altitude_m", "pascal", "bar", "boiling_c"),
    [
        (0, 101325.0, 1.01325, 99.97),
        (500, 95460.8, 0.9546, 98.31),
        (1000, 89874.6, 0.8988, 96.65),
        (1500, 84556.0, 0.8456, 94.98),
        (2000, 79495.2, 0.7950, 93.32),
        (2500, 74682.5, 0.7469, 91.64),
        (3000, 70108.5, 0.7012, 89.97),
        (3500, 65764.1, 0.6578, 88.30),
        (4000, 61640.2, 0.6166, 86.62),
        (5000, 54019.9, 0.5405, 83.25),
        (5500, 50506.8, 0.5054, 81.57),
    ],
)
def test_air_and_boiling_water_at_altitude(
    altitude_m: float, pascal: float, bar: float, boiling_c: float
) -> None:
    kpa = steam.atmosphere_kpa(altitude_m)

    assert kpa * 1000 == pytest.approx(pascal, abs=0.051), ATMOSPHERE
    assert kpa / 100 == pytest.approx(bar, rel=1e-3), HANDBOOK
    assert steam.boiling_point_c(altitude_m) == pytest.approx(boiling_c, abs=0.0051), FROM_IF97


def test_the_atmosphere_solves_the_equation_of_still_air() -> None:
    """The closed formula against the differential equation it comes from, in steps of a metre."""
    gravity, gas = 9.80665, 287.05287  # m/s2, J/(kg K)
    log_kpa = math.log(101.325)
    for metre in range(11000):
        kelvin = 288.15 - 0.0065 * (metre + 0.5)
        log_kpa -= gravity / (gas * kelvin)
        if (metre + 1) % 1000 == 0:
            found = steam.atmosphere_kpa(metre + 1)
            assert found == pytest.approx(math.exp(log_kpa), rel=1e-6)


@given(st.floats(-2000, 10999), st.floats(0.01, 5000))
def test_higher_up_there_is_less_air_and_water_boils_colder(low: float, more: float) -> None:
    high = min(low + more, 11000)

    assert steam.atmosphere_kpa(high) < steam.atmosphere_kpa(low)
    assert steam.boiling_point_c(high) < steam.boiling_point_c(low)


# ---- gauges -----------------------------------------------------------------------------------

GAUGES = [
    # m, air kPa, 121 C kPa and psi, 132 C, 134 C, C at 15 psi
    (0, 101.325, (103.7, 15.04), (185.5, 26.90), (202.9, 29.42), 120.95),
    (1000, 89.87, (115.2, 16.70), (196.9, 28.56), (214.3, 31.09), 119.14),
    (1500, 84.56, (120.5, 17.47), (202.3, 29.34), (219.6, 31.86), 118.26),
    (2000, 79.50, (125.5, 18.21), (207.3, 30.07), (224.7, 32.59), 117.41),
    (2400, 75.63, (129.4, 18.77), (211.2, 30.63), (228.6, 33.15), 116.75),
    (3000, 70.11, (134.9, 19.57), (216.7, 31.43), (234.1, 33.95), 115.78),
    (4000, 61.64, (143.4, 20.80), (225.2, 32.66), (242.6, 35.18), 114.25),
]


@pytest.mark.parametrize("row", GAUGES, ids=lambda row: f"{row[0]} m")
def test_gauges_at_altitude(
    row: tuple[float, float, tuple[float, float], tuple[float, float], tuple[float, float], float],
) -> None:
    altitude_m, air, at_121, at_132, at_134, at_15_psi = row

    assert steam.atmosphere_kpa(altitude_m) == pytest.approx(air, abs=0.0051), ATMOSPHERE
    for temp_c, (kpa, psi) in ((121, at_121), (132, at_132), (134, at_134)):
        found = steam.gauge_kpa(temp_c, altitude_m)
        assert found == pytest.approx(kpa, abs=0.051), GAUGE
        assert steam.kpa_to_psi(found) == pytest.approx(psi, abs=0.0051), GAUGE
    reached = steam.steam_temp_c(15 * KPA_PER_PSI, altitude_m)
    assert reached == pytest.approx(at_15_psi, abs=0.0051), GAUGE


@pytest.mark.parametrize(
    ("altitude_m", "temp_c"), [(1000, 120.93), (2000, 121.08), (3000, 121.37), (4000, 121.81)]
)
def test_the_handbook_rule_for_altitude(altitude_m: float, temp_c: float) -> None:
    psi = 15 + 0.5 * altitude_m / 304.8

    found = steam.steam_temp_c(psi * KPA_PER_PSI, altitude_m)

    assert found == pytest.approx(temp_c, abs=0.0051), RULE


def test_106_kpa_at_sea_level_is_a_little_more_than_121() -> None:
    assert steam.steam_temp_c(106, 0) == pytest.approx(121.35, abs=0.0051), GAUGE


@given(st.floats(60, 200), ALTITUDES)
def test_temperature_to_gauge_and_back(temp_c: float, altitude_m: float) -> None:
    gauge = steam.gauge_kpa(temp_c, altitude_m)

    assert steam.steam_temp_c(gauge, altitude_m) == pytest.approx(temp_c, abs=1e-6)


@given(st.floats(60, 200), st.floats(-2000, 10999), st.floats(0.01, 5000))
def test_the_same_steam_shows_more_on_a_gauge_higher_up(
    temp_c: float, low: float, more: float
) -> None:
    high = min(low + more, 11000)

    assert steam.gauge_kpa(temp_c, high) > steam.gauge_kpa(temp_c, low)


@given(st.floats(0, 300), st.floats(-2000, 10999), st.floats(0.01, 5000))
def test_the_same_gauge_is_colder_steam_higher_up(kpa: float, low: float, more: float) -> None:
    high = min(low + more, 11000)

    assert steam.steam_temp_c(kpa, high) < steam.steam_temp_c(kpa, low)


def test_a_gauge_over_water_that_does_not_boil_shows_a_vacuum() -> None:
    assert steam.gauge_kpa(90, 0) == pytest.approx(70.18 - 101.325, abs=0.0051)
    assert steam.gauge_kpa(steam.boiling_point_c(2000), 2000) == pytest.approx(0, abs=1e-6)


# ---- what is refused --------------------------------------------------------------------------

NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize(
    ("function", "arguments", "sentence"),
    [
        (steam.saturation_pressure_kpa, [(-0.01,), (373.95,), (NAN,), (INF,)], "temperature"),
        (steam.saturation_temp_c, [(0.61,), (22065,), (0,), (-5,), (NAN,), (INF,)], "pressure"),
        (steam.atmosphere_kpa, [(-2001,), (11001,), (NAN,), (INF,), (-INF,)], "altitude"),
        (steam.boiling_point_c, [(12000,), (NAN,)], "altitude"),
        (steam.gauge_kpa, [(121, 12000), (121, NAN)], "altitude"),
        (steam.gauge_kpa, [(400, 0), (NAN, 0)], "temperature"),
        (steam.steam_temp_c, [(-101.325, 0), (-90, 3000), (NAN, 0), (22000, 0)], "pressure"),
        (steam.steam_temp_c, [(100, 12000)], "altitude"),
        (steam.psi_to_kpa, [(NAN,), (INF,)], "pressure"),
        (steam.kpa_to_psi, [(NAN,)], "pressure"),
        (steam.bar_to_kpa, [(NAN,)], "pressure"),
        (steam.kpa_to_bar, [(INF,)], "pressure"),
        (steam.f_to_c, [(NAN,)], "temperature"),
        (steam.f_to_c, [(-460,)], "colder"),
        (steam.c_to_f, [(-274,)], "colder"),
    ],
)
def test_the_impossible_is_refused_in_a_sentence(
    function: Callable[..., float], arguments: list[tuple[float, ...]], sentence: str
) -> None:
    for given_ in arguments:
        with pytest.raises(ValueError, match=sentence) as refused:
            function(*given_)
        assert str(refused.value).endswith(".")
