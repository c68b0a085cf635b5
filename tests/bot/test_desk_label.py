"""The label of a solution: what is printed, and what gets a sentence and no label."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

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

ZONE = ZoneInfo("Africa/Dar_es_Salaam")  # of both demonstration facilities, UTC+3


class Form:
    """The label's form, filled in rightly unless a test says otherwise, an hour after *made*."""

    def __init__(self, client: FlaskClient, clock: FakeClock) -> None:
        self.client = client
        clock.now = datetime(2025, 3, 3, 9, 15, tzinfo=ZONE).astimezone(UTC)
        log_in(client)

    def send(self, **fields: str) -> TestResponse:
        good = {"facility": "HIGH", "product": "bleach", "percent": "0.51", "target": "0.5",
                "made": "2025-03-03T08:15", "by": "n.k.", "celsius": "25"}  # fmt: skip
        return self.client.get("/desk/label", query_string=good | fields)


@pytest.fixture
def form(tmp_path: Path, clock: FakeClock) -> Iterator[Form]:
    config = demo_config(1, tmp_path)
    parts = build(config, clock=clock)
    announce(parts, read_register(DEMO, None))
    app = create_app(config, parts)
    yield Form(app.test_client(), clock)
    app.extensions["soakbell_receipts"].close()
    parts.store.close()


def test_the_empty_form_is_no_mistake(form: Form) -> None:
    answer = form.client.get("/desk/label")

    assert answer.status_code == 200
    assert "THROW AWAY" not in answer.text
    assert 'value="2025-03-03T09:15"' in answer.text  # now, by the facility's clock


def test_a_label_says_what_how_strong_when_by_whom_and_until_when(form: Form) -> None:
    """24 h of life: a South African primary-care guideline, as the protocol has it."""
    answer = form.send()

    assert answer.status_code == 200
    for said in ("CHLORINE (bleach)", "0.51 %", "Made: <strong>2025-03-03 08:15</strong>", "NK",
                 "THROW AWAY at 2025-03-04 08:15", "doubtful"):  # fmt: skip
        assert (said in answer.text) == (said != "doubtful")


@pytest.mark.parametrize("celsius", ["40", ""])
def test_nadcc_in_the_heat_or_nobody_knows_where_is_doubtful_early(
    form: Form, celsius: str
) -> None:
    """Iqbal et al. 2016: 0.5 % at 40 C is under 90 % of its strength after 0.82 h, 49 min."""
    assert "doubtful from 2025-03-03 09:04" in form.send(product="NaDCC", celsius=celsius).text


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"percent": "0.4"}, "weaker than the target"),
        ({"percent": "0.1", "target": "0.1"}, "weaker than the protocol"),
        ({"percent": "3.5"}, "stronger than the protocol allows"),
        ({"percent": "much"}, "as a number"),
        ({"percent": "nan"}, "as a number"),
        ({"percent": ""}, "as a number"),
        ({"product": "vinegar"}, "from the list"),
        ({"made": "this morning"}, "2025-03-31 08:15"),
        ({"made": "2025-03-03T09:16"}, "in the future"),
        ({"made": "2025-03-02T09:15"}, "over already"),
        ({"made": "0001-01-01T00:00"}, "2025-03-31 08:15"),
        ({"by": ""}, "initials"),
        ({"by": "Imani Juma"}, "initials"),
        ({"by": "12025550101"}, "initials"),
        ({"celsius": "warm"}, "as a number"),
    ],
)
def test_what_cannot_be_gets_a_sentence_and_keeps_what_was_typed(
    form: Form, fields: dict[str, str], said: str
) -> None:
    answer = form.send(**fields)

    assert answer.status_code == 400
    assert said in answer.text
    assert "THROW AWAY" not in answer.text
    kept = {"percent": "0.51", "made": "2025-03-03T08:15", "by": "n.k."} | fields
    for name, value in kept.items():
        assert name == "product" or f'value="{value}"' in answer.text


def test_what_is_typed_stays_text(form: Form) -> None:
    answer = form.send(by='"><script>x</script>')

    assert "<script" not in answer.text


def test_a_facility_that_is_not_there_is_said_so(form: Form) -> None:
    assert form.send(facility="NONE").status_code == 404
