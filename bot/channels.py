"""What the gateway posts, turned into events; and the screen of a USSD answer. All pure.

*form* is the request's fields, flat, by the gateway's names; *shape* says which is which; *at* is
the moment of the request (aware UTC) and *tick* the server's running time. A request that lacks
what its contract promises raises BadWebhook, whose text repeats nothing that was in the request.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import phonenumbers

from bot.errors import BadWebhook
from bot.events import NEWEST_ONLY, Heard
from bot.shape import DateShape, GatewayShape

MAX_TEXT = 480  # characters: three long SMS; the longest answer that means anything is a few words
MAX_REASON = 60  # characters kept of a receipt's reason
MIN_DIGITS = 7  # the shortest numbers with their country have 7; short codes have 3 to 6
SCREEN_GOES_ON = "CON"
SCREEN_ENDS = "END"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SAFE_ID = re.compile(r"[A-Za-z0-9_.-]{1,64}")
_PHONE = re.compile(r"\+?[0-9 ().-]{1,32}")
_JOINERS = "\u200c\u200d"  # invisible, but part of the spelling in several scripts
_TRUE = frozenset({"1", "true", "yes", "y"})

Delivery = Literal["delivered", "failed", "pending"]
Form = Mapping[str, str]
Tick = tuple[str, float] | None


@dataclass(frozen=True, slots=True)
class ReceiptForm:
    """What the gateway says became of the message that it knows as *message_id*."""

    id: str
    message_id: str
    status: Delivery
    reason: str
    at: datetime


def heard_sms(
    form: Form, shape: GatewayShape, at: datetime, tick: Tick, region: str = ""
) -> Heard | None:
    """The SMS as an event; None when no phone sent it: machines are not answered.

    *region* is the country of a number that names none (two letters, or "").
    """
    sms = shape.sms
    phone = phone_of(_needed(form, sms.phone), region)
    said = _present(form, sms.text)
    if phone is None:
        return None
    date = form.get(sms.date, "").strip()
    # Without an id a repeat is known by its date; without that, nothing can be called a repeat.
    known = form.get(sms.id, "").strip() or _digest(said, date or at.isoformat())
    return Heard(
        # The phone is in it so that a gateway's id used twice never swallows another's message.
        id=sms_id(phone, known),
        phone=phone,
        channel="sms",
        text=clean(said)[:MAX_TEXT],
        at=at,
        sent_at=read_date(date, shape.dates),
        tick=tick,
    )


def sms_id(phone: str, known: str) -> str:
    """The id under which an SMS is known: one a phone and gateway's id."""
    return f"sms:{_digest(phone, known)}"


def heard_ussd(
    form: Form, shape: GatewayShape, at: datetime, tick: Tick, region: str = ""
) -> Heard | None:
    """The USSD request as an event; None when no phone sent it.

    *session_text* is everything answered so far in this session, joined by "*" and each answer
    cleaned by itself, so that what follows always begins with what went before; "" in the first
    request. *text* is the newest answer alone. Where the gateway sends only that, *session_text*
    is NEWEST_ONLY, the request's own id, "*" and the answer: it differs from every earlier one.
    """
    ussd = shape.ussd
    session = _needed(form, ussd.session)
    phone = phone_of(_needed(form, ussd.phone), region)
    said = _present(form, ussd.text)
    if phone is None:
        return None
    request = "" if ussd.joined else _needed(form, ussd.request)
    answers = [clean(one) for one in (said.split(ussd.separator) if ussd.joined else [said])]
    before = f"{NEWEST_ONLY}{_safe_id(request)}*" if request else ""
    opening = _opens(form, shape)
    return Heard(
        # The phone is in it so that a recycled session id never gives away another's screen.
        id=f"ussd:{_digest(phone, session, request or said)}",
        phone=phone,
        channel="ussd",
        text="" if opening else answers[-1][:MAX_TEXT],
        at=at,
        session=_safe_id(session),
        session_text="" if opening else before + "*".join(answers),
        tick=tick,
    )


def _opens(form: Form, shape: GatewayShape) -> bool:
    """Whether the gateway says that this request begins the session: then its text was dialled."""
    return form.get(shape.ussd.opening, "").strip().casefold() in _TRUE


def receipt(form: Form, shape: GatewayShape, at: datetime) -> ReceiptForm:
    """A delivery receipt. A status that the description does not know says nothing: pending."""
    message_id = _needed(form, shape.receipt.id).strip()
    status = _needed(form, shape.receipt.status).strip()
    return ReceiptForm(
        id=f"receipt:{_digest(message_id, status.casefold())}",
        message_id=message_id,
        status=_delivery(status, shape),
        # Letters only: a reason may quote the number that it is about.
        reason=re.sub(r"[\d_]|[^\w ]", "", form.get(shape.receipt.reason, ""))[:MAX_REASON],
        at=at,
    )


def _delivery(status: str, shape: GatewayShape) -> Delivery:
    word = status.casefold()
    if word in {known.casefold() for known in shape.receipt.delivered}:
        return "delivered"
    return "failed" if word in {w.casefold() for w in shape.receipt.failed} else "pending"


def ussd_answer(body: str, shape: GatewayShape) -> tuple[str, str]:
    """The HTTP body and its media type for a screen that begins with CON or END."""
    answer = shape.ussd.answer
    if answer.style == "text":
        return body, "text/plain"
    word, _, text = body.partition(" ")
    more = answer.continues if word == SCREEN_GOES_ON else answer.ends
    return json.dumps({answer.text: text, answer.more: more}), "application/json"


# ---- the parts -----------------------------------------------------------------------------


def phone_of(raw: str, region: str = "") -> str | None:
    """The number in E.164 ("+" and digits), or None for short codes and senders with names.

    A number may come without its plus sign, or with a space for it (a "+" that was not escaped
    in a form).
    """
    number = ascii_digits(raw)
    number = f"+{number.strip()}" if number.startswith(" ") else number
    if not _PHONE.fullmatch(number) or sum(c.isdigit() for c in number) < MIN_DIGITS:
        return None
    if number.startswith("+"):
        return _e164(number, None)
    return (_e164(number, region) if region else None) or _e164(f"+{number}", None)


def _e164(number: str, region: str | None) -> str | None:
    try:
        parsed = phonenumbers.parse(number, region)
    except phonenumbers.NumberParseException:
        return None
    # "Possible", by length alone: the tables of valid numbers age faster than this program.
    reason = phonenumbers.is_possible_number_with_reason(parsed)
    if reason != phonenumbers.ValidationResult.IS_POSSIBLE:
        return None
    return phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.E164)


def clean(said: str) -> str:
    """One line without control or invisible characters, its digits 0 to 9 in whatever script."""
    kept = (c for c in said if c.isspace() or c in _JOINERS or unicodedata.category(c)[0] != "C")
    return " ".join(ascii_digits(unicodedata.normalize("NFC", "".join(kept))).split())


def ascii_digits(text: str) -> str:
    """Decimal digits of any script as 0 to 9. "²" and "①" are not: they could join a number."""
    return "".join(str(unicodedata.decimal(c, c)) for c in text)


def read_date(raw: str, dates: DateShape) -> datetime | None:
    """The gateway's date in UTC, or None if there is none or it cannot be read."""
    for wanted in dates.formats if raw else ():
        try:
            found = _one_date(raw, wanted)
            local = found if found.tzinfo else found.replace(tzinfo=ZoneInfo(dates.zone))
            return local.astimezone(UTC)
        except (ValueError, OverflowError):
            continue
    return None


def _one_date(raw: str, wanted: str) -> datetime:
    if wanted == "iso":
        return datetime.fromisoformat(raw)
    if wanted == "unix":
        return _EPOCH + timedelta(seconds=float(raw))
    if wanted == "unix_ms":
        return _EPOCH + timedelta(milliseconds=float(raw))
    return datetime.strptime(raw, wanted)  # noqa: DTZ007 - the caller adds the zone


def _needed(form: Form, name: str) -> str:
    """A field that must be there and say something. Its outer spaces may matter (see phone_of)."""
    value = _present(form, name)
    if not value.strip():
        raise BadWebhook(f"The field {name} is empty.")
    return value


def _present(form: Form, name: str) -> str:
    """A field that must be there, but may be empty."""
    if name not in form:
        raise BadWebhook(f"The field {name} is missing.")
    return form[name]


def _safe_id(raw: str) -> str:
    """The id itself when it is short and plain, else a digest of it."""
    return raw if _SAFE_ID.fullmatch(raw) else _digest(raw)


def _digest(*parts: str) -> str:
    """32 hex digits of the SHA-256 of *parts*; JSON keeps ("a", "bc") apart from ("ab", "c")."""
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]
