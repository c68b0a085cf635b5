"""The API for other systems: reads for programmes, ingest for stores. No phone in any answer."""

from __future__ import annotations

import hashlib
import hmac
import logging
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from http import HTTPStatus
from typing import Any, Literal, NoReturn

import msgspec
from flask import Blueprint, Request, Response, abort, request
from werkzeug.exceptions import HTTPException

from bot import api_facts
from bot.api_asked import (
    day,
    district,
    limit,
    midnight,
    or_400,
    records,
    several,
    table,
    yes_or_no,
)
from bot.count_queries import CountFilter
from bot.effects import Checked, Conditions, Pushed, Raised
from bot.errors import StoreDown, StoreRefused
from bot.formats import as_json
from bot.message import Message
from bot.openapi import document
from bot.store import (
    AlertFilter,
    BatchFilter,
    CheckFilter,
    MessageFilter,
    Record,
    SetFilter,
    Store,
)

Scope = Literal["read", "ingest", "all"]
View = Callable[..., Response]

METHODS = {"GET", "POST", "PUT", "PATCH", "DELETE"}
RETRY_SECONDS = "30"

TYPED_NUMBER = re.compile(r"\+?\d(?:[ .()-]?\d){6,}")  # what a person may have typed as a phone
_PHONE = re.compile(r"\+\d{6,}")
_RECORDS: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Record | list[Record])
_RAISED: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Raised | list[Raised])
_MESSAGES: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Message | list[Message])
_CHECKS: msgspec.json.Decoder[Any] = msgspec.json.Decoder(Checked | list[Checked])
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
        "alerts": views.alerts, "alerts/<alert_id>": views.alert,
        "messages": views.messages, "checks": views.checks, "gaps": views.gaps,
        "mixes": views.mixes, "facilities": views.facilities,
        "counts": views.counts}
    routes: dict[str, dict[str, View]] = {
        path: {"GET": _guarded(view, "read", tokens)} for path, view in reads.items()}
    routes["batches"]["POST"] = _guarded(views.ingest, "ingest", tokens)
    routes["sets"]["POST"] = _guarded(views.ingest_conditions, "ingest", tokens)
    routes["alerts"]["POST"] = _guarded(views.ingest_alerts, "ingest", tokens)
    routes["messages"]["POST"] = _guarded(views.ingest_messages, "ingest", tokens)
    routes["checks"]["POST"] = _guarded(views.ingest_checks, "ingest", tokens)
    routes["gaps"]["POST"] = _guarded(views.ingest_gaps, "ingest", tokens)
    routes["mixes"]["POST"] = _guarded(views.ingest_mixes, "ingest", tokens)
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


# ---- the views -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Views:
    store: Store
    clock: Callable[[], datetime]

    def batches(self, token: Token) -> Response:
        args = request.args
        wanted = BatchFilter(
            facility=args.get("facility", ""), district=district(token.district),
            since=midnight("from"), until=midnight("to", days_later=1),
            outcome=args.get("outcome", ""), method=args.get("method", ""),
            limit=limit(), after=args.get("after", ""),
        )
        page = or_400(self.store.batches, wanted)
        return table("batches", page.rows, page.next)

    def batch(self, token: Token, batch_id: str) -> Response:
        found = self.store.batch(batch_id)
        if found is None or token.district not in {None, found["district"]}:
            abort(404, "there is no such batch")
        return as_json({**found, "log": [_without_phones(entry) for entry in found["log"]],
                        "alerts": [_undialled(alert) for alert in found["alerts"]]})

    def sets(self, token: Token) -> Response:
        args = request.args
        wanted = SetFilter(
            facility=args.get("facility", ""), district=district(token.district),
            condition=args.get("condition", ""), limit=limit(), after=args.get("after", ""),
        )
        page = or_400(self.store.sets, wanted, self.clock())
        return table("sets", page.rows, page.next)

    def alerts(self, token: Token) -> Response:
        args = request.args
        wanted = AlertFilter(
            facility=args.get("facility", ""), district=district(token.district),
            state=args.get("state", ""), rule=args.get("rule", ""), batch=args.get("batch", ""),
            since=midnight("from"), until=midnight("to", days_later=1),
            limit=limit(), after=args.get("after", ""),
        )
        page = or_400(self.store.alerts, wanted)
        return table("alerts", [_undialled(row) for row in page.rows], page.next)

    def alert(self, token: Token, alert_id: str) -> Response:
        found = self.store.alert(alert_id)
        if found is None or token.district not in {None, found["district"]}:
            abort(404, "there is no such alert")
        return as_json(_undialled(found))

    def messages(self, token: Token) -> Response:
        args = request.args
        wanted = MessageFilter(
            site=args.get("site", ""), district=district(token.district),
            about=args.get("about", ""), state=args.get("state", ""),
            since=midnight("from"), until=midnight("to", days_later=1),
            limit=limit(), after=args.get("after", ""),
        )
        page = or_400(self.store.messages, wanted)
        return table("messages", page.rows, page.next)

    def checks(self, token: Token) -> Response:
        args = request.args
        wanted = CheckFilter(
            facility=args.get("facility", ""), district=district(token.district),
            done=yes_or_no("done"), since=midnight("from"), until=midnight("to", days_later=1),
            limit=limit(), after=args.get("after", ""),
        )
        page = or_400(self.store.checks, wanted)
        return table("checks", page.rows, page.next)

    def gaps(self, token: Token) -> Response:
        return api_facts.gaps(self.store, token.district)

    def mixes(self, token: Token) -> Response:
        return api_facts.mixes(self.store, token.district)

    def facilities(self, token: Token) -> Response:
        return table("facilities", self.store.facilities(district(token.district)))

    def counts(self, token: Token) -> Response:
        by = tuple(b for text in request.args.getlist("by") for b in text.split(",") if b)
        wanted = CountFilter(since=day("from"), until=day("to"), by=by,
                             district=several(district(token.district)),
                             facility=several(request.args.get("facility", "")))
        return table("counts", or_400(self.store.counts, wanted))

    def ingest(self, token: Token) -> Response:
        return self._take(token, records(_RECORDS))

    def ingest_conditions(self, token: Token) -> Response:
        return self._take(token, records(_CONDITIONS))

    def ingest_alerts(self, token: Token) -> Response:
        return self._take(token, records(_RAISED))

    def ingest_messages(self, token: Token) -> Response:
        return self._take(token, records(_MESSAGES))

    def ingest_checks(self, token: Token) -> Response:
        return self._take(token, records(_CHECKS))

    def ingest_gaps(self, token: Token) -> Response:
        return self._take(token, records(api_facts.GAPS))

    def ingest_mixes(self, token: Token) -> Response:
        return self._take(token, records(api_facts.MIXES))

    def _take(self, token: Token, given: Sequence[Pushed]) -> Response:
        owners = or_400(self.store.owners, given)
        if token.district is not None and owners != {token.district} and given:
            abort(403, "this token is for another district")
        taken = or_400(self.store.record, given)
        return as_json({"received": len(given), "taken": taken})


def _without_phones(entry: dict[str, Any]) -> dict[str, Any]:
    """A log entry in which no number that somebody typed can be dialled."""
    return {**entry, "said": TYPED_NUMBER.sub("[number]", entry["said"]),
            "facts": _plain(entry["facts"])}


def _undialled(alert: dict[str, Any]) -> dict[str, Any]:
    """An alert, in a list or whole, of which the same holds."""
    clean = {**alert, "matter": _PHONE.sub("[number]", alert["matter"])}
    if "history" in alert:
        clean["facts"] = _plain(alert["facts"])
        clean["history"] = [{**line, "word": TYPED_NUMBER.sub("[number]", line["word"])}
                            for line in alert["history"]]
    return clean


def _plain(facts: Mapping[str, Any]) -> dict[str, Any]:
    return {k: _PHONE.sub("[number]", v) if isinstance(v, str) else v for k, v in facts.items()}
