"""Writes gaps, begun or ended, newest state only, as `recording` writes batches."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from sqlalchemy import Connection

from bot.effects import Gap
from bot.keeping import keep_newest
from bot.recording import KEY_CHARACTERS, is_key
from bot.tables import gaps
from flows.batch import Kind

Row = dict[str, Any]


def check_gap(gap: Gap) -> None:
    """Raise ValueError with a plain sentence if *gap* cannot be what it says."""
    name = f"gap {gap.id[:KEY_CHARACTERS]!r}"
    if not all(map(is_key, (gap.id, gap.facility, gap.district))):
        raise ValueError(f"{name}: every id has 1 to {KEY_CHARACTERS} printable characters")
    if gap.kind not in get_args(Kind):
        raise ValueError(f"{name}: no kind {gap.kind[:KEY_CHARACTERS]!r} is known here; it can be "
                         "taken once this Soakbell is brought up to date")
    if any(t.tzinfo is None for t in (gap.since, gap.until) if t):
        raise ValueError(f"{name}: every time carries its zone")
    if gap.until and gap.until < gap.since:
        raise ValueError(f"{name}: it ends no sooner than it begins")


def record_gaps(connection: Connection, found: Sequence[Gap]) -> int:
    """Write *found* (already checked, one transaction). Returns how many were new or newer."""
    return keep_newest(connection, gaps, map(_gap_row, found))


def _gap_row(gap: Gap) -> Row:
    return {
        "id": gap.id, "facility": gap.facility, "district": gap.district, "kind": gap.kind,
        "since": gap.since, "until": gap.until,
        "version": int(gap.until is not None),  # one that has ended lasts no more
    }
