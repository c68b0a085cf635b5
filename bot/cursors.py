"""Rows of the store a page at a time: the newest first, and where the page after begins."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Column, Connection, Select, literal, tuple_

from bot.tables import UtcTime

Row = dict[str, Any]
MOST_ROWS = 1000  # of one page


class Page(NamedTuple):
    """Some rows, and the cursor of the page after them (None: that was all)."""

    rows: list[Row]
    next: str | None


def newest_first(
    connection: Connection,
    query: Select[Any],
    place: tuple[Column[datetime], Column[str]],
    limit: int,
    after: str,
) -> Page:
    """A page of what *query* finds: by the time and the id that *place* names, the newest first,
    at most *limit* rows, from the cursor *after* on ("": from the start).

    ValueError for a limit or a cursor that is none.
    """
    most, (at, row_id) = page_size(limit), place
    if after:
        moment, last = read_cursor(after)
        query = query.where(tuple_(at, row_id) < tuple_(literal(moment, UtcTime()), literal(last)))
    query = query.order_by(at.desc(), row_id.desc()).limit(most + 1)
    return page_of(fetch(connection, query), most,
                   lambda row: cursor_of(row[at.name], row[row_id.name]))


def fetch(connection: Connection, query: Select[Any]) -> list[Row]:
    """What *query* finds, as plain dicts."""
    return [dict(row) for row in connection.execute(query).mappings()]


def page_size(limit: int) -> int:
    """*limit*, if a page may have that many rows; ValueError if not."""
    if not 1 <= limit <= MOST_ROWS:
        raise ValueError(f"a page has 1 to {MOST_ROWS} rows")
    return limit


def page_of(rows: Sequence[Row], limit: int, cursor: Callable[[Row], str]) -> Page:
    """The first *limit* of *rows*, which are one more where there is a next page."""
    kept = list(rows[:limit])
    return Page(kept, cursor(kept[-1]) if len(rows) > limit else None)


def cursor_of(at: datetime, row_id: str) -> str:
    """Where a page ends in a list by time (aware, UTC) and id."""
    return f"{at.isoformat()[:-6]}Z~{row_id}"


def read_cursor(cursor: str) -> tuple[datetime, str]:
    """The place that `cursor_of` wrote; ValueError for anything else."""
    moment, tilde, row_id = cursor.partition("~")
    try:
        at = datetime.fromisoformat(moment)
    except ValueError:
        at = datetime.min  # noqa: DTZ901 (refused just below, like every naive one)
    if not tilde or at.tzinfo is None:
        raise ValueError("the cursor is not one that this list gave")
    return at, row_id
