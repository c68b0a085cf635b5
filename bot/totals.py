"""Keeps the running totals: adds a tally, counts all rows anew, says where the two differ."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from operator import itemgetter
from typing import Any, NamedTuple

from msgspec.json import decode
from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Table,
    and_,
    bindparam,
    delete,
    func,
    select,
    text,
    union,
    update,
)

from bot.rowwise import add_to, insert_or
from bot.site import DISTRICT
from bot.tables import alerts, batches, checks, gaps, messages, mixes
from bot.tally import BY_TABLE, VERSION, Place, Tally, derived, told_by
from bot.total_tables import TOTALS, VALUES, heard, total_marks
from flows.batch import Batch

SOURCES: Mapping[str, Table] = {
    t.name: t for t in (batches, alerts, checks, messages, gaps, mixes)
}
_KEYS: Mapping[str, tuple[str, ...]] = {
    table.name: tuple(c.name for c in table.primary_key.columns)
    for grains in TOTALS.values() for table in grains.values()
}  # fmt: skip
CHUNK = 2000  # rows read at a time by a recount
MARK = "totals"

Row = dict[str, Any]
Places = dict[Place, dict[str, int]]
Sums = dict[tuple[Any, ...], dict[str, int]]


class Drift(NamedTuple):
    """A total that is not what the rows add up to: *kept* in *table* at *key*, *counted* anew."""

    table: str
    key: dict[str, Any]
    measure: str
    kept: int
    counted: int


def add(connection: Connection, tally: Tally) -> None:
    """Move the totals by *tally*, within the caller's transaction.

    Rows are written in the order of their keys, so that two writers queue and never deadlock.
    """
    _hear(connection, tally)
    for kind, places in _by_place(tally).items():
        for table in TOTALS[kind].values():
            _add(connection, table, _sums(table, places))


def _by_place(tally: Mapping[tuple[Place, str], int]) -> dict[str, Places]:
    found: dict[str, Places] = {kind: {} for kind in TOTALS}
    for (place, measure), n in tally.items():
        found[place.table].setdefault(place, {})[measure] = n
    return found


def _sums(table: Table, places: Places) -> Sums:
    sums: Sums = {}
    for place, added in places.items():
        kept = sums.setdefault(_key_in(table, place), {})
        for measure, n in added.items():
            kept[measure] = kept.get(measure, 0) + n
    return sums


def _key_in(table: Table, place: Place) -> tuple[Any, ...]:
    return tuple(place.day[:7] if name == "month" else getattr(place, name)
                 for name in _KEYS[table.name])


def _add(connection: Connection, table: Table, sums: Sums) -> None:
    rows = [dict(zip(_KEYS[table.name], key, strict=True)) | moved
            for key, found in sorted(sums.items(), key=itemgetter(0))
            if (moved := {name: n for name, n in found.items() if n})]
    if rows:
        add_to(connection, table, rows)


def _hear(connection: Connection, tally: Tally) -> None:
    first: dict[str, str] = {}
    for (place, measure), n in tally.items():
        if n > 0 and measure in ("started", "checks_due", "empty_minutes"):
            first[place.facility] = min(place.day, first.get(place.facility, place.day))
    if first:
        statement = insert_or(connection, heard)
        statement = statement.on_conflict_do_update(
            index_elements=["facility"], set_={"day": statement.excluded.day},
            where=statement.excluded.day < heard.c.day)
        connection.execute(statement, [{"facility": f, "day": d} for f, d in sorted(first.items())])


# ---- counted anew ----------------------------------------------------------------------------


def _districts(connection: Connection) -> list[str]:
    """Every district of which there is a row or a total: one at a time fits the memory."""
    tables = (*SOURCES.values(), *(grains["district"] for grains in TOTALS.values()))
    return sorted(connection.scalars(union(*(select(t.c.district) for t in tables))))


def tallies(connection: Connection, district: str, place: str | None = None) -> Iterator[Tally]:
    """What the rows of *district*, or of one *place* in it, add, in parts of bounded size."""
    for name, table in SOURCES.items():
        wanted = select(table).where(table.c.district == district)
        if place is not None:
            wanted = wanted.where(_place_of(table) == place)
        found = connection.execute(wanted, execution_options={"yield_per": CHUNK}).mappings()
        for part in found.partitions(CHUNK):
            tally: Tally = Counter()
            for row in part:
                tally.update(BY_TABLE[name](dict(row)))
            yield tally


def bring_up_to_date(connection: Connection) -> None:
    """Count anew what was counted by other rules than these; one process at a time does."""
    statement = insert_or(connection, total_marks).on_conflict_do_nothing(index_elements=["id"])
    connection.execute(statement, [{"id": MARK, "version": ""}])
    wanted = select(total_marks.c.version).where(total_marks.c.id == MARK).with_for_update()
    if connection.scalar(wanted) != VERSION:
        recount(connection)


def hold(connection: Connection) -> None:
    """Let nobody write what is counted until the transaction ends; SQLite has one writer anyway."""
    if connection.dialect.name == "postgresql":
        names = ", ".join(SOURCES)
        connection.execute(text(f"LOCK TABLE {names} IN EXCLUSIVE MODE"))


def recount(connection: Connection) -> None:
    """Put what all rows add up to in the place of the totals. Other writers wait meanwhile."""
    hold(connection)
    tables = [t for grains in TOTALS.values() for t in grains.values()]
    for table in (*tables, heard):
        connection.execute(delete(table))
    for district in _districts(connection):
        for tally in tallies(connection, district):
            add(connection, tally)
        _derive(connection, district)
    connection.execute(update(total_marks).values(version=VERSION).where(total_marks.c.id == MARK))


def _derive(connection: Connection, district: str) -> None:
    """Tell anew what the rows of batches tell of their logs."""
    statement = update(batches).where(batches.c.id == bindparam("this_id"))
    wanted = select(batches).where(batches.c.district == district)
    found = connection.execute(wanted, execution_options={"yield_per": CHUNK}).mappings()
    for part in found.partitions(CHUNK):
        told = [(row, derived(told_by(decode(row["doc"], type=Batch)))) for row in part]
        changed = [{"this_id": row["id"], **new} for row, new in told
                   if any(row[name] != value for name, value in new.items())]
        if changed:
            connection.execute(statement, changed)


def row_count(connection: Connection) -> int:
    """How many rows the totals are the sum of."""
    return sum(connection.scalar(select(func.count()).select_from(table)) or 0
               for table in SOURCES.values())


def drift(connection: Connection) -> Iterator[Drift]:
    """Where the totals are not what the rows add up to, in one moment of the database. One place at
    a time fits the memory, however large the country."""
    for district in _districts(connection):
        coarse: dict[str, Sums] = {kind: {} for kind in TOTALS}
        for place in _places(connection, district):
            counted: Tally = Counter()
            for tally in tallies(connection, district, place):
                counted.update(tally)
            # What the district's own page wrote is of no facility.
            here = (place, "") if place == f"{DISTRICT}{district}" else (place,)
            yield from _fine(connection, counted, coarse, district, here)
        for kind, sums in coarse.items():
            table = TOTALS[kind]["district"]
            kept = _kept(connection, table, VALUES[kind], table.c.district == district)
            yield from _differences(table, VALUES[kind], kept, sums)


def _place_of(table: Table) -> Column[Any]:
    return table.c.site if "site" in table.c else table.c.facility


def _places(connection: Connection, district: str) -> list[str]:
    """Every place in *district* of which there is a row or a total."""
    tables = (*SOURCES.values(), *(grains["month"] for grains in TOTALS.values()))
    found = connection.scalars(union(
        *(select(_place_of(t)).where(t.c.district == district) for t in tables)))
    return sorted({place or f"{DISTRICT}{district}" for place in found})


def _fine(connection: Connection, counted: Tally, coarse: Mapping[str, Sums], district: str,
          here: tuple[str, ...]) -> Iterator[Drift]:
    """The differences by day and month at the facilities *here*; adds to *coarse* what is counted
    by month of the whole district."""
    places = _by_place(counted)
    for kind, grains in TOTALS.items():
        for key, found in _sums(grains["district"], places[kind]).items():
            known = coarse[kind].setdefault(key, {})
            for measure, n in found.items():
                known[measure] = known.get(measure, 0) + n
        for table in (grains[name] for name in ("day", "month") if name in grains):
            asked = and_(table.c.district == district, table.c.facility.in_(here))
            kept = _kept(connection, table, VALUES[kind], asked)
            yield from _differences(table, VALUES[kind], kept, _sums(table, places[kind]))


def _kept(connection: Connection, table: Table, values: tuple[str, ...],
          asked: ColumnElement[bool]) -> Sums:
    keys = _KEYS[table.name]
    rows = connection.execute(select(table).where(asked)).mappings()
    return {tuple(row[k] for k in keys): {n: int(row[n]) for n in values} for row in rows}


def _differences(table: Table, values: tuple[str, ...], kept: Sums,
                 counted: Sums) -> Iterator[Drift]:
    for key in sorted(kept.keys() | counted.keys()):
        here, there = kept.get(key, {}), counted.get(key, {})
        for name in values:
            if here.get(name, 0) != there.get(name, 0):
                yield Drift(table.name, dict(zip(_KEYS[table.name], key, strict=True)), name,
                            here.get(name, 0), there.get(name, 0))
