"""How many sets a facility needs by its own use and turnaround, and how sure that is.

Pure: from what was counted in some weeks to the need. A month has 30 days. Where too little is
known nothing is made up: the births that were said stand in with the protocol's numbers, or there
is no answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal, NamedTuple, get_args

from bot.model import SetState
from flows.batch import Kind
from flows.planning import HOURS_PER_MONTH, erlang_b, sets_for
from flows.poisson import poisson_interval
from flows.protocol import Protocol

WEEKS = 12  # looked back: one season, and long enough to hold a handful of uses
FEWEST_DAYS = 28  # four whole weeks, each day of the week as often
FEWEST_SAID_DAYS = 7  # of births said: each day of the week once
DAYS_PER_MONTH = 30
MOST_SHOWN = 40  # numbers of sets on one curve: the last ones, where the chance falls
BEYOND = 2  # sets shown beyond the need
KINDS: tuple[Kind, ...] = get_args(Kind)

How = Literal["measured", "births", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """What was counted at a facility from *since* to *until* (its days, both included) by `Store`
    measures of the same names; *uses* are bags_begun and suctions_begun.

    *days* is how many of these days it has been heard of, *weeks* how many calendar weeks they
    touch, *quiet* in how many of those nothing came. *chlorine_days* are days on which a chlorine
    batch was begun, *mixes* the solutions made by MIX, by id and product of the stock.
    """

    since: date
    until: date
    days: int = 0
    weeks: int = 0
    quiet: int = 0
    uses: Mapping[Kind, int] = field(default_factory=dict)
    started: int = 0
    cancelled: int = 0
    births: int = 0
    timed: int = 0
    timed_minutes: int = 0
    pieces_missing: int = 0
    pieces_damaged: int = 0
    tests_failed: int = 0
    chlorine_days: int = 0
    mixes: Mapping[tuple[str, str], int] = field(default_factory=dict)

    @property
    def enough(self) -> bool:
        """Whether it was heard of for long enough to measure by."""
        return self.days >= FEWEST_DAYS

    def a_month(self, counted: float) -> float:
        """What was *counted* in these days as so many a month. There is at least one day."""
        return counted / self.days * DAYS_PER_MONTH


@dataclass(frozen=True, slots=True)
class Rate:
    """Uses a month: the middle and both ends of the interval at 95 %. *counted* is what they are
    made from: uses, or births said."""

    how: How
    counted: int = 0
    middle: float = 0.0
    low: float = 0.0
    high: float = 0.0


class Turnaround(NamedTuple):
    """Mean hours from a use to READY, *of* so many batches; 0 where they are the protocol's."""

    hours: float
    of: int


class Stock(NamedTuple):
    """Sets of one kind: those *owned* by the register, and how many of them are SET ASIDE."""

    owned: int
    aside: int

    @property
    def usable(self) -> int:
        """Those that can be READY."""
        return self.owned - self.aside


class Chance(NamedTuple):
    """How many of the uses, 0 to 1, find none READY with so many *sets*."""

    sets: int
    none_ready: float


@dataclass(frozen=True, slots=True)
class Sized:
    """What a rate of use comes to: *load* is how many sets are away on average, *needed* the fewest
    with which the risk is kept, *up_to* the same at the upper end of the rate. *now* is the chance
    with those that are usable, *curve* that with other numbers of sets, in order."""

    load: float
    needed: int
    up_to: int
    now: float
    curve: tuple[Chance, ...]


@dataclass(frozen=True, slots=True)
class Need:
    """The need of one kind at one facility; *sized* is None where too little is known."""

    kind: Kind
    stock: Stock
    rate: Rate
    turnaround: Turnaround
    risk: float
    sized: Sized | None

    @property
    def short(self) -> int:
        """Sets that are missing now: to be bought, or mended where one is SET ASIDE."""
        return max(self.sized.needed - self.stock.usable, 0) if self.sized else 0

    @property
    def buy(self) -> int:
        """Sets that are missing even when none is SET ASIDE."""
        return max(self.sized.needed - self.stock.owned, 0) if self.sized else 0


def needs(seen: Observed, stocks: Mapping[Kind, Stock], protocol: Protocol) -> tuple[Need, ...]:
    """The need of each kind that the facility has or used; of bags always."""
    return tuple(
        _need(kind, seen, stocks.get(kind, Stock(0, 0)), protocol)
        for kind in KINDS
        if kind == "bag" or stocks.get(kind, Stock(0, 0)).owned or seen.uses.get(kind)
    )


def _need(kind: Kind, seen: Observed, stock: Stock, protocol: Protocol) -> Need:
    rate, turnaround = rate_of(kind, seen, protocol), turnaround_of(seen, protocol)
    risk = protocol["planning.risk"]
    sized = None if rate.how == "unknown" else _sized(rate, turnaround, stock, risk)
    return Need(kind, stock, rate, turnaround, risk, sized)


def rate_of(kind: Kind, seen: Observed, protocol: Protocol) -> Rate:
    """Measured where it was heard of for long enough; else births said and the protocol's part of
    them; else unknown."""
    if seen.enough:
        return _rate("measured", seen.uses.get(kind, 0), 1.0, seen)
    if seen.births and seen.days >= FEWEST_SAID_DAYS:
        return _rate("births", seen.births, protocol["planning.used_fraction"], seen)
    return Rate("unknown")


def _rate(how: How, counted: int, each: float, seen: Observed) -> Rate:
    low, high = poisson_interval(counted)
    middle, low, high = (seen.a_month(n) * each for n in (counted, low, high))
    return Rate(how, counted, middle, low, high)


def turnaround_of(seen: Observed, protocol: Protocol) -> Turnaround:
    """The mean of the batches that ended READY; the protocol's where none did."""
    if seen.timed and seen.timed_minutes:
        return Turnaround(seen.timed_minutes / seen.timed / 60, seen.timed)
    return Turnaround(protocol["planning.turnaround_hours"], 0)


def load_of(uses_a_month: float, hours: float) -> float:
    """Sets away on average. Unlike `planning.offered_load` it takes a turnaround of any length: one
    that was measured is as it is."""
    return uses_a_month * hours / HOURS_PER_MONTH


def _sized(rate: Rate, turnaround: Turnaround, stock: Stock, risk: float) -> Sized:
    load = load_of(rate.middle, turnaround.hours)
    needed = sets_for(load, risk)
    shown = {*range(max(1, needed + BEYOND + 1 - MOST_SHOWN), needed + BEYOND + 1), stock.usable}
    return Sized(
        load, needed, sets_for(load_of(rate.high, turnaround.hours), risk),
        erlang_b(stock.usable, load), tuple(Chance(n, erlang_b(n, load)) for n in sorted(shown)),
    )  # fmt: skip


def stocks(sets: Iterable[tuple[Kind, SetState]], now: datetime) -> dict[Kind, Stock]:
    """The registered *sets* of a facility as stocks, each with its condition at *now*."""
    found = dict.fromkeys(KINDS, Stock(0, 0))
    for kind, state in sets:
        owned, aside = found[kind]
        found[kind] = Stock(owned + 1, aside + (state.now(now) == "SET ASIDE"))
    return found
