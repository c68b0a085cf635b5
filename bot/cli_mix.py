"""`soakbell mix`: how much of what makes a solution, and how strong it really comes out."""

from __future__ import annotations

import argparse
import math
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from bot.cli_answer import FINDING, GOOD, Answer, tell
from bot.cli_mix_asked import Asked, asked
from bot.cli_trade_words import BOTTLE, CAUTIONS, MIX, reading
from bot.clock import utc_now
from flows.label import Label, label
from flows.shelf import Left, left
from flows.solutions import MakeUp, make_up, make_up_vinegar
from flows.strengths import Stock

# Which numbers of the protocol are used: for any chlorine, and what else there is.
KEYS = ("chlorine.target_percent", "chlorine.overshoot_factor", "chlorine.solution_life_hours")
VINEGAR_KEYS = ("chlorine.overshoot_factor", "vinegar.parts_water")
HOT_KEYS = (
    "chlorine.nadcc_hot_above_c",
    "chlorine.nadcc_hot_hours",
    "chlorine.nadcc_hot_hours_weak",
)
BOTTLE_KEYS = ("chlorine.test_after_days", "chlorine.test_above_c")


def run(words: argparse.Namespace) -> int:
    """Print the answer."""
    return tell(words, answer(words))


def answer(words: argparse.Namespace) -> Answer:
    """How to mix. A finding: too strong, refused, or a bottle that may be too weak."""
    ask = asked(words)
    try:
        made = _made(words, ask)
    except ValueError as refused:  # the numbers were good: the rules of the trade say no
        no = {"refused": str(refused), "protocol": ask.protocol.id}
        return Answer(FINDING, no, [MIX["refused"].format(why=refused)])
    bottle = _bottle(words, ask)
    tag = None if words.vinegar else _label(words, ask, made)
    weak = bottle is not None and _too_weak(ask, made, bottle)
    lines = [*_amounts(words, ask, made), *_bottle_lines(words, ask, made, bottle)]
    lines += [CAUTIONS[c] for c in made.cautions]
    lines += [*_label_lines(tag), *_sources(words, ask)]
    data: dict[str, Any] = {
        **asdict(made),
        "cautions": [CAUTIONS[c] for c in made.cautions],
        "caution_codes": made.cautions,
        "target_percent": ask.target,
        "measures": [asdict(m) for m in ask.measures],
        "label": asdict(tag) if tag else None,
        "bottle": asdict(bottle) if bottle else None,
        "bottle_too_weak": weak,
        "protocol": ask.protocol.id,
        "sources": {key: ask.protocol.sources[key] for key in _keys(words, ask)},
    }
    return Answer(GOOD if made.within_limit and not weak else FINDING, data, lines)


def _made(words: argparse.Namespace, ask: Asked) -> MakeUp:
    limit = ask.protocol["chlorine.overshoot_factor"]
    if words.vinegar:
        return make_up_vinegar(
            ask.litres,
            measures=ask.measures,
            overshoot_limit=limit,
            parts_of_water=ask.protocol["vinegar.parts_water"],
            added=words.add,
        )
    return make_up(
        Stock(ask.product, ask.form, ask.strength, ask.unit),
        ask.litres,
        ask.target,
        measures=ask.measures,
        overshoot_limit=limit,
        container=words.container,
        water=words.water,
        added=words.add,
    )


# ---- the bottle and the label ---------------------------------------------------------------


def _bottle(words: argparse.Namespace, ask: Asked) -> Left | None:
    """What may be left in the bottle, or None where nobody asked."""
    if words.bottle_days is None and words.stored is None:
        return None
    if words.bottle_days is None or words.stored is None or words.liquid is None:
        raise ValueError("--bottle-days and --stored go together, and with --liquid.")
    return left(
        _label_percent(ask),
        words.bottle_days,
        words.stored,
        test_after_days=ask.protocol["chlorine.test_after_days"],
        test_above_celsius=ask.protocol["chlorine.test_above_c"],
        dark=not words.clear_bottle,
    )


def _label_percent(ask: Asked) -> float:
    return float(Stock(ask.product, ask.form, ask.strength, ask.unit).percent_each())


def _faded(ask: Asked, made: MakeUp, bottle: Left) -> float | None:
    """% of the mix if the bottle holds no more than is shown; None where that is not known."""
    shown = bottle.shown_percent
    return None if shown == "unknown" else made.percent * shown / _label_percent(ask)


def _too_weak(ask: Asked, made: MakeUp, bottle: Left) -> bool:
    """True also where nobody knows: a bottle is never taken for good on that."""
    faded = _faded(ask, made, bottle)
    return faded is None or faded < ask.target


def _label(words: argparse.Namespace, ask: Asked, made: MakeUp) -> Label:
    moment = words.made_at or utc_now()
    # Weaker NaDCC fades sooner: the longer time holds only from the protocol's target up.
    weaker = "_weak" if made.percent < ask.protocol[KEYS[0]] else ""
    return label(
        ask.product,
        made.percent,
        moment.astimezone(UTC) if moment.tzinfo else moment,
        words.by,
        life_hours=ask.protocol["chlorine.solution_life_hours"],
        celsius=words.celsius,
        hot_above_celsius=ask.protocol["chlorine.nadcc_hot_above_c"],
        hot_life_hours=ask.protocol[f"chlorine.nadcc_hot_hours{weaker}"],
    )


# ---- what is said ---------------------------------------------------------------------------


def _amounts(words: argparse.Namespace, ask: Asked, made: MakeUp) -> list[str]:
    """The title, both amounts, water first, and what comes of them."""
    limit = ask.protocol["chlorine.overshoot_factor"]
    tablets = ask.form == "tablet"
    facts = {
        "litres": ask.litres,
        "target": ask.target,
        "product": _product(words, ask),
        "strength": f"{ask.strength:g} {'g available chlorine each' if tablets else ask.unit}",
        "exact": f"{made.product_exact:.2f} {made.product.unit}",
        "made": made.made_ml,
        "percent": made.percent,
        "overshoot": made.overshoot,
        "limit": limit,
        "measures": ", ".join(f"{m.name} of {m.holds:g} {m.unit} by {m.step:g}"
                              for m in ask.measures if m.unit in ("mL", made.product.unit)),
        "protocol": ask.protocol.id,
        "asked": ask.protocol[KEYS[0]],
        "parts": ask.protocol["vinegar.parts_water"],
    }  # fmt: skip
    own = ask.target != ask.protocol[KEYS[0]]
    weaker = ask.target < ask.protocol[KEYS[0]]
    kind = "_vinegar" if words.vinegar else ""
    lines = [
        MIX[f"title{kind}"].format(**facts) + ".",
        *([MIX["weaker_target" if weaker else "own_target"].format(**facts)] if own else []),
        MIX["water"].format(reading=reading(made.water)),
        MIX["product"].format(**facts, reading=reading(made.product)),
        MIX[f"gives{kind}"].format(**facts),
    ]
    return [*lines, MIX["measures" if words.measure else "default_measures"].format(**facts)]


def _product(words: argparse.Namespace, ask: Asked) -> str:
    """The product and what it looks like: `calcium hypochlorite granules`."""
    if words.vinegar or ask.form == "liquid":
        return "vinegar" if words.vinegar else ask.product
    powder = "powder" if words.granules is None else "granules"
    return f"{ask.product} {'tablets' if ask.form == 'tablet' else powder}"


def _bottle_lines(
    words: argparse.Namespace, ask: Asked, made: MakeUp, bottle: Left | None
) -> list[str]:
    if bottle is None:
        return []
    age = {"days": words.bottle_days, "celsius": words.stored, "label": _label_percent(ask)}
    cautions = [CAUTIONS[c] for c in bottle.cautions]
    faded = _faded(ask, made, bottle)
    if faded is None or bottle.shown_percent == "unknown":
        return [BOTTLE["unknown"].format(**age, outside=", ".join(bottle.outside)), *cautions]
    weak = [BOTTLE["mix"].format(percent=_down(faded, 100))] if faded < ask.target else []
    return [BOTTLE["left"].format(**age, shown=_down(bottle.shown_percent, 10)), *weak, *cautions]


def _down(value: float, parts: int) -> float:
    """Rounded down to a whole number of *parts* of one: what is left is never shown as more."""
    return math.floor(value * parts) / parts


def _label_lines(tag: Label | None) -> list[str]:
    if tag is None:
        return [MIX["vinegar_life"]]
    said = MIX["label"].format(
        what=tag.what,
        percent=tag.percent,
        made_at=_moment(tag.made_at) + (f" by {tag.by}" if tag.by else ""),
        discard_at=_moment(tag.discard_at),
    )
    doubt = [MIX["doubtful"].format(warn_at=_moment(tag.warn_at))] if tag.warn_at else []
    return [said, *doubt]


def _moment(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"


def _keys(words: argparse.Namespace, ask: Asked) -> tuple[str, ...]:
    """Which numbers of the protocol were used."""
    if words.vinegar:
        return VINEGAR_KEYS
    hot = HOT_KEYS if ask.product == "NaDCC" else ()
    return KEYS + hot + (BOTTLE_KEYS if words.bottle_days is not None else ())


def _sources(words: argparse.Namespace, ask: Asked) -> list[str]:
    """Where the numbers come from."""
    rules = ask.protocol
    return [MIX["sources"].format(protocol=rules.id, title=rules.title)] + [
        MIX["source"].format(key=key, value=rules[key], source=rules.sources[key])
        for key in _keys(words, ask)
    ]
