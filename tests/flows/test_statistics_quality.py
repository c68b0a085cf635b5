"""Outliers, reporting and percentiles: the WHO data quality review, and bins of minutes."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.statistics import (
    LAST_BIN,
    bin_width,
    completeness,
    consistency,
    minute_bin,
    outlier,
    percentile,
    timeliness_of_expected,
    timeliness_of_received,
)

NAN, INF = float("nan"), float("inf")
OTHERS = [8, 8, 10, 12, 12]  # mean 10; deviations squared 4 + 4 + 0 + 4 + 4, over 4: SD 2

# ---- outliers and consistency -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (10, ""), (13.9, ""), (6.1, ""), (14, "moderate"), (6, "moderate"), (15.9, "moderate"),
        (16, "extreme"), (4, "extreme"), (1000, "extreme"),
    ],
)  # fmt: skip
def test_an_outlier_is_two_or_three_deviations_away_to_either_side(value: float, said: str) -> None:
    """The limits are those of the WHO review, as PLoS ONE 2019;14:e0213600 applies them (P)."""
    assert outlier(value, OTHERS) == said


def test_the_value_itself_does_not_widen_the_measure() -> None:
    """Counted in, 30 would not even be two deviations away."""
    all_six = [*OTHERS, 30]
    assert 30 - np.mean(all_six) < 2 * np.std(all_six, ddof=1)
    assert outlier(30, OTHERS) == "extreme"


def test_too_few_others_or_none_that_differ_say_nothing() -> None:
    assert outlier(1000, OTHERS[:4]) == ""
    assert outlier(1000, []) == ""
    assert outlier(1000, [0.1] * 12) == ""


@given(st.integers(0, 99), st.lists(st.integers(0, 99), min_size=5, max_size=24))
def test_an_outlier_is_told_by_its_distance_in_deviations(value: int, others: list[int]) -> None:
    spread = float(np.std(others, ddof=1))
    away = abs(value - float(np.mean(others))) / spread if spread else 0.0
    if min(abs(away - 2), abs(away - 3)) > 1e-9:
        assert outlier(value, others) == ["", "moderate", "extreme"][(away >= 2) + (away >= 3)]


@pytest.mark.parametrize("odd", [NAN, INF])
def test_an_outlier_needs_numbers(odd: float) -> None:
    for value, others in ((odd, [1.0, 2.0]), (1.0, [1.0, odd])):
        with pytest.raises(ValueError, match=r"among numbers only[.]$"):
            outlier(value, others)


def test_consistency_is_this_period_over_the_mean_of_those_before() -> None:
    assert consistency(90, [60, 100, 140]) == pytest.approx(0.9)
    assert consistency(0, [4]) == 0
    assert consistency(5, []) is None
    assert consistency(5, [0, 0, 0]) is None


@pytest.mark.parametrize(("this", "earlier"), [(-1, [3]), (1, [3, -3]), (NAN, [3]), (1, [INF])])
def test_a_period_that_counts_less_than_nothing_is_refused(
    this: float, earlier: list[float]
) -> None:
    with pytest.raises(ValueError, match=r"must be a number from 0, not .*[.]$"):
        consistency(this, earlier)


# ---- reporting --------------------------------------------------------------------------------


def test_reporting_ratios_of_the_review() -> None:
    """36 expected, 33 received, 27 on time: 91.7 %, 81.8 % and 75.0 %, by the ratios' words (P)."""
    assert completeness(33, 36) == pytest.approx(0.917, abs=5e-4)
    assert timeliness_of_received(27, 33) == pytest.approx(0.818, abs=5e-4)
    assert timeliness_of_expected(27, 36) == 0.75


@pytest.mark.parametrize("ratio", [completeness, timeliness_of_received, timeliness_of_expected])
def test_a_ratio_of_nothing_is_none_and_more_than_all_is_refused(ratio: object) -> None:
    assert callable(ratio)
    assert ratio(0, 0) is None
    assert ratio(0, 4) == 0
    assert ratio(4, 4) == 1
    for part, whole in ((5, 4), (1, 0), (-1, 4), (0, -1), (0.5, 4)):
        with pytest.raises(ValueError, match=r"cannot be: .*[.]$"):
            ratio(part, whole)


# ---- minutes in bins --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes", "edge", "width"),
    [
        (-5, 0, 1), (-0.01, 0, 1), (0, 0, 1), (0.99, 0, 1), (1, 1, 1), (9.99, 9, 1),
        (10, 10, 5), (14.9, 10, 5), (15, 15, 5), (239.9, 235, 5),
        (240, 240, 15), (254.9, 240, 15), (719, 705, 15),
        (720, 720, 60), (779, 720, 60), (4319.9, 4260, 60),
        (4320, 4320, 1440), (5759, 4320, 1440), (43199.9, 41760, 1440),
        (43200, 43200, None), (1e9, 43200, None), (INF, 43200, None),
    ],
)  # fmt: skip
def test_where_minutes_fall(minutes: float, edge: int, width: int | None) -> None:
    assert minute_bin(minutes) == edge
    assert bin_width(edge) == width


def test_the_bins_lie_side_by_side_and_hold_every_minute() -> None:
    edge, edges = 0, [0]
    while (width := bin_width(edge)) is not None:
        assert {minute_bin(minute) for minute in range(edge, edge + width)} == {edge}
        edge += width
        edges.append(edge)

    assert edges[-1] == LAST_BIN
    assert len(edges) == 10 + 46 + 32 + 60 + 27 + 1


@pytest.mark.parametrize("edge", [-1, 11, 245, 730, 5000, 43201])
def test_no_bin_begins_between_the_edges(edge: int) -> None:
    with pytest.raises(ValueError, match=rf"^No bin begins at {edge} minutes[.]$"):
        bin_width(edge)


def test_minutes_are_a_number() -> None:
    with pytest.raises(ValueError, match=r"^Minutes must be a number[.]$"):
        minute_bin(NAN)


# ---- percentiles ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "value"), [(0.05, 15), (0.30, 20), (0.40, 20), (0.50, 35), (1.00, 50)]
)
def test_the_nearest_rank_of_a_well_known_example(share: float, value: int) -> None:
    """The five values 15, 20, 35, 40, 50, as encyclopaedias show the method (M)."""
    assert percentile({15: 1, 20: 1, 35: 1, 40: 1, 50: 1}, share) == value


def test_a_share_is_what_its_decimals_say() -> None:
    """0.07 of 100 is the 7th, though as floats it is more; 0.29 of 100 the 29th."""
    each = dict.fromkeys(range(1, 101), 1)

    assert [percentile(each, hundredth / 100) for hundredth in range(1, 101)] == list(each)


def test_the_order_and_the_empty_bins_of_a_histogram_do_not_matter() -> None:
    assert percentile({60: 1, 5: 0, 0: 3, 10: 0}, 0.75) == 0
    assert percentile({60: 1, 5: 0, 0: 3, 10: 0}, 0.76) == 60
    assert percentile({}, 0.5) is None
    assert percentile({0: 0, 5: 0}, 0.5) is None


@pytest.mark.parametrize("share", [0, -0.1, 1.01, 50, NAN])
def test_a_share_beyond_all_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match=r"above 0 and at most 1, not .*[.]$"):
        percentile({0: 1}, share)


def test_a_bin_with_fewer_than_none_is_refused() -> None:
    with pytest.raises(ValueError, match=r"fewer than none[.]$"):
        percentile({0: 4, 5: -1}, 0.5)


@given(st.lists(st.floats(-10, 60_000), min_size=1, max_size=60), st.integers(1, 1000))
def test_binning_and_ranking_may_change_places(raw: list[float], thousandths: int) -> None:
    """The percentile of the bins is the bin of the percentile, its rank in whole numbers."""
    bins = Counter(map(minute_bin, raw))
    rank = -(-thousandths * len(raw) // 1000)

    assert percentile(bins, thousandths / 1000) == minute_bin(sorted(raw)[rank - 1])
