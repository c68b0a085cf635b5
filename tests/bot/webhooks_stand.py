"""The gateway's addresses on a real HTTP server, leading to a bot that remembers or fails."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

import requests
from flask import Flask
from werkzeug.serving import make_server

from bot.channels import ReceiptForm
from bot.events import Heard
from bot.gateway import open_session
from bot.shape import GatewayShape
from bot.webhooks import webhooks

KEY = "hook-key-0123456789"
AT = datetime(2025, 3, 1, 6, 0, tzinfo=UTC)
TICK = ("boot-1", 12.5)
SORRY = "We cannot answer now. Please dial again in a minute."

Post = Callable[..., requests.Response]


@dataclass
class Bot:
    """What the addresses lead to: it remembers what it was given, and fails when told to."""

    heard: list[Heard] = field(default_factory=list)
    receipts: list[ReceiptForm] = field(default_factory=list)
    screen: str = "CON Wash the bag.\n1 Done"
    error: Exception | None = None

    def handle(self, event: Heard) -> str:
        if self.error:
            raise self.error
        self.heard.append(event)
        return self.screen

    def receive(self, form: ReceiptForm) -> None:
        if self.error:
            raise self.error
        self.receipts.append(form)


def app_of(bot: Bot, shape: GatewayShape, key: str = KEY) -> Flask:
    app = Flask("edge")
    edge = webhooks(
        handle=bot.handle,
        receive=bot.receive,
        key=key,
        shape=shape,
        clock=lambda: AT,
        tick=lambda: TICK,
        sorry=SORRY,
        region="US",
    )
    app.register_blueprint(edge)
    return app


def serving(app: Flask) -> Iterator[Post]:
    """A function that asks *app* over HTTP, while its server runs."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()

    with open_session() as session:

        def ask(path: str, method: str = "POST", **more: object) -> requests.Response:
            url = f"http://127.0.0.1:{server.server_port}{path}"
            return session.request(method, url, timeout=10, allow_redirects=False, **more)  # type: ignore[arg-type]

        yield ask
    server.shutdown()
    thread.join()
    server.server_close()
