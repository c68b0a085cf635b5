"""The API for other systems: reads for programmes, ingest for stores. No phone in any answer."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from typing import Any, NoReturn

import msgspec
from flask import Blueprint, Request, Response, abort, request

from bot import api_facts
from bot.api_asked import (
    check,
    district,
    limit,
    listed,
    midnight,
    or_400,
    records,
    text,
    yes_or_no,
)
from bot.api_counts import CountViews
from bot.api_errors import answer_errors, error
from bot.api_parameters import ASKED, Parameter
from bot.api_rows import POSTED
from bot.coding import settled
from bot.cursors import Page
from bot.effects import Pushed
from bot.formats import as_json
from bot.openapi import document
from bot.store import (
    AlertFilter,
    BatchFilter,
    CheckFilter,
    MessageFilter,
    SetFilter,
    Store,
)
from bot.tokens import Scope, Token, Tokens

View = Callable[..., Response]

METHODS = {"GET", "POST", "PUT", "PATCH", "DELETE", "TRACE", "QUERY"}

TYPED_NUMBER = re.compile(r"\+?\d(?:[ .()-]?\d){6,}")  # what a person may have typed as a phone
_PHONE = re.compile(r"\+\d{6,}")
_FORMS: Mapping[str, msgspec.json.Decoder[Any]] = {
    name: msgspec.json.Decoder(of | list[of]) for name, of in POSTED.items()}  # type: ignore[valid-type]

def api(
    store: Store, tokens: Tokens, clock: Callable[[], datetime], small_numbers: int = 0
) -> Blueprint:
    """The blueprint of `/api`. *clock* returns the aware time now; counts of one facility that are
    below *small_numbers* do not leave it (0: all do)."""
    blueprint = Blueprint("api", __name__, url_prefix="/api")
    views, door = _Views(store, clock), _Door(tokens, clock)
    counted = CountViews(store, clock, small_numbers)
    lists: dict[str, View] = {
        "batches": views.batches, "sets": views.sets, "alerts": views.alerts,
        "messages": views.messages, "checks": views.checks, "gaps": views.gaps,
        "mixes": views.mixes, "facilities": views.facilities, "counts": counted.counts,
        "indicators": counted.indicators}
    routes: dict[str, dict[str, View]] = {
        name: {"GET": door.guarded(view, "read", ASKED[name])} for name, view in lists.items()}
    routes["batches/<batch_id>"] = {"GET": door.guarded(views.batch, "read")}
    routes["alerts/<alert_id>"] = {"GET": door.guarded(views.alert, "read")}
    for name in _FORMS:
        routes[name]["POST"] = door.guarded(views.taking(name), "ingest")
    routes["openapi.json"] = {"GET": _description}
    for path, by_method in routes.items():
        _add(blueprint, f"/v1/{path}", by_method)
    for rest in ("", "/", "/<path:_rest>"):
        blueprint.add_url_rule(rest, f"nothing{rest}".replace("/", "_"), _nothing,
                               methods=sorted(METHODS))
    blueprint.after_request(_finished)
    answer_errors(blueprint)
    return blueprint


def _add(blueprint: Blueprint, path: str, by_method: Mapping[str, View]) -> None:
    """The views of *path*, and the answer to every other method."""
    name = re.sub(r"\W+", "_", path)
    for method, view in by_method.items():
        blueprint.add_url_rule(path, f"{name}_{method}", view, methods=[method],
                               provide_automatic_options=False)
    allowed = sorted(by_method)

    def other_method(**_values: str) -> Response:
        answer = error(405, f"use {' or '.join(allowed)} here")
        if request.method == "OPTIONS":
            answer = Response(status=204)
        answer.headers["Allow"] = ", ".join(allowed)
        return answer

    others = sorted((METHODS | {"OPTIONS"}) - set(allowed))
    blueprint.add_url_rule(path, f"{name}_other", other_method, methods=others)


def _description() -> Response:
    check(())
    return as_json(document())


def _finished(answer: Response) -> Response:
    answer.vary.add("Authorization")
    answer.headers["Cache-Control"] = "private, no-cache"
    return settled(answer, request)


def _nothing(**_values: str) -> NoReturn:
    abort(404, "there is nothing at this address")


# ---- who asks ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Door:
    tokens: Tokens
    clock: Callable[[], datetime]

    def guarded(self, view: View, scope: Scope, known: Sequence[Parameter] = ()) -> View:
        """*view*, called with the Token of the bearer, if it has *scope* and asks nothing but
        what is *known*."""

        @wraps(view)
        def guarded(**values: str) -> Response:
            token = self._bearer(request)
            if token is None:
                abort(401, "a valid bearer token is needed")
            if not token.may(scope):
                abort(403, f"this token may not {scope}")
            check(known)
            return view(token, **values)

        return guarded

    def _bearer(self, asked: Request) -> Token | None:
        kind, _, secret = asked.headers.get("Authorization", "").partition(" ")
        if kind.lower() != "bearer" or not secret.strip():
            return None
        return self.tokens.find(secret.strip(), self.clock())


# ---- the views -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Views:
    store: Store
    clock: Callable[[], datetime]

    def batches(self, token: Token) -> Response:
        wanted = BatchFilter(
            facility=text("facility"), district=district(token.district),
            since=midnight("from"), until=midnight("to", days_later=1),
            outcome=text("outcome"), method=text("method"), stage=text("stage"),
            reason=text("reason"), limit=limit(), after=text("after"),
        )
        return listed("batches", or_400(self.store.batches, wanted))

    def batch(self, token: Token, batch_id: str) -> Response:
        found = self.store.batch(batch_id)
        if found is None or token.district not in {None, found["district"]}:
            abort(404, "there is no such batch")
        return as_json({**found, "log": [_without_phones(entry) for entry in found["log"]],
                        "alerts": [_undialled(alert) for alert in found["alerts"]]})

    def sets(self, token: Token) -> Response:
        wanted = SetFilter(
            facility=text("facility"), district=district(token.district),
            condition=text("condition"), limit=limit(), after=text("after"),
        )
        return listed("sets", or_400(self.store.sets, wanted, self.clock()))

    def alerts(self, token: Token) -> Response:
        wanted = AlertFilter(
            facility=text("facility"), district=district(token.district),
            state=text("state"), rule=text("rule"), batch=text("batch"),
            since=midnight("from"), until=midnight("to", days_later=1),
            limit=limit(), after=text("after"),
        )
        page = or_400(self.store.alerts, wanted)
        return listed("alerts", Page([_undialled(row) for row in page.rows], page.next))

    def alert(self, token: Token, alert_id: str) -> Response:
        found = self.store.alert(alert_id)
        if found is None or token.district not in {None, found["district"]}:
            abort(404, "there is no such alert")
        return as_json(_undialled(found))

    def messages(self, token: Token) -> Response:
        wanted = MessageFilter(
            site=text("site"), district=district(token.district),
            about=text("about"), state=text("state"),
            since=midnight("from"), until=midnight("to", days_later=1),
            limit=limit(), after=text("after"),
        )
        return listed("messages", or_400(self.store.messages, wanted))

    def checks(self, token: Token) -> Response:
        wanted = CheckFilter(
            facility=text("facility"), district=district(token.district),
            done=yes_or_no("done"), since=midnight("from"), until=midnight("to", days_later=1),
            limit=limit(), after=text("after"),
        )
        return listed("checks", or_400(self.store.checks, wanted))

    def gaps(self, token: Token) -> Response:
        return api_facts.gaps(self.store, token.district)

    def mixes(self, token: Token) -> Response:
        return api_facts.mixes(self.store, token.district)

    def facilities(self, token: Token) -> Response:
        return listed("facilities", Page(self.store.facilities(district(token.district)), None))

    def taking(self, name: str) -> View:
        """The view that takes what is posted to the list *name*."""

        def take(token: Token) -> Response:
            return self._take(token, records(_FORMS[name]))

        return take

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
