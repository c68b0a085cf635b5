"""What a facility uses in a month besides its sets: chlorine product, what a batch takes, spares.

Pure. Chlorine goes through the recipes of MIX, by the label: what is bought is fresh. Amounts for a
batch are what a person typed, since no protocol holds any.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import ceil

from bot.cupboard import lacking
from bot.desk_card import bottle_name
from bot.needs import Observed
from bot.recipes import Recipe, worked_out
from bot.site import Bottle, Site
from flows.planning import Amounts, supplies
from flows.protocol import Protocol

HOURS_PER_DAY = 24

WHY_NOT: Mapping[str, str] = {
    "weak": "it is not stronger than the target",
    "no_measure": "the register has no measure for it",
    "too_coarse": "no measure of the register is fine enough",
    "too_strong": "with the measures of the register the mix would be too strong",
    "gone": "it is no longer in the register",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Product:
    """A chlorine product: solutions made of it a month, how much each takes and all of them, whole,
    in *unit*; or *why_not* (a key of WHY_NOT) nobody can say."""

    name: str
    solutions: float
    each: float = 0.0
    total: float = 0.0
    unit: str = ""
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Chlorine:
    """Chlorine for a month. *counted* solutions: those told by MIX (*by_mix*), else one and more
    for each of *days* on which a chlorine batch was begun. *lacking*: what the register does not
    say (`cupboard.lacking`)."""

    by_mix: bool
    counted: int
    days: int
    products: tuple[Product, ...] = ()
    lacking: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Supplies:
    """For a month: *batches*, the chlorine, what these batches take by what was typed (0: not
    typed)."""

    batches: int
    chlorine: Chlorine
    typed: Amounts


def month(site: Site, seen: Observed, protocol: Protocol, per_batch: Amounts,
          margin: float = 0.0) -> Supplies | None:  # fmt: skip
    """The supplies of *site* for a month, *margin* (a fraction) more for waste of what was typed;
    None where too little is known. ValueError for an amount or a margin that cannot be."""
    if not seen.enough:
        return None
    batches = ceil(round(seen.a_month(seen.started), 6))
    typed = supplies(batches, per_batch, margin_fraction=margin)
    return Supplies(batches, chlorine(site, seen, protocol), typed)


def chlorine(site: Site, seen: Observed, protocol: Protocol) -> Chlorine:
    """The chlorine of a month, from what MIX was told, or from days where it was told nothing."""
    missing = lacking(site)
    if seen.mixes:
        made = sum(seen.mixes.values())
        products = () if missing else tuple(_told(site, seen, protocol))
        return Chlorine(by_mix=True, counted=made, days=seen.chlorine_days, products=products,
                        lacking=missing)  # fmt: skip
    counted = seen.chlorine_days * solutions_a_day(protocol)
    if missing or not counted:
        return Chlorine(by_mix=False, counted=counted, days=seen.chlorine_days,
                        lacking=missing if counted else ())  # fmt: skip
    first = _product(site, site.stock[0], seen.a_month(counted), protocol)
    return Chlorine(by_mix=False, counted=counted, days=seen.chlorine_days, products=(first,))


def solutions_a_day(protocol: Protocol) -> int:
    """The most that are made on a day of work: one, or more where a solution lasts no whole day."""
    return max(1, ceil(HOURS_PER_DAY / protocol["chlorine.solution_life_hours"]))


def _told(site: Site, seen: Observed, protocol: Protocol) -> Iterator[Product]:
    """The products that MIX was told of, by the register's order, then those that left it."""
    held = {bottle.id: bottle for bottle in site.stock}
    order = [*held]
    for (stock, product), n in sorted(
        seen.mixes.items(), key=lambda m: (order.index(m[0][0]) if m[0][0] in held else len(order),
                                           m[0])):  # fmt: skip
        solutions = seen.a_month(n)
        yield (_product(site, held[stock], solutions, protocol) if stock in held
               else Product(product, solutions, why_not="gone"))  # fmt: skip


def _product(site: Site, bottle: Bottle, solutions: float, protocol: Protocol) -> Product:
    name, found = bottle_name(bottle), worked_out(bottle, bottle.stock, site, protocol)
    if not isinstance(found, Recipe):
        return Product(name, solutions, why_not=found)
    each = found.made.product.total
    total = supplies(solutions, Amounts(each, 0, 0, 0)).chlorine_product
    return Product(name, solutions, each, total, found.made.product.unit)
