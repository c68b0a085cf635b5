"""What the gateway posts becomes events: one phone one spelling, one repeat one id."""

from __future__ import annotations

import json
import re
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.channels import (
    Form,
    clean,
    heard_sms,
    heard_ussd,
    phone_of,
    read_date,
    receipt,
    ussd_answer,
)
from bot.errors import BadWebhook
from bot.gateway import read_shape
from bot.model import Heard
from bot.shape import DateShape, GatewayShape

FORM = read_shape()
BEARER = read_shape(Path(__file__).parents[2] / "deploy" / "gateways" / "json-bearer.toml")
AT = datetime(2025, 3, 1, 6, 0, tzinfo=UTC)
TICK = ("boot-1", 12.5)
PHONE = "+12025550101"
SMS = {"from": PHONE, "to": "20880", "text": "1", "date": "2025-03-01 05:59:30", "id": "sms-77"}
USSD = {"sessionId": "s-1", "phoneNumber": PHONE, "serviceCode": "*384#", "text": "1*2"}
RECEIPT = {"id": "m-1", "status": "Success", "phoneNumber": PHONE}
BEARER_USSD = {"session": "s-1", "caller": PHONE, "input": "1", "sequence": "r-2"}


def sms(form: Form = SMS, region: str = "", at: datetime = AT, **changes: str) -> Heard:
    heard = heard_sms({**form, **changes}, FORM, at, TICK, region)
    assert heard is not None
    return heard


def ussd(form: Form = USSD, shape: GatewayShape = FORM, **changes: str) -> Heard:
    heard = heard_ussd({**form, **changes}, shape, AT, TICK)
    assert heard is not None
    return heard


# ---- SMS -----------------------------------------------------------------------------------


def test_an_sms_is_heard() -> None:
    assert sms() == Heard(
        id="sms:sms-77",
        phone=PHONE,
        channel="sms",
        text="1",
        at=AT,
        sent_at=datetime(2025, 3, 1, 5, 59, 30, tzinfo=UTC),
        tick=TICK,
    )


def test_an_sms_is_heard_by_other_names() -> None:
    form = {
        "message.source": PHONE,
        "message.body": "1",
        "message.received": "2025-03-01T08:59:30+03:00",
        "message.reference": "77",
    }

    heard = heard_sms(form, BEARER, AT, TICK)

    assert heard is not None
    assert (heard.id, heard.text) == ("sms:77", "1")
    assert heard.sent_at == datetime(2025, 3, 1, 5, 59, 30, tzinfo=UTC)


@pytest.mark.parametrize("name", ["from", "text"])
def test_an_sms_without_its_sender_or_text_is_refused(name: str) -> None:
    form = {key: value for key, value in SMS.items() if key != name}

    with pytest.raises(BadWebhook, match=f"field {name} is missing"):
        heard_sms(form, FORM, AT, TICK)


def test_an_empty_sender_is_refused() -> None:
    with pytest.raises(BadWebhook, match="field from is empty"):
        heard_sms({**SMS, "from": " "}, FORM, AT, TICK)


def test_an_empty_text_is_an_answer_all_the_same() -> None:
    assert sms(text="").text == ""


def test_a_repeat_without_an_id_is_known_by_phone_text_and_date() -> None:
    first = sms(id="")
    later = datetime(2025, 3, 1, 6, 5, tzinfo=UTC)

    assert sms(id="", at=later).id == first.id
    others = [
        sms(id="", text="2"),
        sms(id="", date="2025-03-01 05:59:31"),
        sms({**SMS, "from": "+12025550102"}, id=""),
    ]
    assert len({first.id, *(other.id for other in others)}) == 4


def test_two_equal_texts_with_neither_id_nor_date_are_two_answers() -> None:
    later = datetime(2025, 3, 2, 6, 0, tzinfo=UTC)

    assert sms(id="", date="").id != sms(id="", date="", at=later).id


@pytest.mark.parametrize("raw", ["a:b", "x" * 65, "spaced out", "é", "a\nb", "{seen}"])
def test_an_odd_id_becomes_a_safe_one_and_stays_itself(raw: str) -> None:
    assert re.fullmatch(r"sms:[A-Za-z0-9_.-]{1,64}", sms(id=raw).id)
    assert sms(id=raw).id == sms(id=raw).id
    assert sms(id=raw).id != sms(id=raw + "x").id


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ("  1 \r\n", "1"),
        ("ready\tbag  01", "ready bag 01"),
        ("12", "12"),  # full-width digits
        ("١٢", "12"),  # Arabic-Indic
        ("۱۲", "12"),  # extended Arabic-Indic
        ("१२", "12"),  # Devanagari
        ("1²", "1²"),  # a superscript is not a second digit
        ("①", "①"),
        ("\u200f1\u200e\ufeff\x00", "1"),
        ("cafe\u0301", "café"),
        ("می\u200cخواهم", "می\u200cخواهم"),  # the joiner belongs to the word
    ],
)
def test_a_text_is_cleaned(said: str, text: str) -> None:
    assert sms(text=said).text == text


def test_a_long_text_is_cut() -> None:
    assert sms(text="a" * 2000).text == "a" * 480


@settings(deadline=None)
@given(st.text(max_size=200))
def test_whatever_is_said_is_one_clean_line_with_plain_digits(said: str) -> None:
    line = clean(said)

    assert line == " ".join(line.split())
    assert all(c in "\u200c\u200d" or unicodedata.category(c)[0] != "C" for c in line)
    assert all(c in "0123456789" for c in line if unicodedata.category(c) == "Nd")
    assert clean(line) == line
    line.encode()


# ---- phones --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "raw",
    [
        "+12025550101",
        " 12025550101",  # a plus sign that was not escaped in a form
        "12025550101",
        "+1 202 555 0101",
        "+1 (202) 555-0101",
        "+١٢٠٢٥٥٥٠١٠١",
    ],
)
def test_a_phone_has_one_spelling(raw: str) -> None:
    assert phone_of(raw) == PHONE
    assert phone_of(raw, "KE") == PHONE


def test_a_national_number_needs_the_region() -> None:
    assert phone_of("(202) 555-0101", "US") == PHONE
    assert phone_of("0202 555 0101") is None


@pytest.mark.parametrize("region", ["", "US", "KE", "DE"])
@pytest.mark.parametrize(
    "raw",
    "20880 +20880 SOAKBELL 1-800-SOAKBELL VM-GATEWAY 999 + +1 +0000000 1111111111111111111111111 "
    "+1202555010155555 me@example.org 12025550101;ext=5 *384#".split(),
)
def test_a_sender_that_is_not_a_phone_is_never_answered(raw: str, region: str) -> None:
    assert phone_of(raw, region) is None
    assert heard_sms({**SMS, "from": raw}, FORM, AT, TICK, region) is None
    assert heard_ussd({**USSD, "phoneNumber": raw}, FORM, AT, TICK, region) is None


@settings(deadline=None)
@given(st.text(max_size=40), st.sampled_from(["", "KE", "US"]))
def test_no_sender_breaks_the_reading(raw: str, region: str) -> None:
    phone = phone_of(raw, region)

    assert phone is None or re.fullmatch(r"\+[1-9][0-9]{6,16}", phone)


# ---- dates ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "dates"),
    [
        ("2025-03-01T05:59:30Z", DateShape()),
        ("2025-03-01T08:59:30+03:00", DateShape(zone="Asia/Kolkata")),
        ("2025-03-01 08:59:30", DateShape(zone="Africa/Nairobi")),
        ("01/03/2025 05:59:30", DateShape(formats=("iso", "%d/%m/%Y %H:%M:%S"))),
        ("1740808770", DateShape(formats=("unix",))),
        ("1740808770000", DateShape(formats=("unix_ms",))),
    ],
)
def test_a_date_is_read_into_utc(raw: str, dates: DateShape) -> None:
    read = read_date(raw, dates)

    assert read == datetime(2025, 3, 1, 5, 59, 30, tzinfo=UTC)
    assert read is not None
    assert read.tzinfo is UTC


@pytest.mark.parametrize("raw", ["", "yesterday", "2025-02-30", "nan", "inf", "9" * 400])
def test_a_date_that_cannot_be_read_is_none(raw: str) -> None:
    assert read_date(raw, DateShape(formats=("iso", "unix", "unix_ms", "%d %m %Y"))) is None


def test_a_date_at_the_end_of_the_calendar_is_none() -> None:
    assert read_date("9999-12-31T23:59:59-05:00", DateShape()) is None


# ---- USSD ----------------------------------------------------------------------------------


def test_a_ussd_answer_is_heard() -> None:
    heard = ussd()

    assert heard.phone == PHONE
    assert heard.channel == "ussd"
    assert heard.text == "2"
    assert heard.session == "s-1"
    assert heard.session_text == "1*2"
    assert heard.at == AT
    assert heard.tick == TICK
    assert re.fullmatch(r"ussd:[0-9a-f]{32}", heard.id)


@pytest.mark.parametrize(
    ("said", "newest"), [("", ""), ("1", "1"), ("1*", ""), ("1*२", "2"), ("1**3 ", "3")]
)
def test_the_newest_answer_is_the_last_of_the_session(said: str, newest: str) -> None:
    assert ussd(text=said).text == newest


def test_a_repeated_request_has_the_same_id_and_every_other_its_own() -> None:
    ids = [ussd(text=said).id for said in ("", "1", "1*1", "1*1*1")]

    assert len(set(ids)) == 4
    assert ussd(text="1*1").id == ids[2]
    assert ussd(sessionId="s-2", text="1").id != ids[1]
    assert ussd(phoneNumber="+12025550102", text="1").id != ids[1]


def test_session_and_text_cannot_be_shifted_into_one_another() -> None:
    assert ussd(sessionId="s", text="1").id != ussd(sessionId="s1", text="").id


@pytest.mark.parametrize("name", ["sessionId", "phoneNumber", "text"])
def test_a_ussd_request_without_its_fields_is_refused(name: str) -> None:
    form = {key: value for key, value in USSD.items() if key != name}

    with pytest.raises(BadWebhook, match=f"field {name} is missing"):
        heard_ussd(form, FORM, AT, TICK)


def test_an_odd_session_id_becomes_a_safe_one() -> None:
    assert re.fullmatch(r"[A-Za-z0-9_.-]{1,64}", ussd(sessionId="a:b c" * 50).session)


def test_a_gateway_that_sends_only_the_newest_is_heard_too() -> None:
    heard = ussd(BEARER_USSD, BEARER)

    assert heard.text == "1"
    assert heard.session == "s-1"
    assert heard.session_text != ""


def test_the_same_answer_twice_in_a_newest_only_session_is_two_answers() -> None:
    first, second = (ussd(BEARER_USSD, BEARER, sequence=s) for s in ("r-2", "r-3"))

    assert first.id != second.id
    assert first.session_text != second.session_text
    assert ussd(BEARER_USSD, BEARER).id == first.id


def test_what_was_dialled_is_not_an_answer() -> None:
    heard = ussd(BEARER_USSD, BEARER, sequence="r-1", first="true", input="*384#")

    assert (heard.text, heard.session_text) == ("", "")


def test_a_newest_only_request_without_its_own_id_is_refused() -> None:
    form = {key: value for key, value in BEARER_USSD.items() if key != "sequence"}

    with pytest.raises(BadWebhook, match="field sequence is missing"):
        heard_ussd(form, BEARER, AT, TICK)


def test_a_screen_goes_out_as_text_or_as_json() -> None:
    assert ussd_answer("CON 1 Yes\n0 Back", FORM) == ("CON 1 Yes\n0 Back", "text/plain")
    body, kind = ussd_answer("CON 1 Yes\n0 Back", BEARER)
    assert kind == "application/json"
    assert json.loads(body) == {"prompt": "1 Yes\n0 Back", "expect_reply": True}
    assert json.loads(ussd_answer("END Bye", BEARER)[0]) == {
        "prompt": "Bye",
        "expect_reply": False,
    }


# ---- receipts ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "means"),
    [
        ("Success", "delivered"),
        ("SUCCESS", "delivered"),
        ("Failed", "failed"),
        ("Rejected", "failed"),
        ("AbsentSubscriber", "failed"),
        ("Sent", "pending"),
        ("Buffered", "pending"),
        ("never heard of", "pending"),
    ],
)
def test_a_receipt_says_what_became_of_a_message(status: str, means: str) -> None:
    read = receipt({**RECEIPT, "status": status}, FORM, AT)

    assert (read.message_id, read.status, read.at) == ("m-1", means, AT)


def test_a_repeated_receipt_has_the_same_id_and_news_another() -> None:
    sent, success = (receipt({**RECEIPT, "status": s}, FORM, AT) for s in ("Sent", "Success"))

    assert receipt(RECEIPT, FORM, AT).id == success.id
    assert sent.id != success.id


def test_a_receipts_reason_keeps_no_number() -> None:
    form = {**RECEIPT, "status": "Failed", "failureReason": f"AbsentSubscriber {PHONE}" + "x" * 99}

    reason = receipt(form, FORM, AT).reason

    assert reason.startswith("AbsentSubscriber")
    assert not any(c.isdigit() for c in reason)
    assert len(reason) == 60


@pytest.mark.parametrize("name", ["id", "status"])
def test_a_receipt_without_its_fields_is_refused(name: str) -> None:
    with pytest.raises(BadWebhook, match=f"field {name} is missing"):
        receipt({key: value for key, value in RECEIPT.items() if key != name}, FORM, AT)


def test_a_refusal_repeats_nothing_of_the_request() -> None:
    with pytest.raises(BadWebhook) as caught:
        receipt({"phoneNumber": PHONE, "id": "m-1"}, FORM, AT)

    assert PHONE not in str(caught.value)
