"""One strength in the units that labels use, and the physics behind them.

Per cent is grams of available chlorine in 100 mL. Every function raises ValueError with a plain
sentence on a number that is not finite and above zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, get_args

from flows.measures import exact, number

# Beyond these a label is misread: bleach is not sold stronger, and nothing is more than pure.
MOST_LIQUID_PERCENT = 20
MOST_POWDER_PERCENT = 100
# 1 % = 10 g/L = 10 000 mg/L, by the meaning of per cent of grams in 100 mL.
GRAMS_PER_LITRE = 10
PPM = 10_000
# 1 degree chlorometric is 1 L of Cl2 gas in 1 L of bleach: molar mass 70.906 g (IUPAC), molar
# volume 22.414 L at 0 C and 1 atm (CODATA). The handbooks' 0.3 is the cautious round number.
PHYSICAL_PERCENT_PER_DEGREE = 70.906 / 22.414 / GRAMS_PER_LITRE
# Available chlorine of pure NaOCl by mass: molar masses of Cl2 and NaOCl (IUPAC).
CHLORINE_PER_NAOCL = 70.906 / 74.442

Product = Literal["bleach", "calcium hypochlorite", "chlorinated lime", "NaDCC"]
Form = Literal["liquid", "powder", "tablet"]
Unit = Literal["%", "g/L", "ppm", "degrees", "g chlorine"]

PRODUCTS: tuple[Product, ...] = get_args(Product)
UNITS: dict[Form, tuple[Unit, ...]] = {
    "liquid": ("%", "g/L", "ppm", "degrees"),
    "powder": ("%",),
    "tablet": ("g chlorine",),
}


def percent_to_grams_per_litre(percent: float) -> float:
    """g/L of available chlorine in a solution of *percent*."""
    return number(exact("The strength", percent) * GRAMS_PER_LITRE)


def grams_per_litre_to_percent(grams: float) -> float:
    """% of a solution that holds *grams* of available chlorine in a litre."""
    return number(exact("The strength", grams) / GRAMS_PER_LITRE)


def percent_to_ppm(percent: float) -> float:
    """ppm, which for water is mg/L, of a solution of *percent*."""
    return number(exact("The strength", percent) * PPM)


def ppm_to_percent(ppm: float) -> float:
    """% of a solution of *ppm*, which for water is mg/L."""
    return number(exact("The strength", ppm) / PPM)


def chlorum_to_percent(degrees: float, per_degree: float = 0.3) -> float:
    """% of bleach labelled in *degrees* chlorometric.

    0.3 %, the handbooks' rule, takes the bleach for weaker than it is; PHYSICAL_PERCENT_PER_DEGREE
    is what the gas law gives.
    """
    return number(exact("The degrees", degrees) * exact("The per cent per degree", per_degree))


def naocl_to_percent(naocl_percent: float, kg_per_litre: float) -> float:
    """% available chlorine of bleach labelled in % NaOCl by weight, with its density."""
    chlorine = exact("The strength", naocl_percent) * Fraction(CHLORINE_PER_NAOCL)
    return number(chlorine * exact("The density", kg_per_litre))


@dataclass(frozen=True, slots=True)
class Stock:
    """What is in the bottle, bag or tin, as its label says it.

    A liquid in %, g/L, ppm or degrees (*per_degree* turns those into %), a powder in % by weight,
    a tablet in grams of available chlorine.
    """

    product: Product
    form: Form
    strength: float
    unit: Unit = "%"
    per_degree: float = 0.3

    def __post_init__(self) -> None:
        if self.product not in PRODUCTS:
            raise ValueError(f"{self.product} is not a chlorine product.")
        if self.unit not in UNITS.get(self.form, ()):
            raise ValueError(f"The strength of a {self.form} is not given in {self.unit}.")
        self.percent_each()

    def percent_each(self) -> Fraction:
        """% that one mL, gram or tablet makes of one mL of solution."""
        strength = exact("The strength", self.strength)
        if self.form == "tablet":
            return strength * 100
        per_unit = {
            "g/L": Fraction(1, GRAMS_PER_LITRE),
            "ppm": Fraction(1, PPM),
            "degrees": exact("The per cent per degree", self.per_degree),
        }
        percent = strength * per_unit.get(self.unit, 1)
        within(percent, MOST_LIQUID_PERCENT if self.form == "liquid" else MOST_POWDER_PERCENT)
        return percent


def within(percent: Fraction, most: int) -> None:
    """Raises ValueError for a strength that no label can mean."""
    if percent > most:
        raise ValueError(f"{number(percent):g} % is more than such a product can hold ({most} %).")
