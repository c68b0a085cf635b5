"""Questions to the store about batches, sets and facilities. Answers are plain dicts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import datetime, timedelta

import msgspec
from sqlalchemy import (
    ColumnElement,
    Connection,
    and_,
    case,
    func,
    literal,
    or_,
    select,
)

from bot.cursors import Page, Row, fetch, newest_first, page_of, page_size
from bot.tables import (
    UtcTime,
    batches,
    districts,
    facilities,
    models,
    set_states,
    sets,
)
from flows.batch import Batch, Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchFilter:
    """Which batches; empty or None means any. Opened from *since* on and before *until* (aware).

    *by_end*: those that ended in that time instead, and of the open ones those that began in it, as
    the totals count them. *outcome* "open" is what is under way. *missed*: in which any step was
    missed; *stage* and *reason*: in which one was missed there, or for this reason. *after* is the
    cursor of the page before.
    """

    facility: str = ""
    district: str = ""
    since: datetime | None = None
    until: datetime | None = None
    outcome: str = ""
    method: str = ""
    stage: str = ""
    reason: str = ""
    missed: bool = False
    by_end: bool = False
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


# ---- batches -------------------------------------------------------------------------------

# One that was open for longer is not found by its end; a software limit.
LONGEST = timedelta(days=90)
LISTED = [c for c in batches.c if c.name not in {"doc", "set_count", "aside_count"}]


def list_batches(connection: Connection, wanted: BatchFilter) -> Page:
    """Newest first. ValueError for a limit or a cursor that is none."""
    query = select(*LISTED).where(*_batch_conditions(wanted))
    page = newest_first(connection, query, (batches.c.opened_at, batches.c.id), wanted.limit,
                        wanted.after)
    return Page([_batch(row) for row in page.rows], page.next)


def _batch_conditions(wanted: BatchFilter) -> Iterable[ColumnElement[bool]]:
    for name in ("facility", "district", "method"):
        if getattr(wanted, name):
            yield batches.c[name] == getattr(wanted, name)
    if wanted.outcome:
        yield batches.c.outcome == ("" if wanted.outcome == "open" else wanted.outcome)
    if wanted.stage or wanted.reason:
        # Each miss is " stage:reason ".
        part = ":".join((f" {wanted.stage}" if wanted.stage else "",
                         f"{wanted.reason} " if wanted.reason else ""))
        yield batches.c.missed.contains(part, autoescape=True)
    if wanted.missed:
        yield batches.c.missed != ""
    yield from _time(wanted)


def _time(wanted: BatchFilter) -> Iterable[ColumnElement[bool]]:
    """The index is by the beginning, so that an end is looked for in a range of beginnings."""
    since, over = wanted.since, func.coalesce(batches.c.closed_at, batches.c.opened_at)
    if since and wanted.by_end:
        yield over >= literal(since, UtcTime())
        since -= LONGEST
    if since:
        yield batches.c.opened_at >= since
    if wanted.until:
        yield batches.c.opened_at < wanted.until
        if wanted.by_end:
            yield over < literal(wanted.until, UtcTime())


def _batch(row: Row) -> Row:
    return {**row, "sets": row["sets"].split(), "late": bool(row["late"]),
            "missed": row["missed"].split()}


def get_batch(connection: Connection, batch_id: str) -> Row | None:
    """One batch with its *log*, a list of entries in order; None if there is none."""
    found = fetch(connection, select(*LISTED, batches.c.doc).where(batches.c.id == batch_id))
    if not found:
        return None
    row = found[0]
    log = msgspec.json.decode(row.pop("doc"), type=Batch).log
    return {**_batch(row), "log": [_entry(entry) for entry in log]}


# Of an entry all but the host's running time, which means nothing elsewhere.
_TOLD = tuple(f.name for f in fields(Entry) if f.name != "tick")


def _entry(entry: Entry) -> Row:
    told = {name: getattr(entry, name) for name in _TOLD}
    return {**told, "said": entry.said.replace("\0", "\ufffd")}  # no file can hold it


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
