"""What heat did: lethality of a log, the verdict on an autoclave cycle, water boiled off.

The laws of steam and air are in `flows.steam` and are offered here too. Lethality is shown as
information: it never shortens the time that a protocol asks for.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal, get_args

from flows.protocol import Cycle
from flows.steam import (
    atmosphere_kpa,
    bar_to_kpa,
    boiling_point_c,
    c_to_f,
    f_to_c,
    gauge_kpa,
    kpa_to_bar,
    kpa_to_psi,
    psi_to_kpa,
    saturation_pressure_kpa,
    saturation_temp_c,
    steam_temp_c,
    within,
)

__all__ = [
    "Boiled",
    "LoadReading",
    "Reason",
    "Verdict",
    "a0_seconds",
    "atmosphere_kpa",
    "bar_to_kpa",
    "boiled_off_litres",
    "boiling_point_c",
    "c_to_f",
    "f0_minutes",
    "f_to_c",
    "gauge_kpa",
    "kpa_to_bar",
    "kpa_to_psi",
    "psi_to_kpa",
    "saturation_pressure_kpa",
    "saturation_temp_c",
    "steam_temp_c",
    "steamer",
    "verdict",
]

Indicator = Literal["changed", "unchanged", "none"]
Sample = tuple[float, float]
INF = float("inf")

A0_REFERENCE_C = 80.0  # ISO 15883-1, Annex B: seconds at 80 C
# What a thermometer in water or steam can show. Outside it the probe is broken, and one such
# sample would outweigh a whole cycle.
LOG_C = (-50.0, 200.0)
# A row whose own gauge, at sea level, makes steam colder than its own temperature by more than
# this is a slip. Handbooks round: 15 lb/in2, printed beside 121 C, gives 120.95 C.
ROW_SLACK_C = 0.5
# The safe side, for whether a pot runs dry: the least heat that turns a kilogram into steam (at
# 100 C, IAPWS-IF97: 2256.5 kJ; 2 % more at 5500 m), and a litre poured at 30 C or colder.
KJ_PER_KG = 2256.4
KG_PER_LITRE = 0.995


def a0_seconds(samples: Iterable[Sample], floor_c: float = 65, z: float = 10) -> float:
    """A0 of a log: how many seconds at 80 C would have done the same.

    *samples* are (seconds, C) in order of time. Samples colder than *floor_c* count nothing.
    Straight lines are drawn between the lethalities of the samples (the trapezoid rule over
    lethality, not over temperature). Where the temperature changes between two samples this
    reads high: by less than 0.5 % at 1 C a sample, 11 % at 5 C, so sample often. Two samples
    at one moment make a step.
    """
    return _lethality(samples, A0_REFERENCE_C, within(floor_c, *LOG_C, "The floor in C"), z)


def f0_minutes(samples: Iterable[Sample], reference_c: float = 121.1, z: float = 10) -> float:
    """F0 of a log: how many minutes at *reference_c* would have done the same.

    *samples* and the lines between them are as in `a0_seconds`; no sample is too cold to count.
    """
    within(reference_c, *LOG_C, "The reference temperature in C")
    return _lethality(samples, reference_c, -INF, z) / 60


def _lethality(samples: Iterable[Sample], reference_c: float, floor_c: float, z: float) -> float:
    if not 0 < z < INF:
        raise ValueError(f"z must be a number of degrees above 0, not {z:g}.")
    points = [_point(seconds, temp, reference_c, floor_c, z) for seconds, temp in samples]
    if len(points) < 2:
        raise ValueError("A log needs at least two samples.")
    if any(then < now for (now, _), (then, _) in pairwise(points)):
        raise ValueError("The samples run backwards in time.")
    return sum((then - now) * (a + b) / 2 for (now, a), (then, b) in pairwise(points))


def _point(
    seconds: float, temp_c: float, reference_c: float, floor_c: float, z: float
) -> tuple[float, float]:
    within(seconds, -1e12, 1e12, "The time of a sample in seconds")
    within(temp_c, *LOG_C, "The temperature of a sample in C")
    rate = math.pow(10, (temp_c - reference_c) / z) if temp_c >= floor_c else 0.0
    return seconds, rate


@dataclass(frozen=True, slots=True)
class LoadReading:
    """What was loaded into which machine, and what machine, indicator and load showed afterwards.

    *celsius* and *gauge_kpa* are None where nobody read them. *minutes* count from when the load
    was at temperature. *indicator* is the chemical one; "none": there was none in the load.
    """

    machine: str
    load: str
    celsius: float | None
    gauge_kpa: float | None
    minutes: float
    indicator: Indicator
    dry: bool


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a load is not accepted: a code, and the values that a sentence about it needs."""

    code: str
    values: dict[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a load may be used, and why not.

    *needed_gauge_kpa* is what the gauge must show at this altitude, *steam_c* how hot pure steam
    is at the pressure that it showed (None where it was not read).
    """

    reasons: tuple[Reason, ...]
    needed_gauge_kpa: float
    steam_c: float | None

    @property
    def accepted(self) -> bool:
        """True when nothing stands against the load."""
        return not self.reasons


def verdict(
    cycle: Cycle,
    reading: LoadReading,
    altitude_m: float,
    *,
    tolerance_c: float,
    least_gauge_kpa: float = 0.0,
) -> Verdict:
    """Judge *reading* against the row *cycle* of the protocol's table, at *altitude_m*.

    Temperature and pressure that differ by more than *tolerance_c* contradict each other: colder
    than the pressure says is air in the chamber or a bad gauge, hotter is a bad gauge or
    thermometer. *least_gauge_kpa* is what the protocol asks for here, where that is more.
    Raises ValueError for what no machine shows and for a row that contradicts itself.
    """
    _check(cycle, reading, tolerance_c, least_gauge_kpa)
    # The row's own gauge was printed for sea level; the air that is missing here must be made up.
    thinner = atmosphere_kpa(0) - atmosphere_kpa(altitude_m)
    least = max(cycle.gauge_kpa + thinner, least_gauge_kpa)
    needed = max(least, gauge_kpa(cycle.celsius, altitude_m))
    shown = reading.gauge_kpa
    steam = None if shown is None else steam_temp_c(shown, altitude_m)
    reasons = [
        *_machine(cycle, reading),
        *_heat(cycle, reading),
        *_pressure(shown, least, needed, steam),
        *_contradiction(reading.celsius, steam, tolerance_c),
        *_load(reading),
    ]
    return Verdict(tuple(reasons), needed, steam)


def _check(cycle: Cycle, reading: LoadReading, tolerance_c: float, least_gauge_kpa: float) -> None:
    within(tolerance_c, 0, 100, "The tolerance in C")
    within(least_gauge_kpa, 0, 1000, "The least gauge pressure in kPa")
    within(reading.minutes, 0, 24 * 60, "The minutes of a cycle")
    if reading.celsius is not None:
        within(reading.celsius, *LOG_C, "The temperature of a cycle in C")
    known = (("gravity", "prevacuum"), ("wrapped", "unwrapped"), get_args(Indicator))
    given = (reading.machine, reading.load, reading.indicator)
    for value, names in zip(given, known, strict=True):
        if value not in names:
            raise ValueError(f"{value} is not one of: {', '.join(names)}.")
    own = steam_temp_c(cycle.gauge_kpa, 0)
    if own < cycle.celsius - ROW_SLACK_C:
        raise ValueError(
            f"Cycle {cycle.id} contradicts itself: {cycle.gauge_kpa:g} kPa on the gauge is"
            f" {own:.1f} C at sea level, not {cycle.celsius:g} C."
        )


def _machine(cycle: Cycle, reading: LoadReading) -> list[Reason]:
    found = []
    if reading.machine != cycle.machine:
        found.append(Reason("other_machine", {"is": reading.machine, "need": cycle.machine}))
    if reading.load == "wrapped" and cycle.load != "wrapped":  # the other way round is longer
        found.append(Reason("other_load", {"is": reading.load, "need": cycle.load}))
    return found


def _heat(cycle: Cycle, reading: LoadReading) -> list[Reason]:
    found = []
    if reading.celsius is None:
        found.append(Reason("not_read", {"what": "temperature"}))
    elif reading.celsius < cycle.celsius:
        found.append(Reason("too_cold", {"is": reading.celsius, "need": cycle.celsius}))
    if reading.minutes < cycle.minutes:
        found.append(Reason("too_short", {"is": reading.minutes, "need": cycle.minutes}))
    return found


def _pressure(
    shown: float | None, least: float, needed: float, steam: float | None
) -> list[Reason]:
    if shown is None or steam is None:
        return [Reason("not_read", {"what": "pressure"})]
    if shown >= least:
        return []
    return [Reason("pressure_low", {"is": shown, "need": needed, "steam_c": steam})]


def _contradiction(celsius: float | None, steam: float | None, tolerance_c: float) -> list[Reason]:
    if celsius is None or steam is None or abs(celsius - steam) <= tolerance_c:
        return []
    code = "colder_than_pressure" if celsius < steam else "hotter_than_pressure"
    return [Reason(code, {"is": celsius, "steam_c": steam, "tolerance_c": tolerance_c})]


def _load(reading: LoadReading) -> list[Reason]:
    found = []
    if reading.indicator != "changed":
        found.append(Reason("indicator", {"is": reading.indicator}))
    if not reading.dry:
        found.append(Reason("wet"))  # a wet pack is not sterile
    return found


@dataclass(frozen=True, slots=True)
class Boiled:
    """A pot after its time: what boiled off, what is left, and when nothing is left."""

    boiled_off_litres: float
    left_litres: float
    minutes_to_dry: float

    @property
    def runs_dry(self) -> bool:
        """True when the water does not outlast the time."""
        return self.left_litres <= 0


def boiled_off_litres(
    minutes: float, *, watts: float | None = None, litres_per_hour: float | None = None
) -> float:
    """How much water boils off in *minutes* of boiling.

    Give either *watts* that reach the pot, or *litres_per_hour* as measured. Nothing that drips
    back from the lid is counted, so the truth is a little less.
    """
    return within(minutes, 0, 24 * 60, "The minutes of boiling") * _rate(watts, litres_per_hour)


def steamer(
    water_litres: float,
    minutes: float,
    *,
    watts: float | None = None,
    litres_per_hour: float | None = None,
) -> Boiled:
    """Whether *water_litres* outlast *minutes* of steaming. Rates as in `boiled_off_litres`."""
    within(water_litres, 0, 1000, "The water in litres")
    gone = boiled_off_litres(minutes, watts=watts, litres_per_hour=litres_per_hour)
    rate = _rate(watts, litres_per_hour)
    return Boiled(min(gone, water_litres), max(water_litres - gone, 0.0), water_litres / rate)


def _rate(watts: float | None, litres_per_hour: float | None) -> float:
    """Litres a minute."""
    if (watts is None) == (litres_per_hour is None):
        raise ValueError("Give either the watts or the litres an hour, not both.")
    if watts is not None:
        return within(watts, 1, 100_000, "The watts") * 60 / 1000 / KJ_PER_KG / KG_PER_LITRE
    return within(litres_per_hour or 0, 0.001, 1000, "The litres an hour") / 60
