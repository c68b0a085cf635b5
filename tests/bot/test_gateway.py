"""Messages out, against a real HTTP server: what is sent, and what each answer means."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import parse_qs

import pytest
import requests

from bot.config import demo_config
from bot.errors import BotError, GatewayDown, GatewayRefused
from bot.gateway import Gateway, Sent, gateway_from, open_session, read_shape
from tests.bot.gateway_stand import BEARER, FORM, KEY, PHONE, Server, failure, gateway, serving


@pytest.fixture
def server() -> Iterator[Server]:
    with serving() as behaviour:
        yield behaviour


# ---- the call itself -----------------------------------------------------------------------


def test_the_form_gateway_gets_the_contracts_fields_and_headers(server: Server) -> None:
    server.form(101)

    with gateway(server, sender="20880") as subject:
        sent = subject.send(PHONE, "Soak 10 min: é & {to} = 1")

    path, headers, body = server.seen[0]
    assert sent == Sent("id-1", "XTS 0.80")
    assert path == "/version1/messaging"
    assert headers["apiKey"] == KEY
    assert headers["Accept"] == "application/json"
    assert headers["Content-Type"] == "application/x-www-form-urlencoded"
    assert parse_qs(body) == {
        "username": ["district"],
        "to": [PHONE],
        "message": ["Soak 10 min: é & {to} = 1"],
        "from": ["20880"],
        "bulkSMSMode": ["1"],
    }


def test_without_a_short_code_the_field_is_left_out(server: Server) -> None:
    server.form(101)

    with gateway(server) as subject:
        subject.send(PHONE, "hello")

    assert "from" not in parse_qs(server.seen[0][2])


def test_the_json_gateway_gets_its_own_body_and_a_bearer_token(server: Server) -> None:
    server.bearer("queued")

    with gateway(server, BEARER, sender="20880") as subject:
        sent = subject.send(PHONE, "Soak: é")

    path, headers, body = server.seen[0]
    assert sent == Sent("ref-1", "0.8")
    assert path == "/v2/messages"
    assert headers["Authorization"] == f"Bearer {KEY}"
    assert headers["Content-Type"] == "application/json"
    assert json.loads(body) == {
        "account": "district",
        "recipients": [PHONE],
        "sender": "20880",
        "content": {"type": "text", "body": "Soak: é"},
    }


def test_basic_credentials_can_be_described(server: Server) -> None:
    server.form(101)
    text = FORM.read_text("utf-8").replace('apiKey = "{api_key}"\n', "")
    shape = read_shape(text.replace('body = "form"', 'body = "form"\nbasic_auth = true'))

    with closing(Gateway(shape, server.url, "district", KEY)) as subject:
        subject.send(PHONE, "hello")

    assert server.seen[0][1]["Authorization"] == "Basic ZGlzdHJpY3Q6c2VjcmV0d29yZA=="


def test_the_settings_make_a_gateway(server: Server, tmp_path: Path) -> None:
    server.form(101)
    port = int(server.url.rpartition(":")[2])

    with closing(gateway_from(demo_config(port, tmp_path))) as subject:
        subject.send(PHONE, "hello")

    path, headers, body = server.seen[0]
    assert path == "/version1/messaging"
    assert headers["apiKey"] == "demo"
    assert parse_qs(body)["username"] == ["demo"]


def test_one_connection_serves_message_after_message(server: Server) -> None:
    server.form(101)
    opened: list[requests.Session] = []

    def open_one() -> requests.Session:
        opened.append(open_session())
        return opened[-1]

    with gateway(server, session=open_one) as subject:
        for _ in range(3):
            subject.send(PHONE, "hello")

    assert len(opened) == 1
    assert len(server.seen) == 3


def test_threads_that_send_at_once_do_not_share_a_session(server: Server) -> None:
    server.form(101)
    server.held = threading.Event()
    opened: list[requests.Session] = []
    both = threading.Semaphore(0)

    def open_one() -> requests.Session:
        opened.append(open_session())
        both.release()
        return opened[-1]

    with gateway(server, session=open_one) as subject:
        threads = [threading.Thread(target=subject.send, args=(PHONE, "hi")) for _ in range(2)]
        for thread in threads:
            thread.start()
        assert both.acquire(timeout=10)
        assert both.acquire(timeout=10)
        server.held.set()
        for thread in threads:
            thread.join()

    assert len(opened) == 2


def test_the_environment_and_its_proxies_are_not_read(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    server.form(101)
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")

    with gateway(server) as subject:
        assert subject.send(PHONE, "hello").message_id == "id-1"


def test_a_proxy_of_the_settings_is_used(server: Server) -> None:
    server.form(101)
    far = Gateway(
        read_shape(),
        "http://gateway.invalid",
        "district",
        KEY,
        session=lambda: open_session(proxy=server.url),
    )

    with closing(far):
        far.send(PHONE, "hello")

    assert server.seen[0][0] == "http://gateway.invalid/version1/messaging"


# ---- what the answer means -----------------------------------------------------------------


@pytest.mark.parametrize("code", [100, 101, 102, "101"])
def test_the_contracts_good_codes_are_sent(server: Server, code: object) -> None:
    server.form(code)

    with gateway(server) as subject:
        assert subject.send(PHONE, "hello").message_id == "id-1"


@pytest.mark.parametrize("code", [400, 401, 403, 406, 429, 499, "403"])
def test_a_recipients_4xx_is_refused(server: Server, code: object) -> None:
    server.form(code, "InvalidPhoneNumber")

    error = failure(server)

    assert isinstance(error, GatewayRefused)
    assert str(code) in str(error)
    assert "InvalidPhoneNumber" in str(error)


@pytest.mark.parametrize("code", [500, 501, 502, 599, 103, 99, 0, "", None, "¹⁰¹", 10**30, True])
def test_a_recipients_5xx_or_unknown_code_is_tried_later(server: Server, code: object) -> None:
    server.form(code, "InternalServerError")

    assert isinstance(failure(server), GatewayDown)


@pytest.mark.parametrize(
    ("code", "error"),
    [
        ("invalid", GatewayRefused),
        ("blocked", GatewayRefused),
        ("throttled", GatewayDown),
        ("never heard of", GatewayDown),
        (101, GatewayDown),
    ],
)
def test_words_can_be_codes(server: Server, code: object, error: type[BotError]) -> None:
    server.bearer(code)

    assert type(failure(server, BEARER)) is error


@pytest.mark.parametrize("shape", [None, BEARER])
@pytest.mark.parametrize("status", [400, 406, 413, 422])
def test_an_http_4xx_is_refused(server: Server, shape: Path | None, status: int) -> None:
    server.says({"error": f"bad number {PHONE}"}, status)

    assert isinstance(failure(server, shape), GatewayRefused)


@pytest.mark.parametrize("shape", [None, BEARER])
@pytest.mark.parametrize("status", [302, 307, 402, 404, 405, 408, 429, 500, 502, 503, 504, 599])
def test_trouble_that_is_not_the_messages_is_tried_later(
    server: Server, shape: Path | None, status: int
) -> None:
    server.says({"error": "not now"}, status)
    server.headers = {"Location": f"{server.url}/elsewhere"}

    assert isinstance(failure(server, shape), GatewayDown)
    assert len(server.seen) == 1  # a redirect is not followed, with our key, to anywhere


@pytest.mark.parametrize("status", [401, 403, 429])
def test_trouble_of_the_account_never_buries_a_message_whatever_the_file_says(
    server: Server, status: int
) -> None:
    server.says({}, status)
    shape = read_shape(
        FORM.read_text("utf-8")
        + '\n[answer.http]\naccepted = ["200-299"]\nrefused = ["400-499"]\nlater = ["500-599"]\n'
    )

    with (
        closing(Gateway(shape, server.url, "district", KEY)) as subject,
        pytest.raises(GatewayDown, match=r"username or key|too many"),
    ):
        subject.send(PHONE, "hello")


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"<html>busy</html>",
        b"\xff\xfe\x00",
        b"[" * 100_000,
        b"null",
        b"[]",
        b'"ok"',
        b"{}",
        b'{"SMSMessageData": "Sent"}',
        b'{"SMSMessageData": {"Recipients": []}}',
        b'{"SMSMessageData": {"Recipients": ["x"]}}',
        b'{"SMSMessageData": {"Recipients": [{}]}}',
        b'{"SMSMessageData": {"Recipients": [{"statusCode": {"is": 101}}]}}',
    ],
)
def test_an_answer_that_cannot_be_read_is_tried_later(server: Server, answer: bytes) -> None:
    server.answer = answer

    assert isinstance(failure(server), GatewayDown)


def test_an_accepted_message_without_an_id_is_sent_all_the_same(server: Server) -> None:
    server.says({"SMSMessageData": {"Recipients": [{"statusCode": 101}]}})

    with gateway(server) as subject:
        assert subject.send(PHONE, "hello") == Sent("", "")


def test_the_gateways_own_words_lose_numbers_and_the_key(server: Server) -> None:
    server.form(403, f"{PHONE} / 1 202 555 0101 not valid for {KEY}")

    told = str(failure(server))

    assert "not valid for" in told
    assert not any(part in told for part in ("202", "555", "0101"))
