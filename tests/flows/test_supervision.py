"""The supervisor's screens as data: what is in force is sound, and what would not be is found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from bot.catalogues import load_catalogues
from flows.supervision import MAIN, SCREENS, SHARED, WORDS, Choice, Screen, check

ENGLISH = set(load_catalogues()["en"])


def edited(name: str, **changes: object) -> Mapping[str, Screen]:
    """The screens in force with one of them changed."""
    return {**SCREENS, name: replace(SCREENS[name], **changes)}  # type: ignore[arg-type]


def test_the_screens_in_force_have_no_fault() -> None:
    assert check(SCREENS, ENGLISH) == []


def test_each_answer_of_the_five_has_its_digit() -> None:
    """1 seen 2 mine 3 solved 4 ask 5 pass on, as the text of an alert says."""
    alert = SCREENS["alert"].choices
    why, ask = (SCREENS[alert[d].to].word for d in "34")

    assert [alert[d].deed for d in "125"] == ["seen", "taken", "passed"]
    assert [word.deed for word in (why, ask) if word] == ["solved", "asked"]


def test_no_digit_answers_an_alert_but_on_the_screen_of_that_alert() -> None:
    """Nor on the screen that an answer leads to: a digit sent twice must not answer another."""
    deeds = {"seen", "taken", "solved", "asked", "passed"}
    answer = {s.id for s in SCREENS.values() for c in s.choices.values() if c.deed in deeds}

    assert answer == {"alert"}


def test_what_a_facility_shares_stays_within_it_but_for_the_end() -> None:
    for name in SHARED:
        assert set(SCREENS[name].leads) - set(SHARED) <= {MAIN, "answered"}, name


@pytest.mark.parametrize(
    ("screens", "fault"),
    [
        (edited("overdue", choices={"1": Choice("nowhere")}), "overdue: leads to nowhere"),
        (edited("overdue", back="overdue"), "overdue: a dead end, 0 never leads"),
        (edited("overdue", choices={}), "overdue: a dead end, nothing but 0"),
        (edited("overdue", choices={"8": Choice("alerts")}), "overdue: 0, 8 and 9 mean"),
        (edited("alerts", rows=""), "alerts: digits pick from a list"),
        (edited("alerts", choices={"1": Choice("overdue")}), "alerts: a digit would mean a row"),
        (edited("alert_why", choices={"1": Choice("overdue")}), "alert_why: words are asked for"),
        (edited("silence", choices={"1": Choice(MAIN, "sing")}), "silence: nobody knows"),  # type: ignore[arg-type]
        ({**SCREENS, "odd": Screen("odd", {"1": Choice(MAIN)})}, "odd: lost"),
        ({k: s for k, s in SCREENS.items() if k != MAIN}, "above is not there"),
    ],
)
def test_a_fault_is_found(screens: Mapping[str, Screen], fault: str) -> None:
    prompts = ENGLISH | {"screen.odd"}

    assert any(found.startswith(fault) for found in check(screens, prompts))


def test_a_missing_text_and_a_word_that_leads_nowhere_are_found() -> None:
    lacks = ENGLISH - {"screen.overdue"}
    assert check(SCREENS, lacks) == ["overdue: prompt screen.overdue is missing"]
    assert check(SCREENS, ENGLISH, {**WORDS, "sing": "opera"}) == [
        "word sing: leads to opera, which is not a screen"
    ]
