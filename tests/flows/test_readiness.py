"""The shift check as data: nothing in it leads nowhere, nothing but "well" leaves a set READY."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bot.catalogues import load_catalogues
from flows.readiness import (
    ALL,
    BIRTHS,
    DONE,
    HELPED,
    NEXT,
    ONE,
    QUESTIONS,
    SIGHTS,
    STARTS,
    USES,
    ZERO,
    Question,
    check,
    reckon,
)

PROMPTS = load_catalogues()["en"].keys()


def problems(**changed: Question) -> list[str]:
    return check({**QUESTIONS, **changed}, STARTS, PROMPTS)


def test_nothing_is_wrong_with_the_check_that_ships() -> None:
    assert check(QUESTIONS, STARTS, PROMPTS) == []


def test_only_a_set_that_is_well_stays_ready() -> None:
    assert {s.what for s in SIGHTS.values() if not s.becomes} == {"well"}
    assert [d for d, s in SIGHTS.items() if s.what == "well"] == ["1"]


def test_what_is_there_is_to_be_cleaned_and_what_is_not_is_set_aside() -> None:
    becomes = {s.what: s.becomes for s in SIGHTS.values()}

    assert becomes["used"] == becomes["open"] == "USED"
    assert becomes["missing"] == becomes["gone"] == "SET ASIDE"


def test_only_a_set_that_was_used_counts_as_a_use() -> None:
    assert [s.what for s in SIGHTS.values() if s.use] == ["used"]


def test_zero_uses_are_never_taken_from_a_number_alone() -> None:
    """Two keys slip more easily than a yes to a sentence: 00 asks for the yes."""
    assert QUESTIONS[USES].zero == ZERO
    assert QUESTIONS[ZERO].options == {"1": BIRTHS, "2": USES}


def test_every_answer_to_a_set_leads_on() -> None:
    assert QUESTIONS[ONE].options.keys() == SIGHTS.keys()
    assert QUESTIONS[ALL].options["2"] == ONE


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        (Question(BIRTHS, to="nowhere", zero=DONE), "check_births: leads to nowhere"),
        (Question(BIRTHS, to=DONE, zero=DONE), "check_helped: lost"),
        (Question(HELPED, to=HELPED, zero=HELPED), "check_helped: a dead end"),
        (Question(ZERO, {"2": USES}), "check_zero: answer 1 does not go forward"),
        (Question(ZERO, {"1": BIRTHS, "0": USES}), "check_zero: 0, 8 and 9 mean back"),
        (Question(USES, {"1": BIRTHS}, to=BIRTHS, zero=ZERO), "asks a number and offers digits"),
        (Question(ONE, {"1": ONE}), "check_one: a dead end"),
    ],
)
def test_what_is_wrong_with_a_check_is_found(changed: Question, wrong: str) -> None:
    found = problems(**{changed.id: changed})

    assert any(wrong in problem for problem in found), found


def test_a_question_without_a_text_is_found() -> None:
    assert check(QUESTIONS, STARTS, set(PROMPTS) - {"screen.check_zero"}) == [
        "check_zero: prompt screen.check_zero is missing"
    ]


def test_a_start_that_is_no_question_is_found() -> None:
    found = check(QUESTIONS, (*STARTS, "check_none"), PROMPTS)

    assert any("check_none: a check begins there" in problem for problem in found)


def test_a_lost_question_is_found() -> None:
    found = problems(spare=replace(QUESTIONS[ZERO], id="spare"))

    assert "spare: lost, nothing leads to it" in found


def test_next_is_the_way_out_of_every_set() -> None:
    assert set(QUESTIONS[ONE].leads) == {NEXT}


# Reckoned by hand: three times used, one set came back, two uses nobody counted.
@pytest.mark.parametrize(
    ("said", "helped", "counted", "reported", "gap"),
    [
        (3, 1, 1, 3, 2),
        (0, 0, 0, 0, 0),
        (0, None, 2, 0, -2),
        (1, 3, 1, 3, 2),  # three babies helped with a bag are three uses, whatever was said
        (2, 1, 2, 2, 0),
    ],
)
def test_uses_said_are_set_against_uses_counted(
    said: int, helped: int | None, counted: int, reported: int, gap: int
) -> None:
    found = reckon(said, helped, counted)

    assert (found.reported, found.counted, found.gap) == (reported, counted, gap)
