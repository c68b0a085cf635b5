"""The register changed at the desk: in one transaction with its lines in the trail, then shown to
the conversations."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from redis import Redis
from redis.exceptions import RedisError
from sqlalchemy import Connection, Table, bindparam, delete, insert, update

from bot import audit
from bot.errors import StoreDown
from bot.posts import Posts
from bot.redescribed import letters
from bot.register import Register
from bot.register_edit import Difference, differences, owner, tables
from bot.register_rows import next_revision, read_register, register_rows
from bot.registry import Registry, begin_as_used
from bot.site_pages import revision
from bot.store import Store
from bot.timers import Timers
from bot.watching import WATCH

Row = dict[str, Any]

LEAVES = frozenset({"sets", "people", "stock"})  # nothing refers to their rows


class NotShown(Exception):
    """The register is changed; the conversations, which do not answer, still show the old one."""


@dataclass(frozen=True, slots=True)
class RegisterChanges:
    """Changes of one store's register, put out to one Redis."""

    store: Store
    redis: Redis
    clock: Callable[[], datetime]

    def change(self, edit: Callable[[Register], Register], who: str) -> list[Difference]:
        """Make of the register what *edit* makes of it. Returns what that changed.

        Whatever *edit* raises leaves the register as it was, and so does StoreDown. Changes come
        one after the other: *edit* is given the register that the last one left. NotShown: it is
        changed, and the next change, even one that changes nothing, shows it.
        """
        at_least = revision(self.redis)
        with self.store.database.write() as connection:
            next_revision(connection, at_least)  # waits for whoever changes the register now
            before = read_register(connection)
            after = edit(before)
            made = differences(before, after)
            self._tell(before, after)
            _write(connection, before, after)
            begin_as_used(connection, before, after, self.clock())
            owners = _owners(before, after)
            for one in made:
                _note(connection, one, owners[one.table, one.id], who, self.clock())
        try:
            self.show(after)
        except RedisError:
            raise NotShown from None
        return made

    def _tell(self, before: Register, after: Register) -> None:
        try:
            for post in letters(before, after, self.clock()):
                Posts(self.redis).put(post)
        except RedisError:
            raise StoreDown("the conversations do not answer") from None

    def show(self, register: Register) -> None:
        """Put the register's pages out, and see that every facility of it has its clock."""
        Registry(self.store.database, self.redis, self.clock).show()
        sites = (site.id for site in register.sites())
        Timers(self.redis).put_new(sites, WATCH, self.clock())


def _write(connection: Connection, before: Register, after: Register) -> None:
    """Rows that others refer to stay in their place; of the rest, what differs is put anew, so
    that two people may change phones."""
    old = {table: {r["id"]: r for r in rows} for table, rows in register_rows(before)}
    new = {table: {r["id"]: r for r in rows} for table, rows in register_rows(after)}
    for table, rows in old.items():
        if table.name in LEAVES:
            _delete(connection, table, [i for i, r in rows.items() if new[table].get(i) != r])
    for table, rows in old.items():
        _put(connection, table, rows, new[table])
    for table, rows in reversed(list(old.items())):
        if table.name not in LEAVES:
            _delete(connection, table, sorted(rows.keys() - new[table].keys()))


def _put(
    connection: Connection, table: Table, old: Mapping[str, Row], new: Mapping[str, Row]
) -> None:
    moved = [r for i, r in sorted(new.items()) if old.get(i) != r]
    stays = table.name not in LEAVES
    fresh = [r for r in moved if not (stays and r["id"] in old)]
    if fresh:
        connection.execute(insert(table), fresh)
    changed = [{**r, "this_id": r["id"]} for r in moved if stays and r["id"] in old]
    if changed:
        connection.execute(update(table).where(table.c.id == bindparam("this_id")), changed)


def _delete(connection: Connection, table: Table, ids: Sequence[str]) -> None:
    if ids:
        connection.execute(delete(table).where(table.c.id.in_(sorted(ids))))


def _owners(*registers: Register) -> dict[tuple[str, str], set[str]]:
    """The districts that each row belongs to, in any of *registers*."""
    found: dict[tuple[str, str], set[str]] = {}
    for register in registers:
        for table, rows in tables(register).items():
            for cells in rows:
                district, _ = owner(register, table, cells)
                found.setdefault((table, cells["id"]), set()).add(district)
    return found


def _note(
    connection: Connection, one: Difference, districts: set[str], who: str, at: datetime
) -> None:
    """A line for each district that the row belonged to or belongs to."""
    detail = {column: list(pair) for column, pair in one.cells.items()}
    for district in sorted(districts):
        what = f"register.{one.table}.{one.kind}"
        audit.note(connection, at, who, what, one.id, detail, district=district)
