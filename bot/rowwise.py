"""Rows of any table, written by many at once.

Two writers cannot pass each other: every row is first inserted as a placeholder if it is new,
then locked, both in the order of ids, so that writers queue and never deadlock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, bindparam, select, update
from sqlalchemy.dialects import postgresql, sqlite

UNWRITTEN = -1  # the version of a placeholder: older than any document

Row = dict[str, Any]


def insert_or(connection: Connection, table: Table) -> Any:
    """The engine's own INSERT, which knows about conflicts."""
    engine = postgresql if connection.dialect.name == "postgresql" else sqlite
    return engine.insert(table)


def locked(connection: Connection, table: Table, placeholders: Mapping[str, Row],
           columns: Iterable[str]) -> dict[str, Row]:
    """The rows with these ids, locked until the transaction ends; new ones are put in first."""
    ids = sorted(placeholders)
    statement = insert_or(connection, table).on_conflict_do_nothing(index_elements=["id"])
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
