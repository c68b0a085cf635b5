"""Answers as JSON, and as tables that a spreadsheet may open without harm."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

import msgspec
from flask import Response

from bot.plain import FORMULA_STARTS, plain
from bot.workbook import workbook

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def as_json(value: Any, status: int = 200) -> Response:
    """*value* (dicts, lists, aware times) as JSON."""
    return Response(msgspec.json.encode(value), status, content_type="application/json")


def as_csv(columns: Sequence[str], rows: Sequence[Mapping[str, Any]], name: str) -> Response:
    """*rows* with these *columns* as a CSV file of that *name*, with a header."""
    return as_file("".join(csv_lines(columns, rows)), "text/csv; charset=utf-8", f"{name}.csv")


def as_xlsx(columns: Sequence[str], rows: Sequence[Mapping[str, Any]], name: str) -> Response:
    """The same as a workbook of one sheet."""
    return as_file(workbook({name: (columns, rows)}), XLSX, f"{name}.xlsx")


def as_file(body: str | bytes, content_type: str, name: str) -> Response:
    """*body* to be saved as a file of that *name*."""
    answer = Response(body, content_type=content_type)
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def csv_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """The header and *rows*, as RFC 4180 has it; none for no rows."""
    return "".join(csv_lines(list(rows[0]), rows)) if rows else ""


class _Written:
    """A file that keeps nothing: csv's writers hand on what it answers."""

    def write(self, text: str) -> str:
        return text


def csv_lines(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """The header of *columns*, then *rows* one by one as they come, each with its line end.

    A row without one of the columns has an empty cell there; one with another raises ValueError.
    """
    writer = csv.DictWriter(_Written(), columns)
    yield writer.writerow({c: cell(c) for c in columns})
    for row in rows:
        yield writer.writerow({k: cell(v) for k, v in row.items()})


def cell(value: Any) -> str | int | float:
    """One value: a list as words, a time in ISO 8601, a text that is no formula and fits UTF-8."""
    if isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, datetime):
        return value.isoformat()
    text = plain(" ".join(value) if isinstance(value, (list, tuple)) else str(value or ""))
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
