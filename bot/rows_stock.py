"""The register's cells about mixing: measures, the soak container, and the chlorine in stock."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite
from typing import cast, get_args

from bot.rows import Reader, Row, an_id, one_of
from bot.site import Bottle
from flows.measures import UNITS, Measure, MeasureUnit
from flows.strengths import Form, Product, Stock, Unit

STOCK_COLUMNS = ("id", "facility", "product", "form", "strength", "unit", "opened", "celsius")
SOAK_ML = (100.0, 100_000.0)  # a cup to a barrel: what is outside is a slip
CELSIUS = (-30.0, 60.0)  # where people store anything
MOST_MEASURES = 8

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,11}")
_HOW = "a measure is written name:holds:step, such as jug:1000:50, and :g after it for grams"


@dataclass(frozen=True, slots=True)
class Held:
    """A bottle, bag or tin, and the *facility* that holds it."""

    bottle: Bottle
    facility: str


def measures(text: str) -> tuple[Measure, ...]:
    """`jug:1000:50 spoon:5:5:g` as measures in mL, or in g; may be none."""
    found = tuple(_measure(word) for word in text.split())
    if len(found) > MOST_MEASURES:
        raise ValueError(f"at most {MOST_MEASURES} measures")
    if len({m.name.lower() for m in found}) < len(found):
        raise ValueError("two measures have the same name")
    return found


def _measure(word: str) -> Measure:
    name, *rest = word.split(":")
    if len(rest) not in (2, 3) or not _NAME.fullmatch(name):
        raise ValueError(_HOW)
    unit = rest[2] if len(rest) == 3 else "mL"
    if unit not in UNITS or unit == "tablet":
        raise ValueError(_HOW)
    try:
        holds, step = float(rest[0]), float(rest[1])
    except ValueError:
        raise ValueError(_HOW) from None
    return Measure(name, holds, step, cast("MeasureUnit", unit))


def measure_words(found: Iterable[Measure]) -> str:
    """Measures as their cell has them."""
    return " ".join(
        f"{m.name}:{m.holds:g}:{m.step:g}" + ("" if m.unit == "mL" else f":{m.unit}")
        for m in found
    )


def soak_ml(text: str) -> float:
    """What the soak container is filled with, in mL; 0 where nobody says."""
    if not text:
        return 0.0
    return _between(text, *SOAK_ML, "what the soak container is filled with, in mL")


def held(reader: Reader, row: Row) -> Held | None:
    """One row of the stock; None, with every problem said, if it cannot be used."""
    before = len(reader.problems)
    bottle_id = reader.take(row, "id", an_id, "")
    facility = reader.take(row, "facility", an_id, "")
    product = reader.take(row, "product", one_of(*map(_word, get_args(Product))), "")
    form = reader.take(row, "form", one_of(*get_args(Form)), "")
    unit = reader.take(row, "unit", one_of(*map(_word, get_args(Unit))), "")
    strength = reader.take(row, "strength", _strength, 0.0)
    opened = reader.take(row, "opened", _day, None)
    celsius = reader.take(row, "celsius", _celsius, None)
    if len(reader.problems) > before:
        return None
    try:
        stock = stock_of(product, form, strength, unit)
    except ValueError as why:
        reader.say(row, f"strength: {why}")
        return None
    return Held(Bottle(bottle_id, stock, opened, celsius), facility)


def stock_of(product: str, form: str, strength: float, unit: str) -> Stock:
    """A stock from the words of its cells. ValueError for what no label can mean."""
    return Stock(
        cast("Product", _phrase(product, get_args(Product))),
        cast("Form", form),
        strength,
        cast("Unit", _phrase(unit, get_args(Unit))),
    )


def stock_cells(item: Held) -> dict[str, object]:
    """A row of the stock as its cells have it."""
    bottle, stock = item.bottle, item.bottle.stock
    return {
        "id": bottle.id,
        "facility": item.facility,
        "product": _word(stock.product),
        "form": stock.form,
        "strength": stock.strength,
        "unit": _word(stock.unit),
        "opened": bottle.opened.isoformat() if bottle.opened else "",
        "celsius": bottle.celsius,
    }


def as_if_new(stock: Iterable[Held], newest: date) -> tuple[Held, ...]:
    """The *stock* of a demonstration, its days moved so that what was opened last was opened on
    *newest*: an invented cupboard does not grow old."""
    kept = tuple(stock)
    days = [h.bottle.opened for h in kept if h.bottle.opened]
    if not days:
        return kept
    shift = newest - max(days)
    return tuple(
        replace(h, bottle=replace(h.bottle, opened=h.bottle.opened + shift))
        if h.bottle.opened
        else h
        for h in kept
    )


def _word(phrase: str) -> str:
    return phrase.replace(" ", "-")


def _phrase(word: str, phrases: Iterable[str]) -> str:
    return next((p for p in phrases if _word(p) == word), word)


def _strength(text: str) -> float:
    return _between(text, 0.001, 1_000_000, "the strength on the label")


def _celsius(text: str) -> float | None:
    return _between(text, *CELSIUS, "about how warm it is kept, in C") if text else None


def _day(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError("a day is written 2026-05-31") from None


def _between(text: str, low: float, high: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not (isfinite(value) and low <= value <= high):
        raise ValueError(f"{what}: a number from {low:g} to {high:g}")
    return value
