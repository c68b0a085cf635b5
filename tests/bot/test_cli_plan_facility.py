"""`soakbell plan --facility`: the same answer as at the desk, for people and for programs."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from bot.catalogues import load_catalogues
from bot.cli import main
from bot.cli_answer import Answer
from bot.cli_plan_facility import worked_out
from bot.config import demo_config
from bot.rules import Rules
from bot.store import Store
from bot.wiring import load_rules
from bot.wording import Wording
from flows.planning import Amounts
from tests.bot.planning_stand import DAY, past, solution
from tests.bot.store_stand import START, demo_register


@pytest.fixture
def kept(tmp_path: Path) -> Store:
    """LOWF used a bag a day for twelve weeks, 12 h each; two are owned."""
    made = Store(f"sqlite:///{tmp_path / 'store.db'}")
    made.migrate()
    made.save_register(demo_register())
    first = START - 84 * DAY
    made.record([*past(first, 84, 12), solution(1, first)])
    return made


@pytest.fixture
def rules(tmp_path: Path) -> Rules:
    return load_rules(demo_config(1, tmp_path), Wording(load_catalogues()))


def ask(kept: Store, rules: Rules, facility: str) -> Answer:
    return worked_out(kept, rules, facility, START, Amounts(0, 100, 0, 0), 0.0)


def test_the_need_in_words_and_as_data(kept: Store, rules: Rules) -> None:
    """B(2, 0.5) = 1/13 and B(1, 0.5) = 1/3, by hand; 30 batches a month."""
    answer = ask(kept, rules, "LOWF")
    said, data = "\n".join(answer.lines), json.loads(json.dumps(answer.data, default=str))
    kept.close()

    assert "Needed: 4. Owned: 2. Short by 2: buy 2." in said
    assert "with 1: 33 % of the uses find none READY" in said
    assert "vinegar: 3000 mL" in said
    [bag, _] = data["needs"]
    assert (bag["sized"]["needed"], bag["short"], bag["buy"]) == (4, 2, 2)
    assert bag["sized"]["now"] == pytest.approx(1 / 13)
    assert bag["turnaround"] == {"hours": 12.0, "of": 84}
    assert data["observed"]["mixes"] == [
        {"stock": "LOWF-4", "product": "bleach", "solutions": 1}]  # fmt: skip


def test_too_little_is_said_and_an_unknown_facility_is_refused(kept: Store, rules: Rules) -> None:
    answer = ask(kept, rules, "HIGH")
    with pytest.raises(ValueError, match="no facility NOWHERE"):
        ask(kept, rules, "NOWHERE")
    kept.close()

    assert "Too little is known yet to say how many are needed." in "\n".join(answer.lines)
    assert answer.data["needs"][0]["sized"] is None
    assert answer.data["supplies_per_month"] is None


@pytest.mark.parametrize(
    "words", [["--facility", "LOWF", "--births", "3"], ["--facility", "LOWF", "--simulate"],
              ["--births", "3"], []],
)  # fmt: skip
def test_numbers_of_its_own_or_numbers_given_and_not_both(
    words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)

    assert main(["plan", *words]) == 2
    assert "--facility" in capsys.readouterr().err
