"""A browser without a screen: a client of the desk, logged in, on a district at work."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import unescape

from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from bot.accounts import AccountRole
from bot.wiring import Parts
from tests.bot.desk_stand import PASSWORD, form_key, log_in, make_account
from tests.phone import World

MOST_BYTES = 60_000
DIALLED = re.compile(r"\+?1?2025550\d\d\d")


@dataclass
class Reader:
    """Whoever is logged in, and what she reads."""

    client: FlaskClient

    def opens(self, path: str, **headers: str) -> TestResponse:
        """The answer to GET /desk*path*."""
        return self.client.get(f"/desk{path}", headers=headers)

    def reads(self, path: str) -> str:
        """The words of the page, which must be there, light, and name no phone."""
        answer = self.opens(path)
        assert answer.status_code == 200, f"{path}: {answer.status_code}"
        assert len(answer.data) < MOST_BYTES
        assert not DIALLED.search(answer.text)
        return words(answer.text)


def reader(app: Flask, parts: Parts, role: AccountRole, place: str, name: str = "") -> Reader:
    """A new account of *role* at *place*, logged in."""
    name = name or f"{role.replace('_', '-')}-{place.lower().replace('*', 'all')}"
    make_account(parts, name, role, place)
    client = app.test_client()
    assert log_in(client, name, PASSWORD).status_code == 303
    return Reader(client)


def chief(app: Flask, world: World) -> Reader:
    """The supervisor of TAM, logged in now."""
    return reader(app, world.parts, "supervisor", "TAM")


def words(page: str) -> str:
    """What a page says, without its tags and with single spaces."""
    bare = re.sub(r"<[^>]*>", "", re.sub(r"</(td|th|li|p|h\d|dt|dd)>|<br>", " ", page))
    return re.sub(r"\s+", " ", unescape(bare))


def once(page: str) -> str:
    """What makes a form of an answer the same form when it is sent again."""
    found = re.search(r'name="once" value="([^"]+)"', page)
    assert found, "the page has no answer to send"
    return found[1]


def answers(who: Reader, alert_id: str, kind: str, word: str = "") -> TestResponse:
    """Fill in the form of the page of *alert_id* and send it."""
    page = who.opens(f"/alert/{alert_id}").text
    form = {"csrf": form_key(page), "once": once(page), "answer": kind, "word": word}
    return who.client.post(f"/desk/alert/{alert_id}", data=form)
