"""The chlorine mix of one facility: which bottle, whether it can be trusted, how much of what.

Everything here is worked out anew each time that a screen is shown, from the register, the
protocol and the day: a screen that was left open yesterday cannot show a bottle as good that is
doubtful today. Nothing is ever mixed from a figure above the label's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bot.cupboard import MOST_BOTTLES, doubtful, faded, lacking
from bot.site import Bottle, Site
from bot.turn import Turn
from flows.label import Label, label
from flows.protocol import Protocol
from flows.release import gas_risk
from flows.solutions import MakeUp, make_up
from flows.strengths import Stock

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
    elif missing := lacking(turn.unit.site):
        turn.put_talk(screen="mix_none", choices=("missing", *missing))
    elif turn.talk.screen == "mix":
        turn.put_talk(choices=tuple(b.id for b in _listed(turn)))
    else:
        _settle_bottle(turn, chosen(turn))


def _settle_bottle(turn: Turn, bottle: Bottle | None) -> None:
    if bottle is None:  # it left the register in the meantime
        turn.put_talk(screen="mix", choices=tuple(b.id for b in _listed(turn)))
    elif turn.talk.screen == "mixed":
        if not _strip(turn) and doubted(turn, bottle):
            lime = bottle.stock.form != "liquid"
            screen, choices = ("mix_other", ("old_lime",)) if lime else ("doubted", (bottle.id,))
            turn.put_talk(screen=screen, choices=choices)
        elif isinstance(why := recipe(turn, bottle), str):
            turn.put_talk(screen="mix_other", choices=(why,))


def _vinegar_about(turn: Turn) -> bool:
    """Vinegar may be on the pieces of a batch that this person holds."""
    me = turn.person.id if turn.person else ""
    return any(gas_risk(b.log) for b in turn.unit.batches.values() if b.holder == me)


def chosen(turn: Turn) -> Bottle | None:
    """The bottle that the screen is about."""
    wanted = turn.talk.choices[:1]
    return next((b for b in turn.unit.site.stock if (b.id,) == wanted), None)


def _strip(turn: Turn) -> str:
    return turn.talk.choices[1] if len(turn.talk.choices) > 1 else ""


def _listed(turn: Turn) -> Sequence[Bottle]:
    return turn.unit.site.stock[:MOST_BOTTLES]


def doubted(turn: Turn, bottle: Bottle) -> bool:
    """Whether *bottle* wants a test before it is used, by the facility's day."""
    return doubtful(bottle, protocol_in_force(turn), turn.today())


def may_be(turn: Turn, bottle: Bottle) -> float | None:
    """% that *bottle* may be down to; None where nobody can say."""
    return faded(bottle, protocol_in_force(turn), turn.today())


# ---- how much of what ---------------------------------------------------------------------------


def recipe(turn: Turn, bottle: Bottle) -> Recipe | Why:
    """How to mix the facility's soak from *bottle*, or why that cannot be."""
    return worked_out(bottle, _counted(turn, bottle), turn.unit.site, protocol_in_force(turn))


def worked_out(bottle: Bottle, stock: Stock, site: Site, rules: Protocol) -> Recipe | Why:
    """The same from *bottle* counted with *stock*, for the container and the measures of *site*."""
    target = rules["chlorine.target_percent"]
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
    lower = float(strip) if (strip := _strip(turn)) else may_be(turn, bottle)
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
