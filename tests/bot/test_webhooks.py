"""The addresses that the gateway calls, asked over a real HTTP server."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from redis.exceptions import ConnectionError as RedisGone

from bot.channels import sms_id
from bot.errors import BadWebhook, BotError, StoreDown
from bot.gateway import read_shape
from bot.webhooks import MAX_BODY
from tests.bot.webhooks_stand import AT, KEY, SORRY, TICK, Bot, Post, app_of, serving

BEARER = read_shape(Path(__file__).parents[2] / "deploy" / "gateways" / "json-bearer.toml")
PHONE = "+12025550101"
SMS = {"from": PHONE, "to": "20880", "text": "1", "id": "sms-77", "date": "2025-03-01 05:59:30"}
USSD = {"sessionId": "s-1", "phoneNumber": PHONE, "text": "1*2"}
RECEIPT = {"id": "m-1", "status": "Success", "phoneNumber": PHONE}
FORMS = {"sms": SMS, "ussd": USSD, "receipt": RECEIPT}


@pytest.fixture
def bot() -> Bot:
    return Bot()


@pytest.fixture
def ask(bot: Bot) -> Iterator[Post]:
    yield from serving(app_of(bot, read_shape()))


@pytest.fixture
def ask_json(bot: Bot) -> Iterator[Post]:
    yield from serving(app_of(bot, BEARER))


# ---- the contract --------------------------------------------------------------------------


def test_an_sms_is_handled_and_answered_200_with_nothing(bot: Bot, ask: Post) -> None:
    answer = ask(f"/hooks/{KEY}/sms", data=SMS)

    assert (answer.status_code, answer.content) == (200, b"")
    (heard,) = bot.heard
    assert (heard.id, heard.phone, heard.text) == (sms_id(PHONE, "sms-77"), PHONE, "1")
    assert (heard.at, heard.tick) == (AT, TICK)


def test_a_ussd_request_is_answered_with_the_screen(bot: Bot, ask: Post) -> None:
    answer = ask(f"/hooks/{KEY}/ussd", data=USSD)

    assert answer.status_code == 200
    assert answer.text == "CON Wash the bag.\n1 Done"
    assert answer.headers["Content-Type"].startswith("text/plain")
    assert (bot.heard[0].text, bot.heard[0].session_text) == ("2", "1*2")


def test_a_receipt_is_received(bot: Bot, ask: Post) -> None:
    answer = ask(f"/hooks/{KEY}/receipt", data=RECEIPT)

    assert (answer.status_code, answer.content) == (200, b"")
    assert [(r.message_id, r.status, r.at) for r in bot.receipts] == [("m-1", "delivered", AT)]


def test_the_region_is_that_of_the_settings(bot: Bot, ask: Post) -> None:
    ask(f"/hooks/{KEY}/sms", data={**SMS, "from": "(202) 555-0101"})

    assert bot.heard[0].phone == PHONE


def test_a_gateway_of_json_is_served_by_its_description_alone(bot: Bot, ask_json: Post) -> None:
    sms = {"message": {"source": PHONE, "body": "1", "reference": 77, "extra": [None, {}]}}
    dial = {"session": "s", "caller": PHONE, "input": "*384#", "sequence": 1, "first": True}
    news = {"reference": "m-1", "state": "expired", "cause": "absent"}

    taken = ask_json(f"/hooks/{KEY}/sms", json=sms)
    screen = ask_json(f"/hooks/{KEY}/ussd", json=dial)
    received = ask_json(f"/hooks/{KEY}/receipt", json=news)

    assert [a.status_code for a in (taken, screen, received)] == [200, 200, 200]
    assert [(h.channel, h.text) for h in bot.heard] == [("sms", "1"), ("ussd", "")]
    assert bot.heard[0].id == sms_id(bot.heard[0].phone, "77")
    assert screen.headers["Content-Type"] == "application/json"
    assert json.loads(screen.text) == {"prompt": "Wash the bag.\n1 Done", "expect_reply": True}
    assert bot.receipts[0].status == "failed"


# ---- strangers and broken requests ---------------------------------------------------------


@pytest.mark.parametrize("method", ["POST", "GET", "PUT", "PATCH", "DELETE", "OPTIONS", "HEAD"])
@pytest.mark.parametrize(
    "path",
    [
        *("/hooks", "/hooks/", "/hooks//sms", "/hooks/sms"),
        *("/hooks/wrong/sms", "/hooks/wrong/nothing", "/hooks/%C3%A9/sms"),
        *(f"/hooks/{KEY}x/sms", f"/hooks/{KEY[:-1]}/sms", f"/hooks/x/{KEY}/sms"),
        *(f"/hooks/{KEY}", f"/hooks/{KEY}/", f"/hooks/{KEY}/nothing", f"/hooks/{KEY}/sms/"),
    ],
)
def test_a_wrong_key_or_address_gets_404_and_nothing_else(
    bot: Bot, ask: Post, method: str, path: str
) -> None:
    data = SMS if method in {"POST", "PUT", "PATCH"} else None

    answer = ask(path, method, data=data)

    assert (answer.status_code, answer.content) == (404, b"")
    assert not answer.headers.keys() & {"Allow", "Location", "Set-Cookie"}
    assert bot.heard == []


@pytest.mark.parametrize("method", ["GET", "PUT", "OPTIONS"])
def test_the_right_key_with_another_method_looks_the_same(ask: Post, method: str) -> None:
    answer = ask(f"/hooks/{KEY}/sms", method)

    assert (answer.status_code, answer.content) == (404, b"")


@pytest.mark.parametrize("path", ["/hooks//sms", "/hooks/sms"])
def test_an_empty_key_opens_nothing(bot: Bot, path: str) -> None:
    client = app_of(bot, read_shape(), key="").test_client()

    assert client.post(path, data=SMS).status_code == 404
    assert bot.heard == []


@pytest.mark.parametrize(
    ("hook", "name"),
    [("sms", "from"), ("sms", "text"), ("ussd", "sessionId"), ("receipt", "status")],
)
def test_a_request_that_lacks_a_field_is_answered_400_in_a_sentence(
    bot: Bot, ask: Post, hook: str, name: str
) -> None:
    form = {key: value for key, value in FORMS[hook].items() if key != name}

    answer = ask(f"/hooks/{KEY}/{hook}", data=form)

    assert answer.status_code == 400
    assert answer.text == f"The field {name} is missing.\n"
    assert bot.heard == []
    assert bot.receipts == []


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"{", "application/json"),
        (b"\xff", "application/json"),
        (b"[" * 8000, "application/json"),
        (b"[1, 2]", "application/json"),
        (b"null", "application/json"),
        (b"", "application/json"),
        (b"", "application/x-www-form-urlencoded"),
        (b"from=%2B12025550101", "text/plain"),
        (b"no parts", "multipart/form-data; boundary=x"),
        (b"no parts", "multipart/form-data"),
    ],
)
def test_a_body_that_cannot_be_read_is_answered_400(
    bot: Bot, ask: Post, body: bytes, kind: str
) -> None:
    answer = ask(f"/hooks/{KEY}/sms", data=body, headers={"Content-Type": kind})

    assert answer.status_code == 400
    assert answer.text.endswith(".\n")
    assert bot.heard == []


@pytest.mark.parametrize("kind", ["data", "json"])
def test_a_body_that_is_too_long_is_refused(bot: Bot, ask: Post, kind: str) -> None:
    answer = ask(f"/hooks/{KEY}/sms", **{kind: {**SMS, "text": "x" * MAX_BODY}})

    assert answer.status_code == 400
    assert str(MAX_BODY) in answer.text
    assert bot.heard == []


def test_half_a_character_does_no_harm(bot: Bot, ask: Post) -> None:
    answer = ask(
        f"/hooks/{KEY}/receipt",
        data=b'{"id": "m-\\ud83d", "status": "Success"}',
        headers={"Content-Type": "application/json"},
    )

    assert answer.status_code == 200
    assert bot.receipts[0].message_id == "m-?"


def test_a_machine_is_not_answered(bot: Bot, ask: Post) -> None:
    answer = ask(f"/hooks/{KEY}/sms", data={**SMS, "from": "20880"})

    assert (answer.status_code, answer.content) == (200, b"")
    assert bot.heard == []


def test_a_session_without_a_phone_is_ended(bot: Bot, ask: Post) -> None:
    answer = ask(f"/hooks/{KEY}/ussd", data={**USSD, "phoneNumber": "20880"})

    assert (answer.status_code, answer.text) == (200, f"END {SORRY}")
    assert bot.heard == []


# ---- when we cannot ------------------------------------------------------------------------

ERRORS = [BotError("no"), StoreDown("no"), RedisGone("gone"), OSError("gone"), KeyError(PHONE)]


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("hook", ["sms", "receipt"])
def test_what_we_cannot_take_now_is_answered_503_and_taken_when_repeated(
    bot: Bot, ask: Post, hook: str, error: Exception
) -> None:
    bot.error = error

    refused = ask(f"/hooks/{KEY}/{hook}", data=FORMS[hook])
    bot.error = None
    repeated = ask(f"/hooks/{KEY}/{hook}", data=FORMS[hook])

    assert (refused.status_code, refused.content) == (503, b"")
    assert repeated.status_code == 200
    assert len(bot.heard) + len(bot.receipts) == 1


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
def test_someone_at_a_screen_is_told_kindly(bot: Bot, ask: Post, error: Exception) -> None:
    bot.error = error

    answer = ask(f"/hooks/{KEY}/ussd", data=USSD)

    assert (answer.status_code, answer.text) == (200, f"END {SORRY}")


def test_a_screen_that_says_nothing_is_no_answer(bot: Bot, ask: Post) -> None:
    bot.screen = ""

    assert ask(f"/hooks/{KEY}/ussd", data=USSD).text == f"END {SORRY}"


def test_a_request_refused_further_in_is_answered_400(bot: Bot, ask: Post) -> None:
    bot.error = BadWebhook("This cannot be.")

    answer = ask(f"/hooks/{KEY}/sms", data=SMS)

    assert (answer.status_code, answer.text) == (400, "This cannot be.\n")


def test_the_log_of_a_failure_holds_no_phone(
    bot: Bot, ask: Post, caplog: pytest.LogCaptureFixture
) -> None:
    bot.error = KeyError(PHONE)

    ask(f"/hooks/{KEY}/sms", data=SMS)

    assert "KeyError" in caplog.text
    assert "handle" in caplog.text
    assert PHONE not in caplog.text
    assert KEY not in caplog.text
