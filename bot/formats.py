"""Answers as JSON and as CSV that a spreadsheet may open without harm."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import msgspec
from flask import Response

# With one of these first, a spreadsheet takes a text for a formula; some read the wide forms too.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def as_json(value: Any, status: int = 200) -> Response:
    """*value* (dicts, lists, aware times) as JSON."""
    return Response(msgspec.json.encode(value), status, content_type="application/json")


def as_csv(rows: Sequence[dict[str, Any]], name: str) -> Response:
    """*rows* of like keys as a CSV file of that *name*, with a header; none for no rows."""
    answer = Response(csv_text(rows), content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


def csv_text(rows: Sequence[dict[str, Any]]) -> str:
    """The header and *rows*, as RFC 4180 has it."""
    out = io.StringIO()
    if rows:
        writer = csv.DictWriter(out, list(rows[0]))
        writer.writeheader()
        writer.writerows({k: cell(v) for k, v in row.items()} for row in rows)
    return out.getvalue()


def cell(value: Any) -> str | int | float:
    """One value: a list as words, a time in ISO 8601, a text that is no formula."""
    if isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, datetime):
        return value.isoformat()
    text = " ".join(value) if isinstance(value, (list, tuple)) else str(value or "")
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
