"""The API for other systems: reads for programmes, ingest for stores. No phone in any answer."""

from __future__ import annotations

import hashlib
import hmac
import logging
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import wraps
from http import HTTPStatus
from typing import Any, Literal, NoReturn

import msgspec
from flask import Blueprint, Request, Response, abort, request
from werkzeug.exceptions import HTTPException

from bot.errors import StoreDown, StoreRefused
from bot.formats import as_csv, as_json
from bot.model import Conditions, Pushed
from bot.openapi import document
from bot.store import BatchFilter, CountFilter, Record, SetFilter, Store

Scope = Literal["read", "ingest", "all"]
View = Callable[..., Response]

MOST_BODY_BYTES = 8 * 1024 * 1024  # some hundred batches with their logs
MOST_RECORDS = 500
METHODS = {"GET", "POST", "PUT", "PATCH", "DELETE"}
RETRY_SECONDS = "30"

TYPED_NUMBER = re.compile(r"\+?\d(?:[ .()-]?\d){6,}")  # what a person may have typed as a phone
_PHONE = re.compile(r"\+\d{6,}")
_RECORDS: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Record | list[Record])
_CONDITIONS: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Conditions | list[Conditions])

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Token:
    """What the bearer may do, and in which district only (None: in all)."""

    scope: Scope
    district: str | None = None

    def may(self, scope: Scope) -> bool:
        return self.scope in {scope, "all"}


def digest(token: str) -> str:
    """The form in which tokens are kept: SHA-256, in hex."""
    return hashlib.sha256(token.encode()).hexdigest()


def api(store: Store, tokens: Mapping[str, Token], clock: Callable[[], datetime]) -> Blueprint:
    """The blueprint of `/api`. *tokens* by `digest`; *clock* returns the aware time now."""
    blueprint = Blueprint("api", __name__, url_prefix="/api")
    views = _Views(store, clock)
    reads: dict[str, View] = {
        "batches": views.batches, "batches/<batch_id>": views.batch, "sets": views.sets,
        "facilities": views.facilities, "counts": views.counts}
    routes: dict[str, dict[str, View]] = {
        path: {"GET": _guarded(view, "read", tokens)} for path, view in reads.items()}
    routes["batches"]["POST"] = _guarded(views.ingest, "ingest", tokens)
    routes["sets"]["POST"] = _guarded(views.ingest_conditions, "ingest", tokens)
    routes["openapi.json"] = {"GET": lambda: as_json(document())}
    for path, by_method in routes.items():
        _add(blueprint, f"/v1/{path}", by_method)
    for rest in ("", "/", "/<path:_rest>"):
        blueprint.add_url_rule(rest, f"nothing{rest}".replace("/", "_"), _nothing,
                               methods=sorted(METHODS))
    blueprint.register_error_handler(HTTPException, _refused)
    blueprint.register_error_handler(StoreDown, _store_down)
    blueprint.register_error_handler(StoreRefused, lambda error: _error(409, str(error)))
    blueprint.register_error_handler(Exception, _failed)
    return blueprint


def _add(blueprint: Blueprint, path: str, by_method: Mapping[str, View]) -> None:
    """The views of *path*, and the answer to every other method."""
    name = re.sub(r"\W+", "_", path)
    for method, view in by_method.items():
        blueprint.add_url_rule(path, f"{name}_{method}", view, methods=[method])
    allowed = sorted(by_method)

    def wrong_method(**_values: str) -> Response:
        answer = _error(405, f"use {' or '.join(allowed)} here")
        answer.headers["Allow"] = ", ".join(allowed)
        return answer

    others = sorted(METHODS - set(allowed))
    blueprint.add_url_rule(path, f"{name}_other", wrong_method, methods=others)


def _nothing(**_values: str) -> NoReturn:
    abort(404, "there is nothing at this address")


# ---- errors: one shape -----------------------------------------------------------------------


def _error(status: int, message: str) -> Response:
    code = HTTPStatus(status).name.lower()
    return as_json({"error": {"code": code, "message": message}}, status)


def _refused(error: HTTPException) -> Response:
    answer = _error(error.code or 500, error.description or "")
    if error.code == 401:
        answer.headers["WWW-Authenticate"] = "Bearer"
    return answer


def _store_down(_: StoreDown) -> Response:
    answer = _error(503, "the store does not answer; try again later")
    answer.headers["Retry-After"] = RETRY_SECONDS
    return answer


def _failed(error: Exception) -> Response:
    # The kind only: an error's words may quote a value, and a value may be a phone.
    log.error("a request to the API failed: %s", type(error).__name__)
    return _error(500, "something failed here; it was written to the log")


# ---- who asks ---------------------------------------------------------------------------------


def _guarded(view: View, scope: Scope, tokens: Mapping[str, Token]) -> View:
    """*view*, called with the Token of the bearer, if it has *scope*."""

    @wraps(view)
    def guarded(**values: str) -> Response:
        token = _bearer(request, tokens)
        if token is None:
            abort(401, "a valid bearer token is needed")
        if not token.may(scope):
            abort(403, f"this token may not {scope}")
        return view(token, **values)

    return guarded


def _bearer(asked: Request, tokens: Mapping[str, Token]) -> Token | None:
    kind, _, secret = asked.headers.get("Authorization", "").partition(" ")
    if kind.lower() != "bearer" or not secret.strip():
        return None
    given, found = digest(secret.strip()), None
    for known, token in tokens.items():  # all of them, so that time tells nothing
        if hmac.compare_digest(known.encode(), given.encode()):
            found = token
    return found


# ---- what is asked -----------------------------------------------------------------------------


def _district(token: Token) -> str:
    """The district to keep to; "" for all."""
    asked = request.args.get("district", "")
    if token.district is None:
        return asked
    if asked not in {"", token.district}:
        abort(403, "this token is for another district")
    return token.district


def _limit() -> int:
    text = request.args.get("limit", "100")
    if not (text.isascii() and text.isdecimal()) or len(text) > 9:
        abort(400, "limit is a whole number")
    return int(text)


def _day(name: str) -> date | None:
    text = request.args.get(name, "")
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        abort(400, f"{name} is a date such as 2025-03-31")


def _midnight(day: date | None, *, days_later: int = 0) -> datetime | None:
    if day is None:
        return None
    try:
        return datetime.combine(day, time(), UTC) + timedelta(days=days_later)
    except OverflowError:
        abort(400, "this date is too far away")


def _answer(name: str, rows: list[dict[str, Any]], cursor: str | None = None) -> Response:
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


# ---- the views -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Views:
    store: Store
    clock: Callable[[], datetime]

    def batches(self, token: Token) -> Response:
        args = request.args
        wanted = BatchFilter(
            facility=args.get("facility", ""), district=_district(token),
            since=_midnight(_day("from")), until=_midnight(_day("to"), days_later=1),
            outcome=args.get("outcome", ""), method=args.get("method", ""),
            limit=_limit(), after=args.get("after", ""),
        )
        page = _or_400(self.store.batches, wanted)
        return _answer("batches", page.rows, page.next)

    def batch(self, token: Token, batch_id: str) -> Response:
        found = self.store.batch(batch_id)
        if found is None or token.district not in {None, found["district"]}:
            abort(404, "there is no such batch")
        return as_json({**found, "log": [_without_phones(entry) for entry in found["log"]]})

    def sets(self, token: Token) -> Response:
        args = request.args
        wanted = SetFilter(
            facility=args.get("facility", ""), district=_district(token),
            condition=args.get("condition", ""), limit=_limit(), after=args.get("after", ""),
        )
        page = _or_400(self.store.sets, wanted, self.clock())
        return _answer("sets", page.rows, page.next)

    def facilities(self, token: Token) -> Response:
        return _answer("facilities", self.store.facilities(_district(token)))

    def counts(self, token: Token) -> Response:
        by = tuple(b for text in request.args.getlist("by") for b in text.split(",") if b)
        wanted = CountFilter(since=_day("from"), until=_day("to"), by=by,
                             district=_district(token),
                             facility=request.args.get("facility", ""))
        return _answer("counts", _or_400(self.store.counts, wanted))

    def ingest(self, token: Token) -> Response:
        return self._take(token, _records(_RECORDS))

    def ingest_conditions(self, token: Token) -> Response:
        return self._take(token, _records(_CONDITIONS))

    def _take(self, token: Token, records: Sequence[Pushed]) -> Response:
        owners = _or_400(self.store.owners, records)
        if token.district is not None and owners != {token.district} and records:
            abort(403, "this token is for another district")
        taken = _or_400(self.store.record, records)
        return as_json({"received": len(records), "taken": taken})


def _or_400(ask: Callable[..., Any], *arguments: Any) -> Any:
    """The store's answer; a value that it refuses is the caller's mistake."""
    try:
        return ask(*arguments)
    except ValueError as exc:
        abort(400, str(exc))


def _records(form: msgspec.json.Decoder[Any]) -> list[Any]:
    """The body, one record or a list of them, in the form that *form* reads."""
    request.max_content_length = MOST_BODY_BYTES
    try:
        body = form.decode(request.get_data(cache=False))
    except (msgspec.DecodeError, UnicodeDecodeError) as exc:
        abort(400, f"this is no record: {exc}")
    records = body if isinstance(body, list) else [body]
    if len(records) > MOST_RECORDS:
        abort(413, f"at most {MOST_RECORDS} records at once")
    return records


def _without_phones(entry: dict[str, Any]) -> dict[str, Any]:
    """A log entry in which no number that somebody typed can be dialled."""
    facts = {k: _PHONE.sub("[number]", v) if isinstance(v, str) else v
             for k, v in entry["facts"].items()}
    return {**entry, "said": TYPED_NUMBER.sub("[number]", entry["said"]), "facts": facts}
