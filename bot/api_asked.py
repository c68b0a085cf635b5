"""What is asked of the API, read and checked, and how a table is answered."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, NoReturn

import msgspec
from flask import Response, abort, request

from bot.api_errors import Blamed
from bot.api_parameters import USUAL_ROWS, Parameter, read_day, unknown
from bot.api_rows import columns
from bot.cursors import Page
from bot.formats import XLSX, as_csv, as_json, as_xlsx

MOST_BODY_BYTES = 8 * 1024 * 1024  # some hundred batches with their logs
MOST_RECORDS = 500

_TYPES = {"application/json": "json", "text/csv": "csv", XLSX: "xlsx"}
_NO_SUCH_WORD = re.compile(r"Invalid enum value ('.+') - at `(.+)`")


def check(known: Sequence[Parameter]) -> None:
    """Refuse, naming it, the first parameter that is none of *known* or is not what it may be."""
    by_name = {p.name: p for p in known}
    for name, values in request.args.lists():
        parameter = by_name.get(name)
        if parameter is None:
            raise Blamed(name, unknown(name, known))
        if len(values) > 1 and not parameter.many:
            raise Blamed(name, f"{name} is given {len(values)} times; once is allowed")
        for problem in filter(None, map(parameter.problem, values)):
            raise Blamed(name, problem)
    first, last = day("from"), day("to")
    if first and last and first > last:
        raise Blamed("from", f"from ({first}) is after to ({last})")


def text(name: str) -> str:
    """What *name* says; "" where it is not asked."""
    return request.args.get(name, "")


def several(name: str, *, commas: bool = False) -> tuple[str, ...]:
    """Each thing that *name* says; *commas*: they may stand between, as well as *name* again."""
    values = request.args.getlist(name)
    return tuple(part for v in values for part in v.split(",")) if commas else tuple(values)


def district(own: str | None) -> str:
    """The district to keep to, for one who may see *own* only (None: every one); "" for all."""
    asked = text("district")
    if own is None:
        return asked
    if asked not in {"", own}:
        raise Blamed("district", "this token is for another district", 403)
    return own


def limit() -> int:
    """How many rows of a page are asked for."""
    return request.args.get("limit", USUAL_ROWS, int)


def day(name: str) -> date | None:
    """The date that *name* gives, if any."""
    return read_day(text(name))


def yes_or_no(name: str) -> bool | None:
    """What *name* says, yes or no; None where it is not asked."""
    return text(name) == "yes" if text(name) else None


def midnight(name: str, *, days_later: int = 0) -> datetime | None:
    """The beginning in UTC of the day that *name* gives, or of one *days_later*; None for none, or
    for one after the last day that there is."""
    asked = day(name)
    if asked is None or asked > date.max - timedelta(days=days_later):
        return None
    return datetime.combine(asked, time(), UTC) + timedelta(days=days_later)


def form() -> str:
    """The form of a table that is asked for: one of the parameter `format`, else by `Accept`."""
    best = request.accept_mimetypes.best_match(_TYPES, "application/json")
    return text("format") or _TYPES[best]


def mark_weakly(answer: Response, of: Any) -> Response:
    """*answer* with the ETag of what it says: its bytes hold when it was made, and what says the
    same is the same to a reader."""
    answer.set_etag(hashlib.sha256(msgspec.json.encode(of)).hexdigest()[:32], weak=True)
    return answer


def table(
    name: str, head: Sequence[str], rows: list[dict[str, Any]], cursor: str | None = None
) -> Response:
    """A table with the columns of *head*, as CSV or a workbook if so asked; the cursor in the body,
    and in the header `X-Next`."""
    asked = form()
    if asked == "csv":
        answer = as_csv(head, rows, name)
    elif asked == "xlsx":
        answer = mark_weakly(as_xlsx(head, rows, name), rows)
    else:
        answer = as_json({name: rows, "next": cursor})
    answer.vary.add("Accept")
    if cursor:
        answer.headers["X-Next"] = cursor
    return answer


def listed(name: str, page: Page) -> Response:
    """A page of the list *name* as a table."""
    return table(name, columns(name), page.rows, page.next)


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
        _no_record(exc)
    found = body if isinstance(body, list) else [body]
    if len(found) > MOST_RECORDS:
        abort(413, f"at most {MOST_RECORDS} records at once")
    return found


def _no_record(error: Exception) -> NoReturn:
    """Why a body was not read; a word of a newer version is not blamed on its form."""
    if word := _NO_SUCH_WORD.fullmatch(str(error)):
        abort(400, f"{word[1]}, at {word[2]}, is no word known here; it can be taken once this "
                   "Soakbell is brought up to date")
    abort(400, f"this is no record: {error}")
