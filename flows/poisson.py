"""How sure a rate is that rests on a count: the exact interval of a Poisson mean.

By hand, because the standard library has none, and because a normal curve fits badly where this is
used: a handful of uses in some weeks.
"""

from __future__ import annotations

import math
from collections.abc import Callable

MOST_COUNTED = 10_000_000  # far beyond any programme; it bounds the loops
SMALL = 1e-17  # a term below this part of the sum no longer changes it
HALVINGS = 200  # floats agree long before


def poisson_interval(k: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact (low, high) for the mean behind a count of *k*; low is 0 where *k* is.

    F. Garwood, Biometrika 1936;28:437. At *low* as many as *k* or more have a chance of
    (1 - confidence) / 2, at *high* as few as *k* or fewer. Raises ValueError unless *k* is a whole
    number from 0 to MOST_COUNTED and *confidence* lies between 0 and 1.
    """
    if not 0 <= k <= MOST_COUNTED or k != int(k):
        raise ValueError(f"A count must be a whole number from 0 to {MOST_COUNTED}, not {k}.")
    if not 0 < confidence < 1:
        raise ValueError(f"The confidence must lie between 0 and 1, not {confidence}.")
    tail = (1 - confidence) / 2
    most = k + 1.0
    while _at_most(k, most) > tail:
        most *= 2
    low = _crossing(lambda mean: _at_least(k, mean) < tail, 0.0, k + 1.0) if k else 0.0
    return low, _crossing(lambda mean: _at_most(k, mean) > tail, 0.0, most)


def _crossing(before: Callable[[float], bool], low: float, high: float) -> float:
    """Where *before* stops being true between *low* and *high*."""
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if before(middle) else (low, middle)
    return high


def _at_most(k: int, mean: float) -> float:
    """The chance of *k* or fewer: the term of *k*, and those below it."""
    term = total = 1.0
    for i in range(k, 0, -1):
        term *= i / mean
        total += term
        if term < SMALL * total:
            break
    return min(_term(k, mean) * total, 1.0)


def _at_least(k: int, mean: float) -> float:
    """The chance of *k* or more: the term of *k*, and those above it."""
    term = total = 1.0
    above = k
    while term >= SMALL * total:
        above += 1
        term *= mean / above
        total += term
    return min(_term(k, mean) * total, 1.0)


def _term(k: int, mean: float) -> float:
    return math.exp(k * math.log(mean) - mean - math.lgamma(k + 1))
