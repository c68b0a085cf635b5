"""What is asked of the API, read and checked, and how a table is answered."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import msgspec
from flask import Response, abort, request

from bot.formats import as_csv, as_json

MOST_BODY_BYTES = 8 * 1024 * 1024  # some hundred batches with their logs
MOST_RECORDS = 500

_NO_SUCH_WORD = re.compile(r"Invalid enum value ('.+') - at `(.+)`")


def district(own: str | None) -> str:
    """The district to keep to, for one who may see *own* only (None: every one); "" for all."""
    asked = request.args.get("district", "")
    if own is None:
        return asked
    if asked not in {"", own}:
        abort(403, "this token is for another district")
    return own


def several(word: str) -> tuple[str, ...]:
    """*word* as what is wanted of some; none for an empty one, which means all."""
    return (word,) if word else ()


def limit() -> int:
    """How many rows of a page are asked for."""
    text = request.args.get("limit", "100")
    if not (text.isascii() and text.isdecimal()) or len(text) > 9:
        abort(400, "limit is a whole number")
    return int(text)


def day(name: str) -> date | None:
    """The date that *name* gives, if any."""
    text = request.args.get(name, "")
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        abort(400, f"{name} is a date such as 2025-03-31")


def yes_or_no(name: str) -> bool | None:
    """What *name* says, yes or no; None where it is not asked."""
    text = request.args.get(name, "")
    if text not in {"", "yes", "no"}:
        abort(400, f"{name} is yes or no")
    return text == "yes" if text else None


def midnight(name: str, *, days_later: int = 0) -> datetime | None:
    """The beginning in UTC of the day that *name* gives, or of one *days_later*."""
    asked = day(name)
    if asked is None:
        return None
    try:
        return datetime.combine(asked, time(), UTC) + timedelta(days=days_later)
    except OverflowError:
        abort(400, "this date is too far away")


def table(name: str, rows: list[dict[str, Any]], cursor: str | None = None) -> Response:
    """A table, as CSV if so asked; the cursor in the body, and in the header `X-Next`."""
    asked = request.args.get("format", "")
    if asked not in {"", "json", "csv"}:
        abort(400, "format is json or csv")
    accepts = request.accept_mimetypes.best_match(["application/json", "text/csv"])
    csv = asked == "csv" or (not asked and accepts == "text/csv")
    answer = as_csv(rows, name) if csv else as_json({name: rows, "next": cursor})
    answer.headers["Vary"] = "Accept, Authorization"
    if cursor:
        answer.headers["X-Next"] = cursor
    return answer


def or_400(ask: Callable[..., Any], *arguments: Any) -> Any:
    """The store's answer; a value that it refuses is the caller's mistake."""
    try:
        return ask(*arguments)
    except ValueError as exc:
        abort(400, str(exc))


def records(form: msgspec.json.Decoder[Any]) -> list[Any]:
    """The body, one record or a list of them, in the form that *form* reads."""
    request.max_content_length = MOST_BODY_BYTES
    try:
        body = form.decode(request.get_data(cache=False))
    except (msgspec.DecodeError, UnicodeDecodeError) as exc:
        abort(400, _why(exc))
    found = body if isinstance(body, list) else [body]
    if len(found) > MOST_RECORDS:
        abort(413, f"at most {MOST_RECORDS} records at once")
    return found


def _why(error: Exception) -> str:
    """Why a body was not read; a word of a newer version is not blamed on its form."""
    if word := _NO_SUCH_WORD.fullmatch(str(error)):
        return (f"{word[1]}, at {word[2]}, is no word known here; it can be taken once this "
                "Soakbell is brought up to date")
    return f"this is no record: {error}"
