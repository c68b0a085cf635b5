"""Rows of any table, written by many at once: one statement for all of them.

Two writers cannot pass each other: rows that are new are put in first, then those that were there
are locked, both in the order of ids, so that writers queue and never deadlock. A writer waits for
the new row of another as it waits for its lock.

PostgreSQL takes the rows as one JSON text, read by the type of the table: a thousand rows cost one
parameter, and what a row does not name is not sent. SQLite takes them one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import Any

import msgspec
from sqlalchemy import Connection, Table, TextClause, bindparam, select, text, update
from sqlalchemy.dialects import postgresql, sqlite

Row = dict[str, Any]


def insert_or(connection: Connection, table: Table) -> Any:
    """The engine's own INSERT, which knows about conflicts."""
    engine = postgresql if _is_postgresql(connection) else sqlite
    return engine.insert(table)


def _is_postgresql(connection: Connection) -> bool:
    return connection.dialect.name == "postgresql"


def put_new(connection: Connection, table: Table, rows: Iterable[Row]) -> set[str]:
    """Write those of *rows* (whole) whose id is not there yet. Returns their ids."""
    ordered = sorted(rows, key=lambda row: str(row["id"]))
    if not _is_postgresql(connection):
        statement = insert_or(connection, table).on_conflict_do_nothing(index_elements=["id"])
        return set(connection.scalars(statement.returning(table.c.id), ordered))
    names = tuple(ordered[0])
    into = f"INSERT INTO {table.name} ({', '.join(names)}) SELECT {', '.join(names)}"
    bulk = _from_json(table, into, "ON CONFLICT (id) DO NOTHING RETURNING id")
    return set(connection.scalars(bulk, {"rows": _as_json(table, ordered)}))


def locked(connection: Connection, table: Table, ids: Iterable[str],
           columns: Iterable[str]) -> dict[str, Row]:
    """The rows with these ids that are there, locked until the transaction ends."""
    ordered = sorted(ids)
    if not ordered:
        return {}
    wanted = select(*(table.c[name] for name in dict.fromkeys(("id", "version", *columns))))
    found = connection.execute(
        wanted.where(table.c.id.in_(ordered)).order_by(table.c.id).with_for_update())
    return {row["id"]: dict(row) for row in found.mappings()}


def replace_rows(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Replace the rows of the same ids, which are locked already."""
    if not rows:
        return
    if _is_postgresql(connection):
        names = [name for name in rows[0] if name != "id"]
        into = f"UPDATE {table.name} SET {', '.join(f'{n} = v.{n}' for n in names)}"  # noqa: S608
        bulk = _from_json(table, into, f"WHERE {table.name}.id = v.id")
        connection.execute(bulk, {"rows": _as_json(table, rows)})
    else:
        statement = update(table).where(table.c.id == bindparam("this_id"))
        connection.execute(statement, [{**row, "this_id": row["id"]} for row in rows])


def add_to(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Add the numbers of *rows* to those of the rows of the same key, in the order of *rows*; what
    a row does not name stays."""
    keys = [c.name for c in table.primary_key.columns]
    named = {name for row in rows for name in row}
    names = [c.name for c in table.c if c.name in named and c.name not in keys]
    if _is_postgresql(connection):
        into = (f"INSERT INTO {table.name} AS t ({', '.join((*keys, *names))}) "
                f"SELECT {', '.join((*keys, *(f'COALESCE({n}, 0)' for n in names)))}")
        sums = ", ".join(f"{n} = t.{n} + excluded.{n}" for n in names)
        bulk = _from_json(table, into, f"ON CONFLICT ({', '.join(keys)}) DO UPDATE SET {sums}")
        connection.execute(bulk, {"rows": msgspec.json.encode(rows).decode()})
    else:
        statement = insert_or(connection, table)
        statement = statement.on_conflict_do_update(
            index_elements=keys,
            set_={n: table.c[n] + statement.excluded[n] for n in names})
        connection.execute(statement, [dict.fromkeys(names, 0) | row for row in rows])


@lru_cache(maxsize=256)
def _from_json(table: Table, before: str, after: str) -> TextClause:
    source = f"json_populate_recordset(NULL::{table.name}, CAST(:rows AS json)) AS v"
    return text(f"{before} FROM {source} {after}")


def _as_json(table: Table, rows: Sequence[Row]) -> str:
    """*rows* as the engine is to read them: each value as its column would bind it."""
    binds = {name: _binding(table, name) for name in rows[0]}
    told = [{name: bind(row[name]) for name, bind in binds.items()} for row in rows]
    return msgspec.json.encode(told).decode()


def _binding(table: Table, name: str) -> Callable[[Any], Any]:
    kind: Any = table.c[name].type
    bind = getattr(kind, "process_bind_param", None)
    return (lambda value: bind(value, None)) if bind else (lambda value: value)
