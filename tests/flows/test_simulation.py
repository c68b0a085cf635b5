"""The simulation of sets at work: by hand, by its statistics, and against Erlang's formula."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import islice, pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows import planning
from flows.planning import Tally, erlang_b, offered_load

NAN, INF = float("nan"), float("inf")


def seeded(seed: int | str) -> Random:
    """A generator that gives the same numbers in every run."""
    return Random(seed)  # noqa: S311 - arrivals, not secrets


def test_a_set_is_missing_while_all_are_away_and_there_again_at_its_hour() -> None:
    def three_hours() -> float:
        return 3.0

    one = list(planning.tally([0, 1, 2.9, 3, 7], 1, three_hours))
    two = list(planning.tally([0, 1, 2.9, 3, 7], 2, three_hours))

    assert one == [0, 1, 1, 0, 0]
    assert two == [0, 0, 1, 0, 0]
    assert planning.counted([0, 1, 2.9, 3, 7], 1, three_hours) == Tally(uses=5, without=2)


def test_the_set_that_comes_back_first_is_the_next_one_out() -> None:
    hours = iter([10.0, 1.0, 1.0])

    assert list(planning.tally([0, 0.5, 2, 2.5], 2, lambda: next(hours))) == [0, 0, 0, 1]


def test_no_sets_means_none_is_ever_ready() -> None:
    assert planning.counted([0, 5, 50], 0, lambda: 1.0) == Tally(uses=3, without=3)


@given(
    st.lists(st.floats(0, 500), max_size=60).map(sorted),
    st.integers(0, 8),
    st.floats(0.1, 50),
)
def test_with_one_turnaround_for_all_one_more_set_never_loses_more(
    arrivals: list[float], sets: int, hours: float
) -> None:
    fewer = planning.counted(arrivals, sets, lambda: hours)
    more = planning.counted(arrivals, sets + 1, lambda: hours)

    assert more.uses == fewer.uses == len(arrivals)
    assert more.without <= fewer.without


def test_drawn_arrivals_come_at_their_rate_and_spread_like_poissons() -> None:
    """Gaps of mean 1/rate and variance 1/rate^2, each within four standard errors."""
    rate, n = 0.25, 20_000
    times = list(islice(planning.poisson(rate, seeded(11).random), n))
    gaps = [b - a for a, b in pairwise([0.0, *times])]
    mean = sum(gaps) / n
    variance = sum((g - mean) ** 2 for g in gaps) / (n - 1)

    assert min(gaps) >= 0
    assert abs(mean * rate - 1) < 4 / math.sqrt(n)
    assert abs(variance * rate**2 - 1) < 4 * math.sqrt(8 / n)  # kurtosis of the exponential: 9


TURNAROUNDS: dict[str, Callable[[Random], float]] = {
    "always 8 h": lambda _: 8.0,
    "exponential": lambda rng: rng.expovariate(1 / 8),
    "6 h by day, 14 h one in four": lambda rng: 14.0 if rng.random() < 0.25 else 6.0,
    "lognormal": lambda rng: rng.lognormvariate(math.log(8) - 0.125, 0.5),
}


@pytest.mark.parametrize("shape", TURNAROUNDS)
@pytest.mark.parametrize("sets", [1, 2, 3])
def test_formula_and_simulation_agree_whatever_the_shape_of_the_turnaround(
    shape: str, sets: int
) -> None:
    """300 births a month, 17 %, 8 h on average: within four standard errors."""
    rng = seeded(f"{shape} {sets}")
    per_hour = planning.uses_per_month(300, 0.17) / planning.HOURS_PER_MONTH

    found = planning.compare(sets, per_hour, lambda: TURNAROUNDS[shape](rng), 8, rng.random)

    assert found.formula == erlang_b(sets, offered_load(300, 0.17, 8))
    assert found.uses == 100_000
    assert found.standard_error is not None
    assert found.standard_error < 0.02 * found.formula + 0.0005
    assert abs(found.difference) < 4 * found.standard_error


def test_a_turnaround_that_is_not_what_was_claimed_shows_as_disagreement() -> None:
    rng = seeded(5)

    found = planning.compare(2, 0.07, lambda: 12.0, 8, rng.random)

    assert found.standard_error is not None
    assert found.difference > 20 * found.standard_error


def test_the_standard_error_is_as_wide_as_repeated_simulations_scatter() -> None:
    """Thirty independent runs: the spread of their results against the error that each states."""
    runs = [
        planning.compare(2, 0.07, lambda: 8.0, 8, seeded(seed).random, uses_per_block=200)
        for seed in range(30)
    ]
    mean = sum(r.simulated for r in runs) / len(runs)
    scatter = math.sqrt(sum((r.simulated - mean) ** 2 for r in runs) / (len(runs) - 1))
    stated = sum(r.standard_error or 0.0 for r in runs) / len(runs)

    assert 0.6 < stated / scatter < 1.6  # the scatter of 30 is itself known to about 13 %


def test_the_first_block_when_all_sets_are_still_ready_is_left_out() -> None:
    """One set, gone for eleven years with the first use: every use that counts finds none."""
    uniform = seeded(1).random

    found = planning.compare(1, 0.07, lambda: 1e5, 1e5, uniform, blocks=2, uses_per_block=1)

    assert found.simulated == 1


def test_where_nothing_was_lost_no_standard_error_is_claimed() -> None:
    found = planning.compare(20, 0.01, lambda: 1.0, 1, seeded(1).random, uses_per_block=50)

    assert found.simulated == 0
    assert found.standard_error is None


@pytest.mark.parametrize("arrivals", [[1, 0], [0, NAN], [0, INF]])
def test_uses_out_of_order_are_refused(arrivals: list[float]) -> None:
    with pytest.raises(ValueError, match="in order"):
        planning.counted(arrivals, 2, lambda: 1.0)


@pytest.mark.parametrize("hours", [0, -1, NAN, INF])
def test_an_impossible_turnaround_is_refused(hours: float) -> None:
    with pytest.raises(ValueError, match="turnaround"):
        planning.counted([0], 2, lambda: hours)
    with pytest.raises(ValueError, match="mean turnaround"):
        planning.compare(1, 0.1, lambda: 1.0, hours, seeded(1).random)
