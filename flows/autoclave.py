"""The rows of the autoclave's table in a protocol file: read, and refused where too weak."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from flows.lethality import f0_minutes
from flows.steam import steam_temp_c

# A row may give these a `least`: the weakest that its own source allows. All: lower is weaker.
CYCLE_LEAST = ("celsius", "gauge_kpa", "minutes")
MOST_CYCLES = 5  # of one machine: more do not fit the text that offers them
# The least that a row may do: what 15 min at 121 C do, F0 14.7 min at 121.1 C (z 10 C). That is the
# shortest row at 121 C of any handbook that we know (Laboratory Biosafety Manual, 3rd ed., WHO
# 2004, from memory), and more than the 12 min that take a million spores, of which each minute
# leaves a tenth, down to one in a million. The same manual's 25 min at 115 C come to F0 6.1 and
# are refused: less than half, and we cannot tell such a row from a slip.
FLOOR_C, FLOOR_MINUTES = 121.0, 15.0
# A row whose own gauge, at sea level, makes steam colder than its own temperature by more than
# this is a slip. Handbooks round: 15 lb/in2, printed beside 121 C, gives 120.95 C.
ROW_SLACK_C = 0.5
# What autoclaves do. The gauge of saturated steam of 138 C at sea level is 240 kPa (IAPWS-IF97).
CELSIUS, GAUGE_KPA, MINUTES = (115, 138), (60, 300), (3, 120)


class ProtocolError(ValueError):
    """A protocol file that may not be used; the message says which line and why."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """One row of the autoclave's table: at least *celsius* and *gauge_kpa* for *minutes*."""

    id: str
    machine: str
    load: str
    celsius: float
    gauge_kpa: float
    minutes: float
    source: str


def read_cycles(rows: Any) -> tuple[Cycle, ...]:
    """The *rows* of a file. Raises ProtocolError naming the row and what is wrong with it."""
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise ProtocolError("autoclave.cycles must be a list of tables")
    cycles = tuple(_cycle(row) for row in rows)
    for id_, count in Counter(c.id for c in cycles).items():
        if count > 1:
            raise ProtocolError(f"autoclave cycle {id_} is there twice")
    for machine, count in Counter(c.machine for c in cycles).items():
        if count > MOST_CYCLES:
            raise ProtocolError(f"autoclave.cycles: more than {MOST_CYCLES} for {machine}")
    return cycles


def _cycle(row: Mapping[str, Any]) -> Cycle:
    name = row.get("id", "?")
    try:
        cycle = Cycle(
            id=str(row["id"]),
            machine=str(row["machine"]),
            load=str(row["load"]),
            celsius=float(row["celsius"]),
            gauge_kpa=float(row["gauge_kpa"]),
            minutes=float(row["minutes"]),
            source=str(row["source"]).strip(),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise ProtocolError(f"autoclave cycle {name}: missing or not a number: {error}") from error
    if cycle.machine not in ("gravity", "prevacuum") or cycle.load not in ("wrapped", "unwrapped"):
        raise ProtocolError(f"autoclave cycle {name}: unknown machine or load")
    if not cycle.source:
        raise ProtocolError(f"autoclave cycle {name} has no source")
    numbers = ((cycle.celsius, CELSIUS), (cycle.gauge_kpa, GAUGE_KPA), (cycle.minutes, MINUTES))
    if not all(low <= number <= high for number, (low, high) in numbers):
        raise ProtocolError(f"autoclave cycle {name} lies outside what autoclaves do")
    _lethal(cycle)
    _agrees(cycle)
    _cycle_least(cycle, row.get("least", {}))
    return cycle


def _f0(celsius: float, minutes: float) -> float:
    return f0_minutes([(0, celsius), (minutes * 60, celsius)])


def _lethal(cycle: Cycle) -> None:
    """Refuse a row whose plateau kills less than the floor, whatever its source says."""
    reached, floor = _f0(cycle.celsius, cycle.minutes), _f0(FLOOR_C, FLOOR_MINUTES)
    if reached < floor:
        raise ProtocolError(
            f"autoclave cycle {cycle.id}: {cycle.celsius:g} C for {cycle.minutes:g} min is F0"
            f" {reached:.1f}; it must be {floor:.1f}, as {FLOOR_MINUTES:g} min at {FLOOR_C:g} C"
        )


def _agrees(cycle: Cycle) -> None:
    """Refuse a row whose gauge is too low for its temperature: it would ask for colder steam."""
    steam = steam_temp_c(cycle.gauge_kpa, 0)
    if steam < cycle.celsius - ROW_SLACK_C:
        raise ProtocolError(
            f"autoclave cycle {cycle.id} contradicts itself: {cycle.gauge_kpa:g} kPa on the gauge"
            f" is {steam:.1f} C at sea level, not {cycle.celsius:g} C"
        )


def _cycle_least(cycle: Cycle, least: Any) -> None:
    """The same for a row of the autoclave's table, whose `least` is a table."""
    if not isinstance(least, dict) or not set(least) <= set(CYCLE_LEAST):
        raise ProtocolError(f"autoclave cycle {cycle.id}: least holds {', '.join(CYCLE_LEAST)}")
    for name, weakest in least.items():
        if not is_number(weakest) or not weakest > 0:
            raise ProtocolError(f"autoclave cycle {cycle.id}: least {name} must be a number")
        if getattr(cycle, name) < weakest:
            raise ProtocolError(
                f"autoclave cycle {cycle.id}: {name} is {getattr(cycle, name):g}, weaker than its"
                f" source allows ({weakest:g})"
            )


def is_number(value: Any) -> bool:
    """True for what TOML calls a number; true and false are none."""
    return isinstance(value, int | float) and not isinstance(value, bool)
