"""Writes documents newest version only, and moves the running totals with them.

At least once on the wire, exactly once here: a document that is no newer than what the store holds
changes nothing. The totals move by what the new row adds less what the row before it did, in the
same transaction, so they always equal a recount of the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, Table, select

from bot import totals
from bot.rowwise import Row, locked, put_new, replace_rows
from bot.tables import facilities
from bot.tally import BY_TABLE, Tally, moved

Count = Callable[[Mapping[str, Any]], Tally]
ELSEWHERE = "UTC"  # the zone of a facility that is not in the register


def keep_newest(connection: Connection, table: Table, rows: Iterable[Row]) -> int:
    """Write each of *rows* (whole, with `id` and `version`) that is newer than what *table* holds,
    and count it. Returns how many were.
    """
    taken, moves = written(connection, table, rows, BY_TABLE[table.name])
    totals.add(connection, moves)
    return taken


def written(
    connection: Connection, table: Table, rows: Iterable[Row], tally: Count
) -> tuple[int, Tally]:
    """Write as `keep_newest` does, and leave the totals to the caller, who must add what is
    returned in the same transaction. *tally* is asked of rows that come; what they replace is
    counted as everywhere."""
    newest: dict[str, Row] = {}
    for row in rows:
        if row["id"] not in newest or row["version"] > newest[row["id"]]["version"]:
            newest[row["id"]] = row
    if not newest:
        return 0, Tally()
    _set_zones(connection, newest)
    new = put_new(connection, table, newest.values())
    held = locked(connection, table, newest.keys() - new, (c.name for c in table.c))
    later = {i for i in held if newest[i]["version"] > held[i]["version"]}
    replace_rows(connection, table, [newest[i] for i in sorted(later)])
    moves = moved(tally, (), (newest[i] for i in new | later))
    moves.subtract(moved(BY_TABLE[table.name], (), (held[i] for i in later)))
    return len(new) + len(later), Tally({key: n for key, n in moves.items() if n})


def _set_zones(connection: Connection, newest: Mapping[str, Row]) -> None:
    """By whose calendar each row is counted: it stays with the row, whatever the register says
    later."""
    places = {i: row.get("facility") or row.get("site", "") for i, row in newest.items()}
    wanted = select(facilities.c.id, facilities.c.zone).where(
        facilities.c.id.in_(sorted(set(places.values()))))
    zones = {row.id: row.zone for row in connection.execute(wanted)}
    for i, place in places.items():
        newest[i]["zone"] = zones.get(place, ELSEWHERE)
