"""Statistics for supervision: how sure a proportion is, and whether a place or a month stands out.

Proportions are fractions from 0 to 1. Nothing here knows what is counted. The rules for a series
of points are in `flows/run_charts.py`, the binomial distribution in `flows/binomial.py`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate
from statistics import NormalDist, fmean, mean, stdev
from typing import Literal, NamedTuple

from flows.binomial import binomial_quantile, check_chance, check_counts
from flows.run_charts import Signal, run_chart

LIMIT_SD = 3  # Shewhart's three standard deviations
ON_THE_LIMIT = 1e-12  # what lies on a limit but for the rounding of floats is within it

# Two-sided levels of a funnel: Spiegelhalter, Stat Med 2005;24:1185.
ALERT_LEVEL = 0.95
ALARM_LEVEL = 0.998

# SDs from the mean of the same unit: WHO Data Quality Review, as applied in PLoS ONE
# 2019;14:e0213600, Table 1. How few others are too few is our own choice: no source says.
MODERATE_SD = 2
EXTREME_SD = 3
FEWEST_OTHERS = 5

# Bins of minutes: up to which minute each width holds. Our own resolution: fine where stages last
# minutes, whole days where it no longer matters, and each edge a multiple of the width after it.
BIN_WIDTHS = ((10, 1), (240, 5), (720, 15), (4320, 60), (43200, 1440))
LAST_BIN = 43200  # thirty days and more


def wilson_interval(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's interval (low, high) for the proportion behind *k* of *n*, within 0 to 1.

    E. B. Wilson 1927; method 3 of Newcombe, Stat Med 1998;17:857. Without continuity correction.
    Raises ValueError if *k* of *n* cannot be, if *n* is 0, or *confidence* not between 0 and 1.
    """
    _some(k, n)
    z = _z(confidence)
    middle = (k + z * z / 2) / (n + z * z)
    half = z * math.sqrt(k * (n - k) / n + z * z / 4) / (n + z * z)
    return (0.0 if k == 0 else middle - half, 1.0 if k == n else middle + half)


class Proportion(NamedTuple):
    """One point of a p-chart with its own limits; all fractions."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class PChart:
    """A p-chart: *centre*, a point for each count (None is a gap), and every rule broken.

    *centre* is None if every point is a gap.
    """

    centre: float | None
    points: tuple[Proportion | None, ...]
    signals: tuple[Signal, ...]


def p_chart(counts: Sequence[int], sizes: Sequence[int]) -> PChart:
    """The p-chart of counts[i] of sizes[i], in order of time; NIST/SEMATECH e-Handbook 6.3.3.2.

    The centre is the sum of counts over the sum of sizes; a point's limits are three standard
    deviations for its own size, within 0 to 1. A size of 0 is a gap. Signals: points beyond their
    limits, then the rules of `run_chart` around the centre. Where the centre is close to 0 or 1 and
    sizes are small, most points lie on one side of it by nature, and only the limits say much.
    Raises ValueError if the lengths differ or a count of a size cannot be.
    """
    if len(counts) != len(sizes):
        raise ValueError(f"There are {len(counts)} counts and {len(sizes)} sizes: one for each.")
    for k, n in zip(counts, sizes, strict=True):
        check_counts(k, n)
    if not any(sizes):
        return PChart(None, (None,) * len(sizes), ())
    centre = sum(counts) / sum(sizes)
    pairs = zip(counts, sizes, strict=True)
    points = tuple(_proportion(k, n, centre) if n else None for k, n in pairs)
    beyond = tuple(
        Signal("beyond the limits", i, i) for i, point in enumerate(points) if _is_beyond(point)
    )
    runs = run_chart([point.value if point else None for point in points], centre)
    return PChart(centre, points, beyond + runs.signals)


class FunnelLimits(NamedTuple):
    """The smallest and the largest count that are still inside."""

    low: int
    high: int


def funnel_limits(target: float, n: int, level: float) -> FunnelLimits:
    """Exact binomial limits for a count out of *n* where the proportion should be *target*.

    *level* is two-sided: fewer than `low` has a chance below (1 - level) / 2 at the target, and so
    has more than `high`. They are the two quantiles of that level.
    Raises ValueError if *n* is not a whole number from 1, *target* not from 0 to 1, or *level* not
    between 0 and 1.
    """
    _some(0, n)
    _between(level, "The level")
    tail = (1 - level) / 2
    return FunnelLimits(
        binomial_quantile(n, target, tail), binomial_quantile(n, target, (1 + level) / 2)
    )


def funnel_curve(target: float, n: int, level: float) -> tuple[float, float]:
    """The same limits as fractions by the normal curve: smooth, to draw a funnel with.

    For the eye only: a place is judged by `funnel_place`, and near the curve the two may differ.
    Errors as `funnel_limits`.
    """
    _some(0, n)
    check_chance(target, "The target")
    half = _z(level) * math.sqrt(target * (1 - target) / n)
    return max(target - half, 0.0), min(target + half, 1.0)


class Place(NamedTuple):
    """Where a place stands in a funnel; *side* of the target is "" for inside."""

    level: Literal["inside", "alert", "alarm"]
    side: Literal["", "above", "below"]


def funnel_place(k: int, n: int, target: float) -> Place:
    """Where *k* of *n* stands: alarm beyond the 99.8 % limits, alert beyond the 95 % limits.

    Raises ValueError if *k* of *n* cannot be, *n* is 0 or *target* is not from 0 to 1.
    """
    _some(k, n)
    levels: tuple[tuple[Literal["alarm", "alert"], float], ...]
    levels = (("alarm", ALARM_LEVEL), ("alert", ALERT_LEVEL))
    for name, level in levels:
        low, high = funnel_limits(target, n, level)
        if not low <= k <= high:
            return Place(name, "below" if k < low else "above")
    return Place("inside", "")


def outlier(value: float, others: Sequence[float]) -> Literal["", "moderate", "extreme"]:
    """How far *value* lies from the same unit's *others* (its other months), either way.

    Measured from the mean of the others in their sample SD (n - 1); the value itself is left out,
    so that it cannot widen the measure it is held against. At 2 SD "moderate", at 3 SD "extreme".
    "" also for fewer than FEWEST_OTHERS and for others that are all equal: there is no measure
    then, and `consistency` is what can be asked. Raises ValueError for what is not a number.
    """
    if not all(map(math.isfinite, (value, *others))):
        raise ValueError("An outlier can be told among numbers only.")
    if len(others) < FEWEST_OTHERS:
        return ""
    spread, away = stdev(others), abs(value - mean(others))
    if not spread or away < MODERATE_SD * spread:
        return ""
    return "moderate" if away < EXTREME_SD * spread else "extreme"


def consistency(this: float, earlier: Sequence[float]) -> float | None:
    """Consistency over time: *this* period over the mean of the *earlier* ones; 1 is no change.

    None if there are none or their mean is 0. WHO Data Quality Review.
    Raises ValueError for what is not a number from 0.
    """
    for value in (this, *earlier):
        if not 0 <= value < math.inf:
            raise ValueError(f"A period's count must be a number from 0, not {value}.")
    usual = fmean(earlier) if earlier else 0.0
    return this / usual if usual else None


def completeness(received: int, expected: int) -> float | None:
    """Reports received over reports expected, a fraction; None if none is expected.

    WHO Data Quality Review. Raises ValueError if more are received than expected.
    """
    return _share(received, expected)


def timeliness_of_received(on_time: int, received: int) -> float | None:
    """Reports on time over reports received, a fraction; None if none was received.

    What is missing does not count here. Raises ValueError if more are on time than received.
    """
    return _share(on_time, received)


def timeliness_of_expected(on_time: int, expected: int) -> float | None:
    """Reports on time over reports expected, a fraction; None if none is expected.

    What is missing counts as late. Raises ValueError if more are on time than expected.
    """
    return _share(on_time, expected)


def minute_bin(minutes: float) -> int:
    """The lower edge, in whole minutes, of the bin that *minutes* fall into; below 0 counts as 0.

    Raises ValueError for what is not a number.
    """
    if math.isnan(minutes):
        raise ValueError("Minutes must be a number.")
    whole = int(min(max(minutes, 0), LAST_BIN))
    return whole - whole % (_width(whole) or 1)


def bin_width(edge: int) -> int | None:
    """The width in minutes of the bin that begins at *edge*; None for the last, which is open.

    Raises ValueError if no bin begins there.
    """
    if minute_bin(edge) != edge:
        raise ValueError(f"No bin begins at {edge} minutes.")
    return _width(edge)


def percentile(bins: Mapping[int, int], share: float) -> int | None:
    """The lower edge of the bin with the nearest-rank percentile of what *bins* count.

    *bins* is {lower edge: how many}; *share* is above 0 up to 1, so 0.5 is the median: the first
    bin by which at least that share is counted. None if nothing is counted.
    Raises ValueError for another share or a negative count.
    """
    if not 0 < share <= 1:
        raise ValueError(f"The share must be above 0 and at most 1, not {share}.")
    if any(count < 0 for count in bins.values()):
        raise ValueError("A bin cannot hold fewer than none.")
    edges = sorted(bins)
    # As it is written, in decimals: as floats 0.07 of 100 are more than 7.
    rank = math.ceil(Fraction(str(share)) * sum(bins.values()))
    reached = zip(edges, accumulate(bins[edge] for edge in edges), strict=True)
    return next((edge for edge, counted in reached if counted >= rank > 0), None)


def _proportion(k: int, n: int, centre: float) -> Proportion:
    half = LIMIT_SD * math.sqrt(centre * (1 - centre) / n)
    return Proportion(k / n, max(centre - half, 0.0), min(centre + half, 1.0))


def _is_beyond(point: Proportion | None) -> bool:
    if point is None:
        return False
    return not point.low - ON_THE_LIMIT <= point.value <= point.high + ON_THE_LIMIT


def _width(whole: int) -> int | None:
    return next((width for end, width in BIN_WIDTHS if whole < end), None)


def _share(part: int, whole: int) -> float | None:
    check_counts(part, whole)
    return part / whole if whole else None


def _some(k: int, n: int) -> None:
    check_counts(k, n)
    if not n:
        raise ValueError("0 of 0 is no proportion: at least one case is needed.")


def _between(value: float, what: str) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{what} must lie between 0 and 1, not {value}.")


def _z(confidence: float) -> float:
    """How many standard deviations of a normal curve hold *confidence* of it, both sides."""
    _between(confidence, "The confidence")
    return NormalDist().inv_cdf((1 + confidence) / 2)
