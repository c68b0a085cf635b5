"""`soakbell cycle`: whether a load of the autoclave may be used, and if not, what to do."""

from __future__ import annotations

import argparse
import math
import re
from dataclasses import asdict
from typing import get_args

from bot.cli_answer import FINDING, GOOD, Answer, add_shared, chosen_protocol, tell
from bot.cli_trade_words import CYCLE, REASONS
from flows.heat import Indicator, LoadReading, Reason, Verdict, f0_minutes, verdict
from flows.protocol import Cycle, Protocol
from flows.steam import bar_to_kpa, kpa_to_psi, psi_to_kpa

GAUGE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(psi|kpa|bar)?\s*$", re.IGNORECASE)
TO_KPA = {"psi": psi_to_kpa, "bar": bar_to_kpa, "kpa": float}
UNIT_NAMES = {"psi": "psi", "bar": "bar", "kpa": "kPa"}
PLATEAU_C = (-50.0, 200.0)  # what flows.heat takes for a temperature of a log


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of `cycle`."""
    parser.add_argument("--machine", choices=["gravity", "prevacuum"], required=True)
    parser.add_argument("--load", choices=["wrapped", "unwrapped"], required=True)
    parser.add_argument("--celsius", type=float, help="what the thermometer showed, if read")
    parser.add_argument("--gauge", help="what the gauge showed, if read: 15psi, 103 (kPa), 1.03bar")
    parser.add_argument("--minutes", type=float, required=True, help="at temperature")
    parser.add_argument("--altitude", type=float, required=True, help="of the place, in m")
    parser.add_argument("--indicator", choices=get_args(Indicator), default="none",
                        help="the chemical one in the load; default: none")  # fmt: skip
    parser.add_argument("--wet", action="store_true", help="the load came out wet")
    add_shared(parser, protocol=True)


def run(words: argparse.Namespace) -> int:
    """Print the answer."""
    return tell(words, answer(words))


def answer(words: argparse.Namespace) -> Answer:
    """The verdict. A finding: not accepted."""
    protocol = chosen_protocol(words.protocol)
    reading = LoadReading(
        machine=words.machine,
        load=words.load,
        celsius=words.celsius,
        gauge_kpa=None if words.gauge is None else gauge_kpa(words.gauge),
        minutes=words.minutes,
        indicator=words.indicator,
        dry=not words.wet,
    )
    cycle, judged = _judge(protocol, reading, words.altitude)
    reasons = [sentence(reason, words.gauge) for reason in judged.reasons]
    f0 = _f0(reading, judged)
    facts = {
        "cycle": cycle.id,
        "protocol": protocol.id,
        "machine": cycle.machine,
        "load": cycle.load,
        "celsius": cycle.celsius,
        "minutes": cycle.minutes,
        "source": cycle.source,
        "altitude": words.altitude,
        **_needed(judged.needed_gauge_kpa),
    }
    lines = [CYCLE["accepted"]] if judged.accepted else [CYCLE["refused"]]
    lines += [f"- {reason}" for reason in reasons]
    lines += [CYCLE[name].format(**facts) for name in ("row", "needs", "source")]
    lines += [] if f0 is None else [CYCLE["f0"].format(f0=f0)]
    data = {
        "accepted": judged.accepted,
        "reasons": [asdict(r) | {"text": t} for r, t in zip(judged.reasons, reasons, strict=True)],
        "cycle": asdict(cycle),
        "protocol": protocol.id,
        "gauge_kpa": reading.gauge_kpa,
        "needed_gauge_kpa": judged.needed_gauge_kpa,
        "steam_c": judged.steam_c,
        "f0_minutes_information_only": f0,
    }
    return Answer(GOOD if judged.accepted else FINDING, data, lines)


def gauge_kpa(text: str) -> float:
    """`15psi`, `103` or `1.03bar` in kPa. Raises ValueError for anything else."""
    found = GAUGE.match(text.replace(",", "."))
    if not found:
        raise ValueError(f"A gauge shows such as 15psi, 103 (kPa) or 1.03bar, not {text}.")
    return TO_KPA[(found[2] or "kpa").lower()](float(found[1]))


def _judge(protocol: Protocol, reading: LoadReading, altitude: float) -> tuple[Cycle, Verdict]:
    """The row that accepts the load, or the one of its machine and load that comes nearest."""

    def nearness(judged: tuple[Cycle, Verdict]) -> tuple[bool, bool, bool, float, int]:
        cycle, found = judged
        shown = found.steam_c if reading.celsius is None else reading.celsius
        apart = 0.0 if shown is None else abs(shown - cycle.celsius)
        return (
            not found.accepted,
            cycle.machine != reading.machine,
            cycle.load != reading.load,
            apart,
            len(found.reasons),
        )

    if not protocol.cycles:
        raise ValueError(f"{protocol.id} has no autoclave cycles.")
    return min(((c, _verdict(protocol, c, reading, altitude)) for c in protocol.cycles),
               key=nearness)  # fmt: skip


def _verdict(protocol: Protocol, cycle: Cycle, reading: LoadReading, altitude: float) -> Verdict:
    return verdict(
        cycle,
        reading,
        altitude,
        tolerance_c=protocol["autoclave.tolerance_c"],
        least_gauge_kpa=protocol.gauge_kpa(cycle, altitude),
    )


def _f0(reading: LoadReading, judged: Verdict) -> float | None:
    """Minutes at 121.1 C of a plateau at the colder of thermometer and steam."""
    known = [c for c in (reading.celsius, judged.steam_c) if c is not None]
    if not known or not PLATEAU_C[0] <= min(known) <= PLATEAU_C[1]:
        return None
    plateau = min(known)
    return f0_minutes([(0.0, plateau), (reading.minutes * 60, plateau)])


def sentence(reason: Reason, gauge: str | None) -> str:
    """What a nurse can do about *reason*. What was shown is rounded down, what it needs up."""
    code = reason.code
    if code == "indicator":
        return REASONS[f"indicator_{reason.values['is']}"]
    values = {k: v if isinstance(v, str) else f"{v:g}" for k, v in reason.values.items()}
    if "steam_c" in reason.values:
        values["steam_c"] = f"{_number(reason, 'steam_c'):.0f}"
    if code == "pressure_low":
        values |= _needed(_number(reason, "need")) | {"shown": _shown(gauge or "")}
        values["steam_c"] = str(math.floor(_number(reason, "steam_c")))
    return REASONS[code].format(**values)


def _number(reason: Reason, name: str) -> float:
    return float(reason.values[name])


def _shown(gauge: str) -> str:
    """The gauge as it was written, with a space before its unit."""
    found = GAUGE.match(gauge.replace(",", "."))
    return f"{found[1]} {UNIT_NAMES[(found[2] or 'kpa').lower()]}" if found else gauge


def _needed(kpa: float) -> dict[str, str]:
    """What the gauge must show, never rounded below it."""
    return {"psi": f"{math.ceil(kpa_to_psi(kpa) * 10) / 10:g}", "kpa": str(math.ceil(kpa))}
