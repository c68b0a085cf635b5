"""What is asked and explained: no text with a gap in it."""

from __future__ import annotations

import pytest

from bot.asking import ask, explain
from bot.catalogues import load_catalogues
from bot.effects import Prompt
from flows.prompts import holes
from flows.reprocess import REPROCESS
from tests.bot.wording_stand import BOOK, batch, groups, said

ENGLISH = load_catalogues()["en"]
STAGES = [s for s in REPROCESS.stages.values() if s.id != "not_ready"]


def gaps(prompt: Prompt) -> set[str]:
    """The holes of a prompt, and of the prompts in it, that nothing fills."""
    found = holes(ENGLISH.get(prompt.key, "")) - set(prompt.values)
    for value in prompt.values.values():
        if isinstance(value, Prompt):
            found |= gaps(value)
    return found


@pytest.mark.parametrize("stage", STAGES, ids=lambda s: s.id)
def test_no_question_and_no_help_has_a_gap(stage) -> None:  # type: ignore[no-untyped-def]
    for sets in groups():
        for pace in ("guided", "brief"):
            at = batch(stage.id, sets)
            if stage.kind != "wait":
                assert gaps(ask(at, BOOK, said(), pace)) == set()
            assert gaps(explain(at, BOOK, pace, stepwise=False)) == set()


def test_the_help_of_a_page_offers_the_answers_of_the_page() -> None:
    """Else "1 ready", which help said of one step, would be taken for all of them."""
    sets = next(iter(groups()))

    shown = explain(batch("protect", sets), BOOK, "brief", stepwise=False)

    foot = shown.values["foot"]
    assert isinstance(foot, Prompt)
    assert foot.key == "foot.page"
    inner = shown.values["ask"]
    assert isinstance(inner, Prompt)
    assert inner.key == "page.help"
