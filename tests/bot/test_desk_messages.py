"""The desk's page of messages: who sees which, what is decided, and what stays out of it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from flask.testing import FlaskClient

from bot import audit
from bot.accounts import AccountRole
from bot.message import Message, record_id
from bot.outbox import Outgoing
from bot.undelivered import WAITED
from bot.wiring import Parts
from tests.bot.desk_stand import As, form_key

if TYPE_CHECKING:
    from tests.conftest import FakeClock

NEEMA, IMANI, JUMA, STRANGER = "+12025550101", "+12025550105", "+12025550108", "+12025550199"
NUMBER = re.compile(r"\+?1?2025550\d{3}")


def outgoing(parts: Parts, item_id: str = "sms:1.0", **values: str) -> Outgoing:
    first = Outgoing(item_id, NEEMA, "LOWF-1: choose the METHOD", "ask", parts.service.clock(),
                     "LOWF", "LOWF-1", "P1", "TAM")  # fmt: skip
    return replace(first, **values)  # type: ignore[arg-type]


def wait(parts: Parts, item: Outgoing) -> None:
    parts.service.outbox.put_once(item, f"sb:test:{item.id}", 9)


def bury(parts: Parts, item: Outgoing) -> None:
    wait(parts, item)
    now = parts.service.clock()
    head = parts.service.outbox.head(item.phone, now.timestamp())
    assert head
    assert parts.service.outbox.bury(head, "code 403", now)


def shown(client: FlaskClient) -> str:
    answer = client.get("/desk/messages")
    assert answer.status_code == 200
    return answer.text


def press(client: FlaskClient, item_id: str, deed: str, again: int = 0) -> int:
    key = form_key(shown(client))
    typed = {"csrf": key, "id": item_id, "again": str(again), "deed": deed}
    return client.post("/desk/messages/decide", data=typed).status_code


def trail(parts: Parts) -> list[audit.Line]:
    with parts.store.database.read() as connection:
        return [n for n in audit.lines(connection) if n.what.startswith("message.")]


def test_nothing_is_a_page_too(log_in_as: As) -> None:
    page = shown(log_in_as("administrator", "*"))
    assert page.count("None.") == 2
    assert "None yet." in page


def test_what_was_refused_is_first_with_whom_about_what_why_and_its_words(
    parts: Parts, log_in_as: As
) -> None:
    bury(parts, outgoing(parts))
    page = shown(log_in_as("supervisor", "TAM"))

    refused, _, rest = page.partition("Waits for more than an hour")
    assert "<strong>Neema</strong>, Low Ferry" in refused
    assert '<a href="/desk/messages/about/LOWF-1">' in refused
    assert "code 403" in refused
    assert "choose the METHOD" in refused
    assert "METHOD" not in rest
    assert not NUMBER.search(page)


def test_what_has_waited_an_hour_is_shown_and_what_waits_less_is_not(
    parts: Parts, log_in_as: As, clock: FakeClock
) -> None:
    wait(parts, outgoing(parts))
    client = log_in_as("in_charge", "LOWF")
    page = shown(client)
    assert "Try again" not in page
    assert "younger than an hour: 1." in page
    clock.now += WAITED + timedelta(seconds=1)
    client = log_in_as("supervisor", "TAM")
    assert "Try again" in shown(client).partition("Waits for more than an hour")[2]


@pytest.mark.parametrize(("role", "place", "seen"), [
    ("administrator", "*", {"Neema", "Imani", "Juma", "not in the register"}),
    ("programme", "*", {"P1", "P5", "P8", "not in the register"}),
    ("programme", "TAM", {"P1", "P5", "P8"}),
    ("programme", "OTH", set()),
    ("supervisor", "TAM", {"Neema", "Imani", "Juma"}),
    ("supervisor", "OTH", set()),
    ("in_charge", "LOWF", {"Neema"}),
    ("in_charge", "HIGH", {"Imani"}),
])  # fmt: skip
def test_everybody_sees_those_of_her_place(
    parts: Parts, log_in_as: As, role: AccountRole, place: str, seen: set[str]
) -> None:
    bury(parts, outgoing(parts, "a"))
    bury(parts, outgoing(parts, "b", phone=IMANI, site="HIGH", person="P5"))
    bury(parts, outgoing(parts, "c", phone=JUMA, site="district-TAM", person="P8"))
    bury(parts, outgoing(parts, "d", phone=STRANGER, site="", person="", district="",
                         text="Your code is 123456"))  # fmt: skip
    page = shown(log_in_as(role, place))

    to = set(re.findall(r"<li><strong>(?:a number that is )?([^<]+)</strong>", page))
    assert to == seen
    assert "123456" not in page


def test_tried_again_it_waits_behind_the_others_once_with_a_line_in_the_trail(
    parts: Parts, log_in_as: As
) -> None:
    bury(parts, outgoing(parts))
    client = log_in_as("supervisor", "TAM")

    assert press(client, "sms:1.0", "retry") == 303
    assert press(client, "sms:1.0", "retry") == 409

    head = parts.service.outbox.head(NEEMA, parts.service.clock().timestamp())
    assert head
    assert (head.id, head.again) == ("sms:1.0", 1)
    [line] = trail(parts)
    assert (line.who, line.what, line.district) == (
        "supervisor.tam", "message.retried", "TAM")  # fmt: skip
    assert line.about == record_id("sms:1.0")
    assert line.detail == {"kind": "ask", "about": "LOWF-1", "person": "P1", "site": "LOWF"}
    assert "It is in the line again" in client.get("/desk/messages?done=retry").text


def test_let_go_it_is_sent_no_more(parts: Parts, log_in_as: As) -> None:
    bury(parts, outgoing(parts))
    assert press(log_in_as("in_charge", "LOWF"), "sms:1.0", "let_go") == 303
    assert parts.service.outbox.dead() == 0
    assert parts.service.outbox.depth() == 0
    assert [line.what for line in trail(parts)] == ["message.let_go"]


def test_what_is_not_hers_she_cannot_decide(parts: Parts, log_in_as: As) -> None:
    bury(parts, outgoing(parts))
    bury(parts, outgoing(parts, "own", phone=IMANI, site="HIGH", person="P5"))
    client = log_in_as("in_charge", "HIGH")
    for deed in ("retry", "let_go"):
        assert press(client, "sms:1.0", deed) == 409
    assert parts.service.outbox.dead() == 2
    assert trail(parts) == []


@pytest.mark.parametrize("typed", [{"deed": "sell"}, {"again": "x"}, {"again": ""}])
def test_half_a_form_does_nothing(parts: Parts, log_in_as: As, typed: dict[str, str]) -> None:
    bury(parts, outgoing(parts))
    client = log_in_as("administrator", "*")
    whole = {"csrf": form_key(shown(client)), "id": "sms:1.0", "again": "0", "deed": "retry"}
    assert client.post("/desk/messages/decide", data=whole | typed).status_code == 400
    assert client.post("/desk/messages/decide", data=whole | {"csrf": "x"}).status_code == 403
    assert (parts.service.outbox.dead(), trail(parts)) == (1, [])


def test_the_last_hundred_are_shown_and_the_older_ones_behind_them(
    parts: Parts, log_in_as: As
) -> None:
    at = parts.service.clock()
    parts.store.record([
        Message(record_id(str(n)), "LOWF", "TAM", f"LOWF-{n}", "bell", "P1",
                at - timedelta(minutes=n), 2, "failed" if n == 3 else "delivered",
                reason="AbsentSubscriber" if n == 3 else "")
        for n in range(130)
    ])  # fmt: skip
    client = log_in_as("supervisor", "TAM")
    page = shown(client)

    last = page.partition("<h2>The last ones")[2]
    assert re.findall(r"about/(LOWF-\d+)", last) == [f"LOWF-{n}" for n in range(100)]
    failed = page.partition("did not reach the phone")[2].partition("<h2>The last ones")[0]
    assert re.findall(r"about/(LOWF-\d+)", failed) == ["LOWF-3"]
    assert "AbsentSubscriber" in failed
    [older] = re.findall(r'href="(/desk/messages\?after=[^"]+)"', page)
    rest = client.get(older.replace("&amp;", "&")).text
    assert re.findall(r"about/(LOWF-\d+)", rest) == [f"LOWF-{n}" for n in range(100, 130)]
    assert len(page.encode()) < 60_000
    assert client.get("/desk/messages?after=nonsense").status_code == 400


def test_a_flood_of_refusals_stays_a_page_that_a_cheap_phone_opens(
    parts: Parts, log_in_as: As
) -> None:
    for n in range(60):
        bury(parts, outgoing(parts, f"m{n}", text="x" * 160))
    page = shown(log_in_as("supervisor", "TAM"))
    assert "And 20 more" in page
    assert len(page.encode()) < 60_000


def test_a_message_leads_to_its_alert_or_batch(parts: Parts, log_in_as: As) -> None:
    client = log_in_as("supervisor", "TAM")
    assert client.get("/desk/messages/about/LOWF-1").location == "/desk/batch/LOWF-1"


def test_without_the_conversations_the_record_is_shown_and_nothing_is_decided(
    parts: Parts, log_in_as: As, monkeypatch: pytest.MonkeyPatch
) -> None:
    bury(parts, outgoing(parts))
    client = log_in_as("supervisor", "TAM")
    key = form_key(shown(client))
    server = parts.redis.connection_pool.connection_kwargs["server"]
    server.connected = False
    page = shown(client)
    assert "The conversations do not answer" in page
    typed = {"csrf": key, "id": "sms:1.0", "again": "0", "deed": "retry"}
    assert client.post("/desk/messages/decide", data=typed).status_code == 503
    server.connected = True
    assert (parts.service.outbox.dead(), trail(parts)) == (1, [])
