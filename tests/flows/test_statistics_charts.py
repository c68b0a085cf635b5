"""p-charts against printed examples, and against their formula.

P: published, and read. P2: read in a second document. M: published, from memory. D: derived from
the formula; it guards against change and is no authority.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.run_charts import Signal
from flows.statistics import PChart, Proportion, p_chart

# NIST/SEMATECH e-Handbook 6.3.3.2: chips out of place on each of 30 wafers of 50. Data and limits
# P2, the centre P.
WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22,
          8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]  # fmt: skip

# Bruised peaches in shipments of one or two crates of 250. Pyzdek, The Handbook for Quality
# Management, Table 9.6: data and totals P, limits D.
BRUISED = [47, 42, 55, 51, 46, 61, 39, 44, 41, 51, 88, 101, 101,
           40, 48, 47, 50, 48, 57, 45, 43, 105, 98, 100, 96]  # fmt: skip
PEACHES = [250] * 10 + [500] * 3 + [250] * 8 + [500] * 4


def beyond(signals: Sequence[Signal]) -> list[int]:
    return [signal.first for signal in signals if signal.rule == "beyond the limits"]


def test_the_wafers_of_the_handbook() -> None:
    chart = p_chart(WAFERS, [50] * 30)

    assert chart.centre == pytest.approx(0.2313, abs=5e-5)
    for point in chart.points:
        assert point is not None
        assert (point.low, point.high) == pytest.approx((0.0524, 0.4102), abs=5.1e-5)
    assert beyond(chart.signals) == [14, 22], "wafers 15 and 23"


def test_a_crossed_limit_is_that_of_the_points_own_size() -> None:
    chart = p_chart(BRUISED, PEACHES)

    assert chart.centre == 0.193
    one, two = chart.points[0], chart.points[10]
    assert one == pytest.approx((0.188, 0.1181, 0.2679), abs=5.1e-5)
    assert two == pytest.approx((0.176, 0.1401, 0.2459), abs=5.1e-5)
    assert beyond(chart.signals) == []
    # 64 bruised of 250 are within the limits of one crate; as much of 500 would not be.
    assert beyond(p_chart([*BRUISED, 64], [*PEACHES, 250]).signals) == []
    assert beyond(p_chart([*BRUISED, 128], [*PEACHES, 500]).signals) == [25]


def test_the_two_fifths_of_a_textbook() -> None:
    """Montgomery: 800 of 2000 in samples of 100, limits 0.25 and 0.55 (P)."""
    chart = p_chart([40] * 20, [100] * 20)

    assert chart.centre == 0.4
    assert chart.points[0] == pytest.approx((0.40, 0.25, 0.55), abs=5e-3)


@pytest.mark.parametrize(
    ("size", "low", "high"), [(12, 0.541, 1), (40, 0.681, 1), (120, 0.752, 0.948)]
)
def test_limits_are_narrower_for_more_and_never_leave_the_scale(
    size: int, low: float, high: float
) -> None:
    """Around 0.85, worked out from the formula: D."""
    chart = p_chart([850 - size * 17 // 20, size * 17 // 20], [1000 - size, size])

    point = chart.points[1]
    assert point is not None
    assert chart.centre == 0.85
    assert (point.low, point.high) == pytest.approx((low, high), abs=5.1e-4)


def test_a_month_without_cases_is_a_gap() -> None:
    chart = p_chart([0, 3, 0, 5], [0, 10, 0, 10])

    assert chart.centre == 0.4
    assert [point and point.value for point in chart.points] == [None, 0.3, None, 0.5]
    assert p_chart([0, 0], [0, 0]) == PChart(None, (None, None), ())
    assert p_chart([], []).points == ()


@pytest.mark.parametrize("each", [0, 7])
def test_where_all_or_none_succeed_there_is_nothing_to_signal(each: int) -> None:
    chart = p_chart([each] * 12, [7] * 12)

    assert chart.points == (Proportion(each / 7, each / 7, each / 7),) * 12
    assert chart.signals == ()


@pytest.mark.parametrize(
    ("k", "n", "part", "whole"),
    [(27, 81, 1, 2), (60, 72, 2, 3), (8, 100, 1, 5)],
)
def test_what_lies_on_a_limit_is_within_it(k: int, n: int, part: int, whole: int) -> None:
    """These are three deviations away as fractions; as floats each is a little more."""
    squared = Fraction(part * (whole - part), whole * whole * n)
    assert (Fraction(k, n) - Fraction(part, whole)) ** 2 == 9 * squared

    chart = p_chart([k, 1000 * part - k], [n, 1000 * whole - n])

    assert chart.centre == part / whole
    assert 0 not in beyond(chart.signals)
    further = k - 1 if k * whole < n * part else k + 1
    assert 0 in beyond(p_chart([further, 1000 * part - k], [n, 1000 * whole - n]).signals)


def test_run_rules_look_at_the_centre_of_the_chart() -> None:
    chart = p_chart([2, 2, 2, 2, 2, 2, 8, 8, 8, 8, 8, 8], [10] * 12)

    assert chart.signals == (
        Signal("shift", 0, 5),
        Signal("few crossings", 0, 11),
        Signal("shift", 6, 11),
    )
    # Seven on their median, and below the centre: that is a shift.
    skewed = p_chart([2, 2, 2, 2, 2, 2, 2, 9, 9], [20] * 9)
    assert Signal("shift", 0, 6) in skewed.signals


@pytest.mark.parametrize(
    ("counts", "sizes", "says"),
    [
        ([1, 2], [5], "2 counts and 1 sizes"),
        ([6], [5], "6 of 5 cannot be"),
        ([1], [0], "1 of 0 cannot be"),
        ([-1], [5], "-1 of 5 cannot be"),
        ([0.5], [5], "0.5 of 5 cannot be"),
    ],
)
def test_impossible_charts_are_refused_in_a_sentence(
    counts: list[int], sizes: list[int], says: str
) -> None:
    with pytest.raises(ValueError, match=f"{says}.*[.]$"):
        p_chart(counts, sizes)


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=30))
def test_a_chart_is_what_its_formula_says(cases: list[tuple[int, int]]) -> None:
    counts, sizes = [k for k, _ in cases], [k + more for k, more in cases]
    chart = p_chart(counts, sizes)

    assert len(chart.points) == len(cases)
    for i, (k, n) in enumerate(zip(counts, sizes, strict=True)):
        point = chart.points[i]
        assert (point is None) == (n == 0)
        if point is None:
            continue
        p = sum(counts) / sum(sizes)
        deviations = (k / n - p) / math.sqrt(p * (1 - p) / n) if 0 < p < 1 else 0.0
        assert 0 <= point.low <= p <= point.high <= 1
        if abs(abs(deviations) - 3) > 1e-9:
            assert (i in beyond(chart.signals)) == (abs(deviations) > 3)
