"""The sums of the desk: against printed tables and formulas, and what bad input gets."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from bot.config import demo_config
from bot.register_files import read_register
from bot.web import create_app
from bot.wiring import announce, build
from tests.bot.desk_stand import log_in
from tests.bot.store_stand import DEMO

if TYPE_CHECKING:
    from tests.conftest import FakeClock

MIX = {"stock": "liquid", "strength": "3.5", "litres": "7", "target": "0.5"}
LOAD = {"machine": "gravity", "load": "wrapped", "celsius": "121", "minutes": "30",
        "altitude": "2000", "indicator": "changed", "wet": "no"}  # fmt: skip


@pytest.fixture
def client(tmp_path: Path, clock: FakeClock) -> Iterator[FlaskClient]:
    config = demo_config(1, tmp_path)
    parts = build(config, clock=clock)
    announce(parts, read_register(DEMO, None))
    app = create_app(config, parts)
    client = app.test_client()
    log_in(client)
    yield client
    app.extensions["soakbell_receipts"].close()
    parts.store.close()


def get(client: FlaskClient, name: str, typed: dict[str, str]) -> TestResponse:
    return client.get(f"/desk/{name}", query_string=typed)


def test_one_part_of_bleach_and_six_of_water(client: FlaskClient) -> None:
    """CDC, Best Practices for Environmental Cleaning, App. E: 3.5 % to 0.5 % is 1 + 6."""
    answer = get(client, "mix", MIX)

    assert answer.status_code == 200
    assert "6000 mL" in answer.text
    assert "1000 mL" in answer.text


@pytest.mark.parametrize(("gauge", "accepted"), [("15psi", False), ("18.3psi", True)])
def test_a_gauge_at_2000_m(client: FlaskClient, gauge: str, accepted: bool) -> None:
    """IF97 and the standard atmosphere: 121 C needs 125.5 kPa there, 18.2 psi."""
    answer = get(client, "cycle", LOAD | {"gauge": gauge})

    assert answer.status_code == 200
    assert ("<strong>NOT ACCEPTED" in answer.text) != accepted


@pytest.mark.parametrize("name", ["mix", "cycle", "plan"])
def test_the_empty_form_is_no_mistake_and_needs_a_log_in(client: FlaskClient, name: str) -> None:
    assert get(client, name, {}).status_code == 200
    bare = client.application.test_client()
    assert bare.get(f"/desk/{name}").location == f"/desk/login?next=/desk/{name}"


def test_bad_input_is_kept_and_escaped(client: FlaskClient) -> None:
    answer = get(client, "mix", MIX | {"litres": "<b>ten"})

    assert answer.status_code == 400
    assert "&lt;b&gt;ten" in answer.text
    assert "<b>ten" not in answer.text
    assert 'value="3.5"' in answer.text


def test_the_sets_are_those_of_erlangs_formula(client: FlaskClient) -> None:
    """By hand, B = (a^n/n!) / sum(a^k/k!): for a = 1, n = 4 is 1/65 and n = 5 is 1/326."""
    typed = {"births": "720", "fraction": "0.1", "turnaround": "10", "risk": "0.01"}

    answer = get(client, "plan", typed)

    assert answer.status_code == 200
    assert "Sets needed: 5." in answer.text
