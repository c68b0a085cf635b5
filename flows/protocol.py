"""The protocol: the numbers and rules in force, read from a TOML file with a source beside each."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from flows.autoclave import MOST_CYCLES, Cycle, ProtocolError, is_number, read_cycles
from flows.batch import Batch
from flows.steam import atmosphere_kpa

__all__ = [
    "BOUNDS",
    "HIGHER_IS_WEAKER",
    "LOWER_IS_WEAKER",
    "MOST_CYCLES",
    "RECALLS",
    "Cycle",
    "Protocol",
    "ProtocolError",
    "load",
    "parse",
]

# What a number may sanely be. Outside it is a slip of whoever wrote the file. The lower bounds of
# exposures are the shortest that any handbook in the default file's sources prints for the method.
BOUNDS: dict[str, tuple[float, float]] = {
    "chlorine.target_percent": (0.05, 1.0),
    "chlorine.exposure_minutes": (20, 120),
    "chlorine.max_minutes": (20, 240),
    "chlorine.solution_life_hours": (1, 24),
    "chlorine.overshoot_factor": (1, 3),
    "chlorine.most_percent": (0.1, 5),
    "chlorine.rinses_count": (1, 5),
    "chlorine.nadcc_hot_above_c": (20, 35),
    "chlorine.nadcc_hot_hours": (0.1, 24),
    "chlorine.nadcc_hot_hours_weak": (0.1, 24),
    "chlorine.test_after_days": (1, 180),
    "chlorine.test_above_c": (20, 35),
    "boiling.exposure_minutes": (20, 120),
    "boiling.max_altitude_m": (0, 5500),
    "steaming.exposure_minutes": (20, 120),
    "steaming.max_altitude_m": (0, 5500),
    "vinegar.exposure_minutes": (1, 60),
    "vinegar.parts_water": (0.25, 3),
    "storage.container_days": (0.25, 31),
    "storage.wrapped_days": (0.25, 31),
    "autoclave.tolerance_c": (1, 10),
    "danger.rinse_minutes": (5, 60),
    "danger.blood_hours": (1, 72),
    "danger.ask_after_hours": (1, 72),
    "late.most_hours": (1, 72),
    "late.before_minutes": (1, 120),
    "late.after_minutes": (1, 120),
    "late.reply_minutes": (1, 240),
    "practice.hasten_factor": (1, 1000),
    "planning.used_fraction": (0.01, 1),
    "planning.turnaround_hours": (1, 72),
    "planning.risk": (0.0001, 0.2),
}
# Which side of a number is the weaker one. A file may give such a number a `least`: the weakest
# value that its own source allows, so that a slip of the hand cannot go below the source.
LOWER_IS_WEAKER = {
    "chlorine.target_percent",
    "chlorine.exposure_minutes",
    "chlorine.rinses_count",
    "boiling.exposure_minutes",
    "steaming.exposure_minutes",
    "vinegar.exposure_minutes",
    "danger.rinse_minutes",
    "late.before_minutes",
    "late.after_minutes",
}
HIGHER_IS_WEAKER = {
    "chlorine.solution_life_hours",
    "chlorine.nadcc_hot_above_c",
    "chlorine.nadcc_hot_hours",
    "chlorine.nadcc_hot_hours_weak",
    "chlorine.test_after_days",
    "chlorine.test_above_c",
    "vinegar.parts_water",
    "boiling.max_altitude_m",
    "steaming.max_altitude_m",
    "storage.container_days",
    "storage.wrapped_days",
    "autoclave.tolerance_c",
    "danger.blood_hours",
    "danger.ask_after_hours",
    "late.most_hours",
    "late.reply_minutes",
}
# What a failed spore test (biological indicator) calls back, the stricter first: all loads since
# the last good test, or the tested one alone. Guideline for Disinfection and Sterilization, CDC
# 2008, leaves steam to the second where the machine is sound; the first is common practice.
RECALLS = ("since_last_good", "one_load")
MOST_REMINDER_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True)
class Protocol:
    """The numbers in force: *values* by "group.name_unit", *sources* by the same key.

    One that is not *for_release* may be computed with and read about, but no batch goes by it: the
    conversation does not ask what it rests on (water that was boiled), or it is not enough.
    *recall*: which loads a failed spore test calls back, one of RECALLS. *confirmed_by*, a role or
    a body, and *confirmed_on*: who put the numbers in force for a programme; else, for training.
    """

    name: str
    version: str
    title: str
    values: Mapping[str, float]
    sources: Mapping[str, str]
    cycles: tuple[Cycle, ...]
    remind_after_minutes: tuple[float, ...]
    for_release: bool = True
    recall: str = RECALLS[0]
    confirmed_by: str = ""
    confirmed_on: date | None = None

    @property
    def id(self) -> str:
        """Name and version, as a batch records it."""
        return f"{self.name}-{self.version}"

    @property
    def confirmed(self) -> bool:
        """True where a programme has put its name and a day to these numbers."""
        return bool(self.confirmed_by) and self.confirmed_on is not None

    def __getitem__(self, key: str) -> float:
        return self.values[key]

    def cycle(self, cycle_id: str) -> Cycle | None:
        """The row *cycle_id* of the autoclave's table, or None."""
        return next((c for c in self.cycles if c.id == cycle_id), None)

    def gauge_kpa(self, cycle: Cycle, altitude_m: float) -> float:
        """What the gauge must show for *cycle* at *altitude_m*: thinner air, more on the gauge."""
        return cycle.gauge_kpa + atmosphere_kpa(0) - atmosphere_kpa(max(altitude_m, 0))

    def exposure_seconds(self, exposure: str, cycle_id: str = "", hasten: float = 1.0) -> float:
        """How long *exposure* (a method, or vinegar) must last, in seconds.

        Raises KeyError for an exposure or a cycle that the protocol does not know.
        """
        if exposure == "autoclave":
            cycle = self.cycle(cycle_id)
            if cycle is None:
                raise KeyError(cycle_id)
            minutes = cycle.minutes
        else:
            minutes = self[f"{exposure}.exposure_minutes"]
        return minutes * 60 / hasten

    def max_seconds(self, exposure: str, hasten: float = 1.0) -> float | None:
        """After how many seconds the pieces have been in too long, where that matters."""
        minutes = self.values.get(f"{exposure}.max_minutes")
        return None if minutes is None else minutes * 60 / hasten

    def methods_for(self, batch: Batch) -> tuple[str, ...]:
        """The methods that all remaining sets allow, the facility has and its altitude permits."""
        return tuple(
            m
            for m in batch.facility_methods
            if all(m in s.methods for s in batch.remaining)
            and batch.altitude_m <= self.values.get(f"{m}.max_altitude_m", float("inf"))
            and (m != "autoclave" or self.cycles_for(batch.autoclave))
        )

    def cycles_for(self, machine: str) -> tuple[Cycle, ...]:
        """The rows of the autoclave's table for this type of machine."""
        return tuple(c for c in self.cycles if c.machine == machine)


def parse(text: str) -> Protocol:
    """A protocol from TOML text. Raises ProtocolError naming what is missing or out of bounds."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProtocolError(f"not readable as TOML: {error}") from error
    values: dict[str, float] = {}
    sources: dict[str, str] = {}
    for key, (low, high) in BOUNDS.items():
        value, sources[key] = _sourced(data, key)
        if not is_number(value):
            raise ProtocolError(f"{key} must be a number")
        if not low <= value <= high:
            raise ProtocolError(f"{key} is {value}; it must lie between {low} and {high}")
        values[key] = float(value)
        _least(data, key, values[key])
    if values["chlorine.max_minutes"] < values["chlorine.exposure_minutes"]:
        raise ProtocolError("chlorine.max_minutes is shorter than chlorine.exposure_minutes")
    reminders, _ = _sourced(data, "bells.remind_after_minutes")
    if not isinstance(reminders, list) or not all(
        isinstance(r, int | float) and 0 < r <= MOST_REMINDER_MINUTES for r in reminders
    ):
        raise ProtocolError("bells.remind_after_minutes must be a list of minutes within one day")
    for key in ("name", "version", "title"):
        if not isinstance(data.get(key), str) or not data[key]:
            raise ProtocolError(f"{key} is missing")
    by, on = _confirmed(data)
    return Protocol(
        name=data["name"],
        version=data["version"],
        title=data["title"],
        values=values,
        sources=sources,
        cycles=read_cycles(data["autoclave"].get("cycles", [])),
        remind_after_minutes=tuple(sorted(float(r) for r in reminders)),
        # Anything but a plain true, a misspelling included, keeps batches off it.
        for_release=data.get("for_release", True) is True,
        recall=_recall(data.get("recall", RECALLS[0])),
        confirmed_by=by,
        confirmed_on=on,
    )


def _recall(choice: Any) -> str:
    if choice not in RECALLS:
        raise ProtocolError(f"recall must be one of: {', '.join(RECALLS)}")
    return str(choice)


def _confirmed(data: Mapping[str, Any]) -> tuple[str, date | None]:
    """Who confirmed the file and on which day; nobody where the table is not there."""
    if "confirmed" not in data:
        return "", None
    table = data["confirmed"]
    if not isinstance(table, dict):
        raise ProtocolError("confirmed must be a table with by and on")
    by, on = table.get("by"), table.get("on")
    if not isinstance(by, str) or not by.strip():
        raise ProtocolError("confirmed.by is missing: who confirmed these numbers")
    if not isinstance(on, date) or isinstance(on, datetime):
        raise ProtocolError("confirmed.on is missing: the day, as in 2026-11-20 without quotes")
    return " ".join(by.split()), on


def load(path: Path) -> Protocol:
    """The protocol in the file at *path*. Raises ProtocolError, OSError."""
    return parse(path.read_text(encoding="utf-8"))


def _sourced(data: Mapping[str, Any], key: str) -> tuple[Any, str]:
    group, name = key.split(".")
    table = data.get(group)
    item = table.get(name) if isinstance(table, dict) else None
    if not isinstance(item, dict) or "value" not in item:
        raise ProtocolError(f"{key} is missing")
    source = item.get("source")
    if not isinstance(source, str) or not source.strip():
        raise ProtocolError(f"{key} has no source")
    return item["value"], source


def _least(data: Mapping[str, Any], key: str, value: float) -> None:
    """Refuses a *value* that is weaker than the `least` beside it, and a `least` that is a slip."""
    group, name = key.split(".")
    if "least" not in data[group][name]:
        return
    least, (low, high) = data[group][name]["least"], BOUNDS[key]
    if key not in LOWER_IS_WEAKER | HIGHER_IS_WEAKER:
        raise ProtocolError(f"{key} has no weaker side, so it takes no least")
    if not is_number(least) or not low <= least <= high:
        raise ProtocolError(f"{key}: least must be a number between {low} and {high}")
    if value < least if key in LOWER_IS_WEAKER else value > least:
        raise ProtocolError(f"{key} is {value:g}, weaker than its source allows ({least:g})")
