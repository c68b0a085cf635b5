"""Intervals, quantiles and funnels against printed numbers and against SciPy and statsmodels.

P: published, and read. P2: read in a second document. M: published, from memory. D: derived from
the formula; it guards against change and is no authority.
"""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest
from statsmodels.stats.proportion import proportion_confint

from flows.binomial import MOST_CASES, binomial_quantile
from flows.statistics import (
    ALARM_LEVEL,
    ALERT_LEVEL,
    funnel_curve,
    funnel_limits,
    funnel_place,
    wilson_interval,
)

NAN = float("nan")
CASES = st.integers(1, 2000)
CHANCES = st.floats(0, 1)
INSIDE = st.floats(0.001, 0.999)

NEWCOMBE = "Newcombe, Stat Med 1998;17:857, Table I, method 3: M"
FORMULA = "Wilson's formula: D"
SPIEGELHALTER = "Spiegelhalter, Stat Med 2005;24:1185: formula P, values D"


def share_of(n: int, portion: float) -> int:
    """A count from 0 to *n*."""
    return round(n * portion)


# ---- Wilson -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("k", "n", "low", "high", "source"),
    [
        (81, 263, 0.2553, 0.3662, NEWCOMBE),
        (15, 148, 0.0624, 0.1605, NEWCOMBE),
        (0, 20, 0.0000, 0.1611, NEWCOMBE),
        (1, 29, 0.0061, 0.1718, NEWCOMBE),
        (0, 10, 0.0000, 0.2775, FORMULA),
        (10, 10, 0.7225, 1.0000, FORMULA),
        (45, 50, 0.7864, 0.9565, FORMULA),
        (4, 20, 0.0807, 0.4160, FORMULA),
    ],
)
def test_intervals_are_those_that_were_printed(
    k: int, n: int, low: float, high: float, source: str
) -> None:
    assert wilson_interval(k, n) == pytest.approx((low, high), abs=5.1e-5), source


@given(CASES, CHANCES, st.floats(0.5, 0.999))
def test_intervals_are_those_of_scipy_and_statsmodels(n: int, part: float, level: float) -> None:
    k = share_of(n, part)
    ci = binomtest(k, n).proportion_ci(confidence_level=level, method="wilson")
    low, high = proportion_confint(k, n, alpha=1 - level, method="wilson")

    assert wilson_interval(k, n, level) == pytest.approx((ci.low, ci.high), abs=1e-12)
    assert wilson_interval(k, n, level) == pytest.approx((low, high), abs=1e-12)


@given(CASES, CHANCES)
def test_an_interval_holds_its_proportion_and_mirrors_that_of_the_rest(n: int, part: float) -> None:
    k = share_of(n, part)
    low, high = wilson_interval(k, n)
    rest_low, rest_high = wilson_interval(n - k, n)

    assert 0 <= low <= k / n <= high <= 1
    assert (rest_low, rest_high) == pytest.approx((1 - high, 1 - low), abs=1e-12)


def test_none_and_all_reach_the_end_of_the_scale_exactly() -> None:
    assert [wilson_interval(0, n)[0] for n in range(1, 300)] == [0.0] * 299
    assert [wilson_interval(n, n)[1] for n in range(1, 300)] == [1.0] * 299


@pytest.mark.parametrize(
    ("k", "n", "says"),
    [
        (0, 0, "at least one case"),
        (-1, 5, "cannot be"),
        (6, 5, "cannot be"),
        (1, -5, "cannot be"),
        (2.5, 5, "cannot be"),
        (1, 2.5, "cannot be"),
        (NAN, 5, "cannot be"),
        (1, MOST_CASES + 1, "cannot be"),
    ],
)
def test_impossible_counts_are_refused_in_a_sentence(k: float, n: int, says: str) -> None:
    with pytest.raises(ValueError, match=f"{says}.*[.]$"):
        wilson_interval(k, n)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=f"{says}.*[.]$"):
        funnel_place(k, n, 0.9)  # type: ignore[arg-type]


@pytest.mark.parametrize("level", [0, 1, -0.5, 95, NAN])
def test_a_level_that_is_none_is_refused_in_a_sentence(level: float) -> None:
    for refused in (
        lambda: wilson_interval(5, 10, level),
        lambda: funnel_limits(0.9, 10, level),
        lambda: funnel_curve(0.9, 10, level),
        lambda: binomial_quantile(10, 0.9, level),
    ):
        with pytest.raises(ValueError, match=r"must lie between 0 and 1, not .*[.]$"):
            refused()


# ---- the binomial quantile --------------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 2, 9, 19, 25, 100, 999, 20_000])
@pytest.mark.parametrize("p", [0.003, 0.1, 0.5, 0.85, 0.9, 0.99])
def test_quantiles_are_those_of_scipy(n: int, p: float) -> None:
    levels = (0.001, 0.025, 0.05, 0.31, 0.975, 0.999)

    found = [binomial_quantile(n, p, q) for q in levels]

    assert found == [int(value) for value in binom.ppf(levels, n, p)]


@given(st.integers(0, 2000), CHANCES, INSIDE)
def test_a_quantile_is_the_first_count_whose_chance_reaches_it(n: int, p: float, q: float) -> None:
    k = binomial_quantile(n, p, q)

    assert binom.cdf(k, n, p) >= q - 1e-9
    assert k == 0 or binom.cdf(k - 1, n, p) < q + 1e-9


@pytest.mark.parametrize(("n", "fewest"), [(9, 2), (15, 4), (19, 6), (23, 8), (29, 10)])
def test_quantiles_of_a_coin_count_crossings(n: int, fewest: int) -> None:
    """From Binom(n - 1, 1/2) at 5 %, as Anhoj and Olesen say; the values are worked out: D."""
    assert binomial_quantile(n, 0.5, 0.05) == fewest


@pytest.mark.parametrize(
    ("n", "p", "q", "k"),
    [(1, 0.8, 0.2, 0), (1, 0.9, 0.1, 0), (2, 0.15, 0.7225, 0), (2, 0.325, 0.894375, 1)],
)
def test_a_chance_that_equals_the_level_but_for_rounding_has_reached_it(
    n: int, p: float, q: float, k: int
) -> None:
    """In decimals the chance of at most k is q to the last digit; in floats it falls short."""
    chance = Fraction(str(p))
    terms = [comb(n, j) * chance**j * (1 - chance) ** (n - j) for j in range(k + 1)]
    assert sum(terms) == Fraction(str(q))

    assert binomial_quantile(n, p, q) == k


def test_what_is_certain_has_one_answer() -> None:
    assert [binomial_quantile(12, p, q) for p in (0, 1) for q in (0.001, 0.999)] == [0, 0, 12, 12]
    assert binomial_quantile(0, 0.3, 0.5) == 0


@pytest.mark.parametrize("p", [-0.1, 1.1, NAN])
def test_a_chance_that_is_none_is_refused_in_a_sentence(p: float) -> None:
    for refused in (
        lambda: binomial_quantile(10, p, 0.5),
        lambda: funnel_limits(p, 10, 0.95),
        lambda: funnel_curve(p, 10, 0.95),
        lambda: funnel_place(5, 10, p),
    ):
        with pytest.raises(ValueError, match=r"must be a number from 0 to 1, not .*[.]$"):
            refused()


# ---- funnels ----------------------------------------------------------------------------------


def test_exact_limits_are_the_counts_worked_out_for_a_ninety_percent_target() -> None:
    """Quantiles at 90 % of 25: worked out, D."""
    assert funnel_limits(0.9, 25, ALERT_LEVEL) == (19, 25)
    assert funnel_limits(0.9, 25, ALARM_LEVEL) == (17, 25)


@pytest.mark.parametrize(
    ("n", "level", "low", "high"),
    [
        (25, ALERT_LEVEL, 0.782, 1),
        (25, ALARM_LEVEL, 0.715, 1),
        (100, ALERT_LEVEL, 0.841, 0.959),
        (100, ALARM_LEVEL, 0.807, 0.993),
    ],
)
def test_the_smooth_funnel_is_that_of_the_normal_curve(
    n: int, level: float, low: float, high: float
) -> None:
    assert funnel_curve(0.9, n, level) == pytest.approx((low, high), abs=5.1e-4), SPIEGELHALTER
    mirrored = (1 - high, 1 - low)
    assert funnel_curve(0.1, n, level) == pytest.approx(mirrored, abs=5.1e-4)


@given(CASES, INSIDE, st.sampled_from([ALERT_LEVEL, ALARM_LEVEL]))
def test_beyond_exact_limits_lies_no_more_than_the_level_leaves(
    n: int, target: float, level: float
) -> None:
    low, high = funnel_limits(target, n, level)
    tail = (1 - level) / 2

    assert binom.cdf(low - 1, n, target) <= tail + 1e-9
    assert binom.sf(high, n, target) <= tail + 1e-9
    assert binom.cdf(low, n, target) >= tail - 1e-9, "one more is needed to be within"
    assert binom.sf(high - 1, n, target) >= tail - 1e-9


@given(CASES, CHANCES, CHANCES)
def test_a_place_is_where_the_limits_put_it(n: int, part: float, target: float) -> None:
    k = share_of(n, part)
    alert, alarm = (funnel_limits(target, n, level) for level in (ALERT_LEVEL, ALARM_LEVEL))
    place = funnel_place(k, n, target)

    assert (place.level == "inside") == (alert.low <= k <= alert.high)
    assert (place.level != "alarm") == (alarm.low <= k <= alarm.high)
    assert (place.side == "below") == (k < alert.low)
    assert (place.side == "above") == (k > alert.high)


@pytest.mark.parametrize(
    ("k", "target", "place"),
    [
        (16, 0.9, ("alarm", "below")),
        (17, 0.9, ("alert", "below")),
        (18, 0.9, ("alert", "below")),
        (19, 0.9, ("inside", "")),
        (25, 0.9, ("inside", "")),
        (6, 0.1, ("inside", "")),
        (7, 0.1, ("alert", "above")),
        (8, 0.1, ("alert", "above")),
        (9, 0.1, ("alarm", "above")),
        (24, 1.0, ("alarm", "below")),
        (25, 1.0, ("inside", "")),
        (1, 0.0, ("alarm", "above")),
    ],
)
def test_where_a_place_of_twenty_five_stands(k: int, target: float, place: tuple[str, str]) -> None:
    assert funnel_place(k, 25, target) == place
