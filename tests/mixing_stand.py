"""A facility with chlorine in stock, on the ward's table: what is in it, and when it was opened."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from bot.site import Bottle
from flows.measures import Measure
from flows.strengths import Stock
from tests.nurse import PLACE, Ward

OPENED = date(2025, 3, 3)  # the day on which a ward begins
JUG = Measure("jug", 1000, 50)
CUP = Measure("cup", 100, 10)
SPOON = Measure("scale", 50, 1, "g")
BLEACH = Bottle("BL-1", Stock("bleach", "liquid", 3.5), OPENED, 25)
HTH = Bottle("HTH-1", Stock("calcium hypochlorite", "powder", 35))
NADCC = Bottle("NA-1", Stock("NaDCC", "tablet", 1.0, "g chlorine"), None, 25)


def stocked(*stock: Bottle, litres: float = 5, **more: Any) -> Ward:
    """A ward whose facility soaks in *litres* and has a jug, a cup and a scale."""
    values: dict[str, Any] = {
        "stock": stock or (BLEACH, HTH, NADCC),
        "soak_ml": litres * 1000,
        "measures": (JUG, CUP, SPOON),
    }
    return Ward(site=replace(PLACE, **(values | more)))


def bottle(name: str, today: date) -> Bottle:
    """The stock that a talk calls *name*."""
    if name == "old bleach":
        return replace(BLEACH, id="OLD-1", opened=today - timedelta(days=200))
    fresh = {"bleach": replace(BLEACH, opened=today), "HTH": HTH, "NaDCC": NADCC}
    return fresh[name]
