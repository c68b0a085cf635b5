"""Where things lie on an axis: round ends, ticks, and labels that do not cover each other."""

from __future__ import annotations

import math
from collections.abc import Sequence

TICKS = 5  # steps between ticks, at most
EVEN = tuple(digit * 10.0**power for power in range(-3, 9) for digit in (1, 2, 5))
CLOCK = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 240.0, 480.0, 1440.0, 2880.0, 7200.0,
         14400.0, 43200.0)  # fmt: skip


def step(low: float, high: float, steps: Sequence[float] = EVEN) -> float:
    """The smallest of *steps* of which at most TICKS lie from *low* to *high*, or else the last."""
    rough = (high - low) / TICKS * 0.999
    return next((by for by in steps if by >= rough), steps[-1])


def round_ends(low: float, high: float, steps: Sequence[float] = EVEN) -> tuple[float, float]:
    """The next round values outside *low* and *high*, two different ones."""
    # What is as good as one value gets a step of its own size, not one that floats cannot tell.
    by = step(low, max(high, low + abs(low) / 100), steps)
    foot, head = math.floor(low / by + 1e-9) * by, math.ceil(high / by - 1e-9) * by
    if foot < head:
        return foot, head
    return (foot - by, head) if foot >= by else (foot, head + by)


def ticks(low: float, high: float, steps: Sequence[float] = EVEN) -> list[float]:
    """Round values from *low* to *high*."""
    by = step(low, high, steps)
    first = math.ceil(low / by - 1e-9)
    return [k * by for k in range(first, math.floor(high / by + 1e-9) + 1)]


def apart(wanted: Sequence[float], ends: tuple[float, float], least: float) -> list[float]:
    """*wanted* moved as little as needed to be *least* apart, a fraction of *ends*, in their order.

    Where there is no room for all they keep their distance and go beyond the upper end.
    """
    gap = least * (ends[1] - ends[0])
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = dict.fromkeys(order, 0.0)
    at = -math.inf
    for i in order:
        at = max(wanted[i], at + gap)
        placed[i] = at
    at = max(ends[1], ends[0] + gap * (len(order) - 1))
    for i in reversed(order):
        placed[i] = min(placed[i], at)
        at = placed[i] - gap
    return [placed[i] for i in range(len(wanted))]
