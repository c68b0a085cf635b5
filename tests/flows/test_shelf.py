"""What a shelf leaves of bleach: the printed figures, and the same decay integrated."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from flows.shelf import UNKNOWN, Left, Outside, ionic_strength, left, molar, rate
from tests.flows.published import EXACT, Flag

EQUATION = "Adam and Gordon, Inorganic Chemistry 1999, 38, 1299: the equation, worked out"
POOL = "Pool-chemistry table for 12.5 % bleach, itself a fitted model"
TEST_AFTER_DAYS = 90  # common practice, no source
TEST_ABOVE_CELSIUS = 30  # common practice, no source
DAY = 86_400


def kept(percent: float, days: float, celsius: float, *, dark: bool = True) -> Left:
    return left(
        percent,
        days,
        celsius,
        test_after_days=TEST_AFTER_DAYS,
        test_above_celsius=TEST_ABOVE_CELSIUS,
        dark=dark,
    )


def both(percent: float, days: float, celsius: float) -> tuple[float, float]:
    """The figure to show and the other, which must be known."""
    found = kept(percent, days, celsius)
    assert found.shown_percent != UNKNOWN
    assert found.optimistic_percent != UNKNOWN
    return found.shown_percent, found.optimistic_percent


class Rate(NamedTuple):
    celsius: float
    salt: float
    printed: float
    flag: Flag
    source: str


RATES = (
    Rate(25, 0, 1.0143e-8, "derived", EQUATION),
    Rate(25, 1, 1.4295e-8, "derived", EQUATION),
    Rate(25, 2, 2.0146e-8, "derived", EQUATION),
    Rate(25, 3, 2.8391e-8, "derived", EQUATION),
    Rate(25, 4, 4.0011e-8, "derived", EQUATION),
)


@pytest.mark.parametrize("row", RATES, ids=str)
def test_rate(row: Rate) -> None:
    assert rate(row.celsius, row.salt) == pytest.approx(row.printed, rel=5e-5)


@pytest.mark.parametrize(("celsius", "times"), [(30, 2.002), (35, 3.918)])
def test_rate_with_warmth(celsius: float, times: float) -> None:
    """Derived from the same equation, whose last digit turns on how many digits R is given."""
    assert rate(celsius, 2) / rate(25, 2) == pytest.approx(times, abs=1e-3)


def test_activation_energy_of_other_workers() -> None:
    """Published: Canadian Journal of Chemistry 1956, v56-068 (abstract): 24.8 kcal/mol."""
    hot, cold = 313.15, 298.15
    slope = np.log(rate(40, 2) / rate(25, 2)) / (1 / cold - 1 / hot)
    assert slope * 8.314 / 4184 == pytest.approx(24.8, rel=0.01)


class Kept(NamedTuple):
    percent: float
    celsius: float
    days: float
    optimistic: float
    shown: float
    flag: Flag
    source: str


KEPT = (
    Kept(5, 25, 180, 4.21, 3.21, "derived", EQUATION),
    Kept(5, 30, 180, 3.64, 2.36, "derived", EQUATION),
    Kept(5, 35, 180, 2.89, 1.57, "derived", EQUATION),
    Kept(10, 30, 90, 6.23, 3.55, "derived", EQUATION),
)


@pytest.mark.parametrize("row", KEPT, ids=str)
def test_kept(row: Kept) -> None:
    shown, optimistic = both(row.percent, row.days, row.celsius)
    assert shown == pytest.approx(row.shown, abs=0.006)
    assert optimistic == pytest.approx(row.optimistic, abs=0.006)


HALVES = (
    (5, 25, 964), (10, 25, 297), (12.5, 25, 187), (15, 25, 122),
    (5, 35, 246), (10, 35, 76), (12.5, 35, 48), (15, 35, 31),
)  # fmt: skip


@pytest.mark.parametrize(("percent", "celsius", "days"), HALVES)
def test_half_life(percent: float, celsius: float, days: float) -> None:
    """Derived from the equation, in whole days: half is left of the optimistic figure."""
    assert both(percent, days - 1, celsius)[1] > percent / 2 > both(percent, days + 1, celsius)[1]


FAHRENHEIT = ((70, 30, 11.11, 11.44), (80, 30, 9.93, 10.39), (95, 30, 7.51, 7.67))


@pytest.mark.parametrize(
    ("fahrenheit", "days", "theirs", "ours"), [*FAHRENHEIT, (80, 180, 5.95, 5.63)]
)
def test_another_model(fahrenheit: float, days: float, theirs: float, ours: float) -> None:
    """Second-hand: theirs, a fitted model of 12.5 % bleach. Derived: ours, at one OCl- a turn."""
    shown, optimistic = both(12.5, days, (fahrenheit - 32) / 1.8)
    assert optimistic == pytest.approx(ours, abs=0.006)
    assert optimistic == pytest.approx(theirs, rel=0.055)
    assert shown < theirs


def test_two_years_at_24_degrees() -> None:
    """Published, HSDB: less than half is left at 24 C. Derived: 60 % and 34 % by the equation."""
    shown, optimistic = both(5, 2 * 365, 24)
    assert shown / 5 < 0.5
    assert shown / 5 == pytest.approx(0.34, abs=0.006)
    assert optimistic / 5 == pytest.approx(0.60, abs=0.006)


def test_stronger_bleach_fades_faster() -> None:
    """Published, HSDB: 100 000 ppm fade faster than 50 000."""
    assert both(10, 60, 25)[0] / 10 < both(5, 60, 25)[0] / 5


def test_salt_of_five_and_ten_percent() -> None:
    """Derived: 0.705 and 1.410 M; common practice: as much salt as hypochlorite, 0.1 M of lye."""
    assert (molar(5), molar(10)) == pytest.approx((0.705, 1.410), abs=5e-4)
    found = (ionic_strength(molar(5)), ionic_strength(molar(10)))
    assert found == pytest.approx((1.51, 2.92), abs=0.005)


# ---- the same, integrated

CASES = [(5, 25, 180), (5, 35, 365), (10, 30, 90), (12.5, 20, 400), (15, 50, 60), (20, 16, 700)]


@pytest.mark.parametrize(("percent", "celsius", "days"), CASES)
@pytest.mark.parametrize("gone", [1, 3])
def test_against_a_numerical_integration(
    percent: float, celsius: float, days: float, gone: int
) -> None:
    """dC/dt = -m k2 C^2, with k2 written out once more."""
    mol, kelvin = percent * 10 / 70.906, celsius + 273.15
    logarithm = 0.149 * (2 * mol + 0.1) + np.log10(2.083e10 * kelvin)
    logarithm += (-1.018e5 / kelvin - 56.5) / 8.314 / np.log(10)
    k2 = 10**logarithm
    run = solve_ivp(
        lambda _, c: -gone * k2 * c**2,
        (0, days * DAY),
        [mol],
        method="LSODA",
        rtol=1e-10,
        atol=1e-13,
    )
    assert run.success
    found = both(percent, days, celsius)[0 if gone == 3 else 1]
    assert found == pytest.approx(run.y[0, -1] * 70.906 / 10, rel=1e-6)


@pytest.mark.parametrize(("percent", "celsius", "days"), CASES)
def test_the_lower_figure_is_the_two_step_mechanism(
    percent: float, celsius: float, days: float
) -> None:
    """Two OCl- make a chlorite (k2), a third makes it chlorate, a hundred times as fast.

    Published, Canadian Journal of Chemistry 1956, v56-068 (abstract): the mechanism, and that
    about 1 % as much chlorite as hypochlorite is there (at 40 C), so the second step is about a
    hundred times the first.
    """
    mol = molar(percent)
    slow = rate(celsius, ionic_strength(mol))

    def change(_: float, c: np.ndarray) -> list[float]:
        made, used = slow * c[0] ** 2, 100 * slow * c[0] * c[1]
        return [-2 * made - used, made - used]

    run = solve_ivp(change, (0, days * DAY), [mol, 0], method="Radau", rtol=1e-9, atol=1e-13)
    assert run.success
    assert both(percent, days, celsius)[0] == pytest.approx(run.y[0, -1] * 70.906 / 10, rel=0.02)


# ---- outside of what was measured


@pytest.mark.parametrize(
    ("percent", "celsius", "dark", "outside"),
    [
        (4.96, 25, True, ("strength",)),  # 0.6995 M
        (3.5, 25, True, ("strength",)),
        (3.1, 25, True, ("strength", "ionic strength")),  # 0.437 M, ionic strength 0.97
        (0.5, 25, True, ("strength", "ionic strength")),
        (21.3, 25, True, ("strength", "ionic strength")),  # 3.004 M, ionic strength 6.11
        (21, 25, True, ("ionic strength",)),  # 2.96 M, ionic strength 6.02
        (1e300, 25, True, ("strength", "ionic strength")),
        (5, 14.9, True, ("temperature",)),
        (5, 55.1, True, ("temperature",)),
        (5, -10, True, ("temperature",)),
        (5, 25, False, ("light",)),
        (3, 60, False, ("strength", "temperature", "ionic strength", "light")),
    ],
)
def test_outside_of_the_measurements_it_is_unknown(
    percent: float, celsius: float, dark: bool, outside: tuple[Outside, ...]
) -> None:
    found = kept(percent, 30, celsius, dark=dark)
    assert found == Left(UNKNOWN, UNKNOWN, outside, ("test_or_replace",))


@pytest.mark.parametrize(("percent", "celsius"), [(4.97, 15), (4.97, 55), (20.9, 15), (20.9, 55)])
def test_the_corners_of_the_measurements_are_known(percent: float, celsius: float) -> None:
    shown, optimistic = both(percent, 30, celsius)
    assert 0 < shown < optimistic < percent


@pytest.mark.parametrize(
    ("days", "celsius", "wants_test"),
    [(0, 25, False), (90, 30, False), (91, 25, True), (10, 31, True)],
)
def test_old_or_warm_bleach_wants_a_test(days: float, celsius: float, wants_test: bool) -> None:
    cautions = kept(5, days, celsius).cautions
    assert ("test_or_replace" in cautions) == wants_test
    assert "at_most" in cautions


@pytest.mark.parametrize(
    ("percent", "days", "celsius"),
    [
        (0.0, 1, 25), (-5.0, 1, 25), (float("nan"), 1, 25), (float("inf"), 1, 25),
        (5.0, -1, 25), (5.0, float("nan"), 25), (5.0, float("inf"), 25),
        (5.0, 1, float("nan")), (5.0, 1, float("inf")), (5.0, 1, -273.15), (5.0, 1, -300),
    ],
)  # fmt: skip
def test_numbers_that_cannot_be_are_refused(percent: float, days: float, celsius: float) -> None:
    with pytest.raises(ValueError, match=r"above zero|from zero up|warm"):
        kept(percent, days, celsius)


@pytest.mark.parametrize("salt", [-0.1, 101, float("nan"), float("inf")])
def test_salt_that_cannot_be_is_refused(salt: float) -> None:
    with pytest.raises(ValueError, match="ionic strength"):
        rate(25, salt)


# ---- what holds everywhere within

PERCENTS, DEGREES, DAYS = st.floats(4.97, 20), st.floats(15, 55), st.floats(0, 3650)


@given(PERCENTS, DAYS, DEGREES)
def test_never_stronger_than_the_label_and_the_lower_is_shown(
    percent: float, days: float, celsius: float
) -> None:
    shown, optimistic = both(percent, days, celsius)
    assert 0 < shown <= optimistic <= percent


@given(PERCENTS, DAYS, DAYS, DEGREES, DEGREES)
def test_longer_and_warmer_leave_less(
    percent: float, one: float, other: float, cool: float, warm: float
) -> None:
    (short, long), (cool, warm) = sorted((one, other)), sorted((cool, warm))
    assert both(percent, long, warm)[0] <= both(percent, short, cool)[0]


@given(PERCENTS, DEGREES)
def test_nothing_is_lost_in_no_time(percent: float, celsius: float) -> None:
    assert both(percent, 0, celsius) == pytest.approx((percent, percent), rel=EXACT)
