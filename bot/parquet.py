"""Rows as a Parquet file in constant memory: through a file of rows beside it, by DuckDB."""

from __future__ import annotations

import glob
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import duckdb

from bot.exporting import Kind

TYPES: Mapping[Kind, str] = {
    "text": "VARCHAR", "time": "TIMESTAMPTZ", "day": "DATE", "whole": "BIGINT", "number": "DOUBLE",
    "yes": "BOOLEAN",
}  # fmt: skip
# One thread, or each would hold a part of the file; no extension is fetched from anywhere.
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "threads": 1, "memory_limit": "128MB", "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}  # fmt: skip
ROW_GROUP = 20_000


class ParquetFile:
    """Takes rows of *columns* and leaves them at *path* when finished. *path* is in a folder of the
    caller's, who takes it away if this is never finished."""

    def __init__(self, path: Path, columns: Mapping[str, Kind]) -> None:
        self._path, self._columns = path, columns
        self._part = path.with_suffix(".rows")
        self._file = self._part.open("w", encoding="utf-8", newline="")

    def add(self, rows: Iterable[Mapping[str, Any]]) -> None:
        names = tuple(self._columns)
        self._file.writelines(f"{','.join(_cell(row[n]) for n in names)}\n" for row in rows)

    def finish(self) -> None:
        """Write the file; OSError where it cannot be."""
        self._file.close()
        try:
            self._write()
        except duckdb.Error as error:
            raise OSError(f"no Parquet file was made ({type(error).__name__})") from error
        self._part.unlink()

    def _write(self) -> None:
        with duckdb.connect(":memory:", config=_CONFIG) as connection:
            connection.execute("SET temp_directory = ?", [str(self._path.parent)])
            rows = connection.read_csv(
                glob.escape(str(self._part)), header=False, auto_detect=False, parallel=False,
                delimiter=",", quotechar='"', escapechar='"', na_values="",
                allow_quoted_nulls=False,
                columns={name: TYPES[kind] for name, kind in self._columns.items()},
            )  # fmt: skip
            rows.write_parquet(str(self._path), compression="zstd", row_group_size=ROW_GROUP)

    def close(self) -> None:
        self._file.close()


def _cell(value: Any) -> str:
    """None as nothing at all; a text always in quotes, so that an empty one is not None."""
    if value is None:
        return ""
    if isinstance(value, str):
        return '"{}"'.format(value.replace('"', '""'))
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    return str(value).lower()  # true, false; numbers have no capitals but in their exponent
