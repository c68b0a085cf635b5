"""Questions to the store. Answers are plain dicts; counts read the running totals only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import msgspec
from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Table,
    and_,
    case,
    func,
    literal,
    or_,
    select,
)

from bot.cursors import Page, Row, fetch, newest_first, page_of, page_size
from bot.recording import COUNTS
from bot.tables import (
    UtcTime,
    batches,
    districts,
    entries,
    facilities,
    models,
    set_states,
    sets,
    totals,
    totals_month,
)

# What counts can be told apart by: the columns of the daily totals. A new one is a line here
# and a column there.
DIMENSIONS = ("district", "facility", "month", "week", "day", "method", "outcome")


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchFilter:
    """Which batches; empty or None means any. Opened from *since* on and before *until* (aware).

    *outcome* "open" is what is under way. *after* is the cursor of the page before.
    """

    facility: str = ""
    district: str = ""
    since: datetime | None = None
    until: datetime | None = None
    outcome: str = ""
    method: str = ""
    limit: int = 100
    after: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFilter:
    """Which sets; empty means any. *condition* is the one at the moment asked about."""

    facility: str = ""
    district: str = ""
    condition: str = ""
    limit: int = 100
    after: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountFilter:
    """Closed batches of the facilities' local days *since* to *until*, both included."""

    since: date | None = None
    until: date | None = None
    by: tuple[str, ...] = ()
    district: str = ""
    facility: str = ""


# ---- batches -------------------------------------------------------------------------------

_LISTED = [c for c in batches.c if c.name not in {"doc", "set_count", "aside_count"}]


def list_batches(connection: Connection, wanted: BatchFilter) -> Page:
    """Newest first. ValueError for a limit or a cursor that is none."""
    query = select(*_LISTED).where(*_batch_conditions(wanted))
    page = newest_first(connection, query, (batches.c.opened_at, batches.c.id), wanted.limit,
                        wanted.after)
    return Page([_batch(row) for row in page.rows], page.next)


def _batch_conditions(wanted: BatchFilter) -> Iterable[ColumnElement[bool]]:
    for name in ("facility", "district", "method"):
        if getattr(wanted, name):
            yield batches.c[name] == getattr(wanted, name)
    if wanted.outcome:
        yield batches.c.outcome == ("" if wanted.outcome == "open" else wanted.outcome)
    if wanted.since:
        yield batches.c.opened_at >= wanted.since
    if wanted.until:
        yield batches.c.opened_at < wanted.until


def _batch(row: Row) -> Row:
    return {**row, "sets": row["sets"].split(), "late": bool(row["late"])}


def get_batch(connection: Connection, batch_id: str) -> Row | None:
    """One batch with its *log*, a list of entries in order; None if there is none."""
    found = fetch(connection, select(*_LISTED).where(batches.c.id == batch_id))
    if not found:
        return None
    log = select(entries).where(entries.c.batch == batch_id).order_by(entries.c.n)
    return {**_batch(found[0]), "log": [_entry(row) for row in fetch(connection, log)]}


def _entry(row: Row) -> Row:
    kept = {("by" if k == "by_id" else k): v for k, v in row.items() if k != "batch"}
    return {**kept, "facts": msgspec.json.decode(row["facts"])}


# ---- sets and facilities -------------------------------------------------------------------


def list_sets(connection: Connection, wanted: SetFilter, now: datetime) -> Page:
    """Registered sets by id, each with its condition at *now*; one never heard of is USED."""
    limit = page_size(wanted.limit)
    condition = condition_at(now)
    query = (
        select(sets.c.id, sets.c.facility, facilities.c.district, sets.c.model, models.c.kind,
               condition.label("condition"), set_states.c.since, set_states.c.expires_at,
               func.coalesce(set_states.c.batch, "").label("batch"))
        .join(facilities, sets.c.facility == facilities.c.id)
        .join(models, sets.c.model == models.c.id)
        .outerjoin(set_states, sets.c.id == set_states.c.id)
        .order_by(sets.c.id).limit(limit + 1)
    )
    filters = ((sets.c.facility, wanted.facility), (facilities.c.district, wanted.district),
               (condition, wanted.condition))
    query = query.where(*(column == value for column, value in filters if value))
    if wanted.after:
        query = query.where(sets.c.id > wanted.after)
    return page_of(fetch(connection, query), limit, lambda row: str(row["id"]))


def condition_at(now: datetime) -> ColumnElement[str]:
    """The rule of `SetState.now`, for the database."""
    expires = set_states.c.expires_at
    over = or_(expires.is_(None), expires <= literal(now, UtcTime()))
    return case((and_(set_states.c.condition == "READY", over), "EXPIRED"),
                else_=func.coalesce(set_states.c.condition, "USED"))


def list_facilities(connection: Connection, district: str = "") -> list[Row]:
    """Facilities by id, of one district or of all, with the number of their sets."""
    owned = (select(func.count()).where(sets.c.facility == facilities.c.id)
             .correlate(facilities).scalar_subquery())
    query = (select(facilities, districts.c.name.label("district_name"), owned.label("sets"))
             .join(districts, facilities.c.district == districts.c.id).order_by(facilities.c.id))
    if district:
        query = query.where(facilities.c.district == district)
    lists = ("methods", "measures")
    return [{**row, **{name: row[name].split() for name in lists}}
            for row in fetch(connection, query)]


# ---- counts --------------------------------------------------------------------------------


def count(connection: Connection, wanted: CountFilter) -> list[Row]:
    """One row for each combination of *by* that occurs, in order, with `batches`, `sets`,
    `aside` (of these sets, those set aside), `segments` and `late` (batches told after they were
    done). ValueError for an unknown *by*."""
    for name in wanted.by:
        if name not in DIMENSIONS:
            raise ValueError(f"cannot count by {name[:40]}; use {', '.join(DIMENSIONS)}")
    by = tuple(dict.fromkeys(wanted.by))
    table = _coarsest(wanted)
    keys: list[Column[Any]] = [table.c[name] for name in by]
    sums = [func.coalesce(func.sum(table.c[name]), 0).label(name) for name in COUNTS]
    query = select(*keys, *sums).where(*_count_conditions(table, wanted))
    if keys:
        # A total taken back to nothing is no combination that occurs.
        query = query.group_by(*keys).having(func.sum(table.c.batches) != 0).order_by(*keys)
    return [{**row, **{name: int(row[name]) for name in COUNTS}}
            for row in fetch(connection, query)]


def _coarsest(wanted: CountFilter) -> Table:
    """The monthly totals where they can answer: whole months, and nothing finer asked."""
    fine = {"facility", "week", "day"} & set(wanted.by) or wanted.facility
    begins = wanted.since is None or wanted.since.day == 1
    ends = wanted.until is None or _next_day(wanted.until).day == 1
    return totals_month if begins and ends and not fine else totals


def _next_day(day: date) -> date:
    return day if day == date.max else day + timedelta(days=1)


def _count_conditions(table: Table, wanted: CountFilter) -> Iterable[ColumnElement[bool]]:
    time, size = (table.c.day, 10) if table is totals else (table.c.month, 7)
    if wanted.since:
        yield time >= wanted.since.isoformat()[:size]
    if wanted.until:
        yield time <= wanted.until.isoformat()[:size]
    if wanted.district:
        yield table.c.district == wanted.district
    if wanted.facility:
        yield table.c.facility == wanted.facility
