"""Counts from the running totals alone: by place, time and method, and by stage and reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Select,
    Table,
    cast,
    column,
    func,
    or_,
    select,
    union_all,
)

from bot.cursors import Row, fetch
from bot.tables import facilities
from bot.total_tables import TOTALS, VALUES

PLACES = ("district", "facility")
TIMES = ("month", "week", "day")
MISSED = ("stage", "reason")
DIMENSIONS = (*PLACES, *TIMES, "method", *MISSED)


@dataclass(frozen=True, slots=True, kw_only=True)
class CountFilter:
    """What is counted: the facilities' local days *since* to *until*, both included (None: no end),
    told apart by each of *by*, one of DIMENSIONS. The others name what is wanted, empty for all;
    *what* is missed (steps of batches) or alert (by its rule, the reason), where stage or reason
    are asked."""

    since: date | None = None
    until: date | None = None
    by: tuple[str, ...] = ()
    district: tuple[str, ...] = ()
    facility: tuple[str, ...] = ()
    method: tuple[str, ...] = ()
    stage: tuple[str, ...] = ()
    reason: tuple[str, ...] = ()
    what: str = "missed"


def count(connection: Connection, wanted: CountFilter) -> list[Row]:
    """One row for each combination of *by* that occurs, in order, with every measure of
    `flows.indicators`; with `n` and the batches that it is of (`batches`, less `cancelled`) where
    stages or reasons are asked. ValueError for an unknown *by*."""
    for name in wanted.by:
        if name not in DIMENSIONS:
            raise ValueError(f"by is any of {', '.join(DIMENSIONS)}, not {name[:40]}")
    by = tuple(dict.fromkeys(wanted.by))
    if not (set(by) & set(MISSED) or wanted.stage or wanted.reason):
        return summed(connection, "measures", wanted, by)
    found = summed(connection, "reasons", wanted, by)
    common = tuple(name for name in by if name not in MISSED)
    whole = replace(wanted, stage=(), reason=())
    of = {_key(row, common): row for row in summed(connection, "measures", whole, common)}
    return [{**row, **_denominator(of.get(_key(row, common)))} for row in found]


def _key(row: Row, names: Sequence[str]) -> tuple[Any, ...]:
    return tuple(row[name] for name in names)


def _denominator(row: Row | None) -> dict[str, int]:
    return {name: row[name] if row else 0 for name in ("batches", "cancelled")}


def summed(
    connection: Connection, kind: str, wanted: CountFilter, by: Sequence[str]
) -> list[Row]:
    """The totals of *kind* (a key of TOTALS), told apart by *by* and by its own keys."""
    own = ("what", "bin") if kind in ("spans", "hours") else ()
    keys, values = (*by, *own), VALUES[kind]
    parts = [_part(table, span, wanted, keys, values) for table, span in _parts(kind, wanted, by)]
    if not parts:
        return []
    query = parts[0] if len(parts) == 1 else _all_of(parts, keys, values)
    # What came back to nothing is no combination that occurs.
    rows = [row for row in fetch(connection, query.order_by(*map(column, keys)))
            if not keys or any(row[n] for n in values)]
    return _by_week(rows, keys, values) if "week" in keys else rows


def _all_of(parts: Sequence[Select[Any]], keys: Sequence[str],
            values: Sequence[str]) -> Select[Any]:
    source = union_all(*parts).subquery()
    columns = [source.c[name] for name in keys]
    query = select(*columns, *(_sum(source.c[name]) for name in values))
    return query.group_by(*columns) if columns else query


def _sum(of: ColumnElement[Any]) -> ColumnElement[int]:
    """A sum as a plain whole number: PostgreSQL's own type for it is several times as slow."""
    return cast(func.coalesce(func.sum(of), 0), BigInteger).label(of.key)


# ---- which tables ----------------------------------------------------------------------------

Span = tuple[date | None, date | None]


def _parts(kind: str, wanted: CountFilter, by: Sequence[str]) -> list[tuple[Table, Span]]:
    """The tables that hold the days asked, the coarsest that can, each with its days."""
    grains = TOTALS[kind]
    fine = "facility" in by or bool(wanted.facility)
    months = grains["month"] if fine else grains["district"]
    since, until = wanted.since, wanted.until
    if {"week", "day"} & set(by):
        if "day" not in grains:
            raise ValueError("times are told for whole months, not by week or day")
        return [(grains["day"], (since, until))]
    first = since if since is None or since.day == 1 else _next_month(since)
    after = None if until is None else (until + timedelta(days=1)).replace(day=1)
    if first and after and first >= after:  # no whole month lies between
        return [(grains["day"], (since, until))] if "day" in grains else []
    parts = [(months, (first, after - timedelta(days=1) if after else None))]
    if "day" in grains:
        if since and first and since < first:
            parts.append((grains["day"], (since, first - timedelta(days=1))))
        if until and after and after <= until:
            parts.append((grains["day"], (after, until)))
    return parts


def spans_whole_month(wanted: CountFilter) -> bool:
    """Whether a whole month lies in the days asked: times are kept by the month."""
    return bool(_parts("spans", wanted, ()))


def _next_month(day: date) -> date:
    return (day.replace(day=1) + timedelta(days=32)).replace(day=1)


def _part(table: Table, span: Span, wanted: CountFilter, keys: Sequence[str],
          values: Sequence[str]) -> Select[Any]:
    daily = "day" in table.c
    columns: list[ColumnElement[Any]] = []
    for name in keys:
        if name == "month" and daily:
            columns.append(func.substr(table.c.day, 1, 7).label("month"))
        elif name == "week":
            columns.append(table.c.day.label("week"))  # made a week of when it is read
        else:
            columns.append(table.c[name].label(name))
    query = select(*columns, *(_sum(table.c[name]) for name in values))
    query = query.where(*_conditions(table, span, wanted))
    groups = [c.element if hasattr(c, "element") else c for c in columns]
    return query.group_by(*groups) if groups else query


def _conditions(table: Table, span: Span, wanted: CountFilter) -> Iterable[ColumnElement[bool]]:
    time, size = (table.c.day, 10) if "day" in table.c else (table.c.month, 7)
    since, until = span
    if since:
        yield time >= since.isoformat()[:size]
    if until:
        yield time <= until.isoformat()[:size]
    for name in (*PLACES, "method", *MISSED):
        if (asked := getattr(wanted, name)) and name in table.c:
            yield table.c[name].in_(asked)
    if "stage" in table.c:
        yield table.c.what == wanted.what


def _by_week(rows: list[Row], keys: Sequence[str], values: Sequence[str]) -> list[Row]:
    """Rows of days as rows of ISO weeks, such as 2025-W09."""
    weeks: dict[tuple[Any, ...], Row] = {}
    for row in rows:
        row["week"] = iso_week(row["week"])
        known = weeks.setdefault(_key(row, keys), {**row, **dict.fromkeys(values, 0)})
        for name in values:
            known[name] += row[name]
    return [weeks[key] for key in sorted(weeks)]


def iso_week(day: str) -> str:
    """The ISO 8601 week of a day, as 2025-W09."""
    year, week, _ = date.fromisoformat(day).isocalendar()
    return f"{year}-W{week:02}"


# ---- who did not report ---------------------------------------------------------------------


def registered(connection: Connection, wanted: CountFilter) -> dict[str, Row]:
    """The facilities of the register that are asked about, by id: district, name and zone."""
    query = select(facilities.c.id, facilities.c.district, facilities.c.name, facilities.c.zone)
    if wanted.district:
        query = query.where(facilities.c.district.in_(wanted.district))
    if wanted.facility:
        query = query.where(facilities.c.id.in_(wanted.facility))
    return {row["id"]: row for row in fetch(connection, query.order_by(facilities.c.id))}


REPORTS = ("started", "batches", "checks_done", "uses_asked", "mixed")


def reported(row: Mapping[str, Any]) -> bool:
    """Whether anybody at a facility said anything: a batch begun or ended, a shift check done, a
    solution made."""
    return any(row[name] for name in REPORTS)


def came(connection: Connection, wanted: CountFilter, by: Sequence[str]) -> set[tuple[str, ...]]:
    """Where, by facility or month or both, anybody said anything in the time asked, as `reported`
    has it."""
    found: set[tuple[str, ...]] = set()
    asked = replace(wanted, method=(), stage=(), reason=())
    for table, span in _parts("measures", asked, ("facility",)):
        month = func.substr(table.c.day, 1, 7) if "day" in table.c else table.c.month
        columns = [month if name == "month" else table.c[name] for name in by]
        said = or_(*(table.c[name] > 0 for name in REPORTS))
        query = select(*columns).where(*_conditions(table, span, asked), said)
        found.update(map(tuple, connection.execute(query.distinct())))
    return found


def silent(connection: Connection, wanted: CountFilter) -> list[str]:
    """The ids of the registered facilities of which nothing came in the time asked."""
    heard = came(connection, replace(wanted, by=()), ("facility",))
    return [facility for facility in registered(connection, wanted) if (facility,) not in heard]
