"""The web application: health, the hooks' key, and what only a demonstration has."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import fakeredis
import pytest
from flask import Flask
from flask.testing import FlaskClient

from bot.config import Config, demo_config
from bot.errors import StoreDown
from bot.register_files import read_register
from bot.web import create_app
from bot.wiring import Parts, announce, build
from tests.bot.service_stand import SECRETS, in_service
from tests.bot.store_stand import DEMO

if TYPE_CHECKING:
    from tests.conftest import FakeClock

NEEMA = "+12025550101"
KEY = SECRETS["SOAKBELL_HOOK_KEY"]


class Web:
    """An application with its parts, and the switch of its Redis."""

    def __init__(self, config: Config, clock: FakeClock) -> None:
        self.server = fakeredis.FakeServer(server_type="redis", version=(7, 0, 0))
        self.parts: Parts = build(config, fakeredis.FakeRedis(server=self.server), clock)
        announce(self.parts, read_register(DEMO, None))
        self.app: Flask = create_app(config, self.parts)
        self.client: FlaskClient = self.app.test_client()

    def close(self) -> None:
        if poster := self.app.extensions.get("soakbell_receipts"):
            poster.close()
        self.parts.store.close()


@pytest.fixture
def demo(tmp_path: Path, clock: FakeClock) -> Iterator[Web]:
    web = Web(demo_config(1, tmp_path), clock)
    yield web
    web.close()


@pytest.fixture
def production(tmp_path: Path, clock: FakeClock) -> Iterator[Web]:
    web = Web(in_service(tmp_path), clock)
    yield web
    web.close()


# ---- health --------------------------------------------------------------------------------------


def test_healthz_says_that_the_process_lives_whatever_became_of_redis(production: Web) -> None:
    production.server.connected = False

    answer = production.client.get("/healthz")

    assert (answer.status_code, answer.text) == (200, "ok\n")


def test_readyz_is_200_while_redis_and_the_store_answer(production: Web) -> None:
    answer = production.client.get("/readyz")

    assert answer.status_code == 200
    assert answer.text.splitlines() == [
        f"{name} 0.0 s late" for name in ("timers", "messages", "pushes")
    ]


def test_readyz_is_503_when_redis_is_gone_and_200_when_it_is_back(production: Web) -> None:
    production.server.connected = False
    answer = production.client.get("/readyz")
    assert (answer.status_code, answer.text) == (503, "not ready\n")

    production.server.connected = True
    assert production.client.get("/readyz").status_code == 200


def test_readyz_is_503_when_the_store_is_gone(
    tmp_path: Path, clock: FakeClock, production: Web
) -> None:
    store = replace(production.parts, store=_Gone())  # type: ignore[arg-type]
    app = create_app(in_service(tmp_path), store)

    assert app.test_client().get("/readyz").status_code == 503


class _Gone:
    """A store that no longer answers."""

    def ping(self) -> None:
        raise StoreDown("gone")


def test_readyz_tells_how_late_messages_are(production: Web, clock: FakeClock) -> None:
    form = {"from": NEEMA, "to": "100", "text": "MENU", "date": "", "id": "m1", "linkId": ""}
    production.client.post(f"/hooks/{KEY}/sms", data=form)
    clock.now += timedelta(seconds=7)

    assert "messages 7.0 s late" in production.client.get("/readyz").text


def test_readyz_tells_how_late_a_bell_is(production: Web, clock: FakeClock) -> None:
    """Vinegar for ten minutes, and nobody sweeps any more."""
    timers = production.parts.service.timers
    production.parts.service.ring(timers.lease(clock().timestamp(), 100))  # each facility's own
    for n, text in enumerate(["BAG-1", *"11111", "2", "1"]):
        form = {"from": NEEMA, "to": "100", "text": text, "date": "", "id": f"m{n}", "linkId": ""}
        assert production.client.post(f"/hooks/{KEY}/sms", data=form).status_code == 200
    clock.now += timedelta(minutes=12)

    assert "timers 120.0 s late" in production.client.get("/readyz").text


# ---- the hooks' key ------------------------------------------------------------------------------


@pytest.mark.parametrize("hook", ["sms", "ussd", "receipt"])
@pytest.mark.parametrize("key", ["demo", "wrong", KEY[:-1], KEY.upper(), ""])
def test_a_wrong_key_is_404_and_nothing_else(production: Web, hook: str, key: str) -> None:
    answer = production.client.post(f"/hooks/{key}/{hook}", data={"text": "x"})

    assert (answer.status_code, answer.data) == (404, b"")


def test_the_right_key_leads_to_the_bot(production: Web) -> None:
    form = {"sessionId": "s1", "phoneNumber": NEEMA, "networkCode": "", "serviceCode": "*1#",
            "text": ""}  # fmt: skip
    answer = production.client.post(f"/hooks/{KEY}/ussd", data=form)

    assert answer.status_code == 200
    assert answer.text.startswith("CON ")
    assert "LOWF:\n1 begin" in answer.text


def test_a_ussd_screen_is_answered_even_without_redis(production: Web) -> None:
    production.server.connected = False
    form = {"sessionId": "s1", "phoneNumber": NEEMA, "networkCode": "", "serviceCode": "*1#",
            "text": ""}  # fmt: skip

    answer = production.client.post(f"/hooks/{KEY}/ussd", data=form)

    assert answer.status_code == 200
    assert answer.text.startswith("END Something is wrong on our side.")


# ---- what only a demonstration has ---------------------------------------------------------------


def test_the_first_page_of_a_demonstration_is_the_handset(demo: Web) -> None:
    answer = demo.client.get("/")

    assert answer.status_code == 302
    assert answer.headers["Location"] == "/handset"
    assert demo.client.get("/handset").status_code == 200


@pytest.mark.parametrize("path", ["/", "/handset", "/handset/", "/version1/messaging"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_production_has_neither_handset_nor_gateway(
    production: Web, path: str, method: str
) -> None:
    assert production.client.open(path, method=method).status_code == 404


def test_production_does_not_know_the_demonstrations_token(production: Web, demo: Web) -> None:
    headers = {"Authorization": "Bearer demo"}

    assert demo.client.get("/api/v1/facilities", headers=headers).status_code == 200
    assert production.client.get("/api/v1/facilities", headers=headers).status_code == 401


def test_the_demonstrations_gateway_wants_its_key(demo: Web) -> None:
    form = {"username": "demo", "to": NEEMA, "message": "hello"}
    path = "/version1/messaging"

    assert demo.client.post(path, data=form).status_code == 401
    answer = demo.client.post(path, data=form, headers={"apiKey": "demo"})
    assert answer.status_code == 201


def test_an_address_that_is_not_there_shows_nothing_of_the_program(production: Web) -> None:
    answer = production.client.get("/desk/no/such")

    assert answer.status_code == 303  # to the log-in: who is not in learns of no address
    assert answer.location.startswith("/desk/login?")
    assert "Traceback" not in answer.text
    assert production.client.get("/no/such").status_code == 404
