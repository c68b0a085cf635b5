"""The sterilisation record of an autoclave batch, as its log has it.

The fields follow summaries of ANSI/AAMI ST79: machine, load, date and time, contents, operator,
exposure, indicator, release decision. A step that failed is shown with what was read at it, and
as failed; nothing is filled in that nobody reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from bot.api import TYPED_NUMBER
from bot.cli_cycle import sentence
from bot.desk_card import needed_kpa, shown_gauge
from bot.views import finding_prompt
from bot.wording import Wording
from flows.batch import Batch, Entry
from flows.heat import LoadReading, kpa_to_psi, verdict
from flows.protocol import Cycle, Protocol
from flows.release import findings, marks
from flows.steam import atmosphere_kpa

FAILED = "failed: does not count"
UNKNOWN = "not on record"
READINGS = {"auto_temp", "auto_pressure", "auto_minutes"}
INDICATOR, DRY = "auto_indicator", "auto_cooled"


@dataclass(frozen=True, slots=True)
class LoadRecord:
    """What is printed: *fields* by name, *reasons* against the load, the *decision*."""

    load: str
    fields: tuple[tuple[str, str], ...]
    accepted: bool
    reasons: tuple[str, ...]
    decision: str


def load_record(
    batch: Batch, protocol: Protocol | None, zone: str, wording: Wording
) -> LoadRecord | None:
    """The record of *batch*, or None if it was never loaded into an autoclave.

    Without its *protocol* nothing can be judged, and so nothing is accepted.
    """
    steps = _steps(batch)
    if "auto_load" not in steps:
        return None
    cycle = _cycle(steps, protocol)
    reasons = _reasons(batch, protocol, cycle, steps, zone, wording)
    accepted = not reasons and batch.outcome == "released"
    load = TYPED_NUMBER.sub("[number]", _value(steps, "auto_load"))
    fields = (
        *_place(batch, steps, load, zone),
        *_run(batch, protocol, cycle, steps),
        ("Stages", batch.flow),
    )
    return LoadRecord(load, fields, accepted, reasons, _decision(batch, accepted, zone))


def _steps(batch: Batch) -> dict[str, Entry]:
    """The last answer at each stage that nobody took back, whether it counts or not."""
    gone = {e.voids for e in batch.log if e.kind == "taken_back"}
    return {e.stage: e for e in batch.log if e.kind == "answered" and e.n not in gone}


def _value(steps: dict[str, Entry], stage: str) -> str:
    entry = steps.get(stage)
    value = entry.facts.get("value", "") if entry else ""
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _number(steps: dict[str, Entry], stage: str) -> float | None:
    entry = steps.get(stage)
    value = entry.facts.get("value") if entry else None
    return float(value) if isinstance(value, int | float) else None


def _cycle(steps: dict[str, Entry], protocol: Protocol | None) -> Cycle | None:
    entry = steps.get("auto_cycle")
    return protocol.cycle(str(entry.facts.get("cycle", ""))) if entry and protocol else None


# ---- the fields ---------------------------------------------------------------------------------


def _place(
    batch: Batch, steps: dict[str, Entry], load: str, zone: str
) -> tuple[tuple[str, str], ...]:
    start, end = steps.get("auto_start"), steps.get("auto")
    sets = ", ".join(f"{s.id} ({s.pieces} pieces{', set aside' if s.aside else ''})"
                     for s in batch.sets)  # fmt: skip
    return (
        ("Facility", batch.facility),
        ("Altitude", f"{batch.altitude_m:g} m"),
        ("Machine", f"autoclave, {batch.autoclave or 'type unknown'}"),
        ("Load number", load or UNKNOWN),
        ("Batch", f"{batch.id}{', told late from the paper log' if batch.late else ''}"),
        ("Contents", sets),
        ("Operator", start.by if start else UNKNOWN),
        ("At temperature from", _moment(start.at, zone) if start else UNKNOWN),
        ("Over", _moment(end.at, zone) if end else UNKNOWN),
    )


def _run(
    batch: Batch, protocol: Protocol | None, cycle: Cycle | None, steps: dict[str, Entry]
) -> tuple[tuple[str, str], ...]:
    kpa = _number(steps, "auto_pressure")
    gauge = f"{kpa:g} kPa ({kpa_to_psi(kpa):.1f} psi)" if kpa is not None else UNKNOWN
    asked, need = (UNKNOWN, UNKNOWN)
    if cycle and protocol:
        asked = f"{cycle.id}: {cycle.celsius:g} C, {cycle.minutes:g} min"
        need = "{} kPa ({} psi)".format(*shown_gauge(needed_kpa(protocol, cycle, batch.altitude_m)))
    return (
        ("Cycle", asked),
        ("Wrapped", cycle.load if cycle else UNKNOWN),
        ("Temperature read", _reading(batch, steps, "auto_temp", "read_temperature", "C")),
        ("Pressure read", gauge + _failed(batch, steps, "auto_pressure", "read_pressure")),
        ("Gauge needed here", need),
        ("Air outside, standard", f"{atmosphere_kpa(max(batch.altitude_m, 0)):.1f} kPa"),
        ("Minutes read", _reading(batch, steps, "auto_minutes", "read_minutes", "min")),
        ("Indicator inside", _yes(batch, steps, INDICATOR, "indicator", "changed")),
        ("Cooled and dry", _yes(batch, steps, DRY, "cooled", "yes")),
        ("Protocol", batch.protocol),
    )


def _reading(batch: Batch, steps: dict[str, Entry], stage: str, mark: str, unit: str) -> str:
    value = _value(steps, stage)
    return f"{value} {unit}{_failed(batch, steps, stage, mark)}" if value else UNKNOWN


def _stands(batch: Batch, steps: dict[str, Entry], stage: str, mark: str) -> bool:
    standing = marks(batch.log).get((mark, ""))
    return standing is not None and stage in steps and standing.n == steps[stage].n


def _failed(batch: Batch, steps: dict[str, Entry], stage: str, mark: str) -> str:
    counts = stage not in steps or _stands(batch, steps, stage, mark)
    return "" if counts else f" ({FAILED})"


def _yes(batch: Batch, steps: dict[str, Entry], stage: str, mark: str, words: str) -> str:
    entry = steps.get(stage)
    if entry is None:
        return UNKNOWN
    said = words if entry.mark == mark else f"NOT {words}"
    return said if entry.mark != mark else said + _failed(batch, steps, stage, mark)


def _moment(moment: datetime, zone: str) -> str:
    return f"{moment.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M} ({zone})"


# ---- the verdict --------------------------------------------------------------------------------


def _reasons(
    batch: Batch,
    protocol: Protocol | None,
    cycle: Cycle | None,
    steps: dict[str, Entry],
    zone: str,
    wording: Wording,
) -> tuple[str, ...]:
    if protocol is None:
        return (f"Its protocol, {batch.protocol}, is not here: nothing can be judged.",)
    found = [
        wording.sentence(finding_prompt(f), "en", zone).capitalize() + "."
        for f in findings(batch, protocol)
    ]
    if batch.method != "autoclave":
        found.insert(0, "The batch did not go on by this load.")
    if batch.hasten != 1:
        found.insert(0, f"A demonstration: time ran {batch.hasten:g} times faster.")
    return tuple(dict.fromkeys([*found, *_heat(batch, protocol, cycle, steps)]))


def _heat(
    batch: Batch, protocol: Protocol, cycle: Cycle | None, steps: dict[str, Entry]
) -> list[str]:
    """What the laws of steam say against what was read; silent of what was not asked yet."""
    minutes = _number(steps, "auto_minutes")
    gauge = _number(steps, "auto_pressure")
    if cycle is None or not READINGS & steps.keys():
        return []
    reading = LoadReading(
        machine=batch.autoclave,
        load=cycle.load,
        celsius=_number(steps, "auto_temp"),
        gauge_kpa=gauge,
        minutes=cycle.minutes if minutes is None else minutes,  # if missing, findings say so
        indicator="changed" if _right(steps, INDICATOR) else "unchanged",
        dry=_right(steps, DRY),
    )
    least = protocol.gauge_kpa(cycle, batch.altitude_m)
    try:
        judged = verdict(cycle, reading, batch.altitude_m,
                         tolerance_c=protocol["autoclave.tolerance_c"],
                         least_gauge_kpa=least)  # fmt: skip
    except ValueError as impossible:
        return [str(impossible)]
    shown = None if gauge is None else f"{gauge:g}kpa"
    # What was not read is missing from the log as well, and is told as that.
    return [sentence(r, shown) for r in judged.reasons if r.code != "not_read"]


def _right(steps: dict[str, Entry], stage: str) -> bool:
    """Whether the answer at *stage* was the good one, or was not asked for yet."""
    return stage not in steps or bool(steps[stage].mark)


def _decision(batch: Batch, accepted: bool, zone: str) -> str:
    if not batch.outcome:
        return "Not decided yet. NOT READY."
    closed = f"{_moment(batch.closed_at, zone)}" if batch.closed_at else UNKNOWN
    by = batch.log[-1].by if batch.log else ""
    if batch.outcome != "released":
        return f"{batch.outcome.capitalize()} on {closed}. Not released: do not use."
    until = _moment(batch.expires_at, zone) if batch.expires_at else UNKNOWN
    doubt = "" if accepted else " It must not be used: see the reasons above."
    return f"Released on {closed} by {by or UNKNOWN}, good until {until}.{doubt}"
