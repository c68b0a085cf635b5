"""The API keeps to its own description: requests made from it by chance, right ones and wrong ones.

The chance is the same in every run. What a description cannot say is told here: a cursor is one
that a list gave, the last day is not before the first, and a message to other systems needs a place
and something to say (`test_api_counts.py` has those).
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema_rs
import msgspec
import pytest
import schemathesis
from flask import Flask
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from schemathesis.config import SchemathesisConfig
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import positive_data_acceptance

from bot.accounts import digest
from bot.api import api
from bot.cursors import cursor_of
from bot.effects import Checked, Conditions, Gap, Mixed, Pushed
from bot.message import Message
from bot.model import SetState
from bot.openapi import document
from bot.store import Store
from bot.tokens import Token, Tokens
from tests.bot.store_stand import START, alert, batch, closed, demo_register, raised, ready, record

MOST = 12  # examples by chance of one operation; those at the edges come on top
DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
IDS = ("LOWF-1", "LOWF-2", "LOWF-9", "B/1")

CHECK = Checked("LOWF-20250303T040000Z", "LOWF", "TAM", START, START, "P1", None,
                {"BAG-1": "well"}, 3, 1, 5, 1, 12.0, done=True)  # fmt: skip
MESSAGE = Message("m1", "LOWF", "TAM", "LOWF-1", "prompt", "P1", START, 1, "sent", START)
GAP = Gap("LOWF-bag-1", "LOWF", "TAM", "bag", START, None)
MIXED = Mixed("LOWF-mix-1", "LOWF", "TAM", START, START + timedelta(days=1), 0.5, 2.0, "bleach",
              "LOWF-S1", "P1")  # fmt: skip
USED = Conditions("LOWF", (SetState("SUC-1", "USED", START),))
PUSHED: tuple[tuple[str, Pushed], ...] = (
    ("batches", record(closed(), ready(closed()))), ("batches", record(batch("LOWF-2"))),
    ("sets", USED), ("alerts", raised(alert())), ("messages", MESSAGE), ("checks", CHECK),
    ("gaps", GAP), ("mixes", MIXED))


@dataclass
class Served:
    """The application of the test that runs."""

    app: Any = None

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Any:
        return self.app(environ, start_response)


served = Served()
schemathesis.openapi.format("cursor", st.builds(
    cursor_of, st.builds(START.__add__, st.timedeltas(-timedelta(days=5000), timedelta(days=5000))),
    st.sampled_from(IDS)))  # fmt: skip
config = SchemathesisConfig()
# Every request here carries a right token; others are tried in `test_api`.
config.projects.default.generation.update(with_security_parameters=False)
contract = schemathesis.openapi.from_dict(document(), config=config)
contract.app = served


@pytest.fixture(scope="module")
def seeded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one of everything."""
    path = tmp_path_factory.mktemp("seeded") / "store.db"
    store = Store(f"sqlite:///{path}")
    store.migrate()
    store.save_register(demo_register())
    store.record([doc for _, doc in PUSHED])
    store.close()
    return path


@pytest.fixture
def serving(seeded: Path, tmp_path: Path) -> Iterator[None]:
    """The API over a copy of it, so that no test sees what another posted."""
    path = shutil.copy(seeded, tmp_path / "store.db")
    store = Store(f"sqlite:///{path}")
    tokens = Tokens(store.database, {digest("all"): Token("all")})
    served.app = Flask(__name__)
    served.app.register_blueprint(api(store, tokens, lambda: START + timedelta(days=1)))
    yield
    store.close()


@contract.hook
def map_query(_context: Any, query: dict[str, Any] | None) -> dict[str, Any] | None:
    """The first day before the last one, where both are days."""
    span = [(query or {}).get(name) for name in ("from", "to")]
    if not all(isinstance(day, str) and DAY.fullmatch(day) for day in span):
        return query
    return {**(query or {}), **dict(zip(("from", "to"), sorted(map(str, span)), strict=True))}


@contract.parametrize()
@settings(max_examples=MOST, derandomize=True, deadline=None, database=None,
          phases=[Phase.explicit, Phase.generate],
          suppress_health_check=list(HealthCheck))  # fmt: skip
def test_what_is_answered_is_what_is_described(case: Any, serving: None) -> None:
    # What may be posted has rules that a schema cannot say, such as that a log is numbered upwards.
    rules = [positive_data_acceptance] if case.method == "POST" else []
    if (case.query or {}).get("format") in ("adx", "fhir"):
        case.query["format"] = "json"
    headers = {"Authorization": "Bearer all", "Accept-Encoding": "identity"}
    case.call_and_validate(headers=headers, excluded_checks=rules)


def test_every_operation_is_tried() -> None:
    tried = {found.ok().label for found in contract.get_all_operations() if isinstance(found, Ok)}

    assert tried == {f"{method.upper()} {path}" for path, item in document()["paths"].items()
                      for method in item}  # fmt: skip


@pytest.mark.parametrize(("name", "doc"), PUSHED)
def test_what_one_soakbell_sends_another_is_what_may_be_posted(name: str, doc: Pushed) -> None:
    described = document()
    content = described["paths"][f"/{name}"]["post"]["requestBody"]["content"]
    schema = {**content["application/json"]["schema"], "components": described["components"]}
    fits = jsonschema_rs.validator_for(schema, validate_formats=True).is_valid
    sent = msgspec.json.decode(msgspec.json.encode(doc))

    assert fits(sent)
    assert fits([sent, sent])
    assert not fits(next(iter(sent.values())))
