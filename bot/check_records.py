"""Writes shift checks, done or missed, newest state only, as `recording` writes batches."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

from sqlalchemy import Connection

from bot.effects import Checked
from bot.keeping import keep_newest
from bot.recording import KEY_CHARACTERS, MOST_SETS, is_key
from bot.tables import checks
from flows.readiness import SIGHTS

MOST_COUNTED = 9999  # of uses or births between two checks: more is a slip of a machine
FOUND = frozenset(sight.what for sight in SIGHTS.values())

Row = dict[str, Any]


def check_checked(checked: Checked) -> None:
    """Raise ValueError with a plain sentence if *checked* cannot be what it says."""
    name = f"check {checked.id[:KEY_CHARACTERS]!r}"
    keys = [checked.id, checked.facility, checked.district, *checked.sets]
    keys += [checked.by] if checked.by else []
    if not all(map(is_key, keys)) or any(set(" :") & set(i) for i in checked.sets):
        raise ValueError(f"{name}: every id has 1 to {KEY_CHARACTERS} printable characters")
    if len(checked.sets) > MOST_SETS:
        raise ValueError(f"{name}: at most {MOST_SETS} sets")
    if unknown := sorted(set(checked.sets.values()) - FOUND):
        raise ValueError(f"{name}: a set is {', '.join(sorted(FOUND))}, not {unknown[0]!r}")
    if any(t.tzinfo is None for t in (checked.slot, checked.at, checked.since) if t):
        raise ValueError(f"{name}: every time carries its zone")
    if checked.done != (checked.at is not None) or not (checked.done or checked.slot):
        raise ValueError(f"{name}: it was done at a time, or missed at one")
    _check_numbers(name, checked)


def _check_numbers(name: str, checked: Checked) -> None:
    counts = (checked.uses_said, checked.uses_counted, checked.births, checked.helped)
    if any(not 0 <= n <= MOST_COUNTED for n in counts if n is not None):
        raise ValueError(f"{name}: what is counted is 0 to {MOST_COUNTED}")
    if checked.helped and checked.helped > (checked.births or 0):
        raise ValueError(f"{name}: more were helped than were born")
    if not isfinite(checked.late_minutes):
        raise ValueError(f"{name}: late_minutes is a number of minutes")


def record_checks(connection: Connection, found: Sequence[Checked]) -> int:
    """Write *found* (already checked, one transaction). Returns how many were new or newer."""
    return keep_newest(connection, checks, map(_check_row, found))


def _check_row(checked: Checked) -> Row:
    return {
        "id": checked.id, "facility": checked.facility, "district": checked.district,
        "moment": checked.slot or checked.at, "slot": checked.slot, "at": checked.at,
        "by_id": checked.by, "since": checked.since,
        "sets": " ".join(f"{i}:{what}" for i, what in sorted(checked.sets.items())),
        "uses_said": checked.uses_said, "uses_counted": checked.uses_counted,
        "births": checked.births, "helped": checked.helped,
        "late_minutes": checked.late_minutes, "done": checked.done,
        "version": int(checked.done),  # one that was done is never missed after all
    }
