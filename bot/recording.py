"""Writes batches and conditions of sets, newest version only, and keeps the running totals.

At least once on the wire, exactly once here: a document that is no newer than what the store
holds changes nothing. Totals move by the difference between the row replaced and the row that
replaces it, in the same transaction, so they always equal a recount of the batches.

Two writers cannot pass each other: every row is first inserted as a placeholder if it is new,
then locked, both in the order of ids, so that writers queue and never deadlock.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from sqlalchemy import Connection, Table, bindparam, delete, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from bot.effects import Conditions, Push
from bot.model import SetState
from bot.tables import batches, entries, facilities, set_states, totals, totals_month
from flows.batch import Batch, Entry

UNWRITTEN = -1  # the version of a placeholder: older than any document
ALONE = 0  # the version of a condition that came without a batch
MOST_SETS = 64  # of one batch; a nurse's hands end long before
KEY_CHARACTERS = 64  # what stands in an index is bounded
BEFORE_ALL = datetime.min.replace(tzinfo=UTC)
COUNTS = ("batches", "sets", "aside", "segments", "late")

Row = dict[str, Any]
Key = tuple[str, ...]


Record = Push  # one state of a batch and of its sets: what is pushed is what is recorded


def version(record: Record) -> int:
    """The log only grows: its length tells the newer state."""
    return len(record.batch.log)


def check(record: Record) -> None:
    """Raise ValueError with a plain sentence if *record* cannot be what it says."""
    batch, log = record.batch, record.batch.log
    keys = [batch.id, batch.facility, batch.district, *(s.id for s in record.sets)]
    if not all(map(is_key, (*keys, *(s.id for s in batch.sets)))):
        raise ValueError(f"batch {batch.id[:KEY_CHARACTERS]!r}: every id has 1 to "
                         f"{KEY_CHARACTERS} printable characters")
    if len(record.sets) > MOST_SETS:
        raise ValueError(f"batch {batch.id}: at most {MOST_SETS} sets")
    times = [batch.opened_at, batch.closed_at, batch.expires_at, batch.due, *(e.at for e in log),
             *(t for s in record.sets for t in (s.since, s.expires_at))]
    if any(t.tzinfo is None for t in times if t):
        raise ValueError(f"batch {batch.id}: every time carries its zone")
    if bool(batch.outcome) != (batch.closed_at is not None):
        raise ValueError(f"batch {batch.id}: an outcome and a closing time come together")
    if any(a.n >= b.n for a, b in pairwise(log)):
        raise ValueError(f"batch {batch.id}: the entries of a log are numbered upwards")


def check_conditions(conditions: Conditions) -> None:
    """Raise ValueError with a plain sentence if *conditions* cannot be what they say."""
    states = conditions.states
    if not all(map(is_key, (conditions.site_id, *(s.id for s in states)))):
        raise ValueError(f"conditions: every id has 1 to {KEY_CHARACTERS} printable characters")
    if len(states) > MOST_SETS:
        raise ValueError(f"conditions of {conditions.site_id}: at most {MOST_SETS} sets")
    if any(s.since is None for s in states):
        raise ValueError(f"conditions of {conditions.site_id}: each has the time it is since")
    if any(t.tzinfo is None for s in states for t in (s.since, s.expires_at) if t):
        raise ValueError(f"conditions of {conditions.site_id}: every time carries its zone")


def is_key(text: str) -> bool:
    """Whether *text* may be an id here."""
    return 0 < len(text) <= KEY_CHARACTERS and text.isprintable()


def record_all(connection: Connection, records: Sequence[Record]) -> int:
    """Write *records* (already checked, one transaction). Returns how many batches were newer."""
    newest: dict[str, Record] = {}
    for record in records:
        known = newest.get(record.batch.id)
        if known is None or version(record) > version(known):
            newest[record.batch.id] = record
    taken = _write_batches(connection, newest)
    _write_states(connection, records)
    return taken


def _insert(connection: Connection, table: Table) -> Any:
    """The engine's own INSERT, which knows about conflicts."""
    engine = postgresql if connection.dialect.name == "postgresql" else sqlite
    return engine.insert(table)


def locked(connection: Connection, table: Table, placeholders: Mapping[str, Row],
           columns: Iterable[str]) -> dict[str, Row]:
    """The rows with these ids, locked until the transaction ends; new ones are put in first."""
    ids = sorted(placeholders)
    statement = _insert(connection, table).on_conflict_do_nothing(index_elements=["id"])
    connection.execute(statement, [placeholders[i] for i in ids])
    wanted = select(*(table.c[name] for name in ("id", "version", *columns)))
    found = connection.execute(
        wanted.where(table.c.id.in_(ids)).order_by(table.c.id).with_for_update())
    return {row["id"]: dict(row) for row in found.mappings()}


def replace_rows(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Replace the rows of the same ids."""
    if rows:
        statement = update(table).where(table.c.id == bindparam("this_id"))
        connection.execute(statement, [{**row, "this_id": row["id"]} for row in rows])


def keep_newest(connection: Connection, table: Table, rows: Iterable[Row]) -> int:
    """Write each of *rows* (whole, with `id` and `version`) that is newer than what *table* holds.

    Returns how many were.
    """
    newest: dict[str, Row] = {}
    for row in rows:
        if row["id"] not in newest or row["version"] > newest[row["id"]]["version"]:
            newest[row["id"]] = row
    if not newest:
        return 0
    empty = {i: {**row, "version": UNWRITTEN} for i, row in newest.items()}
    held = locked(connection, table, empty, ())
    taken = [row for i, row in sorted(newest.items()) if row["version"] > held[i]["version"]]
    replace_rows(connection, table, taken)
    return len(taken)


# ---- batches -------------------------------------------------------------------------------


def _write_batches(connection: Connection, newest: Mapping[str, Record]) -> int:
    if not newest:
        return 0
    zones = _zones(connection, {r.batch.facility for r in newest.values()})
    rows = {i: _batch_row(r, zones.get(r.batch.facility, "UTC")) for i, r in newest.items()}
    empty = {i: {**row, "version": UNWRITTEN, "outcome": ""} for i, row in rows.items()}
    held = locked(connection, batches, empty, _COUNTED)
    taken = [row for i, row in sorted(rows.items()) if row["version"] > held[i]["version"]]
    replace_rows(connection, batches, taken)
    _write_logs(connection, [newest[row["id"]].batch for row in taken])
    _move_totals(connection, [held[row["id"]] for row in taken], taken)
    return len(taken)


def _zones(connection: Connection, ids: set[str]) -> dict[str, str]:
    wanted = select(facilities.c.id, facilities.c.zone).where(facilities.c.id.in_(sorted(ids)))
    return {row.id: row.zone for row in connection.execute(wanted)}


def local_day(moment: datetime | None, zone: str) -> str:
    """The date at *moment* in *zone*, as YYYY-MM-DD; empty for no moment."""
    return moment.astimezone(ZoneInfo(zone)).date().isoformat() if moment else ""


def _batch_row(record: Record, zone: str) -> Row:
    batch = record.batch
    day = local_day(batch.closed_at, zone)
    return {
        "id": batch.id, "facility": batch.facility, "district": batch.district,
        "opened_at": batch.opened_at, "closed_at": batch.closed_at,
        "expires_at": batch.expires_at, "day": day, "month": day[:7], "method": batch.method,
        "outcome": batch.outcome, "protocol": batch.protocol, "flow": batch.flow,
        "sets": " ".join(s.id for s in batch.sets), "set_count": len(batch.sets),
        "aside_count": _aside(batch), "segments": batch.segments, "late": int(batch.late),
        "version": version(record),
        "doc": msgspec.json.encode(batch).decode(),
    }


def _aside(batch: Batch) -> int:
    if batch.outcome == "set aside":
        return len(batch.sets)
    return sum(bool(s.aside) for s in batch.sets)


def _write_logs(connection: Connection, taken: Sequence[Batch]) -> None:
    if not taken:
        return
    connection.execute(delete(entries).where(entries.c.batch.in_([b.id for b in taken])))
    rows = [_entry_row(batch.id, entry) for batch in taken for entry in batch.log]
    if rows:
        connection.execute(insert(entries), rows)


def _entry_row(batch_id: str, entry: Entry) -> Row:
    return {
        "batch": batch_id, "n": entry.n, "at": entry.at, "kind": entry.kind,
        "stage": entry.stage, "by_id": entry.by, "via": entry.via, "said": entry.said,
        "mark": entry.mark, "set_id": entry.set_id, "voids": entry.voids,
        "facts": msgspec.json.encode(entry.facts).decode(),
    }


# ---- totals --------------------------------------------------------------------------------

_COUNTED = ("day", "month", "district", "facility", "method", "outcome", "set_count",
            "aside_count", "segments", "late")
_BY_DAY = ("day", "district", "facility", "method", "outcome")
_BY_MONTH = ("month", "district", "method", "outcome")


def _move_totals(connection: Connection, before: Sequence[Row], after: Sequence[Row]) -> None:
    by_day, by_month = _moved(_BY_DAY, before, after), _moved(_BY_MONTH, before, after)
    days = [{**row, "month": row["day"][:7], "week": _week(row["day"])} for row in by_day]
    _add(connection, totals, days)
    _add(connection, totals_month, by_month)


def _week(day: str) -> str:
    """The ISO week of a day, as 2025-W09."""
    year, week, _ = date.fromisoformat(day).isocalendar()
    return f"{year}-W{week:02}"


def _moved(key: Sequence[str], before: Sequence[Row], after: Sequence[Row]) -> list[Row]:
    """What is added to each total: closed batches after, less closed batches before."""
    sums: dict[Key, Counter[str]] = {}
    for sign, rows in ((-1, before), (1, after)):
        for row in rows:
            if row["outcome"]:
                total = sums.setdefault(tuple(row[name] for name in key), Counter())
                _count(total, row, sign)
    return [{**dict(zip(key, place, strict=True)), **{n: total[n] for n in COUNTS}}
            for place, total in sorted(sums.items()) if any(total.values())]


def _count(total: Counter[str], row: Row, sign: int) -> None:
    total["batches"] += sign
    total["sets"] += sign * row["set_count"]
    total["aside"] += sign * row["aside_count"]
    total["segments"] += sign * row["segments"]
    total["late"] += sign * row["late"]


def _add(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    if not rows:
        return
    statement = _insert(connection, table)
    statement = statement.on_conflict_do_update(
        index_elements=list(table.primary_key.columns),
        set_={name: table.c[name] + statement.excluded[name] for name in COUNTS},
    )
    connection.execute(statement, rows)


# ---- conditions of sets --------------------------------------------------------------------

Rank = tuple[bool, datetime, bool, int, str]


def _rank(state: Row) -> Rank:
    """Which of two conditions of a set stands: the later; of two at one moment, not READY."""
    return (state["version"] != UNWRITTEN, state["since"] or BEFORE_ALL,
            state["condition"] != "READY", state["version"], state["batch"])


def _write_states(connection: Connection, records: Sequence[Record]) -> None:
    _keep_latest(connection, [_state_row(version(r), state) for r in records for state in r.sets])


def record_conditions(connection: Connection, states: Sequence[SetState]) -> int:
    """Write *states* (already checked and proven, one transaction), each if it is the latest.

    Returns how many were.
    """
    return _keep_latest(connection, [_state_row(ALONE, state) for state in states])


def _keep_latest(connection: Connection, rows: Iterable[Row]) -> int:
    best: dict[str, Row] = {}
    for row in rows:
        if row["id"] not in best or _rank(row) > _rank(best[row["id"]]):
            best[row["id"]] = row
    if not best:
        return 0
    empty = {i: _state_row(UNWRITTEN, SetState(i)) for i in best}
    held = locked(connection, set_states, empty, ("since", "condition", "batch"))
    later = [row for i, row in sorted(best.items()) if _rank(row) > _rank(held[i])]
    replace_rows(connection, set_states, later)
    return len(later)


def _state_row(of_version: int, state: SetState) -> Row:
    return {"id": state.id, "condition": state.condition, "since": state.since,
            "expires_at": state.expires_at, "batch": state.batch, "load": state.load,
            "version": of_version}
