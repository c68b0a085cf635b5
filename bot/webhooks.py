"""The addresses that the gateway calls: /hooks/<key>/sms, /receipt and /ussd.

A request with a wrong or missing key gets 404 and nothing else, whatever its method or body. When
we cannot handle a request now, an SMS or a receipt is answered 503, so that the gateway repeats
it, and a USSD request with a screen that says so, because someone is looking at it.
"""

from __future__ import annotations

import hmac
import json
import logging
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from flask import Blueprint, Request, Response, request
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge

from bot.channels import (
    SCREEN_ENDS,
    Form,
    ReceiptForm,
    heard_sms,
    heard_ussd,
    receipt,
    ussd_answer,
)
from bot.errors import BadWebhook
from bot.events import Heard
from bot.shape import GatewayShape

MAX_BODY = 16 * 1024  # bytes: a USSD session of fifty long answers, ten times any SMS
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Hooks:
    """What `webhooks` was given, and one method for each address."""

    handle: Callable[[Heard], str]
    receive: Callable[[ReceiptForm], None]
    key: str
    shape: GatewayShape
    clock: Callable[[], datetime]
    tick: Callable[[], tuple[str, float]]
    sorry: str
    region: str

    def answer(self, key: str, hook: str) -> Response:
        ours = {"sms": self.sms, "receipt": self.receipt, "ussd": self.ussd}.get(hook)
        right = hmac.compare_digest(key.encode(errors="replace"), self.key.encode())
        if not right or not self.key or ours is None or request.method != "POST":
            return Response(status=404, mimetype="text/plain")
        try:
            return ours(fields(request))
        except BadWebhook as exc:
            return Response(f"{exc}\n", status=400, mimetype="text/plain")

    def sms(self, form: Form) -> Response:
        heard = heard_sms(form, self.shape, self.clock(), self.tick(), self.region)
        return _taken(heard is None or _try(lambda: self.handle(heard)) is not None)

    def receipt(self, form: Form) -> Response:
        said = receipt(form, self.shape, self.clock())
        return _taken(_try(lambda: self._receive(said)) is not None)

    def _receive(self, said: ReceiptForm) -> str:
        self.receive(said)
        return ""

    def ussd(self, form: Form) -> Response:
        heard = heard_ussd(form, self.shape, self.clock(), self.tick(), self.region)
        screen = _try(lambda: self.handle(heard)) if heard else None
        body, mimetype = ussd_answer(screen or f"{SCREEN_ENDS} {self.sorry}", self.shape)
        return Response(body, mimetype=mimetype)


def webhooks(
    handle: Callable[[Heard], str],
    receive: Callable[[ReceiptForm], None],
    key: str,
    shape: GatewayShape,
    clock: Callable[[], datetime],
    tick: Callable[[], tuple[str, float]],
    sorry: str,
    region: str = "",
) -> Blueprint:
    """The blueprint of the gateway's addresses.

    *handle* returns the screen of a USSD request ("CON ..." or "END ..."); for an SMS what it
    returns is not looked at. *sorry* is what a USSD screen says when we cannot answer. *region*
    is the country of phone numbers that name none.
    """
    hooks = _Hooks(handle, receive, key, shape, clock, tick, sorry, region)
    edge = Blueprint("webhooks", __name__)

    def answer(rest: str = "") -> Response:
        sent_key, _, hook = rest.rpartition("/")
        return hooks.answer(sent_key, hook)

    # One rule for all, so that no method, slash or unknown name is answered by anything else.
    for rule in ("/hooks", "/hooks/", "/hooks//<path:rest>", "/hooks/<path:rest>"):
        edge.add_url_rule(rule, view_func=answer, methods=METHODS, merge_slashes=False)
    return edge


def fields(req: Request) -> Form:
    """The request's fields, flat: those of a form, or of JSON with dots between nested names.

    BadWebhook when the body is too long or cannot be read.
    """
    req.max_content_length = MAX_BODY
    try:
        if req.is_json:
            return dict(_flat(json.loads(req.get_data())))
        return req.form.to_dict()
    except RequestEntityTooLarge:
        raise BadWebhook(f"The request is longer than {MAX_BODY} bytes.") from None
    except (ValueError, RecursionError, HTTPException):
        raise BadWebhook("The request cannot be read.") from None


def _flat(node: object, name: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _flat(value, f"{name}.{key}" if name else key)
    elif isinstance(node, bool):
        yield name, str(node).lower()
    elif isinstance(node, str | int | float):
        # JSON can spell half a character (a lone surrogate), which nothing further in can keep.
        yield name, str(node).encode(errors="replace").decode()


def _taken(done: bool) -> Response:
    return Response(status=200 if done else 503, mimetype="text/plain")


def _try(work: Callable[[], str]) -> str | None:
    """What *work* returns, or None when it fails: whoever asked must get an answer all the same.

    Our own errors and a lost Redis are expected; anything else is a fault of the program, and a
    person with wet gloves should not be the one to see it. The log gets the error's type and
    where it was raised, not its text, which could quote a phone number.
    """
    try:
        return work()
    except BadWebhook:
        raise
    except Exception as exc:
        where = "".join(traceback.format_tb(exc.__traceback__))
        logger.error(  # noqa: TRY400 - see above
            "a request could not be handled: %s\n%s", type(exc).__name__, where
        )
        return None
