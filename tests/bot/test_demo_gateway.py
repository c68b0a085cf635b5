"""The demo's own gateway keeps the contract that the bot's client expects of any gateway."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from queue import SimpleQueue
from typing import Any

import pytest
from fakeredis import FakeRedis
from flask import Flask, Response, request
from flask.testing import FlaskClient

from bot.demo_gateway import ReceiptPoster, demo_gateway, receipt_form, usable
from bot.errors import GatewayDown, GatewayRefused
from bot.gateway import Gateway
from bot.mailbox import Mailbox
from bot.shape import read_shape
from tests.bot.handset_stand import served

NOW = datetime(2030, 5, 6, 7, 8, 9, tzinfo=UTC)
ASHA, BERYL = "+12025550101", "+12025550102"
HEADERS = {"apiKey": "demo", "Accept": "application/json"}


class Told:
    """Keeps the receipts it is told."""

    def __init__(self) -> None:
        self.receipts: list[tuple[str, str, bool]] = []

    def __call__(self, message_id: str, phone: str, delivered: bool) -> None:
        self.receipts.append((message_id, phone, delivered))


@pytest.fixture
def mailbox() -> Mailbox:
    return Mailbox(FakeRedis())


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def app(mailbox: Mailbox, told: Told) -> Flask:
    app = Flask("bot")
    app.register_blueprint(demo_gateway(mailbox, lambda: NOW, "demo", told))
    return app


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def form(to: str, message: str = "Soak over", **more: str) -> dict[str, str]:
    return {"username": "demo", "to": to, "message": message, "bulkSMSMode": "1", **more}


def recipients(client: FlaskClient, to: str) -> list[dict[str, Any]]:
    with client.post("/version1/messaging", data=form(to), headers=HEADERS) as answer:
        assert answer.status_code == 201
        rows: list[dict[str, Any]] = answer.get_json()["SMSMessageData"]["Recipients"]
        return rows


def test_a_message_taken_lies_on_the_phone_under_the_id_given(
    client: FlaskClient, mailbox: Mailbox
) -> None:
    rows = recipients(client, ASHA)

    [message] = mailbox.messages(ASHA)
    assert rows == [
        {
            "statusCode": 101,
            "number": ASHA,
            "status": "Success",
            "cost": "0",
            "messageId": message.id,
        }
    ]
    assert (message.text, message.at) == ("Soak over", NOW)


def test_every_number_gets_the_message_and_its_own_id(
    client: FlaskClient, mailbox: Mailbox
) -> None:
    rows = recipients(client, f"{ASHA}, {BERYL}")

    assert [row["number"] for row in rows] == [ASHA, BERYL]
    assert rows[0]["messageId"] != rows[1]["messageId"]
    assert [len(mailbox.messages(phone)) for phone in (ASHA, BERYL)] == [1, 1]


def test_an_unusable_number_is_refused_alone(
    client: FlaskClient, mailbox: Mailbox, told: Told
) -> None:
    rows = recipients(client, f"12,{ASHA}")

    assert [(row["statusCode"], row["status"]) for row in rows] == [
        (403, "InvalidPhoneNumber"),
        (101, "Success"),
    ]
    assert len(mailbox.messages(ASHA)) == 1
    assert [phone for _, phone, _ in told.receipts] == [ASHA]


def test_the_answer_counts_what_was_taken(client: FlaskClient) -> None:
    answer = client.post("/version1/messaging", data=form(f"12,{ASHA}"), headers=HEADERS)

    assert answer.get_json()["SMSMessageData"]["Message"].startswith("Sent to 1/2 ")


@pytest.mark.parametrize("headers", [{}, {"apiKey": "other"}, {"apiKey": "clé"}])
def test_a_wrong_key_is_told_401_and_nothing_is_taken(
    client: FlaskClient, mailbox: Mailbox, told: Told, headers: dict[str, str]
) -> None:
    answer = client.post("/version1/messaging", data=form(ASHA), headers=headers)

    assert answer.status_code == 401
    assert mailbox.messages(ASHA) == []
    assert told.receipts == []


@pytest.mark.parametrize("missing", ["username", "to", "message"])
def test_a_missing_field_is_named_and_nothing_is_taken(
    client: FlaskClient, mailbox: Mailbox, missing: str
) -> None:
    answer = client.post("/version1/messaging", data=form(ASHA) | {missing: ""}, headers=HEADERS)

    assert answer.status_code == 400
    assert missing in answer.get_data(as_text=True)
    assert mailbox.messages(ASHA) == []


def test_a_phone_that_is_off_gets_nothing_and_the_receipt_says_so(
    client: FlaskClient, mailbox: Mailbox, told: Told
) -> None:
    mailbox.switch(ASHA, off=True)

    rows = recipients(client, f"{ASHA},{BERYL}")

    assert [row["statusCode"] for row in rows] == [101, 101]  # taken: only the receipt tells
    assert mailbox.messages(ASHA) == []
    assert told.receipts == [
        (rows[0]["messageId"], ASHA, False),
        (rows[1]["messageId"], BERYL, True),
    ]
    assert mailbox.lights([ASHA])[0].lost == 1


def test_the_receipt_never_overtakes_the_answer(client: FlaskClient, told: Told) -> None:
    answer = client.post("/version1/messaging", data=form(ASHA), headers=HEADERS)
    message_id = answer.get_json()["SMSMessageData"]["Recipients"][0]["messageId"]
    before = list(told.receipts)
    answer.close()

    assert before == []
    assert told.receipts == [(message_id, ASHA, True)]


@pytest.mark.parametrize(
    ("number", "good"),
    [
        (ASHA, True),
        ("+254711123456", True),
        ("12025550101", False),
        ("+1", False),
        ("+1 202 555 0101", False),
        ("", False),
        ("Asha", False),
    ],
)
def test_a_usable_number_is_whole_and_international(number: str, good: bool) -> None:
    assert usable(number) is good


def test_the_bots_own_client_reads_every_answer(app: Flask, mailbox: Mailbox) -> None:
    with served(app) as address:
        gateway = Gateway(read_shape(), address, "demo", "demo")
        stranger = Gateway(read_shape(), address, "demo", "other")

        sent = gateway.send(ASHA, "Soak over: rinse now")
        with pytest.raises(GatewayRefused):
            gateway.send("+1", "hello")
        with pytest.raises(GatewayDown):
            stranger.send(ASHA, "hello")
        gateway.close()
        stranger.close()

    assert [(m.id, m.text) for m in mailbox.messages(ASHA)] == [
        (sent.message_id, "Soak over: rinse now")
    ]


class ReceiptDesk:
    """The bot's side of receipts: answers with *statuses* in turn, then 200; keeps the forms."""

    def __init__(self, *statuses: int) -> None:
        self.statuses = list(statuses)
        self.forms: SimpleQueue[dict[str, str]] = SimpleQueue()
        self.app = Flask("bot")
        self.app.add_url_rule("/hooks/demo/receipt", "receipt", self.take, methods=["POST"])

    def take(self) -> Response:
        self.forms.put(request.form.to_dict())
        return Response(status=self.statuses.pop(0) if self.statuses else 200)


@pytest.fixture
def desk() -> ReceiptDesk:
    return ReceiptDesk()


@pytest.fixture
def poster(desk: ReceiptDesk) -> Iterator[ReceiptPoster]:
    with served(desk.app) as address:
        poster = ReceiptPoster(f"{address}/hooks/demo/receipt", delay_seconds=0)
        yield poster
        poster.close()


def test_receipts_are_posted_in_order_as_the_gateways_forms(
    desk: ReceiptDesk, poster: ReceiptPoster
) -> None:
    poster("demo-1", ASHA, True)
    poster("demo-2", BERYL, False)

    got = [desk.forms.get(timeout=10) for _ in range(2)]
    fields = ("id", "status", "phoneNumber", "failureReason")
    assert [tuple(form[f] for f in fields) for form in got] == [
        ("demo-1", "Success", ASHA, ""),
        ("demo-2", "Failed", BERYL, "AbsentSubscriber"),
    ]


def test_a_receipt_that_was_not_taken_is_posted_again_and_stops_nobody(
    desk: ReceiptDesk, poster: ReceiptPoster
) -> None:
    desk.statuses = [503]
    poster("demo-1", ASHA, False)
    poster("demo-2", BERYL, True)

    ids = [desk.forms.get(timeout=10)["id"] for _ in range(3)]
    assert ids[0] == "demo-1"
    assert sorted(ids[1:]) == ["demo-1", "demo-2"]


def test_a_receipt_nobody_takes_is_given_up(desk: ReceiptDesk, poster: ReceiptPoster) -> None:
    desk.statuses = [503] * 5
    poster("demo-1", ASHA, False)
    first = [desk.forms.get(timeout=10)["id"] for _ in range(5)]
    poster("demo-2", ASHA, True)
    second = desk.forms.get(timeout=10)["id"]
    poster("demo-3", ASHA, True)  # a sixth try of the first would stand before this one

    assert first == ["demo-1"] * 5
    assert second == "demo-2"
    assert desk.forms.get(timeout=10)["id"] == "demo-3"


def test_the_receipt_form_is_what_the_bots_receipt_words_know() -> None:
    words = read_shape().receipt

    assert receipt_form("demo-1", ASHA, delivered=True)["status"] in words.delivered
    assert receipt_form("demo-1", ASHA, delivered=False)["status"] in words.failed
