"""How many sets a facility needs, and how much it uses in a month.

A set is a server: it is busy from its use until it is READY again, and a birth that needs one
while all are busy finds none. That is Erlang's loss system. Hours, months of 30 days.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from heapq import heappop, heappush

HOURS_PER_MONTH = 30 * 24
MOST_SETS = 100_000  # far beyond any programme; it bounds the loops
MOST_BIRTHS = 10_000_000


def erlang_b(sets: float, load: float) -> float:
    """The fraction of uses that find no ready set, of *sets* at *load* (sets in use on average).

    Poisson arrivals, any distribution of the turnaround. Erlang's recursion: B(0) = 1,
    B(k) = load B(k-1) / (k + load B(k-1)).
    """
    whole = _whole(sets, 0, "The number of sets")
    _within(load, 0, MOST_SETS, "The load")
    blocked = 1.0
    for k in range(1, whole + 1):
        blocked = load * blocked / (k + load * blocked)
    return blocked


def offered_load(births_per_month: float, used_fraction: float, turnaround_hours: float) -> float:
    """How many sets would be in use or in process on average if there were always one more."""
    per_hour = uses_per_month(births_per_month, used_fraction) / HOURS_PER_MONTH
    return per_hour * _positive(turnaround_hours, HOURS_PER_MONTH, "The turnaround in hours")


def uses_per_month(births_per_month: float, used_fraction: float) -> float:
    """How often in a month a set is used and must be reprocessed."""
    births = _within(births_per_month, 0, MOST_BIRTHS, "The births per month")
    return births * _within(used_fraction, 0, 1, "The fraction of births that use a set")


def sets_needed(
    births_per_month: float, used_fraction: float, turnaround_hours: float, risk: float
) -> int:
    """The fewest sets with which at most *risk* of the uses find none ready. At least one."""
    return sets_for(offered_load(births_per_month, used_fraction, turnaround_hours), risk)


def sets_for(load: float, risk: float) -> int:
    """The fewest sets with which `erlang_b` of *load* is at most *risk*, between 0 and 1."""
    _within(load, 0, MOST_SETS, "The load")
    if not 0 < risk < 1:
        raise ValueError(f"The risk must lie between 0 and 1, not {risk}: no stock makes it 0.")
    sets, blocked = 0, 1.0
    while blocked > risk:
        sets += 1
        blocked = load * blocked / (sets + load * blocked)
    return sets


@dataclass(frozen=True, slots=True)
class Tally:
    """How often a set was wanted, and how often none was ready."""

    uses: int
    without: int


def tally(arrivals: Iterable[float], sets: float, turnaround: Callable[[], float]) -> Iterator[int]:
    """For each time in *arrivals* (hours, in order): 1 if no set of *sets* was ready, else 0.

    The times may be those of a register or those of `poisson`. *turnaround* is called once for
    each set taken and gives its hours from this use until it is ready.
    """
    whole = _whole(sets, 0, "The number of sets")
    busy: list[float] = []  # a heap of the hours at which the sets away come back
    before = -math.inf
    for at in arrivals:
        if not before <= at < math.inf:
            raise ValueError("The times of the uses must be numbers in order.")
        before = at
        while busy and busy[0] <= at:
            heappop(busy)
        if len(busy) >= whole:
            yield 1
            continue
        heappush(busy, at + _positive(turnaround(), math.inf, "A turnaround in hours"))
        yield 0


def counted(arrivals: Iterable[float], sets: float, turnaround: Callable[[], float]) -> Tally:
    """`tally` as two numbers."""
    outcomes = list(tally(arrivals, sets, turnaround))
    return Tally(len(outcomes), sum(outcomes))


def poisson(per_hour: float, uniform: Callable[[], float]) -> Iterator[float]:
    """Times in hours at which uses arrive that know nothing of each other; it does not end.

    *uniform* gives random numbers from 0 up to but not including 1, as `Random(seed).random`.
    """
    _positive(per_hour, math.inf, "The uses per hour")
    at = 0.0
    while True:
        at -= math.log1p(-uniform()) / per_hour
        yield at


@dataclass(frozen=True, slots=True)
class Agreement:
    """Formula against simulation: fractions of uses that found no set ready.

    *standard_error* is that of *simulated*, and None where too few uses were lost to tell.
    """

    formula: float
    simulated: float
    standard_error: float | None
    uses: int

    @property
    def difference(self) -> float:
        """Simulated less formula."""
        return self.simulated - self.formula


def compare(
    sets: float,
    uses_per_hour: float,
    turnaround: Callable[[], float],
    mean_turnaround_hours: float,
    uniform: Callable[[], float],
    *,
    blocks: int = 50,
    uses_per_block: int = 2000,
) -> Agreement:
    """How far `erlang_b` and a simulation of *blocks* x *uses_per_block* uses agree.

    Losses come in clusters, so the standard error is taken over blocks that are long against a
    turnaround, not over single uses. A first block is run and left out: all sets start ready.
    """
    _whole(blocks, 2, "The number of blocks")
    _whole(uses_per_block, 1, "The uses per block")
    mean = _positive(mean_turnaround_hours, math.inf, "The mean turnaround in hours")
    outcomes = tally(poisson(uses_per_hour, uniform), sets, turnaround)
    lost = [sum(next(outcomes) for _ in range(uses_per_block)) for _ in range(blocks + 1)][1:]
    rates = [n / uses_per_block for n in lost]
    simulated = sum(rates) / blocks
    variance = sum((r - simulated) ** 2 for r in rates) / (blocks - 1)
    return Agreement(
        formula=erlang_b(sets, uses_per_hour * mean),
        simulated=simulated,
        standard_error=math.sqrt(variance / blocks) if variance else None,
        uses=blocks * uses_per_block,
    )


@dataclass(frozen=True, slots=True)
class Amounts:
    """What one batch takes, or a month: *chlorine_product* in mL or g, whichever it is sold by."""

    chlorine_product: float
    vinegar_ml: float
    cloths: float
    glove_pairs: float


def batches_per_month(
    births_per_month: float, used_fraction: float, sets_per_batch: float = 1
) -> int:
    """How many batches a month takes, the last one begun counted whole."""
    together = _whole(sets_per_batch, 1, "The sets per batch")
    return _up(uses_per_month(births_per_month, used_fraction) / together)


def supplies(batches: float, per_batch: Amounts, *, margin_fraction: float = 0.0) -> Amounts:
    """What *batches* take, *margin_fraction* more for waste, each rounded up to a whole unit."""
    _within(batches, 0, MOST_BIRTHS, "The number of batches")
    factor = batches * (1 + _within(margin_fraction, 0, 10, "The margin as a fraction"))
    return Amounts(
        _total(per_batch.chlorine_product, factor, "The chlorine product per batch"),
        _total(per_batch.vinegar_ml, factor, "The vinegar per batch"),
        _total(per_batch.cloths, factor, "The cloths per batch"),
        _total(per_batch.glove_pairs, factor, "The pairs of gloves per batch"),
    )


def _total(amount: float, factor: float, what: str) -> float:
    return float(_up(_within(amount, 0, 1e6, what) * factor))


def _up(value: float) -> int:
    """The whole number at or above *value*; 300 x 0.07 is 21, though floats make it more."""
    return math.ceil(round(value, 6))


def _within(value: float, low: float, high: float, what: str) -> float:
    if not low <= value <= high:  # also turns away what is not a number
        raise ValueError(f"{what} must be a number from {low:g} to {high:g}, not {value}.")
    return value


def _positive(value: float, high: float, what: str) -> float:
    if not 0 < value <= high or math.isinf(value):
        raise ValueError(f"{what} must be a number above 0, not {value}.")
    return value


def _whole(value: float, low: int, what: str) -> int:
    if not low <= value <= MOST_SETS or value != int(value):
        raise ValueError(f"{what} must be a whole number from {low}, not {value}.")
    return int(value)
