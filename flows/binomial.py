"""The binomial distribution by exact summation: how many of *n* cases, each with chance *p*.

By hand, because the standard library has none, and because a normal curve fits badly where this is
used: a few cases, and proportions close to 1.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import accumulate

MOST_CASES = 10_000_000  # far beyond any programme; it bounds the loops
TIE = 1e-12  # a chance that equals q but for the rounding of floats has reached it


def check_counts(k: int, n: int) -> None:
    """Raises ValueError unless *k* of *n* can be: whole numbers, 0 <= k <= n <= MOST_CASES."""
    if not 0 <= k <= n <= MOST_CASES or k != int(k) or n != int(n):
        raise ValueError(
            f"{k} of {n} cannot be: whole numbers are needed, the first from 0 to the second, "
            f"the second at most {MOST_CASES}."
        )


def check_chance(value: float, what: str) -> None:
    """Raises ValueError unless *value* is a number from 0 to 1."""
    if not 0 <= value <= 1:  # also turns away what is not a number
        raise ValueError(f"{what} must be a number from 0 to 1, not {value}.")


def binomial_quantile(n: int, p: float, q: float) -> int:
    """The smallest k for which at most k of *n* happen with chance *q* or more, each at chance *p*.

    0 <= p <= 1 and 0 < q < 1; the answer is a count from 0 to *n*. Raises ValueError otherwise.
    """
    check_counts(0, n)
    check_chance(p, "The chance of one case")
    if not 0 < q < 1:
        raise ValueError(f"A quantile must lie between 0 and 1, not {q}.")
    lowest, weights = _weights(int(n), p)
    reached = math.fsum(weights) * q * (1 - TIE)
    below = sum(1 for total in accumulate(weights) if total < reached)
    return lowest + below


def _weights(n: int, p: float) -> tuple[int, list[float]]:
    """The first count that weighs anything, and the weights from there; the likeliest weighs 1.

    Weights and not chances: (1 - p) to the power n is 0 in floats long before n is large.
    """
    likeliest = min(int((n + 1) * p), n)
    down = list(_falling(k * (1 - p) / ((n - k + 1) * p) for k in range(likeliest, 0, -1)))
    up = list(_falling((n - k) * p / ((k + 1) * (1 - p)) for k in range(likeliest, n)))
    return likeliest - len(down), [*reversed(down), 1.0, *up]


def _falling(ratios: Iterator[float]) -> Iterator[float]:
    """The products of *ratios* one after the other, until nothing is left of them."""
    weight = 1.0
    for ratio in ratios:
        weight *= ratio
        if not weight:
            return
        yield weight
