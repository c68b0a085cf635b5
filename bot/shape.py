"""The description of a gateway: everything that differs between one gateway and the next.

It is read from a TOML file, never from code: bot/gateways/form.toml is the built-in one,
deploy/gateways holds examples of others. `gateway.py` reads the outgoing half of it, `channels.py`
the incoming half. A mistake in a file is a ConfigError at the start, with every problem in it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

import msgspec

from bot.errors import ConfigError

Verdict = Literal["accepted", "refused", "later"]
VERDICTS: tuple[Verdict, ...] = ("accepted", "refused", "later")

SLOT = re.compile(r"\{(\w+)\}")
_SLOTS = frozenset({"username", "api_key", "to", "text", "sender"})
_RANGE = re.compile(r"([0-9]{1,9})-([0-9]{1,9})")


class Codes(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Which codes mean what: exact words or numbers, or whole ranges ("400-499").

    An exact code beats a range; a code in none of them means *later*: a message is not buried
    for a reason that we do not understand.
    """

    accepted: tuple[str, ...]
    refused: tuple[str, ...] = ()
    later: tuple[str, ...] = ()

    def verdict(self, code: str) -> Verdict:
        for name in VERDICTS:
            if code in getattr(self, name):
                return name
        return next((name for name in VERDICTS if self._in_range(name, code)), "later")

    def _in_range(self, name: Verdict, code: str) -> bool:
        if not re.fullmatch(r"[0-9]{1,9}", code):
            return False
        spans = (found for text in getattr(self, name) if (found := _RANGE.fullmatch(text)))
        return any(int(span[1]) <= int(code) <= int(span[2]) for span in spans)


# 402, 404, 405, 407: the account or the address is wrong, not the message. So are 401 and 403,
# which gateway.py judges itself.
_HTTP = Codes(
    accepted=("200-299",),
    refused=("400-499",),
    later=("402", "404", "405", "407", "408", "425", "429", "500-599"),
)


class SendShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The call out. *fields* and *headers* are templates over the slots of `_SLOTS`."""

    path: str
    body: Literal["form", "json"]
    fields: dict[str, Any]
    headers: dict[str, str] = {}
    basic_auth: bool = False


class AnswerShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where the answer to the call speaks of our recipient. Names of nested fields have dots.

    *recipients* "" is the whole answer; *code* "" lets the HTTP status decide alone.
    """

    recipients: str = ""
    code: str = ""
    status: str = ""
    id: str = ""
    cost: str = ""
    codes: Codes = Codes(accepted=())
    http: Codes = _HTTP


class SmsShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The names of an incoming SMS's fields. *date* and *id* may be "" where there are none."""

    phone: str
    text: str
    date: str = ""
    id: str = ""


class ReceiptShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The names of a receipt's fields, and what its status words mean (letter case aside)."""

    id: str
    status: str
    reason: str = ""
    delivered: tuple[str, ...]
    failed: tuple[str, ...]
    pending: tuple[str, ...] = ()


class UssdAnswerShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How a screen is sent back: text that begins with CON or END, or a JSON object.

    In JSON the screen is under *text*, and *more* holds *continues* or *ends*.
    """

    style: Literal["text", "json"] = "text"
    text: str = ""
    more: str = ""
    continues: str | bool = True
    ends: str | bool = False


class UssdShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The names of a USSD request's fields.

    *joined*: the text is every answer so far, joined by *separator*; otherwise the newest alone,
    and *request* names the field with the request's own id, *opening* the one that is true in
    the first request of a session.
    """

    session: str
    phone: str
    text: str
    joined: bool = True
    separator: str = "*"
    request: str = ""
    opening: str = ""
    answer: UssdAnswerShape = UssdAnswerShape()


class DateShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """*formats* (iso, unix, unix_ms or strptime's) are tried in order; *zone* where none is."""

    formats: tuple[str, ...] = ("iso",)
    zone: str = "UTC"


class GatewayShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A whole description. Nothing in it changes, and a misspelt key in the file is refused."""

    send: SendShape
    answer: AnswerShape
    sms: SmsShape
    receipt: ReceiptShape
    ussd: UssdShape
    dates: DateShape = DateShape()


def read_shape(source: Path | str | None = None) -> GatewayShape:
    """Read a description: a file (Path), TOML text (str), or the built-in one (None).

    ConfigError names the file and every problem in it.
    """
    name = str(source) if isinstance(source, Path) else "the gateway's description"
    try:
        shape = msgspec.toml.decode(_text_of(source), type=GatewayShape)
    except OSError as exc:
        raise ConfigError(f"{name} cannot be read: {exc.strerror}") from exc
    except (msgspec.MsgspecError, ValueError) as exc:
        raise ConfigError(f"{name} is not right: {exc}") from exc
    if problems := [*_send_problems(shape), *_answer_problems(shape), *_hook_problems(shape)]:
        raise ConfigError(f"{name} is not right: " + "; ".join(problems))
    return shape


def _text_of(source: Path | str | None) -> str:
    if source is None:
        return (files("bot") / "gateways" / "form.toml").read_text("utf-8")
    return source.read_text("utf-8") if isinstance(source, Path) else source


def _send_problems(shape: GatewayShape) -> Iterator[str]:
    send = shape.send
    if not send.path.startswith("/"):
        yield "send.path must begin with /"
    if send.body == "form" and not all(type(v) in (str, int) for v in send.fields.values()):
        yield "send.fields of a form must be text or whole numbers"
    body, headers = set(_slots(send.fields)), set(_slots(send.headers))
    for unknown in sorted((body | headers) - _SLOTS):
        yield f"{{{unknown}}} is not one of {', '.join(sorted(_SLOTS))}"
    for slot in sorted({"to", "text"} - body):
        yield f"send.fields never says {{{slot}}}"
    if headers & {"to", "text"}:
        yield "send.headers cannot carry {to} or {text}"
    if "api_key" not in body | headers and not send.basic_auth:
        yield "neither send.headers nor send.fields says {api_key}, and basic_auth is off"


def _answer_problems(shape: GatewayShape) -> Iterator[str]:
    if shape.answer.code and not shape.answer.codes.accepted:
        yield "answer.codes.accepted is empty: no message could ever be sent"
    for name, codes in (("answer.codes", shape.answer.codes), ("answer.http", shape.answer.http)):
        listed = [*codes.accepted, *codes.refused, *codes.later]
        for twice in sorted({code for code in listed if listed.count(code) > 1}):
            yield f"{name} lists {twice} twice"
        spans = sorted((int(m[1]), int(m[2])) for c in listed if (m := _RANGE.fullmatch(c)))
        if any(low > high for low, high in spans):
            yield f"{name} has a range that ends before it begins"
        if any(a[1] >= b[0] for a, b in pairwise(spans)):
            yield f"{name} has ranges that overlap"


def _hook_problems(shape: GatewayShape) -> Iterator[str]:
    words = [*shape.receipt.delivered, *shape.receipt.failed, *shape.receipt.pending]
    if len({word.casefold() for word in words}) < len(words):
        yield "receipt lists a status word twice"
    ussd = shape.ussd
    if ussd.joined and len(ussd.separator) != 1:
        yield "ussd.separator must be one character"
    if not ussd.joined and not ussd.request:
        yield "ussd.request is needed where joined is false"
    if ussd.answer.style == "json" and not (ussd.answer.text and ussd.answer.more):
        yield "ussd.answer needs text and more where style is json"
    try:
        ZoneInfo(shape.dates.zone)
    except (OSError, ValueError, LookupError):
        yield f"dates.zone {shape.dates.zone} is not a time zone"


def _slots(node: object) -> Iterator[str]:
    """The names in braces anywhere in a template."""
    if isinstance(node, str):
        yield from SLOT.findall(node)
    elif isinstance(node, dict):
        for value in node.values():
            yield from _slots(value)
    elif isinstance(node, list):
        for value in node:
            yield from _slots(value)
