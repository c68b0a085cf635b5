"""The register as CSV files that leave the desk, and files that come back: without phones."""

from __future__ import annotations

import csv
import io
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from bot.errors import RegisterError
from bot.formats import cell
from bot.plain import FORMULA_STARTS
from bot.register import Register
from bot.register_edit import TABLES, Cells, tables
from bot.register_files import COLUMNS, OPTIONAL, STOCK, Parsed
from bot.rows import Reader, Row
from bot.rows_stock import STOCK_COLUMNS


def file_of(table: str, rows: Sequence[Cells]) -> str:
    """The CSV file of *table*: a header, then *rows*; no cell is a formula to a spreadsheet."""
    out = io.StringIO()
    writer = csv.DictWriter(out, TABLES[table])
    writer.writeheader()
    writer.writerows({c: cell(row[c]) for c in TABLES[table]} for row in rows)
    return out.getvalue()


def zip_of(files: Mapping[str, str]) -> bytes:
    """*files* by name, in one zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return out.getvalue()


def read_files(files: Mapping[str, bytes], kept: Register, region: str | None) -> Register:
    """The register that *files* (bytes by table) make of *kept*.

    A table with no file stays. A person without a phone keeps the one that she has. Raises
    RegisterError with every problem, none of which holds a phone.
    """
    reader, current = Reader(), tables(kept)
    phones = {row["id"]: row["phone"] for row in current["people"]}
    found: dict[str, list[Row]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for table in TABLES:
            if table in files:
                path = Path(folder) / (STOCK if table == "stock" else f"{table}.csv")
                path.write_bytes(files[table])
                found[table] = [_plain(row, phones) for row in _read(reader, table, path)]
            else:
                found[table] = [Row(f"{table}, as registered", n, cells)
                                for n, cells in enumerate(current[table], 1)]  # fmt: skip
    return _parsed(reader, found, region)


def read_tables(cells: Mapping[str, Sequence[Cells]]) -> Register:
    """The register of `tables`, back. Raises RegisterError."""
    rows = {table: [Row(table, n, c) for n, c in enumerate(cells[table], 1)] for table in TABLES}
    return _parsed(Reader(), rows, None)


def _read(reader: Reader, table: str, path: Path) -> list[Row]:
    columns = STOCK_COLUMNS if table == "stock" else COLUMNS[table]
    return reader.rows(path, columns, OPTIONAL.get(table, ()))


def _parsed(reader: Reader, found: dict[str, list[Row]], region: str | None) -> Register:
    whole = not reader.problems
    parsed = Parsed(reader, found, region)
    if whole:
        parsed.check_references(reader)
    if reader.problems:
        raise RegisterError(reader.problems)
    return parsed.register()


def _plain(row: Row, phones: Mapping[str, str]) -> Row:
    """The row as it was before a file of ours made its formulas harmless, with its known phone."""
    cells = {c: v[1:] if v[:1] == "'" and v[1:].startswith(FORMULA_STARTS) else v
             for c, v in row.cells.items()}  # fmt: skip
    if not cells.get("phone", "+"):
        cells["phone"] = phones.get(cells["id"].upper(), "")
    return replace(row, cells=cells)
