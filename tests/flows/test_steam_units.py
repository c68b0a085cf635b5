"""The units that gauges and thermometers show. D: derived from their definitions."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows import steam

UNITS = "definition of the units: D"


@pytest.mark.parametrize(
    ("convert", "value", "expected", "digits"),
    [
        (steam.psi_to_kpa, 15, 103.42, 2),
        (steam.kpa_to_psi, 106, 15.37, 2),
        (steam.psi_to_kpa, 1, 6.894757, 6),
        (steam.bar_to_kpa, 1.01325, 101.325, 9),
        (steam.kpa_to_bar, 101.325, 1.01325, 9),
        (steam.f_to_c, 250, 121.11, 2),
        (steam.f_to_c, 270, 132.22, 2),
        (steam.f_to_c, -40, -40, 9),
        (steam.c_to_f, 100, 212, 9),
        (steam.c_to_f, 121, 249.8, 9),
    ],
)
def test_units(
    convert: Callable[[float], float], value: float, expected: float, digits: int
) -> None:
    assert round(convert(value), digits) == expected, UNITS


@given(st.floats(-270, 2000))
def test_units_there_and_back(value: float) -> None:
    assert steam.f_to_c(steam.c_to_f(value)) == pytest.approx(value, abs=1e-9)
    assert steam.kpa_to_psi(steam.psi_to_kpa(value)) == pytest.approx(value, abs=1e-9)
    assert steam.kpa_to_bar(steam.bar_to_kpa(value)) == pytest.approx(value, abs=1e-9)
