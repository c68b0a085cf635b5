"""The demo's own SMS gateway: it takes messages as a real one would and lays them on the handset.

It keeps the contract of the HTTP gateways that the bot talks to, so that any client of those can
talk to it. A phone that is switched off gets nothing, and the receipt says so.
"""

from __future__ import annotations

import hmac
import logging
import time
from collections.abc import Callable
from datetime import datetime
from queue import SimpleQueue
from threading import Event, Thread
from typing import NamedTuple
from urllib.parse import urlencode
from urllib.request import ProxyHandler, Request, build_opener

import phonenumbers
from flask import Blueprint, Response, jsonify, request

from bot.mailbox import Mailbox

log = logging.getLogger(__name__)

# Told of every message taken: its id, the phone, and whether the phone got it.
Receipt = Callable[[str, str, bool], None]
Recipient = dict[str, int | str]

SENT = 101
INVALID_NUMBER = 403


def demo_gateway(
    mailbox: Mailbox,
    clock: Callable[[], datetime],
    api_key: str,
    receipt: Receipt | None = None,
) -> Blueprint:
    """`POST /version1/messaging` for clients that hold *api_key*.

    *receipt* is called after the answer has gone, once for each message taken: a receipt that
    overtakes the answer would name a message that the client does not know yet.
    """
    gateway = Blueprint("demo_gateway", __name__)

    @gateway.post("/version1/messaging")
    def messaging() -> Response:
        if not _same(request.headers.get("apiKey", ""), api_key):
            return _refusal("The supplied authentication is invalid", 401)
        missing = [name for name in ("username", "to", "message") if not request.form.get(name)]
        if missing:
            return _refusal(f"Missing: {', '.join(missing)}", 400)
        numbers = [number.strip() for number in request.form["to"].split(",")]
        text, now = request.form["message"], clock()
        taken = [_take(mailbox, number, text, now) for number in numbers]
        response = _answer([recipient for recipient, _ in taken])
        if receipt is not None:
            response.call_on_close(lambda: _tell(receipt, taken))
        return response

    return gateway


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode(), wanted.encode())


def _refusal(sentence: str, status: int) -> Response:
    return Response(sentence, status=status, mimetype="text/plain")


def _answer(recipients: list[Recipient]) -> Response:
    good = sum(1 for r in recipients if r["statusCode"] == SENT)
    message = f"Sent to {good}/{len(recipients)} Total Cost: 0"
    response = jsonify(SMSMessageData={"Message": message, "Recipients": recipients})
    response.status_code = 201  # what the gateways of this contract answer to a message taken
    return response


def _take(mailbox: Mailbox, number: str, text: str, now: datetime) -> tuple[Recipient, bool]:
    """One recipient's part of the answer, and whether the phone got the message."""
    if not usable(number):
        return _recipient(number, INVALID_NUMBER, "InvalidPhoneNumber", "None"), False
    if mailbox.is_off(number):
        return _recipient(number, SENT, "Success", mailbox.lose(number)), False
    return _recipient(number, SENT, "Success", mailbox.put(number, text, now)), True


def _recipient(number: str, code: int, status: str, message_id: str) -> Recipient:
    return {
        "statusCode": code,
        "number": number,
        "status": status,
        "cost": "0",
        "messageId": message_id,
    }


def usable(number: str) -> bool:
    """Whether a message can be sent to *number*: E.164 with its plus sign, of a possible length."""
    try:
        parsed = phonenumbers.parse(number, None)
    except phonenumbers.NumberParseException:
        return False
    e164 = phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.E164)
    return e164 == number and phonenumbers.is_possible_number(parsed)


def _tell(receipt: Receipt, taken: list[tuple[Recipient, bool]]) -> None:
    for recipient, delivered in taken:
        if recipient["statusCode"] == SENT:
            receipt(str(recipient["messageId"]), str(recipient["number"]), delivered)


class _Due(NamedTuple):
    """A receipt to post: when (seconds of the running clock), its form, and the tries left."""

    when: float
    form: dict[str, str]
    tries: int


class ReceiptPoster:
    """Posts delivery receipts to the bot as a gateway does: a moment later, again if refused.

    *url* is the whole address of the receipt webhook. The receipts wait in this process alone:
    enough for a demonstration, whose gateway and phones live in it too.
    """

    def __init__(self, url: str, delay_seconds: float = 1.0, tries: int = 5) -> None:
        self._url = url
        self._delay = delay_seconds
        self._tries = tries
        self._queue: SimpleQueue[_Due | None] = SimpleQueue()
        self._stopped = Event()
        self._opener = build_opener(ProxyHandler({}))  # our own server: never by way of a proxy
        self._thread = Thread(target=self._work, name="demo-receipts", daemon=True)
        self._thread.start()

    def __call__(self, message_id: str, phone: str, delivered: bool) -> None:
        """Promise the receipt; return at once."""
        form = receipt_form(message_id, phone, delivered=delivered)
        self._queue.put(_Due(time.monotonic() + self._delay, form, self._tries))

    def close(self) -> None:
        """Stop; receipts that still wait are dropped."""
        self._stopped.set()
        self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        # All wait equally long, so the first in the queue is the first that is due.
        while (due := self._queue.get()) is not None:
            if self._stopped.wait(max(0.0, due.when - time.monotonic())):
                return
            if not self._post(due.form):
                self._put_off(due)

    def _post(self, form: dict[str, str]) -> bool:
        request = Request(self._url, data=urlencode(form).encode())  # noqa: S310  (our own address)
        try:
            with self._opener.open(request, timeout=5):
                return True
        except OSError as exc:  # refusals (HTTPError) and silence alike
            log.warning("receipt %s not taken: %s", form["id"], exc)
            return False

    def _put_off(self, due: _Due) -> None:
        if due.tries > 1:
            later = time.monotonic() + self._delay
            self._queue.put(_Due(later, due.form, due.tries - 1))


def receipt_form(message_id: str, phone: str, *, delivered: bool) -> dict[str, str]:
    """The form fields of a delivery receipt, as the gateways of this contract post it."""
    return {
        "id": message_id,
        "status": "Success" if delivered else "Failed",
        "phoneNumber": phone,
        "networkCode": "99999",
        "failureReason": "" if delivered else "AbsentSubscriber",
        "retryCount": "0",
    }
