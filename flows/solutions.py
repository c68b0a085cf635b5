"""Chlorine and vinegar make-up: how much of what, and how strong it really comes out.

Two volumes are never mixed up here. The `product` is *added to* the `water`; the two together are
*made up to* `made_ml`. 100 mL of 5 % bleach made up to 1 L give 0.5 %; added to
1 L of water they give 0.45 %, which is too weak.

Everything is rounded to the safe side: product up, water down, tablets to whole ones. Inside, the
numbers are fractions of what was written in decimals, so that 5 / 0.05 is 100 and no soak comes
out a hair below its target. Strengths are per cent: grams of available chlorine in 100 mL.
Every function raises ValueError with a plain sentence on input that cannot be.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import Literal

from flows.label import Label, label
from flows.measures import Amount, Asked, Measure, best, exact, number
from flows.strengths import (
    GRAMS_PER_LITRE,
    MOST_LIQUID_PERCENT,
    MOST_POWDER_PERCENT,
    PHYSICAL_PERCENT_PER_DEGREE,
    Stock,
    chlorum_to_percent,
    grams_per_litre_to_percent,
    naocl_to_percent,
    percent_to_grams_per_litre,
    percent_to_ppm,
    ppm_to_percent,
    within,
)

__all__ = [
    "PHYSICAL_PERCENT_PER_DEGREE",
    "Amount",
    "Label",
    "MakeUp",
    "Measure",
    "Stock",
    "added_percent",
    "chlorum_to_percent",
    "grams_per_litre",
    "grams_per_litre_to_percent",
    "label",
    "made_up_percent",
    "make_up",
    "make_up_vinegar",
    "naocl_to_percent",
    "parts_water",
    "percent_to_grams_per_litre",
    "percent_to_ppm",
    "ppm_to_percent",
    "tablets",
    "whole_parts",
]

Caution = Literal[
    "protect",  # gloves, apron, eyes covered
    "fresh_air",  # outdoors in the shade, or windows open
    "plastic_only",  # never metal
    "cold_water",  # never hot
    "water_first",  # then the product
    "add_nothing",  # no detergent, no acid, no ammonia
    "label",  # what, how strong, when, until when
    "let_stand",  # use the clear part only
    "too_strong",  # over the limit: it wastes, corrodes, irritates
    "rinse_before_chlorine",  # vinegar left on a piece makes chlorine gas
    "never_with_chlorine",
]

TABLET = Measure("tablet", 1, 1, "tablet")  # never broken: halves are not equal
CLOUDY = ("calcium hypochlorite", "chlorinated lime")
CHLORINE_CAUTIONS: tuple[Caution, ...] = (
    "protect",
    "fresh_air",
    "plastic_only",
    "cold_water",
    "water_first",
    "add_nothing",
    "label",
)
VINEGAR_CAUTIONS: tuple[Caution, ...] = ("never_with_chlorine", "rinse_before_chlorine")
COLD = ("cold", "cooled")  # from the tap or the well; boiled and left to cool
GAS = "Chlorine with acid, vinegar or ammonia gives off poisonous gas."


def parts_water(stock_percent: float, target_percent: float) -> float:
    """Parts of water for 1 part of liquid bleach."""
    stock, target = _strengths(stock_percent, target_percent, MOST_LIQUID_PERCENT)
    return number(stock / target - 1)


def whole_parts(stock_percent: float, target_percent: float) -> tuple[int, float]:
    """Whole parts of water for 1 part of bleach, rounded down, and the % that this gives."""
    stock, target = _strengths(stock_percent, target_percent, MOST_LIQUID_PERCENT)
    parts = floor(stock / target - 1)
    return parts, number(stock / (1 + parts))


def grams_per_litre(product_percent: float, target_percent: float) -> float:
    """Grams of powder or granules for 1 litre of water; their own volume is ignored."""
    product, target = _strengths(product_percent, target_percent, MOST_POWDER_PERCENT)
    return number(target / product * 1000)


def tablets(tablet_grams_chlorine: float, litres: float, target_percent: float) -> int:
    """Whole tablets for *litres* of water, never too few. A tablet by its available chlorine."""
    each = exact("The chlorine in a tablet", tablet_grams_chlorine)
    wanted = _target(target_percent) * GRAMS_PER_LITRE * exact("The volume", litres)
    return ceil(wanted / each)


def made_up_percent(product: float, stock_percent: float, made: float) -> float:
    """% when *product* of stock is made up to *made* in all (one unit of volume for both)."""
    part, whole = exact("The product", product), exact("The volume made", made)
    if part > whole:
        raise ValueError("There is more product than solution.")
    return number(part * exact("The stock", stock_percent) / whole)


def added_percent(product: float, stock_percent: float, water: float) -> float:
    """% when *product* of stock is added to *water* (one unit of volume for both)."""
    part = exact("The product", product)
    return number(part * exact("The stock", stock_percent) / (part + exact("The water", water)))


@dataclass(frozen=True, slots=True)
class MakeUp:
    """What to measure, and what comes of it.

    *product* is added to *water*; together they are made up to *made_ml*, which is the volume
    asked for or a little less. *product_exact* (mL, g or tablets) and *water_exact_ml* are the
    amounts before rounding. *percent* is what the mix really is: never under the target, and
    *overshoot* times it. For vinegar, per cent means vinegar in the mix.
    """

    product: Amount
    water: Amount
    product_exact: float
    water_exact_ml: float
    made_ml: float
    percent: float
    overshoot: float
    within_limit: bool
    cautions: tuple[Caution, ...]


def make_up(
    stock: Stock,
    litres: float,
    target_percent: float,
    *,
    measures: Sequence[Measure],
    overshoot_limit: float,
    container: str = "plastic",
    water: str = "cold",
    added: Collection[str] = (),
) -> MakeUp:
    """How to make up *litres* of *target_percent* from *stock* with *measures* at hand.

    Of the ways that stay under *overshoot_limit* (times the target) the one with the fewest
    fillings is taken, since each can be miscounted; if none does, the weakest, with a caution.
    Raises ValueError also for a *container* other than plastic, *water* other than cold or
    cooled, and anything *added*.
    """
    _refuse(container, water, added)
    each, target = stock.percent_each(), _target(target_percent)
    liquid, tablet = stock.form == "liquid", stock.form == "tablet"
    if not tablet and each <= target:
        raise ValueError(_weak(each, target))
    asked = Asked(each, target, exact("The volume", litres) * 1000, liquid, MOST_LIQUID_PERCENT)
    own = "mL" if liquid else "g"
    counted = [TABLET] if tablet else [m for m in measures if m.unit == own]
    stands: tuple[Caution, ...] = ("let_stand",) if stock.product in CLOUDY else ()
    cautions = (*CHLORINE_CAUTIONS, *stands)
    return _mix(asked, counted, measures, overshoot_limit, cautions)


def make_up_vinegar(
    litres: float,
    *,
    measures: Sequence[Measure],
    overshoot_limit: float,
    parts_vinegar: float = 1,
    parts_of_water: float = 1,
    added: Collection[str] = (),
) -> MakeUp:
    """How to mix *litres* of vinegar and water, equal parts unless told otherwise.

    Raises ValueError also for anything *added*: with chlorine it gives off poisonous gas.
    """
    _alone("vinegar and water", added)
    vinegar = exact("The parts of vinegar", parts_vinegar)
    target = 100 * vinegar / (vinegar + exact("The parts of water", parts_of_water))
    asked = Asked(Fraction(100), target, exact("The volume", litres) * 1000, True, 100)
    counted = [m for m in measures if m.unit == "mL"]
    return _mix(asked, counted, measures, overshoot_limit, VINEGAR_CAUTIONS)


def _mix(
    asked: Asked,
    counted: Sequence[Measure],
    measures: Sequence[Measure],
    overshoot_limit: float,
    cautions: tuple[Caution, ...],
) -> MakeUp:
    limit = exact("The overshoot limit", overshoot_limit)
    if limit < 1:
        raise ValueError("An overshoot limit under 1 allows no mix as strong as the target.")
    fluid = [m for m in measures if m.unit == "mL"]
    way = best(asked, counted, fluid, limit * asked.target)
    within = way.percent <= limit * asked.target
    return MakeUp(
        product=way.product.amount(),
        water=way.water.amount(),
        product_exact=number(asked.product),
        water_exact_ml=number(asked.water(asked.product)),
        made_ml=number(way.made),
        percent=number(way.percent),
        overshoot=number(way.percent / asked.target),
        within_limit=within,
        cautions=cautions if within else (*cautions, "too_strong"),
    )


def _refuse(container: str, water: str, added: Collection[str]) -> None:
    if container != "plastic":
        raise ValueError(f"Chlorine goes into a plastic container, never metal: not {container}.")
    if water not in COLD:
        raise ValueError(f"Chlorine goes into cold or cooled water, never hot: not {water}.")
    _alone("chlorine", added)


def _alone(what: str, added: Collection[str]) -> None:
    if added:
        more = added if isinstance(added, str) else ", ".join(sorted(added))
        raise ValueError(f"Add nothing to {what}: not {more}. {GAS}")


def _strengths(stock_percent: float, target_percent: float, most: int) -> tuple[Fraction, Fraction]:
    """Both as fractions, the stock within *most* and stronger than the target."""
    stock, target = exact("The stock", stock_percent), exact("The target", target_percent)
    within(stock, most)
    if stock <= target:
        raise ValueError(_weak(stock, target))
    return stock, target


def _target(percent: float) -> Fraction:
    target = exact("The target", percent)
    within(target, MOST_LIQUID_PERCENT)
    return target


def _weak(stock: Fraction, target: Fraction) -> str:
    return (
        f"The stock ({number(stock):g} %) is not stronger than the target ({number(target):g} %)."
    )
