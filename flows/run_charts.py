"""Run charts: is a series of months more than chance, by rules that look at a line in the middle.

The rules are those of quality improvement in health care: shift and trend after Perla, Provost
and Murray (BMJ Qual Saf 2011;20:46), the longest run and the crossings after Anhoj and Olesen
(PLoS ONE 2014;9:e113825), who hold the trend rule nearly useless for a slow drift. Shift and trend
have fixed lengths: chance alone breaks them the more often, the longer the series. The other two
allow for its length; chance breaks one of them in about one series of twenty.

A point on the line is not useful: it neither counts nor breaks a run. A gap (None) is no point at
all: its neighbours follow each other. With fewer than 10 useful points no rule says much.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from operator import itemgetter
from statistics import median
from typing import Literal, NamedTuple

from flows.binomial import binomial_quantile

SHIFT = 6  # useful points on one side of the line
TREND = 5  # points that rise or fall, one after the other
CROSSINGS_CHANCE = 0.05  # so seldom are there fewer crossings if all is chance

Rule = Literal["beyond the limits", "shift", "trend", "longest run", "few crossings"]


class Signal(NamedTuple):
    """A rule that a series breaks, from the point *first* to the point *last*, counted from 0."""

    rule: Rule
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class RunChart:
    """What the rules found. *centre* has the unit of the values; the rest are counts of points.

    A run longer than *longest_allowed* and fewer crossings than *fewest_crossings* are signals.
    *centre* is None if there was no value; both limits are None if no point is useful.
    """

    centre: float | None
    useful: int
    longest: int
    longest_allowed: int | None
    crossings: int
    fewest_crossings: int | None
    signals: tuple[Signal, ...]


class _Point(NamedTuple):
    place: int
    value: float


def run_chart(values: Sequence[float | None], centre: float | None = None) -> RunChart:
    """The rules applied to *values* in order of time, around *centre* or else their median.

    Signals come in order of their first point. Values are compared as they are: on the line is
    what equals it. Raises ValueError if a value or *centre* is not a finite number.
    """
    points = [_Point(i, _finite(value)) for i, value in enumerate(values) if value is not None]
    if centre is not None:
        line = _finite(centre)
    elif points:
        line = median(point.value for point in points)
    else:
        return RunChart(None, 0, 0, None, 0, None, ())
    return _judged(line, _runs(points, line), _trends(points))


def longest_run_allowed(useful: int) -> int:
    """The longest run that chance explains among so many useful points (1 or more)."""
    return round(math.log2(useful) + 3)


def fewest_crossings_expected(useful: int) -> int:
    """The fewest crossings of the line that chance explains: the 5 % quantile (1 point or more)."""
    return binomial_quantile(useful - 1, 0.5, CROSSINGS_CHANCE)


def _judged(line: float, runs: list[list[int]], trends: Iterator[Signal]) -> RunChart:
    useful, crossings = sum(map(len, runs)), max(len(runs) - 1, 0)
    allowed = longest_run_allowed(useful) if useful else None
    fewest = fewest_crossings_expected(useful) if useful else None
    signals = [*_long(runs, "shift", SHIFT), *trends]
    if allowed is not None:
        signals += _long(runs, "longest run", allowed + 1)
    if fewest is not None and crossings < fewest:
        signals.append(Signal("few crossings", runs[0][0], runs[-1][-1]))
    signals.sort(key=itemgetter(1, 2))
    longest = max(map(len, runs), default=0)
    return RunChart(line, useful, longest, allowed, crossings, fewest, tuple(signals))


def _runs(points: list[_Point], line: float) -> list[list[int]]:
    """The indices of the useful points, cut wherever the line is crossed."""
    useful = [(point.place, point.value > line) for point in points if point.value != line]
    return [[index for index, _ in run] for _, run in groupby(useful, key=itemgetter(1))]


def _long(runs: list[list[int]], rule: Rule, least: int) -> Iterator[Signal]:
    return (Signal(rule, run[0], run[-1]) for run in runs if len(run) >= least)


def _trends(points: list[_Point]) -> Iterator[Signal]:
    """Equal neighbours count once, as the first of them; where it turns, a point is in both."""
    apart = [next(equals) for _, equals in groupby(points, key=lambda point: point.value)]
    for _, steps in groupby(pairwise(apart), key=lambda step: step[0].value < step[1].value):
        way = list(steps)
        if len(way) + 1 >= TREND:
            yield Signal("trend", way[0][0].place, way[-1][1].place)


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"A run chart needs numbers, not {value}.")
    return value
