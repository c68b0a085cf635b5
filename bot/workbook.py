"""Tables as a workbook for a spreadsheet: what is text stays text, what is a date is a date.

Written row by row with temporary files, so that a long table needs no more memory than a short one.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from itertools import count
from pathlib import Path
from typing import Any

import xlsxwriter

from bot.plain import FORMULA_STARTS, plain

Table = tuple[Sequence[str], Iterable[Mapping[str, Any]]]  # its columns, its rows by column

# Limits of a workbook, from "Excel specifications and limits" (Microsoft support).
MOST_ROWS = 1_048_576
MOST_UNITS = 32_767  # of UTF-16 in a cell
MOST_IN_NAME = 31

WAS_CUT = " [cut: longer than a cell can hold]"
_FIRST_DAY = date(1900, 3, 1)  # before it, spreadsheets differ by a day: they have a 1900-02-29
_EXACT = 2**53  # whole numbers beyond it lose their last digits in a cell
_NOT_IN_NAME = re.compile(r"[\[\]:*?/\\]")
_WIDTHS = (10, 40)
_OPTIONS = {"constant_memory": True, "in_memory": False, "strings_to_formulas": False,
            "strings_to_urls": False, "strings_to_numbers": False}  # fmt: skip


def workbook(sheets: Mapping[str, Table]) -> bytes:
    """The workbook with *sheets* by name, each a header that stays in sight, then its rows."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "workbook.xlsx"
        write_workbook(path, sheets)
        return path.read_bytes()


def write_workbook(
    path: Path, sheets: Mapping[str, Table], *, most_rows: int = MOST_ROWS
) -> None:
    """The same at *path*, in constant memory however many rows come.

    What was at *path* is replaced once all is written; if the rows fail half way, it stays. A table
    of more than *most_rows* rows, header included, goes on in a further sheet.
    """
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".workbook-") as folder:
        unfinished = Path(folder) / "workbook.xlsx"
        with xlsxwriter.Workbook(str(unfinished), {**_OPTIONS, "tmpdir": folder}) as book:
            writer = _Writer(book)
            for name, (columns, rows) in sheets.items():
                writer.table(name, columns, rows, most_rows)
        unfinished.replace(path)


def sheet_name(wanted: str, taken: Iterable[str] = ()) -> str:
    """*wanted* as a name that a sheet may have, and that none of *taken* is, by its letters."""
    usual = " ".join(_NOT_IN_NAME.sub("_", plain(wanted)).split()).strip(" '")
    others = {"history", *(name.casefold() for name in taken)}  # "History" is the program's own
    for number in count(1):
        ending = f" ({number})" if number > 1 else ""
        name = f"{_first_units(usual, MOST_IN_NAME - len(ending)).rstrip() or 'Sheet'}{ending}"
        if name.casefold() not in others and not name.endswith("'"):
            break
    return name


def cell_text(text: str) -> str:
    """*text* as a cell can hold it; where it was cut, its end says so."""
    text = plain(text)
    if _units(text) > MOST_UNITS:
        text = _first_units(text, MOST_UNITS - len(WAS_CUT)) + WAS_CUT
    # The library takes such a text for formatted text and writes it unescaped.
    return f"{text} " if text.startswith("<r>") and text.endswith("</r>") else text


def _units(text: str) -> int:
    return len(text.encode("utf-16-le")) // 2


def _first_units(text: str, most: int) -> str:
    """The first *most* units of UTF-16, less one where that would halve a character."""
    return text.encode("utf-16-le")[: most * 2].decode("utf-16-le", "ignore")


class _Writer:
    """One workbook in the making."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self._book = book
        self._header = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        self._date = book.add_format({"num_format": "yyyy-mm-dd"})
        self._time = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        # As if typed with an apostrophe: stays a text when its cell is opened and left again.
        self._quoted = book.add_format({"quote_prefix": True})

    def table(
        self, name: str, columns: Sequence[str], rows: Iterable[Mapping[str, Any]], most_rows: int
    ) -> None:
        """Writes one table to a sheet of that *name*, and to further ones where it is too long."""
        sheet, number = self._sheet(name, columns), 0
        for row in rows:
            number += 1
            if number == most_rows:
                sheet, number = self._sheet(name, columns), 1
            for column, key in enumerate(columns):
                self._put(sheet, number, column, row.get(key))

    def _sheet(self, name: str, columns: Sequence[str]) -> Any:
        sheet = self._book.add_worksheet(sheet_name(name, self._book.sheetnames))
        sheet.freeze_panes(1, 0)
        for number, column in enumerate(columns):
            text = cell_text(column)
            sheet.set_column(number, number, min(max(len(text) + 2, _WIDTHS[0]), _WIDTHS[1]))
            sheet.write_string(0, number, text, self._header)
        return sheet

    def _put(self, sheet: Any, row: int, column: int, value: Any) -> None:
        """One cell, of the kind that its value is; nothing for None and for an empty text."""
        if isinstance(value, bool):
            sheet.write_boolean(row, column, value)
        elif isinstance(value, (int, float, Decimal)) and -_EXACT <= value <= _EXACT:
            sheet.write_number(row, column, value)
        elif isinstance(value, datetime) and value.date() >= _FIRST_DAY:
            # A cell knows no zone: the clock of whoever gave the time is what is read.
            sheet.write_datetime(row, column, value.replace(tzinfo=None), self._time)
        elif isinstance(value, date) and not isinstance(value, datetime) and value >= _FIRST_DAY:
            sheet.write_datetime(row, column, value, self._date)
        elif value is not None:
            self._put_text(sheet, row, column, value)

    def _put_text(self, sheet: Any, row: int, column: int, value: Any) -> None:
        listed = isinstance(value, list | tuple)
        text = cell_text(" ".join(value) if listed else str(value))
        if text:
            quoted = self._quoted if text.startswith(FORMULA_STARTS) else None
            sheet.write_string(row, column, text, quoted)
