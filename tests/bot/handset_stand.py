"""A demonstration on a stand: the real handset and gateway, and in the bot's place an echo."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from threading import Thread
from typing import Any

from fakeredis import FakeRedis
from flask import Flask, Response, request
from werkzeug.serving import make_server

from bot.handset import handset
from bot.mailbox import Mailbox

NOW = datetime(2030, 5, 6, 7, 8, 9, tzinfo=UTC)
ASHA = "+12025550101"
BERYL = "+12025550102"


class EchoBot:
    """What stands in for the bot: it repeats a text, and asks two questions when dialled."""

    def __init__(self, mailbox: Mailbox) -> None:
        self.mailbox = mailbox
        self.texts: list[dict[str, str]] = []
        self.turns: list[dict[str, str]] = []
        self.broken = False
        self.batch: dict[str, Any] | None = None

    def sms(self) -> Response:
        if self.broken:
            return Response(status=503)
        self.texts.append(request.form.to_dict())
        self.mailbox.put(request.form["from"], f"You said: {request.form['text']}", NOW)
        return Response(status=200)

    def ussd(self) -> Response:
        if self.broken:
            return Response(status=503)
        self.turns.append(request.form.to_dict())
        text = request.form["text"]
        answers = text.split("*") if text else []
        screens = ["CON How many pieces?", "CON Are all clean?\n1 yes 2 no"]
        body = screens[len(answers)] if len(answers) < 2 else f"END Noted: {' then '.join(answers)}"
        return Response(body, mimetype="text/plain")


def people() -> list[dict[str, Any]]:
    sets = [
        {"id": "B1", "model": "bag 240 ml", "condition": "IN PROCESS"},
        {
            "id": "S2",
            "model": "bulb 60 ml",
            "condition": "READY",
            "until": NOW + timedelta(days=7),
        },
    ]
    place: dict[str, Any] = {"facility": "Hill clinic", "sets": sets, "zone": "Africa/Nairobi"}
    return [
        {"name": "Asha", "role": "nurse", "phone": ASHA, **place},
        {"name": "Beryl", "role": "in-charge", "phone": BERYL, **place},
    ]


def batch() -> dict[str, Any]:
    return {
        "id": "B-7",
        "about": ["Stage: soaking in chlorine.", "Asha holds it."],
        "due": NOW + timedelta(seconds=95),
        "log": [
            {"at": NOW - timedelta(minutes=3), "by": "Asha", "what": "opened with set B1"},
            {"at": NOW - timedelta(minutes=1), "by": "Asha", "what": "wiped, answered 1"},
        ],
        "findings": ["the soak has not lasted its whole time", "the count is missing"],
        "outcome": "",
    }


class Stand:
    """The parts of one demonstration, wired; *app* serves them."""

    def __init__(self, speed: float = 60.0) -> None:
        self.mailbox = Mailbox(FakeRedis())
        self.bot = EchoBot(self.mailbox)
        self.app = Flask("bot")
        pages = handset(
            people,
            lambda phone: self.bot.batch if phone == ASHA else None,
            self.mailbox,
            "demo",
            speed,
            clock=lambda: NOW,
        )
        self.app.register_blueprint(pages)
        for name, view in (("sms", self.bot.sms), ("ussd", self.bot.ussd)):
            self.app.add_url_rule(f"/hooks/demo/{name}", name, view, methods=["POST"])


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """Serve *app* on a free port of this machine while the block runs; yields its address."""
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
