"""What the gateway posts becomes events: one phone one spelling, one repeat one id."""

from __future__ import annotations

import json
import re
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
    receipt,
    sms_id,
    ussd_answer,
)
from bot.errors import BadWebhook
from bot.events import NEWEST_ONLY, Heard
from bot.gateway import read_shape
from bot.shape import GatewayShape

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
        id=sms_id(PHONE, "sms-77"),
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
    assert (heard.id, heard.text) == (sms_id(heard.phone, "77"), "1")
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


def test_a_text_is_cleaned() -> None:
    assert sms(text=" Ready\r\n١ ").text == "Ready 1"


def test_a_long_text_is_cut() -> None:
    assert sms(text="a" * 2000).text == "a" * 480


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


ANSWERS = st.lists(st.text(max_size=12).filter(lambda said: "*" not in said), max_size=6)


@settings(deadline=None)
@given(ANSWERS, st.text(max_size=12).filter(lambda said: "*" not in said))
def test_what_follows_begins_with_what_went_before(answers: list[str], newest: str) -> None:
    before = ussd(text="*".join(answers))
    after = ussd(text="*".join([*answers, newest]))

    begun = f"{before.session_text}*" if answers else ""
    assert after.session_text == begun + clean(newest)
    assert after.text == clean(newest)
    assert NEWEST_ONLY not in after.session_text


def test_another_separator_reaches_the_bot_as_a_star() -> None:
    text = (Path(__file__).parents[2] / "bot" / "gateways" / "form.toml").read_text("utf-8")
    shape = read_shape(text.replace('separator = "*"', 'separator = "#"'))

    heard = ussd(shape=shape, text="1#2 #3")

    assert (heard.session_text, heard.text) == ("1*2*3", "3")


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
    assert heard.session_text == NEWEST_ONLY + "r-2*1"


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


def test_one_gateway_id_from_two_phones_is_two_messages() -> None:
    """A gateway that counts anew for each phone must not swallow anybody's words."""
    first = heard_sms(SMS, FORM, AT, TICK)
    other = heard_sms({**SMS, "from": "+12025550177"}, FORM, AT, TICK)
    again = heard_sms(SMS, FORM, AT, TICK)

    assert first
    assert other
    assert again
    assert first.id != other.id
    assert first.id == again.id
