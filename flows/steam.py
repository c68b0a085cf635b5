"""Water, steam and air: the saturation line, the standard atmosphere, and units of gauges.

Temperatures in degrees Celsius, pressures in kPa, altitudes in metres. Absolute pressure counts
from vacuum; gauge pressure counts from the air outside, as a dial does. Whatever lies where a
formula does not hold is a ValueError.
"""

from __future__ import annotations

import math

KELVIN = 273.15
KPA_PER_MPA = 1000.0
KPA_PER_BAR = 100.0
# One pound-force (4.4482216152605 N) on one square inch (25.4 mm each way): exact by definition.
KPA_PER_PSI = 4.4482216152605 / 0.0254**2 / 1000

# IAPWS R7-97(2012), Revised Release on the Industrial Formulation 1997, Table 34: the ten
# coefficients of region 4, the line where water and its vapour live together.
N1, N2, N3, N4, N5 = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
)
N6, N7, N8, N9, N10 = (
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
# The same release, section 8: from 273.15 K to the critical point, 647.096 K and 22.064 MPa.
LOWEST_C, HIGHEST_C = 0.0, 647.096 - KELVIN

# ISO 2533:1975, Standard Atmosphere: sea level, and the fall of temperature up to 11 km.
SEA_LEVEL_KPA = 101.325
SEA_LEVEL_K = 288.15
LAPSE_K_PER_M = 0.0065
EXPONENT = 5.25588  # gravity / (lapse * gas constant of air)
LOWEST_M, HIGHEST_M = -2000.0, 11000.0


def within(value: float, low: float, high: float, what: str) -> float:
    """*value* as a float if it is a number from *low* to *high*; else ValueError naming *what*."""
    number = float(value)
    if not low <= number <= high:  # also turns away what is not a number
        raise ValueError(f"{what} must be a number from {low:g} to {high:g}, not {number:g}.")
    return number


def saturation_pressure_kpa(temp_c: float) -> float:
    """The absolute pressure of pure steam over water at *temp_c*, from 0 to 373.946 C."""
    kelvin = within(temp_c, LOWEST_C, HIGHEST_C, "The temperature of the steam in C") + KELVIN
    return _pressure_mpa(kelvin) * KPA_PER_MPA


def saturation_temp_c(pressure_kpa: float) -> float:
    """The temperature at which water boils under *pressure_kpa* absolute, 0.6112 to 22064 kPa."""
    kpa = within(pressure_kpa, LOWEST_KPA, HIGHEST_KPA, "The absolute pressure of the steam in kPa")
    # The two equations agree to a few millionths of a degree; at the ends we stay inside both.
    return min(max(_temperature_k(kpa / KPA_PER_MPA) - KELVIN, LOWEST_C), HIGHEST_C)


def atmosphere_kpa(altitude_m: float) -> float:
    """The pressure of the standard atmosphere at *altitude_m* above the sea, -2000 to 11000 m."""
    height = within(altitude_m, LOWEST_M, HIGHEST_M, "The altitude in m")
    return SEA_LEVEL_KPA * math.pow(1 - LAPSE_K_PER_M * height / SEA_LEVEL_K, EXPONENT)


def boiling_point_c(altitude_m: float) -> float:
    """The temperature of an open pot of boiling water at *altitude_m*.

    The weather moves it by half a degree either way.
    """
    return saturation_temp_c(atmosphere_kpa(altitude_m))


def gauge_kpa(temp_c: float, altitude_m: float) -> float:
    """What a gauge shows at *altitude_m* over pure steam of *temp_c*.

    Below zero (a vacuum) where *temp_c* lies under the boiling point there.
    """
    return saturation_pressure_kpa(temp_c) - atmosphere_kpa(altitude_m)


def steam_temp_c(gauge_kpa: float, altitude_m: float) -> float:
    """How hot pure steam is when the gauge shows *gauge_kpa* at *altitude_m*.

    The inverse of `gauge_kpa`. Air left in the chamber makes it colder than this.
    """
    return saturation_temp_c(gauge_kpa + atmosphere_kpa(altitude_m))


def psi_to_kpa(psi: float) -> float:
    """Pounds per square inch as kPa."""
    return _finite(psi, "The pressure") * KPA_PER_PSI


def kpa_to_psi(kpa: float) -> float:
    """kPa as pounds per square inch."""
    return _finite(kpa, "The pressure") / KPA_PER_PSI


def bar_to_kpa(bar: float) -> float:
    """Bar as kPa."""
    return _finite(bar, "The pressure") * KPA_PER_BAR


def kpa_to_bar(kpa: float) -> float:
    """kPa as bar."""
    return _finite(kpa, "The pressure") / KPA_PER_BAR


def f_to_c(fahrenheit: float) -> float:
    """Degrees Fahrenheit as degrees Celsius."""
    return _above_zero((_finite(fahrenheit, "The temperature") - 32) / 1.8)


def c_to_f(celsius: float) -> float:
    """Degrees Celsius as degrees Fahrenheit."""
    return _above_zero(_finite(celsius, "The temperature")) * 1.8 + 32


def _pressure_mpa(kelvin: float) -> float:
    """Equation 30 of the release."""
    theta = kelvin + N9 / (kelvin - N10)
    a = theta**2 + N1 * theta + N2
    b = N3 * theta**2 + N4 * theta + N5
    c = N6 * theta**2 + N7 * theta + N8
    return (2 * c / (-b + math.sqrt(b * b - 4 * a * c))) ** 4


def _temperature_k(mpa: float) -> float:
    """Equation 31 of the release."""
    beta = math.pow(mpa, 0.25)
    e = beta**2 + N3 * beta + N6
    f = N1 * beta**2 + N4 * beta + N7
    g = N2 * beta**2 + N5 * beta + N8
    d = 2 * g / (-f - math.sqrt(f * f - 4 * e * g))
    return (N10 + d - math.sqrt((N10 + d) ** 2 - 4 * (N9 + N10 * d))) / 2


def _finite(value: float, what: str) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{what} must be a number, not {number}.")
    return number


def _above_zero(celsius: float) -> float:
    if celsius < -KELVIN:
        raise ValueError(f"Nothing is colder than {-KELVIN:g} C.")
    return celsius


# Equation 30 at its two ends, so that every pressure it can give is taken back.
LOWEST_KPA = _pressure_mpa(LOWEST_C + KELVIN) * KPA_PER_MPA
HIGHEST_KPA = _pressure_mpa(HIGHEST_C + KELVIN) * KPA_PER_MPA
