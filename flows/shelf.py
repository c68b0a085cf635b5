"""What is left in a bottle of bleach after days on a shelf: a warning, never a licence.

The answer says how weak the bleach may have become. It never says that a weaker mix will do: light,
traces of metal and a low pH all make bleach fade faster than this, so even the lower figure is an
upper bound, and nothing here says "good enough". Outside what was measured the answer is UNKNOWN.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite
from typing import Final, Literal

from flows.measures import exact, number

# L. C. Adam, G. Gordon, Inorganic Chemistry 1999, 38, 1299-1304 (abstract): for OCl- at pH 9-14,
# log10 k2 = 0.149 mu + log10(2.083e10 T exp(-1.018e5/RT) exp(-56.5/R)), k2 in 1/(M s), and the
# ranges that were measured: 0.7 to 3.0 M, 15 to 55 C, ionic strength mu 1 to 6 M.
PER_IONIC_STRENGTH = 0.149
BOLTZMANN_OVER_PLANCK = 2.083e10
ENTHALPY_J_PER_MOL = 1.018e5
ENTROPY_J_PER_MOL_K = -56.5
MOLAR = (0.7, 3.0)
CELSIUS = (15.0, 55.0)
IONIC_STRENGTH = (1.0, 6.0)
MOST_IONIC_STRENGTH = 100.0  # M: far past what dissolves; beyond it a number is a slip

GAS_CONSTANT = 8.314  # J/(mol K), CODATA, to the figures of the fit
ZERO_CELSIUS = 273.15  # K, by definition
GRAMS_PER_MOL_CHLORINE = 70.906  # Cl2, IUPAC; available chlorine counts one Cl2 for each OCl-
SECONDS_PER_DAY = 86_400

# How many OCl- are gone for each turn of the slow step. The abstract does not say whether k2 is
# the rate of the step or of the whole loss: two meet, and a third reacts with what they made.
OPTIMISTIC = 1
PESSIMISTIC = 3

UNKNOWN: Final = "unknown"
Percent = float | Literal["unknown"]
Outside = Literal["strength", "temperature", "ionic strength", "light"]
Caution = Literal[
    "at_most",  # it may be weaker than shown, never trust it to be stronger
    "test_or_replace",  # a test strip, or fresh stock
]


@dataclass(frozen=True, slots=True)
class Left:
    """What may be left. *shown_percent*, the lower one, is the one to show; the other is for study.

    Both are UNKNOWN where *outside* names why the measurements do not reach.
    """

    shown_percent: Percent
    optimistic_percent: Percent
    outside: tuple[Outside, ...]
    cautions: tuple[Caution, ...]


def rate(celsius: float, ionic_strength: float) -> float:
    """k2 in 1/(M s) at *celsius* and *ionic_strength* (M), inside and outside of the fit alike.

    Raises ValueError at or below absolute zero, and for what no solution can be.
    """
    kelvin = _kelvin(celsius)
    if not 0 <= ionic_strength <= MOST_IONIC_STRENGTH:
        raise ValueError(f"No solution has an ionic strength of {ionic_strength} M.")
    heat = exp(-ENTHALPY_J_PER_MOL / (GAS_CONSTANT * kelvin))
    order = exp(ENTROPY_J_PER_MOL_K / GAS_CONSTANT)
    salt = 10 ** (PER_IONIC_STRENGTH * ionic_strength)
    return float(salt * BOLTZMANN_OVER_PLANCK * kelvin * heat * order)


def molar(percent: float) -> float:
    """mol/L of OCl- in bleach of *percent* available chlorine."""
    return number(exact("The strength", percent) * 10) / GRAMS_PER_MOL_CHLORINE


def ionic_strength(mol_per_litre: float) -> float:
    """M, of bleach as it is made: as much salt as hypochlorite, and 0.1 M of lye (an estimate)."""
    return 2 * mol_per_litre + 0.1


def left(
    percent: float,
    days: float,
    celsius: float,
    *,
    test_after_days: float,
    test_above_celsius: float,
    dark: bool = True,
) -> Left:
    """What is left of bleach that was *percent* when new, *days* ago, kept at about *celsius*.

    A bottle that is not *dark* has no answer. Older than *test_after_days* or warmer than
    *test_above_celsius* (both from the protocol) it wants a test whatever the figure.
    Raises ValueError for a strength that is not above zero, and for days or degrees that cannot be.
    """
    if not (isfinite(days) and days >= 0):
        raise ValueError(f"The days must be a number from zero up, not {days}.")
    start = molar(percent)
    salt = ionic_strength(start)
    _kelvin(celsius)
    outside = _outside(start, celsius, salt, dark=dark)
    if outside:
        return Left(UNKNOWN, UNKNOWN, outside, ("test_or_replace",))
    doubtful = not (days <= test_after_days and celsius <= test_above_celsius)
    turns = rate(celsius, salt) * start * days * SECONDS_PER_DAY
    return Left(
        shown_percent=percent / (1 + PESSIMISTIC * turns),
        optimistic_percent=percent / (1 + OPTIMISTIC * turns),
        outside=(),
        cautions=("at_most", "test_or_replace") if doubtful else ("at_most",),
    )


def _kelvin(celsius: float) -> float:
    kelvin = celsius + ZERO_CELSIUS
    if not (isfinite(kelvin) and kelvin > 0):
        raise ValueError(f"Nothing is {celsius} C warm.")
    return kelvin


def _outside(start: float, celsius: float, salt: float, *, dark: bool) -> tuple[Outside, ...]:
    inside: dict[Outside, bool] = {
        "strength": MOLAR[0] <= start <= MOLAR[1],
        "temperature": CELSIUS[0] <= celsius <= CELSIUS[1],
        "ionic strength": IONIC_STRENGTH[0] <= salt <= IONIC_STRENGTH[1],
        "light": dark,
    }
    return tuple(name for name, holds in inside.items() if not holds)
