"""Where things lie: round ends, ticks, labels that do not cover each other, strokes of a hatch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

Hatch = Literal["", "/", "-", "x"]
Stroke = tuple[tuple[float, float], tuple[float, float]]

HATCH = 10.0  # px between slanted strokes
LEVEL = 3.5  # px between level ones
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


def hatching(box: tuple[float, float, float, float], hatch: Hatch) -> list[Stroke]:
    """The strokes that fill *box* (left, top, width, height in px) with slanted lines "/", level
    ones "-" or crossed ones "x". Those of boxes side by side go on from one to the next."""
    left, top, width, height = box
    if hatch == "-":
        rows = range(1, math.ceil(height / LEVEL))
        return [((left, top + k * LEVEL), (left + width, top + k * LEVEL)) for k in rows]
    strokes = _slanted(left, top, width, height) if hatch else []
    if hatch == "x":
        right = left + width
        mirrored = _slanted(-right, top, width, height)
        strokes += [((-a, b), (-c, d)) for (a, b), (c, d) in mirrored]
    return strokes


def _slanted(left: float, top: float, width: float, height: float) -> list[Stroke]:
    """The lines on which x + y is a multiple of HATCH, as far as they lie in the box."""
    first, last = (left + top) / HATCH, (left + width + top + height) / HATCH
    sums = [k * HATCH for k in range(math.ceil(first), math.floor(last) + 1)]
    ends = [(at, max(top, at - left - width), min(top + height, at - left)) for at in sums]
    return [((at - a, a), (at - b, b)) for at, a, b in ends if b > a]
