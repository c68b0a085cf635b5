"""The desk's door, as in service: log-in, lock, sessions that end, codes by SMS, the way out."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from flask import Blueprint, Flask, g
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from bot import audit
from bot.accounts import sees
from bot.config import Config, demo_config
from bot.login import OVER, REFUSED, STALE, WRONG_CODE, Door
from bot.register_files import read_register
from bot.tables import account_sessions
from bot.web import create_app
from bot.wiring import Parts, announce, build
from tests.bot.desk_stand import PASSWORD, form_key, log_in, make_account, without_key
from tests.bot.store_stand import DEMO

if TYPE_CHECKING:
    from tests.conftest import FakeClock

JUMA = "+12025550108"  # P8, the supervisor of TAM in the demonstration's register


@pytest.fixture
def app(config: Config, parts: Parts) -> Flask:
    return create_app(config, parts)


@pytest.fixture
def client(app: Flask, parts: Parts) -> FlaskClient:
    """A browser of somebody who may log in as `nia`, and as `juma` with a code by SMS."""
    make_account(parts, "nia", "programme", "*")
    make_account(parts, "juma", "supervisor", "TAM", "P8")
    return app.test_client()


def is_in(client: FlaskClient) -> bool:
    return client.get("/desk").status_code == 200


def token(client: FlaskClient, name: str = "soakbell_desk") -> str:
    cookie = client.get_cookie(name, path="/desk")
    return cookie.value if cookie else ""


def sent_code(parts: Parts, clock: FakeClock) -> str:
    """The code that waits for Juma's phone; taken off, as if the text had been sent."""
    item = parts.service.outbox.head(JUMA, clock().timestamp())
    assert item, "no text waits for her phone"
    parts.service.outbox.settle(item, "", clock().timestamp())
    [code] = re.findall(r"\b\d{6}\b", item.text)
    return str(code)


def enter(client: FlaskClient, code: str, target: str = "") -> TestResponse:
    key = form_key(client.get("/desk/login/code").text.partition("<h1>")[2])
    return client.post("/desk/login/code", data={"csrf": key, "code": code, "next": target})


def trail(parts: Parts) -> list[tuple[str, str, str]]:
    with parts.store.database.read() as connection:
        return [(n.who, n.what, n.detail.get("why", ""))
                for n in reversed(audit.lines(connection))]  # fmt: skip


# ---- name and password --------------------------------------------------------------------------


def test_the_right_password_opens_the_page_she_was_going_to(client: FlaskClient) -> None:
    assert client.get("/desk/card/HIGH").location == "/desk/login?next=/desk/card/HIGH"
    answer = log_in(client, "nia", PASSWORD, "/desk/card/HIGH")

    assert (answer.status_code, answer.location) == (303, "/desk/card/HIGH")
    assert client.get("/desk/card/HIGH").status_code == 200


@pytest.mark.parametrize("name", ["Nia", " nia ", "NIA"])
def test_a_phone_that_writes_capitals_does_not_keep_her_out(client: FlaskClient, name: str) -> None:
    log_in(client, name, PASSWORD)
    assert is_in(client)


def test_the_cookie_is_for_the_desk_over_tls_and_for_no_script(client: FlaskClient) -> None:
    [cookie] = [c for c in log_in(client, "nia", PASSWORD).headers.getlist("Set-Cookie")
                if c.startswith("soakbell_desk=")]  # fmt: skip

    facts = set(cookie.split("; ")[1:])
    assert facts == {"Secure", "HttpOnly", "Path=/desk", "SameSite=Lax"}


def test_the_store_keeps_no_token(client: FlaskClient, parts: Parts) -> None:
    log_in(client, "nia", PASSWORD)
    with parts.store.database.read() as connection:
        rows = str(connection.execute(select(account_sessions)).all())

    assert "nia" in rows
    assert token(client) not in rows


def test_a_refusal_never_tells_what_was_wrong(client: FlaskClient, parts: Parts) -> None:
    make_account(parts, "gone", "programme", "*")
    parts.accounts.set_disabled("gone", True, parts.service.clock(), "test")
    tries = [("nia", "wrong-password"), ("nobody", PASSWORD), ("gone", PASSWORD), ("nia", "")]
    answers = [log_in(client, *typed) for typed in tries]

    pages = {without_key(a.text).replace(f'value="{name}"', "")
             for a, (name, _) in zip(answers, tries, strict=True)}  # fmt: skip
    assert len(pages) == 1
    assert REFUSED in pages.pop()
    assert {a.status_code for a in answers} == {403}
    assert not is_in(client)


def test_the_trail_names_only_accounts_that_there_are(client: FlaskClient, parts: Parts) -> None:
    log_in(client, PASSWORD, "nia")  # the password in the wrong field
    log_in(client, "nia", "wrong-password")
    log_in(client, "nia", PASSWORD)

    assert trail(parts)[-3:] == [
        ("", "login.refused", "unknown"), ("nia", "login.refused", "password"),
        ("nia", "login", "")]  # fmt: skip
    with parts.store.database.read() as connection:
        assert PASSWORD not in str(audit.lines(connection))


def test_five_wrong_tries_close_an_account_for_a_minute(
    client: FlaskClient, parts: Parts, clock: FakeClock
) -> None:
    for _ in range(5):
        log_in(client, "nia", "wrong-password")
    log_in(client, "nia", PASSWORD)
    assert not is_in(client)
    assert [what for _, what, _ in trail(parts)].count("login.locked") == 1
    assert trail(parts)[-1] == ("nia", "login.refused", "locked")

    clock.passes(minutes=1)
    log_in(client, "nia", PASSWORD)
    assert is_in(client)


def test_four_wrong_tries_are_forgotten_at_a_log_in(client: FlaskClient) -> None:
    for _ in range(3):
        for _ in range(4):
            log_in(client, "nia", "wrong-password")
        log_in(client, "nia", PASSWORD)
        assert is_in(client)
        log_out(client)


def test_a_demonstrations_password_opens_nothing_in_service(
    tmp_path: Path, config: Config, parts: Parts, clock: FakeClock
) -> None:
    """The same data folder: somebody tried the demonstration there first."""
    shown = build(demo_config(1, tmp_path), clock=clock)
    demo = create_app(demo_config(1, tmp_path), shown)
    log_in(demo.test_client())
    demo.extensions["soakbell_receipts"].close()
    shown.store.close()
    client = create_app(config, parts).test_client()

    assert log_in(client).status_code == 403
    assert not is_in(client)


def test_without_any_account_the_page_says_how_one_is_made(app: Flask) -> None:
    page = app.test_client().get("/desk/login")

    assert page.status_code == 200
    assert "soakbell account add NAME --role administrator" in page.text
    assert "<form" not in page.text


# ---- sessions end -------------------------------------------------------------------------------


def test_a_log_in_ends_after_half_an_hour_unused(client: FlaskClient, clock: FakeClock) -> None:
    log_in(client, "nia", PASSWORD)
    for _ in range(3):
        clock.passes(minutes=29)
        assert is_in(client)
    clock.passes(minutes=30)
    assert not is_in(client)


def test_a_log_in_ends_after_twelve_hours_however_busy(
    client: FlaskClient, clock: FakeClock
) -> None:
    log_in(client, "nia", PASSWORD)
    for _ in range(47):  # to a quarter of an hour before the end
        clock.passes(minutes=15)
        assert is_in(client)
    clock.passes(minutes=15)
    assert not is_in(client)


def log_out(client: FlaskClient) -> TestResponse:
    return client.post("/desk/logout", data={"csrf": form_key(client.get("/desk").text)})


def test_the_way_out_ends_the_session_in_the_store_too(client: FlaskClient, parts: Parts) -> None:
    log_in(client, "nia", PASSWORD)
    kept = token(client)
    assert log_out(client).location == "/desk/login"
    assert token(client) == ""

    client.set_cookie("soakbell_desk", kept, path="/desk")
    assert not is_in(client)
    assert trail(parts)[-1] == ("nia", "logout", "")


def test_out_again_when_it_was_over_already_is_no_mistake(
    client: FlaskClient, clock: FakeClock
) -> None:
    log_in(client, "nia", PASSWORD)
    key = form_key(client.get("/desk").text)
    clock.passes(days=1)

    assert client.post("/desk/logout", data={"csrf": key}).location == "/desk/login"


def test_whoever_is_disabled_is_out_at_once(client: FlaskClient, parts: Parts) -> None:
    log_in(client, "nia", PASSWORD)
    assert is_in(client)
    parts.accounts.set_disabled("nia", True, parts.service.clock(), "test")

    assert not is_in(client)
    log_in(client, "nia", PASSWORD)
    assert not is_in(client)


def test_a_token_that_the_browser_came_with_is_never_the_one_she_is_in_by(
    client: FlaskClient,
) -> None:
    planted = "p" * 43
    client.set_cookie("soakbell_desk", planted, path="/desk")
    log_in(client, "nia", PASSWORD)
    first = token(client)
    assert first != planted
    log_out(client)
    log_in(client, "nia", PASSWORD)
    assert token(client) not in (planted, first)


# ---- forms from elsewhere, addresses elsewhere --------------------------------------------------


@pytest.mark.parametrize("key", ["", "x", "k" * 43])
def test_a_log_in_form_from_another_site_is_refused(client: FlaskClient, key: str) -> None:
    client.get("/desk/login")
    typed = {"csrf": key, "name": "nia", "password": PASSWORD}
    answer = client.post("/desk/login", data=typed)

    assert answer.status_code == 403
    assert STALE in answer.text.replace("\n", " ")
    assert not is_in(client)


def test_a_form_without_its_cookie_is_refused(app: Flask, client: FlaskClient) -> None:
    key = form_key(client.get("/desk/login").text)
    other = app.test_client()
    answer = other.post("/desk/login", data={"csrf": key, "name": "nia", "password": PASSWORD})

    assert answer.status_code == 403
    assert not is_in(other)


def test_nobody_elses_form_logs_her_out(app: Flask, client: FlaskClient) -> None:
    log_in(client, "nia", PASSWORD)
    other = app.test_client()
    log_in(other, "nia", PASSWORD)
    of_other = form_key(other.get("/desk").text)

    for key in ("", "x", of_other):
        assert client.post("/desk/logout", data={"csrf": key}).status_code == 403
    assert is_in(client)


OUTSIDE = [
    "https://evil.invalid/", "//evil.invalid", "/\\evil.invalid", "/desk\\..\\evil", "/handset",
    "/desk/../api", "/desk//evil.invalid", "/desk@evil.invalid", "/deskside", "/desk/nothing",
    "/desk/login", "/desk/logout", "/desk/login/code", "javascript:alert(1)", "desk", "",
    "/desk/card/HIGH\r\nSet-Cookie: a=b", "/desk?" + "x" * 400, " /desk/card/HIGH",
]  # fmt: skip


@pytest.mark.parametrize("target", OUTSIDE)
def test_a_log_in_leads_to_the_first_page_rather_than_elsewhere(
    client: FlaskClient, target: str
) -> None:
    assert log_in(client, "nia", PASSWORD, target).location == "/desk"
    asked = client.get("/desk/login", query_string={"next": target})  # in already
    assert asked.location == "/desk"


@pytest.mark.parametrize("target", ["/desk/card/HIGH", "/desk/label?facility=HIGH", "/desk"])
def test_a_log_in_leads_to_where_she_was_going(client: FlaskClient, target: str) -> None:
    bare = client.get(target)
    assert client.get(bare.location).status_code == 200
    assert log_in(client, "nia", PASSWORD, target).location == target


# ---- the code by SMS ----------------------------------------------------------------------------


def test_with_a_code_by_sms_the_password_alone_opens_nothing(
    client: FlaskClient, parts: Parts, clock: FakeClock, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    answer = log_in(client, "juma", PASSWORD, "/desk/card/HIGH")
    pending = token(client)
    assert answer.location == "/desk/login/code?next=/desk/card/HIGH"
    assert not is_in(client)

    code = sent_code(parts, clock)
    answer = enter(client, code, "/desk/card/HIGH")
    assert answer.location == "/desk/card/HIGH"
    assert is_in(client)
    assert token(client) != pending
    client.set_cookie("soakbell_desk", pending, path="/desk")
    assert not is_in(client)

    assert [what for _, what, _ in trail(parts)[-2:]] == ["login.code_sent", "login"]
    for secret in (code, JUMA.lstrip("+"), pending):
        assert secret not in caplog.text
        assert secret not in str(trail(parts))


def test_a_code_may_be_typed_in_groups(
    client: FlaskClient, parts: Parts, clock: FakeClock
) -> None:
    log_in(client, "juma", PASSWORD)
    code = sent_code(parts, clock)
    enter(client, f" {code[:3]} {code[3:]}")

    assert is_in(client)


def another(code: str) -> str:
    return f"{(int(code) + 1) % 1_000_000:06}"


def test_after_five_wrong_codes_the_right_one_is_no_use(
    client: FlaskClient, parts: Parts, clock: FakeClock
) -> None:
    log_in(client, "juma", PASSWORD)
    pending, code = token(client), sent_code(parts, clock)
    pages = [enter(client, another(code)).text for _ in range(5)]

    assert [WRONG_CODE in page for page in pages] == [True] * 4 + [False]
    assert OVER in pages[-1]
    client.set_cookie("soakbell_desk", pending, path="/desk")
    assert client.get("/desk/login/code").location.startswith("/desk/login")
    assert not is_in(client)
    assert [what for _, what, _ in trail(parts)].count("login.code_wrong") == 5


def test_four_wrong_codes_leave_one_more_try(
    client: FlaskClient, parts: Parts, clock: FakeClock
) -> None:
    log_in(client, "juma", PASSWORD)
    code = sent_code(parts, clock)
    for _ in range(4):
        enter(client, another(code))
    enter(client, code)

    assert is_in(client)


def test_a_code_is_over_after_ten_minutes(
    client: FlaskClient, parts: Parts, clock: FakeClock
) -> None:
    log_in(client, "juma", PASSWORD)
    code = sent_code(parts, clock)
    key = form_key(client.get("/desk/login/code").text)
    clock.passes(minutes=10)
    client.post("/desk/login/code", data={"csrf": key, "code": code})

    assert not is_in(client)


def test_a_code_belongs_to_its_own_log_in(
    app: Flask, client: FlaskClient, parts: Parts, clock: FakeClock
) -> None:
    other = app.test_client()
    log_in(client, "juma", PASSWORD)
    log_in(other, "juma", PASSWORD)
    first, second = sent_code(parts, clock), sent_code(parts, clock)
    assert first != second, "one time in a million they are the same"
    enter(client, second)

    assert not is_in(client)


def test_codes_that_nobody_enters_close_the_account_for_a_while(
    client: FlaskClient, parts: Parts
) -> None:
    """Whoever has the password alone cannot have texts sent without end."""
    for _ in range(5):
        assert log_in(client, "juma", PASSWORD).status_code == 303
    assert log_in(client, "juma", PASSWORD).status_code == 403
    assert trail(parts)[-1] == ("juma", "login.refused", "locked")


def test_a_form_with_a_code_from_another_site_is_refused(
    client: FlaskClient, parts: Parts, clock: FakeClock
) -> None:
    log_in(client, "juma", PASSWORD)
    code = sent_code(parts, clock)

    assert client.post("/desk/login/code", data={"csrf": "x", "code": code}).status_code == 403
    assert not is_in(client)


def test_nobody_gets_in_without_the_code_because_its_person_left(
    client: FlaskClient, parts: Parts
) -> None:
    register = read_register(DEMO, None)
    others = tuple(m for m in register.people if m.person.id != "P8")
    announce(parts, replace(register, people=others))
    answer = log_in(client, "juma", PASSWORD)

    assert answer.status_code == 403
    assert "not in the register" in answer.text
    assert not is_in(client)


# ---- for pages that others add ------------------------------------------------------------------


def test_a_page_of_another_blueprint_has_the_same_gate(app: Flask, parts: Parts) -> None:
    made: list[str] = []
    pages = Blueprint("more", __name__, url_prefix="/desk/more")
    Door(parts.accounts, parts.log_ins, parts.service.outbox, parts.wording.render,
         parts.service.clock, secure=True).stand_before(pages)  # fmt: skip

    @pages.post("/<facility>")
    def change(facility: str) -> tuple[str, int]:
        if not sees(g.account, "TAM", facility):
            return "", 404
        made.append(facility)
        return "done", 200

    app.register_blueprint(pages)
    make_account(parts, "high", "in_charge", "HIGH")
    client = app.test_client()
    assert client.post("/desk/more/HIGH").status_code == 403
    log_in(client, "high", PASSWORD)
    key = form_key(client.get("/desk").text)
    assert client.post("/desk/more/HIGH").status_code == 403
    assert client.post("/desk/more/HIGH", data={"csrf": "x"}).status_code == 403
    assert made == []
    assert client.post("/desk/more/LOWF", data={"csrf": key}).status_code == 404
    assert client.post("/desk/more/HIGH", data={"csrf": key}).text == "done"
    assert made == ["HIGH"]
