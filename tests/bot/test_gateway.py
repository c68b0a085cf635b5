"""Messages out, against a real HTTP server that behaves and misbehaves as gateways do."""

from __future__ import annotations

import inspect
import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import pytest
import requests
import urllib3.exceptions
from requests.exceptions import RequestException

from bot.config import demo_config
from bot.errors import BotError, ConfigError, GatewayDown, GatewayRefused
from bot.gateway import Gateway, Sent, gateway_from, open_session, read_shape
from bot.shape import Codes

BEARER = Path(__file__).parents[2] / "deploy" / "gateways" / "json-bearer.toml"
FORM = Path(__file__).parents[2] / "bot" / "gateways" / "form.toml"
PHONE = "+12025550101"
KEY = "secretword"


@dataclass
class Server:
    """A gateway that answers what it is told to. *seen* holds path, headers and body received.

    *answer* None closes the connection without a word; *held* is waited for before answering.
    """

    status: int = 201
    answer: bytes | None = b"{}"
    headers: dict[str, str] = field(default_factory=dict)
    held: threading.Event | None = None
    seen: list[tuple[str, dict[str, str], str]] = field(default_factory=list)
    url: str = ""

    def form(self, code: object, status: str = "Success", ident: str = "id-1") -> None:
        one = {"statusCode": code, "status": status, "messageId": ident, "cost": "XTS 0.80"}
        self.says({"SMSMessageData": {"Message": "Sent", "Recipients": [one]}})

    def bearer(self, code: object, text: str = "") -> None:
        state = {"code": code, "text": text}
        one = {"state": state, "reference": "ref-1", "price": {"amount": 0.8}}
        self.says({"results": [one]})

    def says(self, answer: Any, status: int = 201) -> None:
        self.answer, self.status = json.dumps(answer).encode(), status


@pytest.fixture
def server() -> Iterator[Server]:
    behaviour = Server()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
            behaviour.seen.append((self.path, dict(self.headers.items()), body))
            if behaviour.held:
                behaviour.held.wait(10)
            if behaviour.answer is None:
                self.close_connection = True
                return
            self.send_response(behaviour.status)
            for name, value in {"Content-Length": str(len(behaviour.answer))}.items():
                self.send_header(name, behaviour.headers.get(name, value))
            for name in behaviour.headers.keys() - {"Content-Length"}:
                self.send_header(name, behaviour.headers[name])
            self.end_headers()
            self.wfile.write(behaviour.answer)
            self.close_connection = bool(behaviour.headers)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Quiet."""

    http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    http.daemon_threads = True
    behaviour.url = f"http://127.0.0.1:{http.server_port}"
    thread = threading.Thread(target=http.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield behaviour
    if behaviour.held:
        behaviour.held.set()
    http.shutdown()
    thread.join()
    http.server_close()


def gateway(server: Server, shape: Path | None = None, **more: Any) -> closing[Gateway]:
    made = Gateway(read_shape(shape), server.url, "district", KEY, **more)
    return closing(made)


def failure(server: Server, shape: Path | None = None, **more: Any) -> BotError:
    """The error of sending one message, after proof that its text gives nothing away."""
    with gateway(server, shape, **more) as subject, pytest.raises(BotError) as caught:
        subject.send(PHONE, "wash the bag")
    told = str(caught.value)
    assert not any(secret in told for secret in (PHONE, PHONE[1:], "5550101", KEY, "wash"))
    assert caught.value.__cause__ is None  # what lies below may quote what the text does not
    assert caught.value.__suppress_context__ or caught.value.__context__ is None
    return caught.value


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


@pytest.mark.parametrize("status", [401, 403])
def test_bad_credentials_never_bury_a_message_whatever_the_file_says(
    server: Server, status: int
) -> None:
    server.says({}, status)
    shape = read_shape(
        FORM.read_text("utf-8")
        + '\n[answer.http]\naccepted = ["200-299"]\nrefused = ["400-499"]\nlater = ["500-599"]\n'
    )

    with (
        closing(Gateway(shape, server.url, "district", KEY)) as subject,
        pytest.raises(GatewayDown, match="username or key"),
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


# ---- no answer -----------------------------------------------------------------------------


def test_a_slow_gateway_is_tried_later(server: Server) -> None:
    server.held = threading.Event()

    assert isinstance(failure(server, timeouts=(2.0, 0.2)), GatewayDown)


def test_a_closed_connection_is_tried_later(server: Server) -> None:
    server.answer = None

    assert isinstance(failure(server), GatewayDown)


def test_an_answer_cut_short_is_tried_later(server: Server) -> None:
    server.form(101)
    server.headers = {"Content-Length": "5000"}

    assert isinstance(failure(server), GatewayDown)


def test_an_answer_packed_wrongly_is_tried_later(server: Server) -> None:
    server.form(101)
    server.headers = {"Content-Encoding": "gzip"}

    assert isinstance(failure(server), GatewayDown)


def test_a_gateway_that_is_not_there_is_tried_later() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound and not listening: a connection is refused
        nobody = Server(url=f"http://127.0.0.1:{taken.getsockname()[1]}")

        assert isinstance(failure(nobody), GatewayDown)


@pytest.mark.parametrize("url", ["nonsense", "http://", "ftp://gateway.example", "http://[::1"])
def test_an_impossible_address_is_tried_later(url: str) -> None:
    assert isinstance(failure(Server(url=url)), GatewayDown)


def test_the_gateway_works_again_after_an_error(server: Server) -> None:
    with gateway(server) as subject:
        server.answer = None
        with pytest.raises(GatewayDown):
            subject.send(PHONE, "hello")
        server.form(101)

        assert subject.send(PHONE, "hello").message_id == "id-1"


def test_a_text_that_cannot_be_encoded_is_refused(server: Server) -> None:
    with gateway(server) as subject, pytest.raises(GatewayRefused):
        subject.send(PHONE, "half a character \ud83d")

    assert server.seen == []


def _of(module: object, base: type[Exception]) -> list[type[Exception]]:
    found = [cls for _, cls in inspect.getmembers(module, inspect.isclass)]
    return [cls for cls in found if issubclass(cls, base) and not issubclass(cls, Warning)]


BELOW = {*_of(requests.exceptions, RequestException), *_of(requests, RequestException)}
DEEPER = set(_of(urllib3.exceptions, urllib3.exceptions.HTTPError))


@pytest.mark.parametrize("kind", sorted(BELOW | DEEPER, key=str), ids=lambda kind: kind.__name__)
def test_no_exception_from_below_is_left_unmapped(kind: type[Exception], server: Server) -> None:
    class Failing(requests.Session):
        def request(self, *_: object, **__: object) -> requests.Response:
            raise kind.__new__(kind, f"to {PHONE} with {KEY}")

    error = failure(server, session=Failing)

    assert isinstance(error, GatewayDown)
    assert kind.__name__ in str(error)


def test_every_exception_that_requests_defines_is_among_those_walked() -> None:
    module = requests.exceptions
    own = [c for c in _of(module, Exception) if c.__module__ == module.__name__]

    assert len(own) > 20
    assert set(own) <= BELOW


# ---- secrets, and the description ----------------------------------------------------------


@pytest.mark.parametrize("key", ["a\nb", "ключ", "tab\there"])
def test_a_key_that_no_header_can_carry_is_refused_at_once_and_not_shown(key: str) -> None:
    with pytest.raises(ConfigError) as caught:
        Gateway(read_shape(), "http://gateway.example", "district", key)

    assert key not in str(caught.value)


def test_repr_shows_no_credentials() -> None:
    shown = repr(Gateway(read_shape(), "http://gateway.example", "account-name", KEY))

    assert KEY not in shown
    assert "account-name" not in shown


def _without(line: str) -> Callable[[str], str]:
    return lambda text: text.replace(line, "")


def _with(old: str, new: str) -> Callable[[str], str]:
    return lambda text: text.replace(old, new)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_with('style = "text"', "style = "), "not right"),
        (_without('path = "/version1/messaging"'), "`path`"),
        (_with('path = "/', 'path = "'), "send.path"),
        (_with('body = "form"', 'body = "xml"'), "$.send.body"),
        (_with('body = "form"', 'body = "form"\nurl = "x"'), "`url`"),
        (_with('bulkSMSMode = "1"', "bulkSMSMode = [1]"), "form must be"),
        (_with("{to}", "{phone}"), "{phone}"),
        (_with("{to}", "{phone}"), "{to}"),
        (_without('message = "{text}"'), "{text}"),
        (_without('apiKey = "{api_key}"'), "{api_key}"),
        (_with('Accept = "application/json"', 'Accept = "{to}"'), "cannot carry"),
        (_with('accepted = ["100-102"]', "accepted = []"), "accepted is empty"),
        (_with('"100-102"', '"102-100"'), "ends before"),
        (_with('"100-102"', '"100-400"'), "overlap"),
        (_with('"100-102"', '"7", "7"'), "7 twice"),
        (_with('["Success"]', '["Success", "failed"]'), "status word twice"),
        (_with('separator = "*"', 'separator = ""'), "ussd.separator"),
        (_with("joined = true", "joined = false"), "ussd.request"),
        (_with('style = "text"', 'style = "json"'), "ussd.answer"),
        (_with('zone = "UTC"', 'zone = "Nowhere/Town"'), "Nowhere/Town"),
    ],
)
def test_a_mistake_in_a_description_is_named(change: Callable[[str], str], said: str) -> None:
    text = FORM.read_text("utf-8")
    assert change(text) != text

    with pytest.raises(ConfigError) as caught:
        read_shape(change(text))

    assert said in str(caught.value)


def test_a_description_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml cannot be read"):
        read_shape(tmp_path / "none.toml")


def test_the_built_in_description_is_the_form_one() -> None:
    assert read_shape() == read_shape(FORM)


def test_an_exact_code_beats_a_range() -> None:
    codes = Codes(accepted=("200-299",), refused=("400-499", "204"), later=("404",))

    assert [codes.verdict(c) for c in ("200", "204", "400", "404", "500")] == [
        "accepted",
        "refused",
        "refused",
        "later",
        "later",
    ]
