"""Questions to the store about shift checks. Answers are plain dicts, as those of `queries`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, Integer, func, select

from bot.cursors import Page, Row, fetch, newest_first
from bot.tables import checks
from flows.readiness import reckon


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFilter:
    """Which checks; empty or None means any. Due (or, between the times, done) from *since* on and
    before *until* (aware). *after* is the cursor of the page before."""

    facility: str = ""
    district: str = ""
    done: bool | None = None
    since: datetime | None = None
    until: datetime | None = None
    limit: int = 100
    after: str = ""


LISTED = [c for c in checks.c if c.name not in {"version", "zone"}]


def list_checks(connection: Connection, wanted: CheckFilter) -> Page:
    """Newest first. Sets are words ("BAG-1:well"); the gap are uses reported and not counted (below
    zero: the other way), None where nobody said. ValueError for a limit or a cursor that is none.
    """
    query = select(*LISTED).where(*_conditions(wanted))
    page = newest_first(connection, query, (checks.c.moment, checks.c.id), wanted.limit,
                        wanted.after)
    return Page([_shown(row) for row in page.rows], page.next)


def _shown(row: Row) -> Row:
    gap = None
    if row["uses_said"] is not None:
        gap = reckon(row["uses_said"], row["helped"], row["uses_counted"]).gap
    found = {k: v for k, v in row.items() if k != "by_id"}
    return {**found, "by": row["by_id"], "sets": row["sets"].split(), "gap": gap}


def count_checks(connection: Connection, wanted: CheckFilter) -> list[Row]:
    """By facility: how many checks were *due* and how many of these *done*. Those between the
    times are none that were due."""
    due, done = func.count(), func.sum(checks.c.done.cast(Integer))
    query = select(checks.c.facility, due.label("due"), done.label("done"))
    query = query.where(checks.c.slot.is_not(None), *_conditions(wanted))
    return fetch(connection, query.group_by(checks.c.facility).order_by(checks.c.facility))


def _conditions(wanted: CheckFilter) -> Iterable[ColumnElement[bool]]:
    for name in ("facility", "district"):
        if getattr(wanted, name):
            yield checks.c[name] == getattr(wanted, name)
    if wanted.done is not None:
        yield checks.c.done.is_(wanted.done)
    if wanted.since:
        yield checks.c.moment >= wanted.since
    if wanted.until:
        yield checks.c.moment < wanted.until
