"""What heat did: lethality of a log, the verdict on an autoclave cycle, water boiled off.

The laws of steam and air are in `flows.steam` and lethality is in `flows.lethality`; both are
offered here too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from flows.autoclave import ROW_SLACK_C, Cycle
from flows.lethality import LOG_C, Sample, a0_seconds, f0_minutes
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
    "Sample",
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

# The safe side, for whether a pot runs dry: the least heat that turns a kilogram into steam (at
# 100 C, IAPWS-IF97: 2256.5 kJ; 2 % more at 5500 m), and a litre poured at 30 C or colder.
KJ_PER_KG = 2256.4
KG_PER_LITRE = 0.995


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
