"""How tests come in at the desk: through its own log-in page, like anybody else."""

from __future__ import annotations

import re
from collections.abc import Callable

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from bot.accounts import Account, AccountRole
from bot.wiring import Parts

PASSWORD = "reed-boat-lamp"

As = Callable[..., FlaskClient]


def form_key(page: str) -> str:
    """What the first form of a page must bring back."""
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    assert found, "the page has no form to send"
    return found[1]


def without_key(page: str) -> str:
    """The page without what differs from one log-in to the next."""
    return page.replace(form_key(page), "")


def log_in(
    client: FlaskClient, name: str = "desk", password: str = "demo", target: str = ""  # noqa: S107
) -> TestResponse:
    """Type *name* and *password* on the log-in page, reached on the way to *target*."""
    page = client.get("/desk/login", query_string={"next": target})
    typed = {"csrf": form_key(page.text), "name": name, "password": password, "next": target}
    return client.post("/desk/login", data=typed)


def make_account(
    parts: Parts, name: str, role: AccountRole, place: str, person: str = ""
) -> Account:
    """An account with PASSWORD."""
    made = Account(name, name.title(), role, place)
    parts.accounts.add(made, PASSWORD, parts.service.clock(), "test", person)
    return made
