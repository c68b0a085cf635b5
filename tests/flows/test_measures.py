"""What a measure can read: whole fillings and marks, never past the wanted side."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.measures import Measure, read

JUG = Measure("jug", 1000, 50)
CUP = Measure("cup", 200, 200)
ODD = Measure("odd", 100, 30)  # marks at 30, 60, 90, and the brim


@pytest.mark.parametrize(
    ("measure", "wanted", "up", "down"),
    [
        (JUG, 714.29, 750, 700),
        (JUG, 750, 750, 750),
        (JUG, 1001, 1050, 1000),
        (JUG, 970, 1000, 950),
        (CUP, 1, 200, 0),
        (CUP, 200.5, 400, 200),
        (ODD, 91, 100, 90),
        (ODD, 131, 160, 130),
    ],
)
def test_up_and_down(measure: Measure, wanted: float, up: float, down: float) -> None:
    exact = Fraction(str(wanted))
    assert read(measure, exact, up=True).total == up
    assert read(measure, exact, up=False).total == down


@given(st.fractions(0, 9999), st.floats(0.01, 100), st.floats(1, 50))
def test_the_wanted_amount_lies_between(wanted: Fraction, step: float, steps: float) -> None:
    measure = Measure("any", step * steps, step)
    above, below = read(measure, wanted, up=True), read(measure, wanted, up=False)
    assert below.total <= wanted <= above.total
    assert above.total - below.total <= Fraction(repr(step))
    for found in (above, below):
        assert 0 <= found.rest < Fraction(repr(measure.holds))
        assert found.fillings == found.full + (1 if found.rest else 0)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_sizes_that_cannot_be_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        Measure("jug", bad, 1)
    with pytest.raises(ValueError, match="above zero"):
        Measure("jug", 1, bad)


def test_a_step_past_the_brim_is_refused() -> None:
    with pytest.raises(ValueError, match="larger than what it holds"):
        Measure("jug", 100, 101)


def test_a_unit_that_nobody_measures_in_is_refused() -> None:
    with pytest.raises(ValueError, match="mL or g"):
        Measure("jug", 100, 10, "pint")  # type: ignore[arg-type]
