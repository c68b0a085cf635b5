"""The tables of the running totals: four kinds of numbers, each kept by place in several grains.

A grain is a day or month of one facility, or a month of one district, so that whatever a page asks,
from one week at one facility to years of a country, it adds up some thousand rows at most.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import BigInteger, Column, Index, Integer, Table

from bot.tables import Words, metadata
from flows.indicators import MEASURES

__all__ = ["DAY", "DISTRICT", "MONTH", "TOTALS", "VALUES", "heard", "metadata", "total_marks"]


def _key(name: str) -> Column[Any]:
    kind = Integer if name == "bin" else Words
    return Column(name, kind, primary_key=True, autoincrement=False)


def _counts(names: tuple[str, ...]) -> Iterator[Column[Any]]:
    for name in names:
        yield Column(name, BigInteger, nullable=False, server_default="0")


def _table(name: str, keys: tuple[str, ...], values: tuple[str, ...]) -> Table:
    table = Table(name, metadata, *map(_key, keys), *_counts(values))
    time = keys[1]
    Index(f"ix_{name}_{time}", table.c[time])
    if "facility" in keys:
        Index(f"ix_{name}_facility_{time}", table.c.facility, table.c[time])
    return table


# Where: the district first, since most who ask see one only.
DAY = ("district", "day", "facility", "method")
MONTH = ("district", "month", "facility", "method")
DISTRICT = ("district", "month", "method")
VALUES: Mapping[str, tuple[str, ...]] = {
    "measures": tuple(MEASURES), "reasons": ("n",), "spans": ("n",), "hours": ("n",),
}  # fmt: skip
_OWN: Mapping[str, tuple[str, ...]] = {
    "measures": (), "reasons": ("what", "stage", "reason"), "spans": ("what", "bin"),
    "hours": ("what", "bin"),
}  # fmt: skip
_GRAINS: Mapping[str, tuple[str, ...]] = {"day": DAY, "month": MONTH, "district": DISTRICT}

# Times and hours of the week are asked for by whole months only.
_KEPT: Mapping[str, tuple[str, ...]] = {
    "measures": ("day", "month", "district"), "reasons": ("day", "month", "district"),
    "spans": ("month", "district"), "hours": ("month", "district"),
}  # fmt: skip

TOTALS: Mapping[str, Mapping[str, Table]] = {
    kind: {grain: _table(f"{kind}_by_{grain}", (*_GRAINS[grain], *_OWN[kind]), VALUES[kind])
           for grain in grains}
    for kind, grains in _KEPT.items()
}  # fmt: skip

# The first day on which anything was heard of each facility.
heard = Table(
    "heard", metadata, Column("facility", Words, primary_key=True),
    Column("day", Words, nullable=False),
)

# One row: by which version of the rules the totals were counted.
total_marks = Table(
    "total_marks", metadata, Column("id", Words, primary_key=True),
    Column("version", Words, nullable=False),
)
