"""What holds for every stock, target, volume and set of measures."""

from __future__ import annotations

import pytest
from hypothesis import given, reject
from hypothesis import strategies as st

from flows.solutions import (
    MakeUp,
    Measure,
    Stock,
    grams_per_litre,
    make_up,
    make_up_vinegar,
    parts_water,
    tablets,
    whole_parts,
)
from flows.strengths import Form

FINE = Measure("fine", 1000, 0.01)
SCALE = Measure("scale", 100, 0.01, "g")


def mix(stock: Stock, litres: float, target: float, *measures: Measure) -> MakeUp:
    return make_up(stock, litres, target, measures=measures, overshoot_limit=1.3)


PERCENTS = st.floats(0.51, 20)
TARGETS = st.floats(0.05, 0.5)
LITRES = st.floats(0.5, 40)
STEPS = st.floats(0.5, 60)


@st.composite
def gauges(draw: st.DrawFn, unit: str) -> Measure:
    step = draw(STEPS)
    return Measure(unit, step * draw(st.floats(1, 30)), step, unit)  # type: ignore[arg-type]


SETS = st.lists(gauges("mL"), min_size=1, max_size=3)
SPOONS = st.lists(gauges("g"), min_size=1, max_size=3)


@st.composite
def stocks(draw: st.DrawFn) -> Stock:
    form: Form = draw(st.sampled_from(("liquid", "powder", "tablet")))
    if form == "tablet":
        return Stock("NaDCC", form, draw(st.floats(0.1, 5)), "g chlorine")
    return Stock("bleach", form, draw(PERCENTS if form == "liquid" else st.floats(0.51, 100)))


def possible(stock: Stock, litres: float, target: float, measures: list[Measure]) -> MakeUp:
    """The mix; an example that has none is passed over."""
    try:
        return mix(stock, litres, target, *measures)
    except ValueError as error:
        if "fine enough" not in str(error):
            raise
        reject()


@given(stocks(), LITRES, TARGETS, SETS, SPOONS)
def test_never_weaker_than_the_target(
    stock: Stock, litres: float, target: float, jugs: list[Measure], spoons: list[Measure]
) -> None:
    found = possible(stock, litres, target, jugs + spoons)
    assert found.percent >= target
    made = found.water.total + (found.product.total if stock.form == "liquid" else 0)
    strength = stock.strength * (100 if stock.form == "tablet" else 1)
    assert found.percent == pytest.approx(found.product.total * strength / made)
    assert found.made_ml == pytest.approx(made)
    assert found.made_ml <= litres * 1000 * (1 + 1e-12)
    assert found.overshoot == pytest.approx(found.percent / target)


@given(PERCENTS, PERCENTS, LITRES, TARGETS, SETS)
def test_a_stronger_stock_never_needs_more(
    one: float, other: float, litres: float, target: float, jugs: list[Measure]
) -> None:
    weak, strong = sorted((one, other))
    more = possible(Stock("bleach", "liquid", weak), litres, target, jugs)
    less = possible(Stock("bleach", "liquid", strong), litres, target, jugs)
    assert less.product.total <= more.product.total
    assert less.product_exact <= more.product_exact
    assert parts_water(weak, target) <= parts_water(strong, target)
    assert grams_per_litre(strong, target) <= grams_per_litre(weak, target)


@given(stocks(), LITRES, st.integers(2, 9), TARGETS)
def test_twice_the_volume_takes_twice_the_product(
    stock: Stock, litres: float, times: int, target: float
) -> None:
    small, large = (mix(stock, v, target, FINE, SCALE) for v in (litres, litres * times))
    assert large.product_exact == pytest.approx(times * small.product_exact)
    assert large.water_exact_ml == pytest.approx(times * small.water_exact_ml)


@given(PERCENTS, TARGETS, LITRES)
def test_parts_and_volumes_agree(stock: float, target: float, litres: float) -> None:
    found = mix(Stock("bleach", "liquid", stock), litres, target, Measure("drop", 1000, 0.001))
    ratio = found.water_exact_ml / found.product_exact
    assert ratio == pytest.approx(parts_water(stock, target), abs=1e-9)
    parts, real = whole_parts(stock, target)
    assert parts <= parts_water(stock, target) < parts + 1
    assert real >= target


@given(st.floats(0.1, 5), LITRES, LITRES, TARGETS)
def test_tablets_are_enough_and_not_one_more(
    grams: float, one: float, other: float, target: float
) -> None:
    count = tablets(grams, one, target)
    assert count * grams / (10 * one) >= target * (1 - 1e-12)
    assert (count - 1) * grams / (10 * one) < target * (1 + 1e-12)
    assert tablets(grams, one + other, target) <= count + tablets(grams, other, target) + 1


@given(LITRES, st.integers(1, 4), st.integers(1, 4), SETS)
def test_vinegar_is_never_thinner_than_its_parts(
    litres: float, vinegar: int, water: int, jugs: list[Measure]
) -> None:
    try:
        found = make_up_vinegar(
            litres,
            measures=jugs,
            overshoot_limit=1.3,
            parts_vinegar=vinegar,
            parts_of_water=water,
        )
    except ValueError as error:
        if "fine enough" not in str(error):
            raise
        reject()
    assert found.product.total * water >= found.water.total * vinegar * (1 - 1e-12)
