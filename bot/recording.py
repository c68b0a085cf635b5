"""Writes batches and conditions of sets, newest version only."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import msgspec
from sqlalchemy import Connection

from bot import totals
from bot.effects import Conditions, Push
from bot.keeping import written
from bot.model import SetState
from bot.rowwise import locked, put_new, replace_rows
from bot.tables import batches, set_states
from bot.tally import Tally, Told, derived, of_known, told_by
from flows.batch import Batch

ALONE = 0  # the version of a condition that came without a batch
MOST_SETS = 64  # of one batch; a nurse's hands end long before
KEY_CHARACTERS = 64  # what stands in an index is bounded
BEFORE_ALL = datetime.min.replace(tzinfo=UTC)

Row = dict[str, Any]

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
    """Write *records* (already checked, one transaction). Returns how many batches were newer.

    The totals come last: every writer of a district waits for the same few rows of theirs.
    """
    rows: list[Row] = []
    known: dict[tuple[str, int], tuple[Batch, Told]] = {}
    for record in records:
        told = told_by(record.batch)
        rows.append(batch_row(record, told))
        known.setdefault((record.batch.id, version(record)), (record.batch, told))

    def tally(row: Mapping[str, Any]) -> Tally:
        return of_known(row, *known[row["id"], row["version"]])

    taken, moves = written(connection, batches, rows, tally)
    _write_states(connection, records)
    totals.add(connection, moves)
    return taken


# ---- batches -------------------------------------------------------------------------------


def batch_row(record: Record, told: Told) -> Row:
    """The row of `batches` for *record*, whole but for its zone; *told* is by its batch."""
    batch = record.batch
    return {
        "id": batch.id, "facility": batch.facility, "district": batch.district,
        "opened_at": batch.opened_at, "closed_at": batch.closed_at,
        "expires_at": batch.expires_at, "method": batch.method,
        "outcome": batch.outcome, "protocol": batch.protocol, "flow": batch.flow,
        "sets": " ".join(s.id for s in batch.sets), "set_count": len(batch.sets),
        "aside_count": _aside(batch), "segments": batch.segments, "late": int(batch.late),
        "version": version(record), **derived(told),
        "doc": msgspec.json.encode(batch).decode(),
    }


def _aside(batch: Batch) -> int:
    if batch.outcome == "set aside":
        return len(batch.sets)
    return sum(bool(s.aside) for s in batch.sets)


# ---- conditions of sets --------------------------------------------------------------------

Rank = tuple[datetime, bool, int, str]


def _rank(state: Row) -> Rank:
    """Which of two conditions of a set stands: the later; of two at one moment, not READY."""
    return (state["since"] or BEFORE_ALL, state["condition"] != "READY", state["version"],
            state["batch"])


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
    new = put_new(connection, set_states, best.values())
    held = locked(connection, set_states, best.keys() - new, ("since", "condition", "batch"))
    later = [row for i, row in sorted(best.items()) if i in held and _rank(row) > _rank(held[i])]
    replace_rows(connection, set_states, later)
    return len(new) + len(later)


def _state_row(of_version: int, state: SetState) -> Row:
    return {"id": state.id, "condition": state.condition, "since": state.since,
            "expires_at": state.expires_at, "batch": state.batch, "load": state.load,
            "version": of_version}
