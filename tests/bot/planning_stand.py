"""A facility with a past that can be counted by hand."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from bot.effects import Mixed, Pushed
from flows.batch import Batch, BatchSet
from tests.bot.store_stand import closed, record

DAY = timedelta(days=1)
BAG = BatchSet("BAG-1", "BAG-SIL", "bag", 7, ("chlorine",))


def used(n: int, opened: datetime, hours: float, **values: Any) -> Batch:
    """A chlorine batch of LOWF with one bag, *hours* until it was READY."""
    return closed(f"LOWF-{n}", at=opened + timedelta(hours=hours), opened_at=opened, sets=(BAG,),
                  **values)  # fmt: skip


def past(first: datetime, days: int, hours: float) -> Iterator[Pushed]:
    """One bag used on each of so many *days* from *first* on, *hours* until it was READY."""
    for n in range(days):
        yield record(used(n, first + n * DAY, hours))


def solution(n: int, at: datetime, stock: str = "LOWF-4", product: str = "bleach") -> Mixed:
    """A solution that MIX was told of."""
    return Mixed(f"solution-LOWF-{n}", "LOWF", "TAM", at, at + DAY, 0.5, 5.0, product, stock, "P1")
