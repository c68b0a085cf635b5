"""Lethality of a log of temperatures: A0 of hot water, F0 of steam.

It never shortens the time that a protocol asks for: it is shown as information, and a row of a
protocol's table that reaches too little of it is refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise

from flows.steam import within

Sample = tuple[float, float]
INF = float("inf")

A0_REFERENCE_C = 80.0  # ISO 15883-1, Annex B: seconds at 80 C
# What a thermometer in water or steam can show. Outside it the probe is broken, and one such
# sample would outweigh a whole cycle.
LOG_C = (-50.0, 200.0)


def a0_seconds(samples: Iterable[Sample], floor_c: float = 65, z: float = 10) -> float:
    """A0 of a log: how many seconds at 80 C would have done the same.

    *samples* are (seconds, C) in order of time. Samples colder than *floor_c* count nothing.
    Straight lines are drawn between the lethalities of the samples (the trapezoid rule over
    lethality, not over temperature). Where the temperature changes between two samples this
    reads high: by less than 0.5 % at 1 C a sample, 11 % at 5 C, so sample often. Two samples
    at one moment make a step.
    """
    return _lethality(samples, A0_REFERENCE_C, within(floor_c, *LOG_C, "The floor in C"), z)


def f0_minutes(samples: Iterable[Sample], reference_c: float = 121.1, z: float = 10) -> float:
    """F0 of a log: how many minutes at *reference_c* would have done the same.

    *samples* and the lines between them are as in `a0_seconds`; no sample is too cold to count.
    """
    within(reference_c, *LOG_C, "The reference temperature in C")
    return _lethality(samples, reference_c, -INF, z) / 60


def _lethality(samples: Iterable[Sample], reference_c: float, floor_c: float, z: float) -> float:
    if not 0 < z < INF:
        raise ValueError(f"z must be a number of degrees above 0, not {z:g}.")
    points = [_point(seconds, temp, reference_c, floor_c, z) for seconds, temp in samples]
    if len(points) < 2:
        raise ValueError("A log needs at least two samples.")
    if any(then < now for (now, _), (then, _) in pairwise(points)):
        raise ValueError("The samples run backwards in time.")
    return sum((then - now) * (a + b) / 2 for (now, a), (then, b) in pairwise(points))


def _point(
    seconds: float, temp_c: float, reference_c: float, floor_c: float, z: float
) -> tuple[float, float]:
    within(seconds, -1e12, 1e12, "The time of a sample in seconds")
    within(temp_c, *LOG_C, "The temperature of a sample in C")
    rate = math.pow(10, (temp_c - reference_c) / z) if temp_c >= floor_c else 0.0
    return seconds, rate
