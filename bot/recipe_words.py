"""What the screens of the mix say: the stock, the doubt, the amounts, the label, the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import floor

from bot.asking import numbered
from bot.cupboard import shown_percent
from bot.effects import Day, Prompt, Shown
from bot.recipes import SCREENS, Recipe, chosen, may_be, protocol_in_force, recipe
from bot.site import Bottle
from bot.turn import Turn
from flows.solutions import Amount
from flows.strengths import Stock

MEASURE_LETTERS = 8  # of a measure's name that a recipe has room for


def values(turn: Turn) -> Mapping[str, Shown]:
    """What the screen's wording needs; nothing for a screen that is not of the mix."""
    screen, choices = turn.talk.screen, turn.talk.choices
    if screen == "mix":
        labels = _labels(turn, choices)
        target = f"{protocol_in_force(turn)['chlorine.target_percent']:g}"
        return {"options": numbered(labels), "target": target}
    if screen in ("mix_none", "mix_other"):
        return {"why": _reason(turn, choices)}
    if screen == "labelled":
        return _label_values(turn, choices)
    bottle = chosen(turn) if screen in SCREENS else None
    if bottle is None:
        return {}
    if screen == "doubted":
        return {"stock": stock_name(bottle), "doubt": _doubt(turn, bottle)}
    found = recipe(turn, bottle) if screen == "mixed" else None
    return recipe_values(found) if isinstance(found, Recipe) else {}


def _labels(turn: Turn, ids: Sequence[str]) -> list[Prompt | str]:
    """What is in each bottle; by their ids where two hold the same."""
    held = {b.id: b for b in turn.unit.site.stock if b.id in ids}
    same = [b.stock for b in held.values()]
    return [i if same.count(b.stock) > 1 else stock_name(b) for i, b in held.items()]


def stock_name(bottle: Bottle) -> Prompt:
    """Product and strength in a few letters."""
    stock = bottle.stock
    values: dict[str, Shown] = {"what": _product(stock), "strength": f"{stock.strength:g}"}
    return Prompt("stock.name", values | {"unit": _unit(stock)})


def _product(stock: Stock) -> Prompt:
    if stock.product == "bleach":
        return Prompt("product.bleach")
    if stock.product == "NaDCC":
        tablets = stock.form == "tablet"
        return Prompt("product.nadcc" if tablets else "product.nadcc_powder")
    lime = stock.product == "chlorinated lime"
    return Prompt("product.lime") if lime else Prompt("product.hth")


def _doubt(turn: Turn, bottle: Bottle) -> Prompt:
    lower = may_be(turn, bottle)
    if lower is None:
        return Prompt("mix.unknown")
    return Prompt("mix.faded", {"percent": f"{floor(lower * 10) / 10:g}"})


def recipe_values(found: Recipe) -> dict[str, Shown]:
    """The two amounts, the strength that comes of them, and the arithmetic between."""
    made = found.made
    percent = shown_percent(made.percent, found.target)
    gives = Prompt("mix.gives" if made.within_limit else "mix.strong", {"percent": percent})
    return {
        "water": _reading(made.water),
        "product": _reading(made.product),
        "what": _product(found.stock),
        "gives": gives,
        "percent": percent,
        "target": f"{found.target:g}",
        "strength": f"{found.stock.strength:g}",
        "unit": _unit(found.stock),
        "exact": f"{made.product_exact:.1f}",
        "measured": f"{made.product.total:g}",
        "poured": f"{made.water.total:g}",
        "own": "" if made.product.unit == "tablet" else made.product.unit,
    }


def _unit(stock: Stock) -> Prompt | str:
    if stock.unit == "degrees":
        return Prompt("mix.degrees")
    return "g" if stock.form == "tablet" else stock.unit


def grams(found: Recipe, millilitres: float) -> float:
    """g of available chlorine in *millilitres* at the target: per cent is g in 100 mL."""
    return found.target * millilitres / 100


def _reading(amount: Amount) -> Prompt | str:
    """`1700 mL (jug 1x1000+700)`; tablets are only counted."""
    if amount.unit == "tablet":
        return f"{amount.total:g}"
    shown: dict[str, Shown] = {
        "total": f"{amount.total:g}",
        "own": amount.unit,
        "measure": amount.measure[:MEASURE_LETTERS].rstrip(),
        "full": amount.full,
        "rest": f"{amount.rest:g}",
    }
    if not amount.full:
        return Prompt("mix.to_mark", shown)
    shown["holds"] = f"{(amount.total - amount.rest) / amount.full:g}"
    return Prompt("mix.fillings" if amount.rest else "mix.full", shown)


def _label_values(turn: Turn, choices: Sequence[str]) -> dict[str, Shown]:
    percent, made, until, more, warn = choices
    note: Prompt | str = ""
    if more == "stand":
        note = Prompt("mix.stand")
    elif more == "warn":
        note = Prompt("mix.warn", {"bell": datetime.fromisoformat(warn)})
    return {
        "percent": percent,
        "made": datetime.fromisoformat(made),
        "until": Day(datetime.fromisoformat(until)),
        "name": turn.person.name if turn.person else "?",
        "more": note,
    }


def _reason(turn: Turn, choices: Sequence[str]) -> Prompt:
    why, *missing = choices or ("too_coarse",)
    if why != "missing":
        return Prompt(f"mix.{why}")
    chiefs = [p.name for p in turn.unit.site.people if p.role == "in_charge"]
    words: list[Prompt] = [Prompt(f"mix.lacks_{name}") for name in missing]
    while len(words) > 1:
        words[-2:] = [Prompt("mix.both", {"first": words[-2], "second": words[-1]})]
    name: Shown = chiefs[0] if chiefs else Prompt("mix.chief")
    return Prompt("mix.missing", {"what": words[0] if words else "", "name": name})
