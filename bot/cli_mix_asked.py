"""What `soakbell mix` is asked: its arguments, and what they mean together."""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

from bot.cli_answer import add_shared, chosen_protocol
from flows.measures import Measure, exact
from flows.protocol import Protocol
from flows.strengths import UNITS, Form, Product, Unit

# What is taken for granted where nothing is said: a jug, a syringe and kitchen scales.
DEFAULT_MEASURES = ("jug:1000:50:mL", "syringe:20:1:mL", "scales:1000:1:g")
USUAL: dict[Form, Product] = {
    "liquid": "bleach",
    "powder": "calcium hypochlorite",
    "tablet": "NaDCC",
}


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of `mix`."""
    stock = parser.add_argument_group("the stock, one of")
    stock.add_argument("--liquid", type=float, metavar="STRENGTH", help="bleach, in --unit")
    stock.add_argument("--powder", type=float, metavar="PERCENT", help="%% available chlorine")
    stock.add_argument(
        "--granules",
        type=float,
        nargs="?",
        const=math.nan,
        metavar="PERCENT",
        help="as --powder; without a number: what --powder names is granules",
    )
    stock.add_argument("--tablets", type=float, metavar="GRAMS", help="g available chlorine each")
    stock.add_argument("--vinegar", action="store_true", help="vinegar and water")
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
    unit: Unit
    target: float
    litres: float
    measures: tuple[Measure, ...]
    protocol: Protocol


def asked(words: argparse.Namespace) -> Asked:
    """Raises ValueError for what cannot be; what the trade refuses is refused later."""
    protocol = chosen_protocol(words.protocol)
    form, strength = _form(words)
    if words.vinegar and (words.target is not None or words.product):
        raise ValueError("The protocol has the parts of vinegar: no --target, no --product.")
    target = protocol["chlorine.target_percent"] if words.target is None else words.target
    exact("The strength", strength)
    exact("The target", target)
    exact("The volume", words.litres)
    if words.product and (words.product == "bleach") != (form == "liquid"):
        raise ValueError(f"{words.product} is not what a {form} is.")
    units: dict[Form, Unit] = {"liquid": words.unit, "powder": "%", "tablet": "g chlorine"}
    return Asked(
        form=form,
        product=words.product or USUAL[form],
        strength=strength,
        unit=units[form],
        target=target,
        litres=words.litres,
        measures=tuple(_measure(m) for m in words.measure or DEFAULT_MEASURES),
        protocol=protocol,
    )


def _form(words: argparse.Namespace) -> tuple[Form, float]:
    """The form of the stock and its strength; vinegar counts as a liquid of 100 %."""
    granules = words.granules
    if granules is not None and math.isnan(granules):
        granules = None  # that says only what the powder looks like
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
