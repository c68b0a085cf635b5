"""Lethality of a temperature log, against the trade's numbers and numerical integration.

Each row ends with its source and how far that source was seen. P: published, and read. P2: read
in a second document that restates it. M: published, from memory. D: derived from the formula
that the row names; it guards against change and is no authority.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from flows import heat
from flows.heat import Sample, a0_seconds, f0_minutes

FORUM = "European hospital sterile-supply forum 2004, restating prEN ISO 15883: P2"
ANNEX_B = "ISO 15883-1, Annex B, formula P2, value D"
F0_FORMULA = "FDA 1976 definition quoted by a maker of sterilizers, formula P2, value D"
F0_WORKED = "worked example in a maker's technical note: P2"
IF97 = "IAPWS R7-97(2012) less the standard atmosphere: D"

PSI = 6.894757  # kPa in one psi
NAN, INF = float("nan"), float("inf")


def held(temp_c: float, seconds: float) -> list[Sample]:
    return [(0, temp_c), (seconds, temp_c)]


def steps(temps: list[float], seconds: float) -> list[Sample]:
    """Each temperature held for *seconds*, with a jump between."""
    return [
        sample
        for n, temp in enumerate(temps)
        for sample in ((n * seconds, temp), ((n + 1) * seconds, temp))
    ]


# ---- A0 and F0 --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("samples", "a0", "within", "source"),
    [
        (held(80, 600), 600, 1e-9, FORUM),
        (held(90, 60), 600, 1e-9, FORUM),
        (held(70, 6000), 600, 1e-9, FORUM),
        (held(80, 3000), 3000, 1e-9, ANNEX_B),
        (held(90, 300), 3000, 1e-9, ANNEX_B),
        (held(85, 190), 600.8, 0.051, ANNEX_B),
        (steps([60, 70, 80, 90, 90, 85], 60), 1455.7, 0.051, ANNEX_B),
        (held(95, 18.97), 600, 0.2, ANNEX_B),
    ],
)
def test_a0(samples: list[Sample], a0: float, within: float, source: str) -> None:
    assert a0_seconds(samples) == pytest.approx(a0, abs=within), source


@pytest.mark.parametrize(
    ("altitude_m", "a0", "within"),
    [(0, 119_000, 500), (2000, 25_700, 50), (3000, 11_900, 50), (4000, 5500, 50), (5500, 1720, 5)],
)
def test_twenty_minutes_of_boiling_at_altitude(altitude_m: float, a0: float, within: float) -> None:
    found = a0_seconds(held(heat.boiling_point_c(altitude_m), 1200))

    assert found == pytest.approx(a0, abs=within), ANNEX_B


@pytest.mark.parametrize(("minutes", "altitude_m"), [(20, 4785), (10, 3890)])
def test_how_high_boiling_is_worth_an_a0_of_3000(minutes: float, altitude_m: float) -> None:
    below, above = (
        a0_seconds(held(heat.boiling_point_c(altitude_m + metres), minutes * 60))
        for metres in (-10, 10)
    )

    assert below > 3000 > above, ANNEX_B


@pytest.mark.parametrize(
    ("temp_c", "minutes", "reference_c", "f0", "source"),
    [
        (121.1, 15, 121.1, 15.000, F0_FORMULA),
        (121.0, 15, 121.1, 14.659, F0_FORMULA),
        (111, 15, 121.0, 1.500, F0_WORKED),
        (124, 15, 121.0, 29.929, F0_FORMULA),
        (121, 30, 121.1, 29.317, F0_FORMULA),
        (132, 4, 121.1, 49.211, F0_FORMULA),
        (134, 3, 121.1, 58.495, F0_FORMULA),
        (115, 30, 121.1, 7.364, F0_FORMULA),
    ],
)
def test_f0(temp_c: float, minutes: float, reference_c: float, f0: float, source: str) -> None:
    found = f0_minutes(held(temp_c, minutes * 60), reference_c)

    assert found == pytest.approx(f0, abs=0.00051), source


@pytest.mark.parametrize(
    ("altitude_m", "f0"),
    [(0, 29.0), (1000, 19.1), (1500, 15.6), (2000, 12.8), (2400, 11.0), (3000, 8.8)],
)
def test_half_an_hour_at_15_psi_is_worth_less_higher_up(altitude_m: float, f0: float) -> None:
    temp_c = heat.steam_temp_c(15 * PSI, altitude_m)

    assert f0_minutes(held(temp_c, 1800)) == pytest.approx(f0, abs=0.051), IF97


def heating(seconds: float) -> float:
    """A load that warms up, holds and cools, in C: smooth, so that quadrature can be trusted."""
    return 25 + 97 * math.exp(-(((seconds - 1200) / 700) ** 4))


def every(step: int) -> list[Sample]:
    return [(float(t), heating(t)) for t in range(0, 2401, step)]


def test_f0_of_a_smooth_cycle_is_what_numerical_integration_finds() -> None:
    exact, error = quad(lambda t: 10 ** ((heating(t) - 121.1) / 10) / 60, 0, 2400, epsrel=1e-10)

    assert error < 1e-8
    assert f0_minutes(every(1)) == pytest.approx(exact, rel=1e-5)
    assert f0_minutes(every(10)) == pytest.approx(exact, rel=2e-3)


def test_a0_of_a_smooth_cycle_is_what_numerical_integration_finds() -> None:
    warm = 1200 - 700 * math.log(97 / (65 - 25)) ** 0.25  # when it passes 65 C
    exact, error = quad(lambda t: 10 ** ((heating(t) - 80) / 10), warm, 2400 - warm, epsrel=1e-10)

    assert error < 1e-3
    assert a0_seconds(every(1)) == pytest.approx(exact, rel=1e-5)


@pytest.mark.parametrize(("degrees", "most"), [(1, 0.005), (5, 0.11)])
def test_sparse_samples_of_a_ramp_read_high_and_by_how_much(degrees: int, most: float) -> None:
    """From 80 to 120 C in 400 s, against the integral of the exponential in closed form."""
    ramp = [(10.0 * t, 80.0 + t) for t in range(0, 41, degrees)]
    exact = 10 * (10**4 - 1) * 10 / math.log(10)

    excess = a0_seconds(ramp) / exact - 1

    assert 0 < excess < most


def test_below_65_degrees_nothing_counts_unless_told_otherwise() -> None:
    assert a0_seconds(held(64.99, 10_000)) == 0
    assert a0_seconds(held(65, 1000)) == pytest.approx(31.6, abs=0.051)
    assert a0_seconds(held(60, 1000), floor_c=55) == pytest.approx(10)


def test_z_is_the_degrees_that_make_ten_times_the_difference() -> None:
    assert a0_seconds(held(92, 60), z=12) == pytest.approx(600)
    assert f0_minutes(held(111.1, 600), z=5) == pytest.approx(0.1)


temperatures = st.floats(20, 140)
LOGS = st.lists(st.tuples(st.floats(0, 600), temperatures), min_size=2, max_size=12)


def in_time(gaps: list[tuple[float, float]]) -> list[Sample]:
    """Samples whose times are the running sum of the gaps."""
    at, samples = 0.0, []
    for gap, temp in gaps:
        at += gap
        samples.append((at, temp))
    return samples


@given(LOGS, st.data())
def test_two_parts_of_a_log_add_up_to_the_whole(
    gaps: list[tuple[float, float]], data: st.DataObject
) -> None:
    whole = in_time([*gaps, (10, 100)])
    cut = data.draw(st.integers(1, len(whole) - 2))
    first, second = whole[: cut + 1], whole[cut:]

    assert a0_seconds(first) + a0_seconds(second) == pytest.approx(a0_seconds(whole))
    assert f0_minutes(first) + f0_minutes(second) == pytest.approx(f0_minutes(whole))


@given(LOGS, st.floats(0.1, 20))
def test_a_hotter_log_is_worth_more(gaps: list[tuple[float, float]], more: float) -> None:
    cool = in_time([*gaps, (10, 100)])
    hot = [(at, temp + more) for at, temp in cool]

    assert a0_seconds(hot) > a0_seconds(cool)
    assert f0_minutes(hot) > f0_minutes(cool)


@given(LOGS)
def test_a_log_is_worth_no_more_than_its_hottest_moment_throughout(
    gaps: list[tuple[float, float]],
) -> None:
    log = in_time(gaps)
    lasted, hottest = log[-1][0] - log[0][0], max(temp for _, temp in log)

    assert 0 <= a0_seconds(log) <= lasted * 10 ** ((hottest - 80) / 10) * (1 + 1e-9)


@given(st.floats(65, 140), st.floats(65, 140), st.floats(1, 1000))
def test_between_two_samples_lies_the_mean_of_their_lethalities(
    one: float, other: float, seconds: float
) -> None:
    ends = a0_seconds(held(one, seconds)), a0_seconds(held(other, seconds))

    assert a0_seconds([(0, one), (seconds, other)]) == pytest.approx(sum(ends) / 2)


@pytest.mark.parametrize(
    ("samples", "sentence"),
    [
        ([], "two samples"),
        ([(0, 100)], "two samples"),
        ([(0, 100), (60, 100), (59, 100)], "backwards"),
        ([(0, 100), (NAN, 100)], "time of a sample"),
        ([(0, 100), (INF, 100)], "time of a sample"),
        ([(0, 100), (60, NAN)], "temperature of a sample"),
        ([(0, 100), (60, INF)], "temperature of a sample"),
        ([(0, 100), (60, 201)], "temperature of a sample"),
        ([(0, -51), (60, 100)], "temperature of a sample"),
    ],
)
def test_an_impossible_log_is_refused(samples: list[Sample], sentence: str) -> None:
    for worth in (a0_seconds, f0_minutes):
        with pytest.raises(ValueError, match=sentence) as refused:
            worth(samples)
        assert str(refused.value).endswith(".")


@pytest.mark.parametrize("z", [0, -10, NAN, INF])
def test_an_impossible_z_is_refused(z: float) -> None:
    with pytest.raises(ValueError, match="z must be"):
        a0_seconds(held(80, 60), z=z)
    with pytest.raises(ValueError, match="z must be"):
        f0_minutes(held(121, 60), z=z)


def test_an_impossible_floor_or_reference_is_refused() -> None:
    with pytest.raises(ValueError, match="floor"):
        a0_seconds(held(80, 60), floor_c=NAN)
    with pytest.raises(ValueError, match="reference"):
        f0_minutes(held(121, 60), reference_c=INF)


def test_heat_offers_steam_and_air_too() -> None:
    assert heat.saturation_temp_c(heat.saturation_pressure_kpa(121)) == pytest.approx(121)
    assert heat.steam_temp_c(heat.gauge_kpa(121, 2000), 2000) == pytest.approx(121)
    assert heat.boiling_point_c(0) == heat.saturation_temp_c(heat.atmosphere_kpa(0))
