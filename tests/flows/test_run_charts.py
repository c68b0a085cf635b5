"""Run charts against printed rules and examples, and against the rules told another way.

P: published, and read. P2: read in a second document. M: published, from memory. D: derived from
the formula; it guards against change and is no authority.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

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

NAN, INF = float("nan"), float("inf")


def rules(signals: Sequence[Signal]) -> list[str]:
    return [signal.rule for signal in signals]


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


def false_alarms(points: int, told: set[str]) -> float:
    """In what part of all ways that so many coins can fall a rule of *told* is broken.

    Every way is looked at, so nothing here is chance.
    """
    ways = product((0.0, 1.0), repeat=points)
    broken = sum(not told.isdisjoint(rules(run_chart(way, 0.5).signals)) for way in ways)
    return float(broken / 2**points)


def test_chance_breaks_the_rules_that_allow_for_length_in_about_one_of_twenty() -> None:
    """Anhoj and Olesen 2014: false signals are around 5 %, however many points there are (P)."""
    rates = [false_alarms(points, {"longest run", "few crossings"}) for points in (10, 11, 12)]

    assert rates == pytest.approx([0.05] * 3, abs=0.015)


def test_chance_breaks_the_rule_of_six_more_often_in_longer_series() -> None:
    """What Anhoj and Olesen 2014 hold against fixed lengths (P)."""
    assert false_alarms(6, {"shift"}) == 2 / 2**6
    assert false_alarms(7, {"shift"}) == 6 / 2**7, "all alike, or the first or the last differs"
    assert false_alarms(12, {"shift"}) > 0.1


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
