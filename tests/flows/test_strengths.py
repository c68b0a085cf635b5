"""Strengths in the units that labels use, and what a label cannot say."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import NamedTuple, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.solutions import (
    PHYSICAL_PERCENT_PER_DEGREE,
    Stock,
    chlorum_to_percent,
    grams_per_litre_to_percent,
    naocl_to_percent,
    percent_to_grams_per_litre,
    percent_to_ppm,
    ppm_to_percent,
)
from flows.strengths import Form, Product, Unit
from tests.flows.published import CDC, CHOLERA, EXACT, JHPIEGO, WHO_2014, Flag


class Same(NamedTuple):
    function: Callable[..., float]
    given: tuple[float, ...]
    printed: float
    flag: Flag
    source: str
    within: float = EXACT

    def __str__(self) -> str:
        """The same in every process that runs the tests."""
        return f"{self.function.__name__}{self.given} is {self.printed}"


SAME = (
    Same(percent_to_grams_per_litre, (1,), 10, "second-hand", CHOLERA),
    Same(percent_to_ppm, (1,), 10_000, "second-hand", CHOLERA),
    Same(ppm_to_percent, (1,), 0.0001, "second-hand", "ICRC catalogue: 1 ppm = 1 mg/L = 0.0001 %"),
    Same(percent_to_ppm, (0.5,), 5000, "derived", "1 % = 10 000 mg/L"),
    Same(ppm_to_percent, (500,), 0.05, "derived", "1 % = 10 000 mg/L"),
    Same(grams_per_litre_to_percent, (36,), 3.6, "derived", "1 % = 10 g/L"),
    Same(chlorum_to_percent, (1,), 0.3, "published", f"{CDC}, note; {WHO_2014}"),
    Same(chlorum_to_percent, (12,), 3.6, "derived", "0.3 % a degree"),
    Same(chlorum_to_percent, (8,), 2.4, "derived", "0.3 % a degree"),
    Same(chlorum_to_percent, (15,), 4.5, "derived", "0.3 % a degree"),
    Same(
        chlorum_to_percent,
        (12, 0.3163),
        3.796,
        "derived",
        "70.906 / 22.414 g/L",
        2e-4,
    ),
    Same(
        chlorum_to_percent,
        (10, PHYSICAL_PERCENT_PER_DEGREE),
        3.163,
        "derived",
        "70.906 / 22.414 g/L",
        2e-4,
    ),
    Same(
        chlorum_to_percent,
        (12, PHYSICAL_PERCENT_PER_DEGREE),
        3.8,
        "published",
        "Montevideo, municipal standard for chlorinated waters: 12 degrees are 38 g/L",
        0.0015,
    ),
    Same(
        chlorum_to_percent,
        (12.64, PHYSICAL_PERCENT_PER_DEGREE),
        4,
        "published",
        "Belgian text: 12.64 degrees are 4 g in 100 mL",
        0.001,
    ),
    Same(
        chlorum_to_percent,
        (48, PHYSICAL_PERCENT_PER_DEGREE),
        15,
        "memory",
        JHPIEGO,
        0.013,
    ),
    Same(
        naocl_to_percent,
        (100, 1),
        95.25,
        "second-hand",
        "70.906 / 74.442 = 0.9525",
        1e-4,
    ),
    Same(
        naocl_to_percent,
        (12.5, 1.16),
        12.5 * 0.9525 * 1.16,
        "memory",
        "density 1.16",
        1e-4,
    ),
)


@pytest.mark.parametrize("row", SAME, ids=str)
def test_units(row: Same) -> None:
    assert row.function(*row.given) == pytest.approx(row.printed, rel=row.within)


LABELS = (
    ("bleach", "liquid", 3.6, "%", "3.6"),
    ("bleach", "liquid", 36.0, "g/L", "3.6"),
    ("bleach", "liquid", 36_000.0, "ppm", "3.6"),
    ("bleach", "liquid", 12.0, "degrees", "3.6"),
    ("calcium hypochlorite", "powder", 70.0, "%", "70"),
    ("NaDCC", "tablet", 1.5, "g chlorine", "150"),
)


@pytest.mark.parametrize(("product", "form", "strength", "unit", "percent"), LABELS)
def test_a_label_in_any_unit_is_the_same_bleach(
    product: Product, form: Form, strength: float, unit: Unit, percent: str
) -> None:
    assert Stock(product, form, strength, unit).percent_each() == Fraction(percent)


ALLOWED = {(form, unit) for _, form, _, unit, _ in LABELS}


@pytest.mark.parametrize("form", get_args(Form))
@pytest.mark.parametrize("unit", get_args(Unit))
def test_only_its_own_units_fit_a_form(form: Form, unit: Unit) -> None:
    if (form, unit) in ALLOWED:
        assert Stock("bleach", form, 1.0, unit)
    else:
        with pytest.raises(ValueError, match="is not given in"):
            Stock("bleach", form, 1.0, unit)


@pytest.mark.parametrize(
    ("form", "strength", "unit"),
    [
        ("liquid", 20.1, "%"),
        ("liquid", 201, "g/L"),
        ("liquid", 201_000, "ppm"),
        ("liquid", 67, "degrees"),
        ("powder", 100.1, "%"),
    ],
)
def test_stronger_than_there_is_is_refused(form: Form, strength: float, unit: Unit) -> None:
    with pytest.raises(ValueError, match="more than such a product can hold"):
        Stock("bleach", form, strength, unit)


@pytest.mark.parametrize("strength", [0.0, -1.0, float("nan"), float("inf")])
@pytest.mark.parametrize(("form", "unit"), sorted(ALLOWED))
def test_no_strength_is_refused(form: Form, unit: Unit, strength: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        Stock("bleach", form, strength, unit)


def test_what_is_not_chlorine_is_refused() -> None:
    with pytest.raises(ValueError, match="not a chlorine product"):
        Stock("vinegar", "liquid", 5.0)  # type: ignore[arg-type]


STRENGTHS = st.floats(1e-6, 100)


@given(STRENGTHS)
def test_units_there_and_back(percent: float) -> None:
    assert grams_per_litre_to_percent(percent_to_grams_per_litre(percent)) == pytest.approx(percent)
    assert ppm_to_percent(percent_to_ppm(percent)) == pytest.approx(percent)


@given(STRENGTHS, STRENGTHS)
def test_a_stronger_label_is_stronger_in_every_unit(one: float, other: float) -> None:
    low, high = sorted((one, other))
    for turn in (percent_to_grams_per_litre, percent_to_ppm, ppm_to_percent, chlorum_to_percent):
        assert turn(low) <= turn(high)


@given(st.floats(0.1, 60))
def test_the_handbook_takes_bleach_for_weaker_than_the_gas_law(degrees: float) -> None:
    assert chlorum_to_percent(degrees) < chlorum_to_percent(degrees, PHYSICAL_PERCENT_PER_DEGREE)
