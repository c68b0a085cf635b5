"""Every text about alerts fits one SMS, whole: the code, somebody's words, the five answers."""

from __future__ import annotations

import pytest

from bot.effects import Prompt
from flows.prompts import fits
from tests.bot.above_stand import SETS, WORDING, answers_said, text_of, told
from tests.bot.wording_stand import NOW, RULES


def shown(prompt: Prompt, *, demo: bool = False) -> str:
    return WORDING.render(prompt, "en", "UTC", False, demo)


ANSWERS = list(answers_said(RULES, NOW))
TOLD = list(told(RULES, NOW))


@pytest.mark.parametrize("demo", [False, True])
def test_what_an_answer_says_fits_whole(demo: bool) -> None:
    assert len(ANSWERS) > 100
    for what, prompt in ANSWERS:
        text = shown(prompt, demo=demo and what.startswith("told on"))
        assert fits(text), (what, len(text), text)
        assert text.removeprefix("DEMO ") == text_of(prompt), what


@pytest.mark.parametrize("demo", [False, True])
def test_an_alert_is_told_with_its_code_and_how_to_answer(demo: bool) -> None:
    for what, prompt in TOLD:
        text = shown(prompt, demo=demo)
        assert fits(text), (what, len(text), text)
        if what != "digest":
            code = prompt.values["code"]
            assert text.removeprefix("DEMO ").startswith(f"{code} "), text
            assert what.endswith("nurse") or text.endswith(("5 pass on", "ALERTS")), text


def test_where_room_is_short_sets_are_cut_but_never_a_code_or_somebodys_words() -> None:
    values = {"code": "W" * 17, "name": "W" * 12, "word": "W" * 80, "what": "W" * 40}
    text = WORDING.render(Prompt("alert.solved", {**values, "x": "y"}), "en", "UTC", False, False)
    assert "W" * 80 in text

    values = {"code": "W" * 17, "sets": "+".join((*SETS, "5")), "what": "W" * 99, "since": "W" * 30}
    text = WORDING.render(Prompt("overdue.alert", values), "en", "UTC", False, False)
    assert text.startswith(f"{'W' * 17} {SETS[0]}+6 ")
