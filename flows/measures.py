"""The measures that a facility has, what they can read, and the best way to mix with them.

A measure is filled whole some number of times, and once to a mark: a cup without marks has one
step, as large as the cup. Amounts are fractions of what was written in decimals, so that nothing
is rounded to the unsafe side by a binary float.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor, isfinite
from typing import Literal, NamedTuple

MeasureUnit = Literal["mL", "g", "tablet"]
UNITS: tuple[MeasureUnit, ...] = ("mL", "g", "tablet")


def exact(name: str, value: float) -> Fraction:
    """*value* as it is written in decimals. Raises ValueError unless it is finite and above 0."""
    try:
        given = float(value)
    except OverflowError:
        raise ValueError(f"{name} is too large.") from None
    if not isfinite(given) or given <= 0:
        raise ValueError(f"{name} must be a number above zero, not {value}.")
    return Fraction(repr(given))


def number(value: Fraction) -> float:
    """The nearest float. Raises ValueError where there is none."""
    try:
        return float(value)
    except OverflowError:
        raise ValueError("The result is too large.") from None


@dataclass(frozen=True, slots=True)
class Measure:
    """A cup, jug, syringe or spoon: what it *holds* and its smallest *step*, in mL or g."""

    name: str
    holds: float
    step: float
    unit: MeasureUnit = "mL"

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise ValueError(f"A measure holds mL or g, not {self.unit}.")
        holds, step = exact("What a measure holds", self.holds), exact("Its step", self.step)
        if step > holds:
            raise ValueError(f"The step of {self.name} is larger than what it holds.")


@dataclass(frozen=True, slots=True)
class Amount:
    """*full* fillings of *measure*, then *rest* up to its mark: *total* in *unit*."""

    measure: str
    unit: MeasureUnit
    full: int
    rest: float
    total: float


class Reading(NamedTuple):
    """An amount that *measure* can read, as fractions."""

    measure: Measure
    full: int
    rest: Fraction

    @property
    def total(self) -> Fraction:
        return self.full * exact("What a measure holds", self.measure.holds) + self.rest

    @property
    def fillings(self) -> int:
        return self.full + (self.rest > 0)

    def amount(self) -> Amount:
        return Amount(
            measure=self.measure.name,
            unit=self.measure.unit,
            full=self.full,
            rest=number(self.rest),
            total=number(self.total),
        )


def read(measure: Measure, wanted: Fraction, *, up: bool) -> Reading:
    """The nearest amount to *wanted* that *measure* can read, not below it if *up*, else not above.

    *wanted* is in the measure's unit; what is below zero reads as zero or less.
    """
    holds, step = exact("What a measure holds", measure.holds), exact("Its step", measure.step)
    full = floor(wanted / holds)
    steps = (wanted - full * holds) / step
    rest = (ceil(steps) if up else floor(steps)) * step
    if rest >= holds:
        return Reading(measure, full + 1, Fraction(0))
    return Reading(measure, full, rest)


class Asked(NamedTuple):
    """A solution to mix: *millilitres* of *target* %.

    *each* is the % that one unit of product makes of one mL; *takes_room* says whether the product
    is part of the volume (a liquid) or vanishes in it; *most* is the strongest mix there can be.
    """

    each: Fraction
    target: Fraction
    millilitres: Fraction
    takes_room: bool
    most: int

    @property
    def product(self) -> Fraction:
        """mL, g or tablets, before rounding."""
        return self.millilitres * self.target / self.each

    def water(self, product: Fraction) -> Fraction:
        """mL of water that *product* is added to."""
        return self.millilitres - product if self.takes_room else self.millilitres


class Way(NamedTuple):
    """One way to mix: the two readings, mL *made* in all, and the % that they really give."""

    product: Reading
    water: Reading
    made: Fraction
    percent: Fraction


def best(asked: Asked, counted: Sequence[Measure], fluid: Sequence[Measure], most: Fraction) -> Way:
    """The way with the fewest fillings of those that stay at or under *most* %; else the weakest.

    *counted* measure the product, *fluid* the water. The product's fillings come first, then its
    amount: so a stronger stock never asks for more of itself. Raises ValueError if no measure
    serves.
    """
    if not counted or not fluid:
        raise ValueError("There is no measure for the product, or none for the water.")

    def rank(way: Way) -> tuple[bool, int, Fraction, int, Fraction]:
        fits = way.percent <= most
        fillings = (way.product.fillings, way.water.fillings) if fits else (0, 0)
        return not fits, fillings[0], way.product.total, fillings[1], way.percent

    found = min(_ways(asked, counted, fluid), key=rank, default=None)
    if found is None:
        raise ValueError("No measure is fine enough for so little.")
    return found


def _ways(asked: Asked, counted: Sequence[Measure], fluid: Sequence[Measure]) -> Iterator[Way]:
    for measure in counted:
        product = read(measure, asked.product, up=True)
        for jug in fluid:
            water = read(jug, asked.water(product.total), up=False)
            if water.total > 0:
                made = water.total + (product.total if asked.takes_room else 0)
                percent = product.total * asked.each / made
                if percent <= asked.most:
                    yield Way(product, water, made, percent)
