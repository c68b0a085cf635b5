"""What a facility is told to mix: never too weak, whatever it has to measure with."""

from __future__ import annotations

from typing import NamedTuple

import pytest

from flows.solutions import (
    MakeUp,
    Measure,
    Stock,
    make_up,
    make_up_vinegar,
)
from flows.strengths import Unit
from tests.flows.published import Flag

JUG = Measure("jug", 1000, 50)
CUP = Measure("cup", 200, 200)
FINE = Measure("fine", 1000, 0.01)
SYRINGE = Measure("syringe", 20, 1)
SPOON = Measure("spoon", 5, 5, "g")
SCALE = Measure("scale", 100, 0.01, "g")
TO_LIMIT = 1.3  # common practice, no source


def bleach(strength: float, unit: Unit = "%") -> Stock:
    return Stock("bleach", "liquid", strength, unit)


def mix(stock: Stock, litres: float, target: float, *measures: Measure) -> MakeUp:
    return make_up(stock, litres, target, measures=measures, overshoot_limit=TO_LIMIT)


class Mix(NamedTuple):
    stock: Stock
    litres: float
    target: float
    measures: tuple[Measure, ...]
    product: float
    water: float
    percent: float
    flag: Flag
    source: str


MIXES = (
    Mix(bleach(3.5), 5, 0.5, (FINE,), 714.29, 4285.71, 0.5, "derived", "V x target / stock"),
    Mix(bleach(5), 2, 0.5, (FINE,), 200, 1800, 0.5, "derived", "V x target / stock"),
    Mix(bleach(50, "g/L"), 2, 0.5, (FINE,), 200, 1800, 0.5, "derived", "5 % in g/L"),
    Mix(bleach(50_000, "ppm"), 2, 0.5, (FINE,), 200, 1800, 0.5, "derived", "5 % in ppm"),
    Mix(bleach(12, "degrees"), 7.2, 0.5, (FINE,), 1000, 6200, 0.5, "derived", "1 part to 6.2"),
    Mix(bleach(3.5), 5, 0.5, (JUG,), 750, 4250, 0.525, "derived", "up to the next 50 mL"),
    Mix(bleach(3.5), 5, 0.5, (CUP,), 800, 4200, 0.56, "derived", "4 cups and 21 cups"),
    Mix(bleach(3.5), 1.4, 0.5, (CUP,), 200, 1200, 0.5, "published", "1 part to 6, CDC App. E"),
    Mix(
        Stock("calcium hypochlorite", "powder", 70), 1, 0.5, (SCALE, JUG),
        7.15, 1000, 0.5005, "derived", "7.142857 g, up to 0.01 g",
    ),
    Mix(
        Stock("calcium hypochlorite", "powder", 35), 1, 0.5, (SPOON, JUG),
        15, 1000, 0.525, "derived", "14.2857 g, up to three spoons",
    ),
    Mix(
        Stock("NaDCC", "tablet", 1.0, "g chlorine"), 2, 0.5, (JUG,),
        10, 2000, 0.5, "derived", "10 tablets",
    ),
    Mix(
        Stock("NaDCC", "tablet", 1.5, "g chlorine"), 1, 0.5, (JUG,),
        4, 1000, 0.6, "second-hand", "Laboratory Biosafety Manual, WHO, Table 12",
    ),
    Mix(
        Stock("NaDCC", "tablet", 1.5, "g chlorine"), 1, 0.1, (JUG,),
        1, 1000, 0.15, "second-hand", "Laboratory Biosafety Manual, WHO, Table 12",
    ),
)  # fmt: skip


@pytest.mark.parametrize("row", MIXES, ids=str)
def test_both_volumes_and_what_they_give(row: Mix) -> None:
    found = mix(row.stock, row.litres, row.target, *row.measures)
    assert found.product.total == pytest.approx(row.product, abs=0.011)
    assert found.water.total == pytest.approx(row.water, abs=0.011)
    assert found.percent == pytest.approx(row.percent, abs=5e-5)
    assert found.within_limit == (row.percent <= TO_LIMIT * row.target)


def test_the_exact_amounts_stand_beside_the_rounded_ones() -> None:
    found = mix(bleach(3.5), 5, 0.5, JUG)
    assert found.product_exact == pytest.approx(714.2857143)
    assert found.water_exact_ml == pytest.approx(4285.7142857)
    assert (found.product.full, found.product.rest) == (0, 750)
    assert (found.water.full, found.water.rest) == (4, 250)


def test_too_strong_is_said() -> None:
    """Derived: one tablet of 5 g makes 0.5 % of a litre, five times 0.1 %."""
    found = mix(Stock("NaDCC", "tablet", 5.0, "g chlorine"), 1, 0.1, JUG)
    assert not found.within_limit
    assert found.overshoot == pytest.approx(5)
    assert "too_strong" in found.cautions


def test_the_limit_itself_is_within() -> None:
    """Derived: 130 mL of 5 % made up to a litre are 1.3 times 0.5 %."""
    measures = (Measure("cup", 130, 130), Measure("pail", 870, 870))
    found = mix(bleach(5), 1, 0.5, SYRINGE, *measures)
    assert found.product.measure == "cup"
    assert found.overshoot == pytest.approx(1.3)
    assert found.within_limit
    assert "too_strong" not in found.cautions


def test_the_fewest_fillings_that_stay_within_the_limit() -> None:
    found = mix(bleach(3.5), 5, 0.5, SYRINGE, CUP, JUG)
    assert (found.product.measure, found.water.measure) == ("jug", "jug")


def test_a_finer_measure_where_the_coarse_one_is_too_strong() -> None:
    found = mix(bleach(5), 1, 0.5, CUP, SYRINGE, JUG)
    assert found.product.measure in {"jug", "syringe"}
    assert found.within_limit


def test_the_weakest_where_none_stays_within_the_limit() -> None:
    found = mix(bleach(5), 1, 0.5, Measure("pot", 400, 400), CUP)
    assert found.product.measure == "cup"
    assert not found.within_limit


@pytest.mark.parametrize("product", ["calcium hypochlorite", "chlorinated lime"])
def test_cloudy_products_stand_first(product: str) -> None:
    powder = Stock(product, "powder", 30)  # type: ignore[arg-type]
    assert "let_stand" in mix(powder, 1, 0.5, SCALE, JUG).cautions
    assert "let_stand" not in mix(bleach(5), 1, 0.5, JUG).cautions


def test_cautions_of_every_chlorine_mix() -> None:
    always = {"protect", "fresh_air", "plastic_only", "cold_water", "water_first", "add_nothing"}
    for row in MIXES:
        assert always <= set(mix(row.stock, row.litres, row.target, *row.measures).cautions)


@pytest.mark.parametrize("container", ["metal", "steel bowl", "Plastic?", ""])
def test_chlorine_into_metal_is_refused(container: str) -> None:
    with pytest.raises(ValueError, match="never metal"):
        make_up(bleach(5), 1, 0.5, measures=[JUG], overshoot_limit=TO_LIMIT, container=container)


@pytest.mark.parametrize("water", ["hot", "warm", "boiling", ""])
def test_chlorine_into_hot_water_is_refused(water: str) -> None:
    with pytest.raises(ValueError, match="never hot"):
        make_up(bleach(5), 1, 0.5, measures=[JUG], overshoot_limit=TO_LIMIT, water=water)


@pytest.mark.parametrize("added", [["detergent"], {"vinegar"}, ["acid", "soap"], "ammonia"])
def test_chlorine_with_anything_else_is_refused(added: list[str]) -> None:
    with pytest.raises(ValueError, match="poisonous gas"):
        make_up(bleach(5), 1, 0.5, measures=[JUG], overshoot_limit=TO_LIMIT, added=added)


def test_vinegar_with_anything_else_is_refused() -> None:
    with pytest.raises(ValueError, match="not chlorine"):
        make_up_vinegar(1, measures=[JUG], overshoot_limit=TO_LIMIT, added=["chlorine"])


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
@pytest.mark.parametrize("place", ["litres", "target", "limit"])
def test_numbers_that_cannot_be_are_refused(place: str, bad: float) -> None:
    numbers = {"litres": 1.0, "target": 0.5, "limit": TO_LIMIT, place: bad}
    with pytest.raises(ValueError, match="above zero"):
        make_up(
            bleach(5),
            numbers["litres"],
            numbers["target"],
            measures=[JUG],
            overshoot_limit=numbers["limit"],
        )


LIME = Stock("chlorinated lime", "powder", 30)
IMPOSSIBLE = (
    (bleach(0.4), 1, 0.5, (JUG,), "not stronger"),
    (bleach(0.5), 1, 0.5, (JUG,), "not stronger"),
    (Stock("NaDCC", "tablet", 1, "g chlorine"), 1, 21, (JUG,), "can hold"),
    (bleach(5), 0.1, 0.5, (CUP,), "fine enough"),
    (bleach(5), 0.2, 0.5, (CUP,), "fine enough"),
    (bleach(5), 0.3, 0.5, (CUP,), "fine enough"),
    (bleach(5), 1, 0.5, (SPOON,), "no measure"),
    (Stock("chlorinated lime", "powder", 30), 1, 0.5, (JUG,), "no measure"),
    (Stock("chlorinated lime", "powder", 30), 1, 0.5, (SPOON,), "no measure"),
    (
        Stock("chlorinated lime", "powder", 30),
        1,
        0.5,
        (Measure("sack", 999, 999, "g"), JUG),
        "fine",
    ),
    (bleach(5), 1, 0.5, (), "no measure"),
)


@pytest.mark.parametrize(("stock", "litres", "target", "measures", "why"), IMPOSSIBLE)
def test_what_cannot_be_mixed_is_refused(
    stock: Stock, litres: float, target: float, measures: tuple[Measure, ...], why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        mix(stock, litres, target, *measures)


def test_a_limit_under_one_is_refused() -> None:
    with pytest.raises(ValueError, match="under 1"):
        make_up(bleach(5), 1, 0.5, measures=[JUG], overshoot_limit=0.99)


def test_vinegar_and_water_in_equal_parts() -> None:
    """Common practice, no source."""
    found = make_up_vinegar(1, measures=[JUG], overshoot_limit=TO_LIMIT)
    assert (found.product.total, found.water.total, found.percent) == (500, 500, 50)
    assert set(found.cautions) == {"never_with_chlorine", "rinse_before_chlorine"}


def test_vinegar_in_other_parts() -> None:
    found = make_up_vinegar(
        1, measures=[JUG], overshoot_limit=TO_LIMIT, parts_vinegar=1, parts_of_water=3
    )
    assert (found.product.total, found.water.total) == (250, 750)
