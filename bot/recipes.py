"""The chlorine mix of one facility: which bottle, whether it can be trusted, how much of what.

Everything here is worked out anew each time that a screen is shown, from the register, the
protocol and the day: a screen that was left open yesterday cannot show a bottle as good that is
doubtful today. Nothing is ever mixed from a figure above the label's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import floor
from typing import Literal
from zoneinfo import ZoneInfo

from bot.asking import numbered
from bot.model import Bottle, Day, Prompt, Shown
from bot.turn import Turn
from flows.label import Label, label
from flows.protocol import Protocol
from flows.release import gas_risk
from flows.shelf import Left, left
from flows.solutions import Amount, MakeUp, make_up
from flows.strengths import Stock

MOST_STOCK = 5  # as many as a list has room for
MEASURE_LETTERS = 8  # of a measure's name that a recipe has room for
FADING = ("chlorinated lime",)  # of what is not liquid: it fades even in the dark and the dry
SCREENS = ("mix", "doubted", "strip", "mixed", "labelled", "mix_other", "mix_none")
CHECKED = ("mix", "doubted", "strip", "mixed")

Why = Literal["weak", "no_measure", "too_coarse", "too_strong", "old_lime"]


@dataclass(frozen=True, slots=True)
class Recipe:
    """What is mixed from *bottle*, counted with *stock* (its label, or less), at *target* %."""

    bottle: Bottle
    stock: Stock
    target: float
    made: MakeUp


def protocol_in_force(turn: Turn) -> Protocol:
    """That of the person's batch, or of the facility."""
    batch = turn.batch()
    return turn.book(batch).protocol if batch else turn.rules.protocol_for(turn.unit.site)


# ---- may anything be mixed, and from this bottle? -----------------------------------------------


def settle(turn: Turn) -> None:
    """Before a screen of the mix is shown or answered: move to the one that is right now."""
    if turn.talk.screen not in CHECKED:
        return
    if _vinegar_about(turn):
        turn.put_talk(screen="mix_none", choices=("gas",))
    elif missing := lacking(turn):
        turn.put_talk(screen="mix_none", choices=("missing", *missing))
    elif turn.talk.screen == "mix":
        turn.put_talk(choices=tuple(b.id for b in _listed(turn)))
    else:
        _settle_bottle(turn, chosen(turn))


def _settle_bottle(turn: Turn, bottle: Bottle | None) -> None:
    if bottle is None:  # it left the register in the meantime
        turn.put_talk(screen="mix", choices=tuple(b.id for b in _listed(turn)))
    elif turn.talk.screen == "mixed":
        if not _strip(turn) and doubtful(turn, bottle):
            lime = bottle.stock.form != "liquid"
            screen, choices = ("mix_other", ("old_lime",)) if lime else ("doubted", (bottle.id,))
            turn.put_talk(screen=screen, choices=choices)
        elif isinstance(why := recipe(turn, bottle), str):
            turn.put_talk(screen="mix_other", choices=(why,))


def _vinegar_about(turn: Turn) -> bool:
    """Vinegar may be on the pieces of a batch that this person holds."""
    me = turn.person.id if turn.person else ""
    return any(gas_risk(b.log) for b in turn.unit.batches.values() if b.holder == me)


def lacking(turn: Turn) -> tuple[str, ...]:
    """What the register does not say of the facility though a recipe needs it."""
    site = turn.unit.site
    has = {"stock": site.stock, "bucket": site.soak_ml > 0, "measures": site.measures}
    return tuple(name for name, there in has.items() if not there)


def chosen(turn: Turn) -> Bottle | None:
    """The bottle that the screen is about."""
    wanted = turn.talk.choices[:1]
    return next((b for b in turn.unit.site.stock if (b.id,) == wanted), None)


def _strip(turn: Turn) -> str:
    return turn.talk.choices[1] if len(turn.talk.choices) > 1 else ""


def _listed(turn: Turn) -> Sequence[Bottle]:
    return turn.unit.site.stock[:MOST_STOCK]


def doubtful(turn: Turn, bottle: Bottle) -> bool:
    """Whether *bottle* wants a test before it is used: it is too old, too warm, or nobody knows."""
    if bottle.stock.form != "liquid" and bottle.stock.product not in FADING:
        return False
    days, rules = _days(turn, bottle), protocol_in_force(turn)
    if days is None or days < 0 or bottle.celsius is None:
        return True
    within = days <= rules["chlorine.test_after_days"]
    return not (within and bottle.celsius <= rules["chlorine.test_above_c"])


def _days(turn: Turn, bottle: Bottle) -> int | None:
    """For how many of the facility's days *bottle* has been open."""
    today = turn.now.astimezone(ZoneInfo(turn.unit.site.zone)).date()
    return (today - bottle.opened).days if bottle.opened else None


def faded(turn: Turn, bottle: Bottle) -> float | None:
    """% that *bottle* may be down to, never above its label; None where nobody can say."""
    days, rules = _days(turn, bottle), protocol_in_force(turn)
    if bottle.stock.form != "liquid" or days is None or days < 0 or bottle.celsius is None:
        return None
    percent = float(bottle.stock.percent_each())
    try:
        found: Left = left(
            percent,
            days,
            bottle.celsius,
            test_after_days=rules["chlorine.test_after_days"],
            test_above_celsius=rules["chlorine.test_above_c"],
        )
    except ValueError:
        return None
    shown = found.shown_percent
    return None if shown == "unknown" else min(shown, percent)


# ---- how much of what ---------------------------------------------------------------------------


def recipe(turn: Turn, bottle: Bottle) -> Recipe | Why:
    """How to mix the facility's soak from *bottle*, or why that cannot be."""
    site, rules = turn.unit.site, protocol_in_force(turn)
    target, stock = rules["chlorine.target_percent"], _counted(turn, bottle)
    unit = "mL" if stock.form == "liquid" else "g"
    fluid = any(m.unit == "mL" for m in site.measures)
    if stock.form != "tablet" and float(stock.percent_each()) <= target:
        return "weak"
    if not fluid or (stock.form != "tablet" and all(m.unit != unit for m in site.measures)):
        return "no_measure"
    try:
        made = make_up(
            stock,
            site.soak_ml / 1000,
            target,
            measures=site.measures,
            overshoot_limit=rules["chlorine.overshoot_factor"],
        )
    except ValueError:
        return "too_coarse"
    # What the batch would refuse as harmful is not advised in the first place.
    return Recipe(bottle, stock, target, made) if _bearable(made, rules) else "too_strong"


def _bearable(made: MakeUp, rules: Protocol) -> bool:
    return made.percent <= rules["chlorine.most_percent"]


def _counted(turn: Turn, bottle: Bottle) -> Stock:
    """The stock as it is counted: the strip's figure or what may be left, if under the label's."""
    if bottle.stock.form != "liquid":
        return bottle.stock
    percent = float(bottle.stock.percent_each())
    lower = float(strip) if (strip := _strip(turn)) else faded(turn, bottle)
    if lower is None or lower >= percent:
        return bottle.stock
    return replace(bottle.stock, strength=lower, unit="%")


def tag(turn: Turn, found: Recipe) -> Label:
    """The label of *found*, mixed now by whoever speaks."""
    rules = protocol_in_force(turn)
    return label(
        found.stock.product,
        found.made.percent,
        turn.now,
        turn.person.id if turn.person else "",
        life_hours=rules["chlorine.solution_life_hours"],
        celsius=found.bottle.celsius,
        hot_above_celsius=rules["chlorine.nadcc_hot_above_c"],
        hot_life_hours=rules["chlorine.nadcc_hot_hours"],
    )


# ---- what the screens say -----------------------------------------------------------------------


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
    lower = faded(turn, bottle)
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


def shown_percent(percent: float, target: float) -> str:
    """To two decimals, never more than it is."""
    return f"{max(floor(round(percent * 100, 6)) / 100, target):g}"


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
