"""One row of the register changed, added or taken out by hand: pure, read by the same rules as the
CSV files; and what differs between two registers, in words that hold no phone."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from bot.register import Register, assemble
from bot.register_files import COLUMNS, OPTIONAL, Parsed
from bot.register_rows import register_rows
from bot.rows import Reader, Row
from bot.rows_stock import STOCK_COLUMNS
from flows.protocol import Protocol

Cells = Mapping[str, str]
Problems = dict[str, str]
"""A sentence for each column with something wrong; "" is the row as a whole."""

TABLES: dict[str, tuple[str, ...]] = {
    **{name: (*columns, *OPTIONAL.get(name, ())) for name, columns in COLUMNS.items()},
    "stock": STOCK_COLUMNS,
}
REMOVED = ("sets", "people", "stock")  # nothing refers to their rows

SAME_ID = "another row has this id"
SAME_PHONE = "somebody else in the register has this number"
LAST_CHIEF = "she is the only in-charge of {place}: name another first"
NO_ROW = "this row is not in the register any more"
IN_TABLES = {"pieces_list": "pieces"}  # a column of the files by its name in the store


class RowRefused(Exception):
    """The register stays as it is: *problems* by column."""

    def __init__(self, problems: Problems) -> None:
        super().__init__("; ".join(problems.values()))
        self.problems = problems


# ---- the register as cells ---------------------------------------------------------------------


def tables(register: Register) -> dict[str, list[dict[str, str]]]:
    """Every row as the CSV files have it, in the order of the ids."""
    return {
        table.name: [_cells(TABLES[table.name], row) for row in rows]
        for table, rows in register_rows(register)
    }


def _cells(columns: Iterable[str], row: Mapping[str, Any]) -> dict[str, str]:
    return {c: _cell(c, row[IN_TABLES.get(c, c)]) for c in columns}


def _cell(column: str, value: Any) -> str:
    if value is None or (column == "soak_ml" and not value):
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    return str(value)


def cells_of(register: Register, table: str, row_id: str) -> dict[str, str] | None:
    """The cells of one row; None if it is not there."""
    return next((r for r in tables(register)[table] if r["id"] == row_id), None)


# ---- one row -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Noting(Reader):
    """Keeps what is wrong with the row on line *line* of *file*, by column."""

    file: str = ""
    line: int = 0
    wrong: Problems = field(default_factory=dict)

    def say(self, row: Row, reason: str) -> None:
        column, _, why = reason.partition(": ")
        if (row.file, row.line) == (self.file, self.line):
            if why.startswith("the same on lines"):
                why = SAME_PHONE if column == "phone" else SAME_ID
            self.wrong.setdefault(column, why)


def put(
    register: Register, table: str, row_id: str, cells: Cells, region: str | None = None
) -> Register:
    """*register* with the row *row_id* of *table* as *cells* say; "" adds one.

    Raises RowRefused with a sentence for each cell that cannot be so.
    """
    kept = tables(register)
    found = [n for n, row in enumerate(kept[table]) if row["id"] == row_id]
    if row_id and not found:
        raise RowRefused({"": NO_ROW})
    typed = {c: " ".join(cells.get(c, "").split()) for c in TABLES[table]}
    if row_id:
        typed["id"] = row_id  # batches and the trail know it by this name
    place = found[0] if found else len(kept[table])
    kept[table][place : place + 1] = [typed]
    reader = _Noting(file=table, line=place)
    parsed = Parsed(reader, _rows(kept), region)
    parsed.check_references(reader)
    if reader.wrong:
        raise RowRefused(reader.wrong)
    item = next(item for row, item in getattr(parsed, table) if row.line == place)
    after = _spliced(register, table, row_id, [item])
    _keep_chief(register, after, table, row_id)
    return after


def remove(register: Register, table: str, row_id: str) -> Register:
    """*register* without a row of a table that no other row refers to. Raises RowRefused."""
    if table not in REMOVED or cells_of(register, table, row_id) is None:
        raise RowRefused({"": NO_ROW})
    after = _spliced(register, table, row_id, [])
    _keep_chief(register, after, table, row_id)
    return after


def _rows(kept: Mapping[str, Sequence[Cells]]) -> dict[str, list[Row]]:
    return {name: [Row(name, n, cells) for n, cells in enumerate(rows)]
            for name, rows in kept.items()}  # fmt: skip


_ID: dict[str, Callable[[Any], str]] = {
    "people": lambda m: str(m.person.id), "stock": lambda h: str(h.bottle.id)}  # fmt: skip


def _id_of(table: str, item: Any) -> str:
    return _ID[table](item) if table in _ID else str(item.id)


def _spliced(register: Register, table: str, row_id: str, items: list[Any]) -> Register:
    """The other rows are taken as they are: a rule made after them does not rewrite them."""
    parts: dict[str, Any] = {name: getattr(register, name) for name in TABLES}
    others = [item for item in parts[table] if _id_of(table, item) != row_id]
    return assemble(**{**parts, table: [*others, *items]})


def _keep_chief(before: Register, after: Register, table: str, row_id: str) -> None:
    """Somebody at a facility must be the one that problems go to, once there is one."""
    if table != "people":
        return
    member = next((m for m in before.people if m.person.id == row_id), None)
    if member is None or member.person.role != "in_charge":
        return
    left = (m for m in after.people if m.place == member.place)
    if not any(m.person.role == "in_charge" for m in left):
        raise RowRefused({"role": LAST_CHIEF.format(place=member.place)})


# ---- two registers -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Difference:
    """A row that one register has and the other has not, or not so. *cells* is each column that
    differs, before and after. No phone is in it."""

    table: str
    id: str
    kind: str  # added, changed or removed
    cells: Mapping[str, tuple[str, str]]


def differences(before: Register, after: Register) -> list[Difference]:
    """What was done to *before* to make *after*, in the order of the tables and ids."""
    old, new = tables(before), tables(after)
    return [d for name in TABLES for d in _in_table(name, old[name], new[name])]


def _in_table(name: str, old: Sequence[Cells], new: Sequence[Cells]) -> Iterator[Difference]:
    was, now = {r["id"]: r for r in old}, {r["id"]: r for r in new}
    for row_id in sorted(was.keys() | now.keys()):
        first, last = was.get(row_id), now.get(row_id)
        if first != last:
            kind = "changed" if first and last else "added" if last else "removed"
            yield Difference(name, row_id, kind, _moved(first or {}, last or {}))


def _moved(first: Cells, last: Cells) -> dict[str, tuple[str, str]]:
    columns = [c for c in (last or first) if c != "id"]
    pairs = {c: (first.get(c, ""), last.get(c, "")) for c in columns}
    return {c: _unphoned(c, *p) for c, p in pairs.items() if p[0] != p[1]}


def _unphoned(column: str, first: str, last: str) -> tuple[str, str]:
    if column != "phone":
        return first, last
    return ("a number" if first else "", "another number" if first and last else "a number"
            if last else "")  # fmt: skip


def misled(register: Register, protocols: Mapping[str, Protocol]) -> dict[str, str]:
    """The protocol of each facility that no batch may go by: unknown, or not for release."""
    return {f.id: f.protocol for f in register.facilities if f.protocol and not (
        f.protocol in protocols and protocols[f.protocol].for_release)}  # fmt: skip


# ---- where a row belongs -----------------------------------------------------------------------


def owner(register: Register, table: str, cells: Cells) -> tuple[str, str]:
    """The district and the facility that a row belongs to; "" where it is of a whole district, or
    of everybody (models)."""
    if table == "districts":
        return cells["id"], ""
    if table == "models":
        return "", ""
    if table == "people" and cells["role"] == "supervisor":
        return cells["place"], ""
    facility = cells[{"facilities": "id", "people": "place"}.get(table, "facility")]
    if table == "facilities":
        return cells["district"], facility
    return next((f.district for f in register.facilities if f.id == facility), ""), facility
