"""Make-up against what is printed: every row names its source and how well it is known.

Printed tables round, some of them to the weak side; each row says within how much it must agree.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest

from flows.solutions import (
    added_percent,
    chlorum_to_percent,
    grams_per_litre,
    grams_per_litre_to_percent,
    made_up_percent,
    naocl_to_percent,
    parts_water,
    percent_to_grams_per_litre,
    percent_to_ppm,
    ppm_to_percent,
    tablets,
    whole_parts,
)
from tests.flows.published import CDC, CHOLERA, EXACT, FORMULA, JHPIEGO, LAB, WHO_2014, Flag


class Row(NamedTuple):
    """*stock* % (or g of chlorine in a tablet), *target* %, what is *printed*, how near."""

    stock: float
    target: float
    printed: float
    flag: Flag
    source: str
    within: float = EXACT


def three(
    stock: float, *printed: float, flags: tuple[Flag, Flag, Flag], source: str
) -> tuple[Row, ...]:
    """One line of a handbook's table: 0.5, 0.1 and 0.05 %."""
    columns = zip((0.5, 0.1, 0.05), printed, flags, strict=True)
    return tuple(Row(stock, target, parts, flag, source) for target, parts, flag in columns)


D3: tuple[Flag, Flag, Flag] = ("derived", "derived", "derived")
M3: tuple[Flag, Flag, Flag] = ("memory", "memory", "memory")

PARTS = (
    *three(2.4, 3.8, 23, 47, flags=D3, source=FORMULA),
    *three(2.5, 4, 24, 49, flags=("derived", "derived", "second-hand"), source=WHO_2014),
    *three(3.5, 6, 34, 69, flags=("published", "memory", "derived"), source=f"{CDC}; {JHPIEGO}"),
    *three(3.6, 6.2, 35, 71, flags=D3, source=FORMULA),
    *three(4.5, 8, 44, 89, flags=D3, source=FORMULA),
    *three(5, 9, 49, 99, flags=("memory", "published", "published"), source=f"{CDC}; {WHO_2014}"),
    *three(5.25, 9.5, 51.5, 104, flags=D3, source=FORMULA),
    *three(6, 11, 59, 119, flags=M3, source=JHPIEGO),
    *three(8, 15, 79, 159, flags=M3, source=JHPIEGO),
    *three(10, 19, 99, 199, flags=M3, source=JHPIEGO),
    *three(12.5, 24, 124, 249, flags=D3, source=FORMULA),
    *three(15, 29, 149, 299, flags=M3, source=JHPIEGO),
)


@pytest.mark.parametrize("row", PARTS, ids=str)
def test_parts_of_water(row: Row) -> None:
    assert parts_water(row.stock, row.target) == pytest.approx(row.printed, rel=row.within)


POWDERS = (
    Row(35, 0.5, 14.29, "derived", FORMULA, 0.001),
    Row(35, 0.1, 2.86, "derived", FORMULA, 0.002),
    Row(35, 0.05, 1.43, "derived", FORMULA, 0.002),
    Row(35, 0.5, 14.3, "published", f"{CDC}; {WHO_2014}", 0.002),
    Row(35, 0.5, 14.2, "published", "VIA atlas, IARC: cut off, not rounded", 0.007),
    Row(35, 0.5, 14.2857142857, "derived", FORMULA),
    Row(30, 0.5, 16.67, "derived", FORMULA, 0.001),
    Row(30, 0.1, 3.33, "derived", FORMULA, 0.002),
    Row(30, 0.05, 1.67, "derived", FORMULA, 0.003),
    Row(30, 1, 33, "second-hand", CHOLERA, 0.011),
    Row(60, 0.5, 8.33, "derived", FORMULA, 0.001),
    Row(60, 0.1, 1.67, "derived", FORMULA, 0.003),
    Row(60, 0.05, 0.83, "derived", FORMULA, 0.005),
    Row(60, 0.1, 1.7, "second-hand", f"{LAB}, NaDCC powder", 0.021),
    Row(60, 0.5, 8.5, "second-hand", f"{LAB}, NaDCC powder", 0.021),
    Row(65, 0.5, 7.69, "derived", FORMULA, 0.001),
    Row(65, 0.1, 1.54, "derived", FORMULA, 0.002),
    Row(65, 0.05, 0.77, "derived", FORMULA, 0.002),
    Row(70, 0.5, 7.142857, "derived", FORMULA, 1e-6),
    Row(70, 0.1, 1.43, "derived", FORMULA, 0.002),
    Row(70, 0.05, 0.71, "derived", FORMULA, 0.007),
    Row(70, 0.5, 7.0, "published", "National guide, PMC4925840, Table 2: weaker by 2 %", 0.021),
    Row(70, 0.5, 7.0, "second-hand", f"{LAB}: weaker by 2 %", 0.021),
    Row(70, 0.1, 1.4, "second-hand", f"{LAB}: weaker by 2 %", 0.021),
    Row(70, 0.05, 0.7, "second-hand", CHOLERA, 0.021),
    Row(70, 0.2, 3, "second-hand", CHOLERA, 0.051),
    Row(70, 1, 15, "second-hand", CHOLERA, 0.051),
    Row(70, 2, 30, "second-hand", CHOLERA, 0.051),
    Row(55, 0.5, 9.09, "derived", f"{FORMULA}; NaDCC dihydrate", 0.001),
    Row(55, 0.1, 1.82, "derived", f"{FORMULA}; NaDCC dihydrate", 0.002),
    Row(55, 0.05, 0.91, "derived", f"{FORMULA}; NaDCC dihydrate", 0.002),
    Row(25, 0.5, 20, "second-hand", f"{LAB}, chloramine"),
)


@pytest.mark.parametrize("row", POWDERS, ids=str)
def test_grams_of_powder(row: Row) -> None:
    assert grams_per_litre(row.stock, row.target) == pytest.approx(row.printed, rel=row.within)


class Tablets(NamedTuple):
    grams: float
    litres: float
    target: float
    whole: int
    flag: Flag
    source: str


ROUNDED_UP = "target x 10 x litres / grams, up to whole tablets"
TABLETS = (
    Tablets(1.0, 1, 1.0, 10, "second-hand", "UNICEF: 10 tablets a litre for 1 %"),
    Tablets(1.0, 1, 0.5, 5, "derived", ROUNDED_UP),
    Tablets(1.0, 1, 0.1, 1, "derived", ROUNDED_UP),
    Tablets(1.0, 2, 0.05, 1, "derived", "half a tablet a litre"),
    Tablets(1.0, 1, 0.05, 1, "common practice", "half a tablet, up to one"),
    Tablets(1.0, 2, 0.5, 10, "derived", ROUNDED_UP),
    Tablets(1.5, 1, 0.5, 4, "second-hand", LAB),
    Tablets(1.5, 1, 0.1, 1, "second-hand", LAB),
    Tablets(1.5, 3, 0.05, 1, "derived", "a third of a tablet a litre"),
    Tablets(5.0, 1, 0.5, 1, "derived", "5.0 g of chlorine: ICRC catalogue"),
    Tablets(5.0, 5, 0.1, 1, "derived", "0.2 tablets a litre"),
    Tablets(5.0, 10, 0.05, 1, "derived", "0.1 tablets a litre"),
    Tablets(0.1, 1, 0.5, 50, "derived", "a water tablet (167 mg NaDCC, ICRC): useless here"),
    Tablets(1.0, 10, 0.07, 7, "derived", "0.07 x 10 is more than 0.7 in binary: not 8"),
)


@pytest.mark.parametrize("row", TABLETS, ids=str)
def test_whole_tablets(row: Tablets) -> None:
    assert tablets(row.grams, row.litres, row.target) == row.whole


class Whole(NamedTuple):
    stock: float
    target: float
    parts: int
    real: float
    flag: Flag
    source: str


WHOLE = (
    Whole(3.6, 0.5, 6, 0.514, "derived", "12 degrees at 0.3: 6.2 parts"),
    Whole(12 * 0.317, 0.5, 6, 0.543, "derived", "12 degrees at 0.317: 6.608 parts"),
    Whole(2.4, 0.5, 3, 0.600, "derived", f"8 degrees: 3.8 parts; {JHPIEGO} rounds to 4: 0.480 %"),
    Whole(3.5, 0.5, 6, 0.5, "published", CDC),
    Whole(5, 0.05, 99, 0.05, "published", WHO_2014),
)


@pytest.mark.parametrize("row", WHOLE, ids=str)
def test_whole_parts_go_down(row: Whole) -> None:
    parts, real = whole_parts(row.stock, row.target)
    assert (parts, round(real, 3)) == (row.parts, row.real)


class Trap(NamedTuple):
    """mL of 5 % bleach, and what a litre is with them: made up to it, or added to it."""

    product_ml: float
    made_up: float
    added: float
    source: str


TRAPS = (
    Trap(10, 0.0500, 0.0495, CHOLERA),
    Trap(40, 0.2000, 0.1923, CHOLERA),
    Trap(100, 0.5000, 0.4545, LAB),
    Trap(250, 1.2500, 1.0000, CHOLERA),
    Trap(400, 2.0000, 1.4286, CHOLERA),
)


@pytest.mark.parametrize("row", TRAPS, ids=str)
def test_added_to_is_weaker_than_made_up_to(row: Trap) -> None:
    """Second-hand: the amounts; derived: the strengths."""
    assert made_up_percent(row.product_ml, 5, 1000) == pytest.approx(row.made_up, abs=5e-5)
    assert added_percent(row.product_ml, 5, 1000) == pytest.approx(row.added, abs=5e-5)


def test_old_bleach_trusted_by_its_label_is_under_target() -> None:
    """Derived: labelled 5 %, really 3.5 %, mixed 1 + 9."""
    assert added_percent(1, 3.5, parts_water(5, 0.5)) == pytest.approx(0.35)


BAD = (0.0, -1.0, float("nan"), float("inf"), float("-inf"), 10**400)
GOOD = {
    parts_water: (5.0, 0.5),
    whole_parts: (5.0, 0.5),
    grams_per_litre: (70.0, 0.5),
    tablets: (1.0, 1.0, 0.5),
    chlorum_to_percent: (12.0, 0.3),
    naocl_to_percent: (12.5, 1.16),
    made_up_percent: (1.0, 5.0, 10.0),
    added_percent: (1.0, 5.0, 9.0),
    percent_to_grams_per_litre: (1.0,),
    grams_per_litre_to_percent: (1.0,),
    percent_to_ppm: (1.0,),
    ppm_to_percent: (1.0,),
}
CASES = [(f, good, place) for f, good in GOOD.items() for place in range(len(good))]


@pytest.mark.parametrize("bad", BAD, ids=lambda b: str(b)[:9])
@pytest.mark.parametrize(("function", "good", "place"), CASES)
def test_numbers_that_cannot_be_are_refused(
    function: object, good: tuple[float, ...], place: int, bad: float
) -> None:
    assert callable(function)
    assert function(*good)
    with pytest.raises(ValueError, match=r"above zero|too large"):
        function(*good[:place], bad, *good[place + 1 :])


@pytest.mark.parametrize(
    ("refused", "why"),
    [
        (lambda: parts_water(0.4, 0.5), "not stronger"),
        (lambda: parts_water(0.5, 0.5), "not stronger"),
        (lambda: parts_water(20.01, 0.5), "more than such a product can hold"),
        (lambda: grams_per_litre(100.1, 0.5), "more than such a product can hold"),
        (lambda: grams_per_litre(0.4, 0.5), "not stronger"),
        (lambda: tablets(1, 1, 20.1), "more than such a product can hold"),
        (lambda: made_up_percent(11, 5, 10), "more product than solution"),
        (lambda: percent_to_ppm(1e308), "too large"),
    ],
)
def test_what_cannot_be_mixed_is_refused(refused: object, why: str) -> None:
    assert callable(refused)
    with pytest.raises(ValueError, match=why):
        refused()


def test_the_bounds_themselves_are_allowed() -> None:
    assert parts_water(20, 0.5) == 39
    assert grams_per_litre(100, 0.5) == 5
