"""Writes solutions that were made, standing or ended, newest state only, as `recording` writes
batches."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from sqlalchemy import Connection

from bot.effects import Mixed, MixEnd
from bot.keeping import keep_newest
from bot.recording import KEY_CHARACTERS, is_key
from bot.tables import mixes
from flows.strengths import MOST_LIQUID_PERCENT

MOST_LITRES = 1000  # of one solution: more is a slip of a machine
MOST_HASTEN = 10_000  # as many times faster no demonstration runs

Row = dict[str, Any]


def check_mixed(mixed: Mixed) -> None:
    """Raise ValueError with a plain sentence if *mixed* cannot be what it says."""
    name = f"solution {mixed.id[:KEY_CHARACTERS]!r}"
    keys = [mixed.id, mixed.facility, mixed.district, mixed.product, mixed.stock]
    if not all(map(is_key, [*keys, mixed.by or "-"])):
        raise ValueError(f"{name}: every id has 1 to {KEY_CHARACTERS} printable characters")
    if mixed.ended not in get_args(MixEnd):
        raise ValueError(f"{name}: no end {mixed.ended[:KEY_CHARACTERS]!r} is known here; it can "
                         "be taken once this Soakbell is brought up to date")
    if any(t.tzinfo is None for t in (mixed.at, mixed.expires_at, mixed.closed_at) if t):
        raise ValueError(f"{name}: every time carries its zone")
    if bool(mixed.ended) != (mixed.closed_at is not None):
        raise ValueError(f"{name}: an end and its time come together")
    if not mixed.at < mixed.expires_at or (mixed.closed_at and mixed.closed_at < mixed.at):
        raise ValueError(f"{name}: it is made first, and over or ended later")
    _check_numbers(name, mixed)


def _check_numbers(name: str, mixed: Mixed) -> None:
    # A comparison with what is no number is false, so that this is refused too.
    if not 0 < mixed.strength_percent <= MOST_LIQUID_PERCENT:
        raise ValueError(f"{name}: its strength is above 0 and at most {MOST_LIQUID_PERCENT} %")
    if not 0 < mixed.litres <= MOST_LITRES:
        raise ValueError(f"{name}: it is more than 0 and at most {MOST_LITRES} litres")
    if not 1 <= mixed.hasten <= MOST_HASTEN:
        raise ValueError(f"{name}: hasten is 1 to {MOST_HASTEN}")


def record_mixes(connection: Connection, made: Sequence[Mixed]) -> int:
    """Write *made* (already checked, one transaction). Returns how many were new or newer."""
    return keep_newest(connection, mixes, map(_mix_row, made))


def _mix_row(mixed: Mixed) -> Row:
    return {
        "id": mixed.id, "facility": mixed.facility, "district": mixed.district, "at": mixed.at,
        "expires_at": mixed.expires_at, "strength_percent": mixed.strength_percent,
        "litres": mixed.litres, "product": mixed.product, "stock": mixed.stock,
        "by_id": mixed.by, "closed_at": mixed.closed_at, "ended": mixed.ended,
        "version": int(bool(mixed.ended)),  # of two ends the first that came stands
    }
