"""`soakbell mix`: how much of what makes a solution, and how strong it really comes out."""

from __future__ import annotations

import argparse
import math
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, get_args

from bot.cli_answer import FINDING, GOOD, add_shared, chosen_protocol, say
from bot.cli_trade_words import BOTTLE, CAUTIONS, MIX
from bot.clock import utc_now
from flows.label import Label, label
from flows.measures import Amount, Measure, exact
from flows.protocol import Protocol
from flows.shelf import Left, left
from flows.solutions import MakeUp, make_up, make_up_vinegar
from flows.strengths import UNITS, Form, Product, Stock, Unit

# What is taken for granted where nothing is said: a jug, a syringe and kitchen scales.
DEFAULT_MEASURES = ("jug:1000:50:mL", "syringe:20:1:mL", "scales:1000:1:g")
# Iqbal et al., PLoS ONE 2016;11:e0156136: at 40 C NaDCC is under 90 % after 0.82 h at 0.5 % and
# after 0.38 h at 0.05 %. Warm is above 35 C, the highest that they measured.
HOT_ABOVE_CELSIUS = 35.0
HOT_LIFE_HOURS, HOT_LIFE_HOURS_WEAK = 0.82, 0.38
# Common practice, no source: bleach older than three months or kept above 30 C is doubtful.
TEST_AFTER_DAYS, TEST_ABOVE_CELSIUS = 90.0, 30.0
KEYS = ("chlorine.target_percent", "chlorine.overshoot_factor", "chlorine.solution_life_hours")
PER = {"%": "%", "g/L": "g/L", "ppm": "ppm", "degrees": "degrees", "g chlorine": "g chlorine"}


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of `mix`."""
    stock = parser.add_argument_group("the stock, one of")
    stock.add_argument("--liquid", type=float, metavar="STRENGTH", help="bleach, in --unit")
    stock.add_argument("--powder", type=float, metavar="PERCENT", help="%% available chlorine")
    stock.add_argument("--granules", type=float, nargs="?", const=math.nan, metavar="PERCENT",
                       help="as --powder; without a number: what --powder names is granules")  # fmt: skip
    stock.add_argument("--tablets", type=float, metavar="GRAMS", help="g available chlorine each")
    stock.add_argument("--vinegar", action="store_true", help="vinegar and water, equal parts")
    parser.add_argument("--unit", choices=UNITS["liquid"], default="%", help="of --liquid")
    parser.add_argument("--product", choices=get_args(Product), help="what the stock is")
    parser.add_argument("--litres", type=float, required=True, help="how much to make")
    parser.add_argument("--target", type=float, metavar="PERCENT", help="default: the protocol's")
    parser.add_argument("--measure", action="append", default=[], metavar="NAME:HOLDS:STEP[:UNIT]",
                        help="a measure at hand, in mL or g; repeat. Default: "
                        + ", ".join(DEFAULT_MEASURES))  # fmt: skip
    parser.add_argument("--container", default="plastic", help="default: plastic")
    parser.add_argument("--water", default="cold", help="cold or cooled; default: cold")
    parser.add_argument("--add", action="append", default=[], metavar="THING", help="added to it")
    parser.add_argument("--made-at", type=datetime.fromisoformat, help="for the label; with zone")
    parser.add_argument("--by", default="", help="who made it, for the label")
    parser.add_argument("--celsius", type=float, help="where it is kept; default: taken for hot")
    parser.add_argument("--bottle-days", type=float, help="age of the bottle of bleach in days")
    parser.add_argument("--stored", type=float, metavar="CELSIUS", help="how warm it was kept")
    parser.add_argument("--clear-bottle", action="store_true", help="it stood in the light")
    add_shared(parser, protocol=True)


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for. *stock* is None for vinegar."""

    form: Form
    product: Product
    strength: float
    target: float
    litres: float
    measures: tuple[Measure, ...]
    protocol: Protocol


def run(words: argparse.Namespace) -> int:
    """Print how to mix. A finding: too strong, refused, or a bottle that may be too weak."""
    asked = _asked(words)
    bottle = _bottle(words, asked)
    try:
        made = _made(words, asked)
    except ValueError as refused:  # the numbers were good: the rules of the trade say no
        data = {"refused": str(refused), "protocol": asked.protocol.id}
        say(words, data, [MIX["refused"].format(why=refused)])
        return FINDING
    tag = None if words.vinegar else _label(words, asked, made)
    weak = bottle is not None and _too_weak(asked, made, bottle)
    lines = [*_amounts(words, asked, made), *_bottle_lines(words, asked, made, bottle)]
    lines += [CAUTIONS[c] for c in made.cautions]
    lines += [*_label_lines(tag), *_sources(words, asked)]
    data = {
        **asdict(made),
        "cautions": [CAUTIONS[c] for c in made.cautions],
        "caution_codes": made.cautions,
        "target_percent": asked.target,
        "measures": [asdict(m) for m in asked.measures],
        "label": asdict(tag) if tag else None,
        "bottle": asdict(bottle) if bottle else None,
        "bottle_too_weak": weak,
        "protocol": asked.protocol.id,
        "sources": {key: asked.protocol.sources[key] for key in KEYS},
    }
    say(words, data, lines)
    return GOOD if made.within_limit and not weak else FINDING


# ---- what was asked -------------------------------------------------------------------------


def _asked(words: argparse.Namespace) -> Asked:
    """Raises ValueError for what cannot be; what the trade refuses is refused later."""
    protocol = chosen_protocol(words.protocol)
    form, strength = _form(words)
    if words.vinegar and (words.target is not None or words.product):
        raise ValueError("Vinegar is mixed with as much water: no --target, no --product.")
    target = protocol[KEYS[0]] if words.target is None else words.target
    exact("The strength", strength)
    exact("The target", target)
    exact("The volume", words.litres)
    if words.product and (words.product == "bleach") != (form == "liquid"):
        raise ValueError(f"{words.product} is not what a {form} is.")
    usual: dict[Form, Product] = {
        "liquid": "bleach", "powder": "calcium hypochlorite", "tablet": "NaDCC",
    }  # fmt: skip
    return Asked(
        form=form,
        product=words.product or usual[form],
        strength=strength,
        target=target,
        litres=words.litres,
        measures=tuple(_measure(m) for m in words.measure or DEFAULT_MEASURES),
        protocol=protocol,
    )


def _form(words: argparse.Namespace) -> tuple[Form, float]:
    """The form of the stock and its strength; vinegar counts as a liquid of 100 %."""
    granules = words.granules
    if granules is not None and math.isnan(granules) and words.powder is not None:
        granules = None  # only said that the powder is granules
    forms: tuple[tuple[Form, float | None], ...] = (
        ("liquid", words.liquid),
        ("powder", words.powder),
        ("powder", granules),
        ("tablet", words.tablets),
        ("liquid", 100.0 if words.vinegar else None),
    )
    given = [(form, strength) for form, strength in forms if strength is not None]
    if len(given) != 1:
        raise ValueError(
            "Say what the stock is, once: --liquid, --powder, --granules, --tablets or --vinegar."
        )
    if words.unit != "%" and words.liquid is None:
        raise ValueError("--unit goes with --liquid.")
    return given[0]


def _measure(text: str) -> Measure:
    """`jug:1000:50:mL` as a measure; without a unit it is mL."""
    parts = text.split(":")
    unit = parts[3] if len(parts) == 4 else "mL"
    try:
        name, holds, step = parts[0], float(parts[1]), float(parts[2])
    except (IndexError, ValueError):
        name, holds, step = "", 0.0, 0.0
    if not name or len(parts) > 4 or unit not in ("mL", "g"):
        raise ValueError(f"A measure is written NAME:HOLDS:STEP:mL or :g, not {text}.")
    return Measure(name, holds, step, "g" if unit == "g" else "mL")


def _unit(words: argparse.Namespace, asked: Asked) -> Unit:
    named: Unit = words.unit
    return {"liquid": named, "powder": "%", "tablet": "g chlorine"}[asked.form]  # type: ignore[return-value]


def _made(words: argparse.Namespace, asked: Asked) -> MakeUp:
    limit = asked.protocol["chlorine.overshoot_factor"]
    if words.vinegar:
        return make_up_vinegar(
            asked.litres, measures=asked.measures, overshoot_limit=limit, added=words.add
        )
    return make_up(
        Stock(asked.product, asked.form, asked.strength, _unit(words, asked)),
        asked.litres,
        asked.target,
        measures=asked.measures,
        overshoot_limit=limit,
        container=words.container,
        water=words.water,
        added=words.add,
    )


# ---- the bottle and the label ---------------------------------------------------------------
