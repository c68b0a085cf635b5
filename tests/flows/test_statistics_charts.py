"""p-charts and run charts against printed examples, and against their rules told another way.

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
from scipy.stats import binom

from flows.run_charts import (
    Signal,
    fewest_crossings_expected,
    longest_run_allowed,
    run_chart,
)
from flows.statistics import PChart, Proportion, p_chart

NAN, INF = float("nan"), float("inf")

# NIST/SEMATECH e-Handbook 6.3.3.2: chips out of place on each of 30 wafers of 50. Data and limits
# P2, the centre P.
WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22,
          8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]  # fmt: skip

# Bruised peaches in shipments of one or two crates of 250. Pyzdek, The Handbook for Quality
# Management, Table 9.6: data and totals P, limits D.
BRUISED = [47, 42, 55, 51, 46, 61, 39, 44, 41, 51, 88, 101, 101,
           40, 48, 47, 50, 48, 57, 45, 43, 105, 98, 100, 96]  # fmt: skip
PEACHES = [250] * 10 + [500] * 3 + [250] * 8 + [500] * 4


def rules(signals: Sequence[Signal]) -> list[str]:
    return [signal.rule for signal in signals]


def beyond(signals: Sequence[Signal]) -> list[int]:
    return [signal.first for signal in signals if signal.rule == "beyond the limits"]


# ---- p-charts ---------------------------------------------------------------------------------


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


# ---- run charts -------------------------------------------------------------------------------


def test_a_point_on_the_line_neither_counts_nor_breaks_a_shift() -> None:
    """After Perla, Provost and Murray 2011: rule P, data ours."""
    chart = run_chart([11, 12, 10, 13, 14, 15, 16], centre=10)

    assert Signal("shift", 0, 6) in chart.signals
    assert (chart.useful, chart.longest, chart.crossings) == (6, 6, 0)
    assert "shift" not in rules(run_chart([11, 12, 10, 13, 14, 15], centre=10).signals)


@pytest.mark.parametrize(
    ("values", "trends"),
    [
        ([5, 6, 6, 7, 8, 9], [(0, 5)]),
        ([5, 6, 7, 8], []),
        ([5, 5, 5, 6, 7, 8], []),
        ([9, 8, 7, 6, 5], [(0, 4)]),
        ([1, 2, 3, 4, 5, 4, 3, 2, 1], [(0, 4), (4, 8)]),
        ([3, 1, 2, 3, 4, 5, 5, 5, 1], [(1, 5)]),
        ([5, 6, None, 7, 8, None, 9], [(0, 6)]),
    ],
)
def test_a_trend_is_five_that_rise_or_fall_and_equal_neighbours_are_one(
    values: list[float | None], trends: list[tuple[int, int]]
) -> None:
    found = [(s.first, s.last) for s in run_chart(values).signals if s.rule == "trend"]

    assert found == trends


@pytest.mark.parametrize(
    ("useful", "allowed"),
    # A table of critical values that was read (P), then round(log2 n + 3) (rule P, values D).
    [(10, 6), (11, 6), (12, 7), (22, 7), (23, 8), (45, 8), (46, 9), (90, 9), (91, 10), (100, 10),
     (16, 7), (24, 8), (40, 8)],
)  # fmt: skip
def test_the_longest_run_of_chance(useful: int, allowed: int) -> None:
    assert longest_run_allowed(useful) == allowed


@pytest.mark.parametrize("useful", range(1, 101))
def test_the_fewest_crossings_of_chance_are_a_quantile_of_a_coin(useful: int) -> None:
    expected = 0 if useful == 1 else int(binom.ppf(0.05, useful - 1, 0.5))

    assert fewest_crossings_expected(useful) == expected


def test_thirteen_points_of_a_published_example() -> None:
    """Crossings after the 3rd, 6th, 7th, 9th and 10th; five, the longest run three (P).

    The same text: of 13 points, fewer than three crossings are too few.
    """
    sides = [1, 1, 1, 0, 0, 0, 1, 0, 0, 1, 0, 0, 0]
    chart = run_chart([float(side) for side in sides], centre=0.5)

    assert (chart.useful, chart.crossings, chart.longest) == (13, 5, 3)
    assert chart.fewest_crossings == 3
    assert chart.signals == ()


def test_a_run_is_too_long_only_beyond_what_its_chart_allows() -> None:
    """24 useful points allow a run of 8."""
    rest = [1, -1] * 8

    within = run_chart([*[1] * 7, *rest, -1], centre=0)
    assert (within.useful, within.longest, within.longest_allowed) == (24, 8, 8)
    assert "longest run" not in rules(within.signals)
    too_long = run_chart([*[1] * 8, *rest[:-1]], centre=0)
    assert too_long.useful == 23
    assert Signal("longest run", 0, 8) in too_long.signals


def test_too_few_crossings_are_told_of_all_useful_points() -> None:
    few = run_chart([0, 1, 1, 1, 1, 1, 0, -1, -1, -1, -1, -1, 0], centre=0)
    enough = run_chart([0, 1, 1, 1, 1, -1, 0, 1, -1, -1, -1, -1, 0], centre=0)

    assert (few.useful, few.crossings, few.fewest_crossings) == (10, 1, 2)
    assert Signal("few crossings", 1, 11) in few.signals
    assert (enough.useful, enough.crossings) == (10, 3)
    assert "few crossings" not in rules(enough.signals)


def test_the_line_is_the_median_unless_told() -> None:
    assert run_chart([1, None, 2, 10, 3]).centre == 2.5
    assert run_chart([1, 2, 10], centre=4).centre == 4


def test_no_values_no_rules() -> None:
    empty, flat = run_chart([None, None]), run_chart([7.0] * 30)

    assert (empty.centre, empty.useful, empty.longest_allowed, empty.signals) == (None, 0, None, ())
    assert (flat.centre, flat.useful, flat.fewest_crossings, flat.signals) == (7.0, 0, None, ())
    assert run_chart([None], centre=3.0).centre == 3.0


@pytest.mark.parametrize("odd", [NAN, INF, -INF])
def test_what_is_no_number_is_refused_in_a_sentence(odd: float) -> None:
    for values, centre in (([1.0, odd], None), ([1.0, 2.0], odd), ([], odd)):
        with pytest.raises(ValueError, match=r"A run chart needs numbers, not .*[.]$"):
            run_chart(values, centre)


MONTHS = st.lists(st.none() | st.integers(-3, 3).map(float), max_size=40)


@given(MONTHS)
def test_the_rules_told_another_way(values: list[float | None]) -> None:
    """Sides as letters: a run is what is left between two that differ."""
    chart = run_chart(values, centre=0)
    text = "".join("a" if v > 0 else "b" for v in values if v)
    pieces = text.replace("ab", "a b").replace("ba", "b a").split()

    assert chart.useful == len(text)
    assert chart.crossings == text.count("ab") + text.count("ba")
    assert chart.longest == max(map(len, pieces), default=0)
    assert rules(chart.signals).count("shift") == sum(len(piece) >= 6 for piece in pieces)
    assert ("few crossings" in rules(chart.signals)) == (
        bool(text) and chart.crossings < binom.ppf(0.05, len(text) - 1, 0.5)
    )


@given(MONTHS)
def test_gaps_and_upside_down_change_no_rule(values: list[float | None]) -> None:
    chart = run_chart(values)
    places = [i for i, v in enumerate(values) if v is not None]
    filled = run_chart([v for v in values if v is not None])
    turned = run_chart([None if v is None else -v for v in values])

    assert [(s.rule, places[s.first], places[s.last]) for s in filled.signals] == list(
        chart.signals
    )
    assert turned.signals == chart.signals
