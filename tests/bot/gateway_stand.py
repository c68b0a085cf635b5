"""A real HTTP server that behaves and misbehaves as SMS gateways do."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from bot.errors import BotError
from bot.gateway import Gateway, read_shape

ROOT = Path(__file__).parents[2]
BEARER = ROOT / "deploy" / "gateways" / "json-bearer.toml"
FORM = ROOT / "bot" / "gateways" / "form.toml"
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


@contextmanager
def serving() -> Iterator[Server]:
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
