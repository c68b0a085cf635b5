"""Every refusal and failure of the API in one shape, in which nobody's phone can stand."""

from __future__ import annotations

import logging
from http import HTTPStatus

from flask import Blueprint, Response
from werkzeug.exceptions import HTTPException

from bot.errors import StoreDown, StoreRefused
from bot.formats import as_json

RETRY_SECONDS = "30"

log = logging.getLogger(__name__)


class Blamed(HTTPException):
    """A refusal for which one *parameter* is to blame."""

    def __init__(self, parameter: str, message: str, status: int = 400) -> None:
        super().__init__(message)
        self.code, self.parameter = status, parameter


def answer_errors(blueprint: Blueprint) -> None:
    """Let whatever goes wrong in *blueprint* be answered in the one shape."""
    blueprint.register_error_handler(HTTPException, _refused)
    blueprint.register_error_handler(StoreDown, _store_down)
    blueprint.register_error_handler(StoreRefused, lambda refusal: error(409, str(refusal)))
    blueprint.register_error_handler(Exception, _failed)


def error(status: int, message: str, **blamed: str) -> Response:
    """The shape: a code for programs, a sentence for people, the `parameter` to blame if one is."""
    code = HTTPStatus(status).name.lower()
    return as_json({"error": {"code": code, "message": message, **blamed}}, status)


def _refused(refusal: HTTPException) -> Response:
    blamed = {"parameter": refusal.parameter} if isinstance(refusal, Blamed) else {}
    answer = error(refusal.code or 500, refusal.description or "", **blamed)
    if refusal.code == 401:
        answer.headers["WWW-Authenticate"] = "Bearer"
    return answer


def _store_down(_: StoreDown) -> Response:
    answer = error(503, "the store does not answer; try again later")
    answer.headers["Retry-After"] = RETRY_SECONDS
    return answer


def _failed(failure: Exception) -> Response:
    # The kind only: an error's words may quote a value, and a value may be a phone.
    log.error("a request to the API failed: %s", type(failure).__name__)
    return error(500, "something failed here; it was written to the log")
