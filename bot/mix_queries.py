"""Questions to the store about solutions that were made. Answers are plain dicts, as those of
`queries`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

from sqlalchemy import ColumnElement, Connection, func, select

from bot.cursors import Page, Row, newest_first
from bot.effects import MixEnd
from bot.tables import mixes

STANDING = "standing"  # how one that has no end is asked for
ENDS = tuple(end for end in get_args(MixEnd) if end)


@dataclass(frozen=True, slots=True, kw_only=True)
class MixFilter:
    """Which solutions; empty or None means any. Made from *since* on and before *until* (aware).

    *ended* "standing" is what has no end yet. *after* is the cursor of the page before.
    """

    facility: str = ""
    district: str = ""
    ended: str = ""
    since: datetime | None = None
    until: datetime | None = None
    limit: int = 100
    after: str = ""


LISTED = [c for c in mixes.c if c.name not in {"version", "zone"}]


def list_mixes(connection: Connection, wanted: MixFilter) -> Page:
    """Newest first. ValueError for a limit or a cursor that is none, an end not known."""
    query = select(*LISTED).where(*_conditions(wanted))
    page = newest_first(connection, query, (mixes.c.at, mixes.c.id), wanted.limit, wanted.after)
    return Page([_shown(row) for row in page.rows], page.next)


def made_of(connection: Connection, wanted: MixFilter) -> dict[tuple[str, str], int]:
    """How many solutions of *wanted* (its pages left out) were made from each stock, by its id and
    product."""
    stock = (mixes.c.stock, mixes.c.product)
    query = select(*stock, func.count()).where(*_conditions(wanted)).group_by(*stock)
    return {(one, product): n for one, product, n in connection.execute(query)}


def _shown(row: Row) -> Row:
    return {("by" if name == "by_id" else name): value for name, value in row.items()}


def _conditions(wanted: MixFilter) -> Iterable[ColumnElement[bool]]:
    if wanted.ended not in {"", STANDING, *ENDS}:
        raise ValueError(f"ended is one of {', '.join((STANDING, *ENDS))}")
    for name in ("facility", "district"):
        if getattr(wanted, name):
            yield mixes.c[name] == getattr(wanted, name)
    if wanted.ended:
        yield mixes.c.ended == ("" if wanted.ended == STANDING else wanted.ended)
    if wanted.since:
        yield mixes.c.at >= wanted.since
    if wanted.until:
        yield mixes.c.at < wanted.until
