"""What a reading means: pure functions from (value, batch, set, protocol) to the option it picks.

The names are those that stages give as their judge.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from flows.batch import Batch, BatchSet
from flows.protocol import Protocol
from flows.release import contradicts, marks
from flows.stage import Reading

Judge = Callable[[float, Batch, BatchSet | None, Protocol], str]

NUMBER = re.compile(r"^(\d{1,6}(?:[.,]\d{1,3})?)\s*([a-z%]*)$")

# 1 psi = 6.894757 kPa and 1 bar = 100 kPa by definition of the units.
TO_PLAIN: dict[tuple[str, str], Callable[[float], float]] = {
    ("kpa", "kpa"): float,
    ("kpa", "psi"): lambda v: v * 6.894757,
    ("kpa", "lb"): lambda v: v * 6.894757,
    ("kpa", "bar"): lambda v: v * 100,
    ("celsius", "c"): float,
    ("celsius", "f"): lambda v: (v - 32) / 1.8,
    ("percent", "%"): float,
    ("minutes", "min"): float,
    ("minutes", "m"): float,
}


def read(text: str, reading: Reading) -> float | None:
    """The number in *text*, in the reading's plain unit; None if there is none or it is a slip.

    A comma counts as a decimal point. Counts and ids are whole numbers.
    """
    found = NUMBER.match(text.strip().lower())
    if not found:
        return None
    value = float(found[1].replace(",", "."))
    if found[2]:
        convert = TO_PLAIN.get((reading.unit, found[2]))
        if convert is None:
            return None
        value = convert(value)
    if reading.unit in ("count", "id") and value != int(value):
        return None
    return value if reading.low <= value <= reading.high else None


def _count(value: float, _batch: Batch, counted: BatchSet | None, _protocol: Protocol) -> str:
    if counted is None or value < counted.pieces:
        return "fewer"
    return "ok" if value == counted.pieces else "more"


def _strength(value: float, _batch: Batch, _set: BatchSet | None, protocol: Protocol) -> str:
    target = protocol["chlorine.target_percent"]
    if value < target:
        return "weak"
    if value > protocol["chlorine.most_percent"]:
        return "harmful"
    return "strong" if value > target * protocol["chlorine.overshoot_factor"] else "ok"


def _load(_value: float, _batch: Batch, _set: BatchSet | None, _protocol: Protocol) -> str:
    return "ok"


def _cycle(what: str) -> Judge:
    def judge(value: float, batch: Batch, _set: BatchSet | None, protocol: Protocol) -> str:
        chosen = marks(batch.log).get(("cycle", ""))
        cycle = protocol.cycle(str(chosen.facts.get("cycle", ""))) if chosen else None
        if cycle is None:
            return "short"
        least = {
            "temperature": cycle.celsius,
            "pressure": protocol.gauge_kpa(cycle, batch.altitude_m),
            "minutes": cycle.minutes,
        }[what]
        shown = marks(batch.log).get(("read_temperature", ""))
        agree = not (
            what == "pressure"
            and shown
            and contradicts(shown.facts.get("value"), value, batch.altitude_m, protocol)
        )
        return "ok" if agree and value >= least else "short"

    return judge


JUDGES: dict[str, Judge] = {
    "count": _count,
    "strength": _strength,
    "load": _load,
    "temperature": _cycle("temperature"),
    "pressure": _cycle("pressure"),
    "minutes": _cycle("minutes"),
}
