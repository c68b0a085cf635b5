"""The exact interval of a Poisson mean, against a formula by hand, a printed table and scipy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from flows.poisson import MOST_COUNTED, poisson_interval


def test_of_nothing_counted_the_upper_end_is_a_logarithm() -> None:
    """exp(-mean) = 0.025 at the upper end, by hand."""
    assert poisson_interval(0) == pytest.approx((0.0, -math.log(0.025)), rel=1e-12)


@pytest.mark.parametrize(
    ("k", "low", "high"),
    # Exact limits at 95 %, as tables of them print: from memory.
    [(1, 0.0253, 5.572), (2, 0.242, 7.225), (5, 1.62, 11.67), (10, 4.80, 18.39)],
)
def test_the_printed_limits(k: int, low: float, high: float) -> None:
    assert poisson_interval(k) == pytest.approx((low, high), rel=4e-3)


@given(st.integers(0, 5000), st.sampled_from([0.5, 0.8, 0.95, 0.99]))
def test_it_is_the_interval_by_chi_squared(k: int, confidence: float) -> None:
    tail = (1 - confidence) / 2
    low = chi2.ppf(tail, 2 * k) / 2 if k else 0.0

    expected = (low, chi2.ppf(1 - tail, 2 * k + 2) / 2)
    assert poisson_interval(k, confidence) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("k", [-1, 1.5, MOST_COUNTED + 1, float("nan")])
def test_what_is_no_count_is_refused(k: float) -> None:
    with pytest.raises(ValueError, match="whole number"):
        poisson_interval(k)  # type: ignore[arg-type]


@pytest.mark.parametrize("confidence", [0, 1, float("nan")])
def test_what_is_no_confidence_is_refused(confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        poisson_interval(3, confidence)
