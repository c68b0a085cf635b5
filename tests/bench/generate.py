"""Fills a store with batches of the invented country, past `Store.record`: rows as that makes them,
totals from the same tallies, a few microseconds each.

A batch that repeats a pattern adds to the totals what the pattern adds, at another place and so
many days later. So one matrix says what a pattern adds, another how often it was repeated at a
facility on each day, and their product is what the facility adds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Table, insert, text

from bot.recording import batch_row
from bot.store import Store
from bot.tables import batches as rows_table
from bot.tally import Place, Tally, of_known, told_by
from bot.total_tables import TOTALS, VALUES, heard
from tests.bench.country import BEGINS, DAYS, ZONE, Made, Pattern, district, facility

LATEST = 3  # days that a batch reaches past the one on which it was begun
AT_ONCE = 2000  # rows of one statement, where rows are not copied

Key = tuple[Any, ...]
Numbers = NDArray[np.int64]


# ---- what a pattern adds ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Adds:
    """What the patterns add to the totals of one kind: a row of *weights* a pattern, a column for
    each of *columns*: how many days later, the key without place and time, and which number."""

    kind: str
    columns: tuple[tuple[int, Key, str], ...]
    weights: Numbers


def added(of: Sequence[Pattern], kind: str) -> Adds:
    tallies = [_tally(pattern) for pattern in of]
    found = [{_column(place, name): n for (place, name), n in tally.items() if place.table == kind}
             for tally in tallies]
    columns = tuple(sorted({column for one in found for column in one}))
    weights = np.array([[one.get(c, 0) for c in columns] for one in found], dtype=np.int64)
    return Adds(kind, columns, weights.reshape(len(of), len(columns)))


def _tally(pattern: Pattern) -> Tally:
    told = told_by(pattern.push.batch)
    return of_known({**batch_row(pattern.push, told), "zone": ZONE}, pattern.push.batch, told)


def _column(place: Place, name: str) -> tuple[int, Key, str]:
    later = (date.fromisoformat(place.day) - BEGINS).days
    own = TOTALS[place.table]["month"].primary_key.columns.keys()[3:]
    return later, tuple(getattr(place, part) for part in own), name


# ---- what they come to -----------------------------------------------------------------------


class Sums:
    """What all that was made adds to the totals of one kind, facility by facility."""

    def __init__(self, adds: Adds) -> None:
        self.adds = adds
        self.grains = TOTALS[adds.kind]
        self.groups = {key: [n for n, c in enumerate(adds.columns) if c[1] == key]
                       for key in sorted({c[1] for c in adds.columns})}
        days = [BEGINS + timedelta(days=n) for n in range(DAYS + LATEST)]
        self.days = [str(day) for day in days]
        self.firsts = [n for n, day in enumerate(days) if n == 0 or day.day == 1]
        self.months = [self.days[n][:7] for n in self.firsts]
        self.districts: dict[tuple[str, Key], Numbers] = {}

    def of_facility(self, counts: Numbers, place: int) -> Iterator[tuple[Table, list[Any]]]:
        """The rows that *counts* (days and patterns) add by day and month at a facility."""
        # Whole numbers, but as floats: these are multiplied much faster, and far below 2**53.
        product = (counts.astype(float) @ self.adds.weights.astype(float)).astype(np.int64)
        for key, columns in self.groups.items():
            values = self._values(product, columns)
            if "day" in self.grains:
                yield from self._rows("day", self.days, values, key, place)
            monthly = np.add.reduceat(values, self.firsts)
            yield from self._rows("month", self.months, monthly, key, place)
            known = self.districts.setdefault((district(place), key), np.zeros_like(monthly))
            known += monthly

    def of_districts(self) -> Iterator[tuple[Table, list[Any]]]:
        for (area, key), values in sorted(self.districts.items()):
            for month, row in zip(self.months, values.tolist(), strict=True):
                if any(row):
                    yield self.grains["district"], [area, month, *key, *row]

    def _values(self, product: Numbers, columns: Iterable[int]) -> Numbers:
        names = VALUES[self.adds.kind]
        values = np.zeros((len(self.days), len(names)), dtype=np.int64)
        for n in columns:
            later, _, name = self.adds.columns[n]
            values[later : later + DAYS, names.index(name)] += product[:, n]
        return values

    def _rows(self, grain: str, times: Sequence[str], values: Numbers, key: Key,
              place: int) -> Iterator[tuple[Table, list[Any]]]:
        table = self.grains[grain]
        for n in np.flatnonzero(values.any(axis=1)).tolist():
            yield table, [district(place), times[n], facility(place), *key, *values[n].tolist()]


# ---- into the store --------------------------------------------------------------------------


def fill(store: Store, of: Sequence[Pattern], made: Iterable[Made]) -> int:
    """Write *made* (facility by facility) into an empty *store*, with its totals. Returns how
    many batches they were. Conditions of sets are left out."""
    sums = [Sums(added(of, kind)) for kind in TOTALS]
    write = _Copied(of) if store.database.is_postgresql else _Inserted(of)
    total = 0
    indexes = [i for table in (rows_table, *_tables()) for i in table.indexes]
    with store.database.write() as connection:  # faster made anew than kept
        for index in indexes:
            index.drop(connection)
    for place, found in groupby(made, key=lambda one: one.facility):
        here = list(found)
        counts = np.zeros((DAYS, len(of)), dtype=np.int64)
        np.add.at(counts, ([m.day for m in here], [m.pattern for m in here]), 1)
        with store.database.write() as connection:
            write.batches(connection, here)
            write.totals(connection, [r for one in sums for r in one.of_facility(counts, place)])
            first = str(BEGINS + timedelta(days=min(m.day for m in here)))
            connection.execute(insert(heard), {"facility": facility(place), "day": first})
        total += len(here)
    with store.database.write() as connection:
        write.totals(connection, [row for one in sums for row in one.of_districts()])
        for index in indexes:
            index.create(connection)
    return total


def _tables() -> Iterator[Table]:
    for grains in TOTALS.values():
        yield from grains.values()


class _Inserted:
    """Rows one by one, for any engine."""

    def __init__(self, of: Sequence[Pattern]) -> None:
        self.of = of
        self.parts = [p.parted(msgspec.json.encode(p.push).decode()) for p in of]

    def batches(self, connection: Connection, made: Sequence[Made]) -> None:
        rows = [self._row(one) for one in made]
        for n in range(0, len(rows), AT_ONCE):
            connection.execute(insert(rows_table), rows[n : n + AT_ONCE])

    def _row(self, made: Made) -> dict[str, Any]:
        pattern = self.of[made.pattern]
        push = msgspec.json.decode(pattern.placed(self.parts[made.pattern], made),
                                   type=type(pattern.push))
        return {**batch_row(push, told_by(push.batch)), "zone": ZONE}

    def totals(self, connection: Connection, rows: Sequence[tuple[Table, list[Any]]]) -> None:
        for table, values in rows:
            connection.execute(insert(table), dict(zip(table.c.keys(), values, strict=True)))


class _Copied:
    """Rows by COPY: the line of a pattern is made once, and parts of it replaced."""

    def __init__(self, of: Sequence[Pattern]) -> None:
        self.of = of
        self.parts = [p.parted(_line(map(_cell, _values(p)))) for p in of]

    def batches(self, connection: Connection, made: Sequence[Made]) -> None:
        lines = (self.of[m.pattern].placed(self.parts[m.pattern], m) for m in made)
        _copy(connection, rows_table, lines)

    def totals(self, connection: Connection, rows: Sequence[tuple[Table, list[Any]]]) -> None:
        by_table: dict[str, list[str]] = {}
        tables = {table.name: table for table, _ in rows}
        for table, values in rows:
            by_table.setdefault(table.name, []).append(_line(map(str, values)))
        for name, lines in by_table.items():
            _copy(connection, tables[name], lines)


def _values(pattern: Pattern) -> list[Any]:
    row = {**batch_row(pattern.push, told_by(pattern.push.batch)), "zone": ZONE}
    return [row[name] for name in rows_table.c.keys()]  # noqa: SIM118


def _line(cells: Iterable[str]) -> str:
    return "\t".join(cells) + "\n"


def _cell(value: Any) -> str:
    if value is None:
        return r"\N"
    told = value.isoformat() if hasattr(value, "isoformat") else str(value)
    return told.replace("\\", "\\\\").replace("\t", "\\t").replace("\n", "\\n")


def _copy(connection: Connection, table: Table, lines: Iterable[str]) -> None:
    cursor = connection.connection.cursor()
    names = ", ".join(table.c.keys())
    with cursor.copy(f"COPY {table.name} ({names}) FROM STDIN") as copy:
        copy.write("".join(lines))


def settle(store: Store) -> None:
    """Let the engine look at what it holds, as it would have by itself after some days."""
    if store.database.is_postgresql:
        engine = store.database.engine.execution_options(isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text("VACUUM ANALYZE"))
