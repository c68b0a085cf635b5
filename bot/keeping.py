"""Writes documents newest version only, and moves the running totals with them.

At least once on the wire, exactly once here: a document that is no newer than what the store holds
changes nothing. The totals move by what the new row adds less what the row before it did, in the
same transaction, so they always equal a recount of the rows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sqlalchemy import Connection, Table, select

from bot import totals
from bot.rowwise import UNWRITTEN, Row, locked, replace_rows
from bot.tables import facilities
from bot.tally import BY_TABLE, moved

ELSEWHERE = "UTC"  # the zone of a facility that is not in the register


def keep_newest(connection: Connection, table: Table, rows: Iterable[Row]) -> int:
    """Write each of *rows* (whole, with `id` and `version`) that is newer than what *table* holds,
    and count it. Returns how many were.
    """
    newest: dict[str, Row] = {}
    for row in rows:
        if row["id"] not in newest or row["version"] > newest[row["id"]]["version"]:
            newest[row["id"]] = row
    if not newest:
        return 0
    _set_zones(connection, newest)
    empty = {i: {**row, "version": UNWRITTEN} for i, row in newest.items()}
    held = locked(connection, table, empty, [c.name for c in table.c])
    taken = [row for i, row in sorted(newest.items()) if row["version"] > held[i]["version"]]
    replace_rows(connection, table, taken)
    before = [held[row["id"]] for row in taken]
    known = [row for row in before if row["version"] != UNWRITTEN]
    totals.add(connection, moved(BY_TABLE[table.name], known, taken))
    return len(taken)


def _set_zones(connection: Connection, newest: Mapping[str, Row]) -> None:
    """By whose calendar each row is counted: it stays with the row, whatever the register says
    later."""
    places = {i: row.get("facility") or row.get("site", "") for i, row in newest.items()}
    wanted = select(facilities.c.id, facilities.c.zone).where(
        facilities.c.id.in_(sorted(set(places.values()))))
    zones = {row.id: row.zone for row in connection.execute(wanted)}
    for i, place in places.items():
        newest[i]["zone"] = zones.get(place, ELSEWHERE)
