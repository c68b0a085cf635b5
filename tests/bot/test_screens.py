"""The screens between batches: lists, hand-overs, status, practice, pace."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bot.site import SetCard
from tests.nurse import ASHA, BELA, CHIEF, PLACE, Ward, play


def screen(ward: Ward, phone: str = ASHA) -> str:
    return ward.unit.talk(phone).screen


def test_a_first_word_is_greeted_with_the_list_and_not_called_a_mistake() -> None:
    text = Ward().says("hello")

    assert "KORA:\n1 begin" in text
    assert "Not understood" not in text


def test_a_second_word_that_means_nothing_is_asked_again() -> None:
    ward = Ward()

    text = ward.says("hello", "hello?")

    assert "Not understood" in text
    assert "1 begin" in text


def test_the_list_of_sets_begins_with_those_that_need_it_most() -> None:
    """USED, EXPIRED, READY; one that is in a batch is not offered."""
    ward = play(Ward(), "SUC-1")
    ward.says("BAG-2", phone=BELA)

    text = ward.says("MENU", "1")

    assert "1 BAG-1 2 SUC-1" in text
    assert "BAG-2" not in text


@pytest.mark.parametrize("text", ["12", "1 2", "1,2"])
def test_two_sets_are_picked_with_both_digits(text: str) -> None:
    ward = Ward()
    listed = ward.says("MENU", "1")

    ward.says(text)

    assert "1 BAG-1 2 BAG-2" in listed
    assert [s.id for s in ward.batch.sets] == ["BAG-1", "BAG-2"]


@pytest.mark.parametrize("text", ["4", "14", "11", "²", "1²", "00", "-1", "one"])
def test_a_digit_that_is_not_on_the_list_begins_nothing(text: str) -> None:
    ward = Ward()
    ward.says("MENU", "1")

    answer = ward.says(text)

    assert ward.unit.batches == {}
    assert "BAG-1" in answer


@pytest.mark.parametrize(
    ("text", "sets"),
    [
        ("BAG-1", ["BAG-1"]),
        ("bag-1", ["BAG-1"]),
        ("BAG-1+SUC-1", ["BAG-1", "SUC-1"]),
        ("USED SUC-1, BAG-2", ["SUC-1", "BAG-2"]),
    ],
)
def test_the_name_of_a_set_begins_its_batch(text: str, sets: list[str]) -> None:
    ward = Ward()

    ward.says(text)

    assert [s.id for s in ward.batch.sets] == sets
    assert (ward.batch.holder, ward.batch.opened_by) == ("ASHA", "ASHA")


@pytest.mark.parametrize("text", ["BAG-9", "BAG-1 please", "USED BAG-9", "BAG-1 BAG-9"])
def test_a_text_that_is_not_only_names_of_sets_here_begins_nothing(text: str) -> None:
    ward = Ward()

    ward.says(text)

    assert ward.unit.batches == {}


def test_help_on_a_list_explains_and_leaves_it_there() -> None:
    ward = Ward()
    ward.says("MENU", "1")

    ward.says("9")

    assert screen(ward) == "sets"
    ward.says("1")
    assert [s.id for s in ward.batch.sets] == ["BAG-1"]


def test_back_on_a_list_leads_to_the_batch_as_it_was() -> None:
    ward = play(Ward(), until="wash")
    before = ward.batch

    text = ward.says("MENU", "7", "0")

    assert ward.batch == before
    assert "WASH" in text


# ---- two batches ------------------------------------------------------------------------------


def test_a_person_may_hold_several_batches_and_change_between_them() -> None:
    ward = play(Ward(), until="soak")
    ward.says("SUC-1")

    ward.says("MENU", "4", "1")

    held = ward.unit.batches[ward.unit.talk(ASHA).batch]
    assert len(ward.unit.batches) == 2
    assert held.names == "BAG-1"


# ---- hand-over --------------------------------------------------------------------------------


def test_who_is_handed_a_batch_is_told_and_her_next_digit_only_shows_it() -> None:
    ward = play(Ward(), until="wash")

    answer = ward.says("HAND", "1")
    told = ward.said[-1]
    shown = ward.says("1", phone=BELA)
    stage = ward.stage
    ward.says("1", phone=BELA)

    assert "BAG-1 is with Bela" in answer
    assert told[0] == BELA
    assert "Asha hands BAG-1 to you" in told[2]
    assert "WASH" in shown
    assert (stage, ward.stage, ward.batch.holder) == ("wash", "rinse", "BELA")


def test_who_is_handed_a_second_batch_chooses_between_the_two() -> None:
    ward = play(Ward(), until="wash")
    ward.says("SUC-1", phone=BELA)
    ward.says("HAND", "1")

    shown = ward.says("2", phone=BELA)
    ward.says("1", phone=BELA)

    stages = {b.names: b.stage for b in ward.unit.batches.values()}
    assert "gloves" in shown
    assert stages == {"BAG-1": "wash", "SUC-1": "wipe"}


def test_whose_batch_is_taken_over_is_told() -> None:
    ward = play(Ward(), until="wash")

    text = ward.says("TAKE", "1", phone=CHIEF)

    assert ward.batch.holder == "CHIEF"
    assert "WASH" in text
    assert ward.said[-1][0] == ASHA
    assert "Chipo has taken over BAG-1" in ward.said[-1][2]
    assert [e.mark for e in ward.batch.log if e.kind == "handed"] == ["CHIEF"]


def test_a_practice_batch_is_not_offered_to_others() -> None:
    ward = Ward()
    ward.says("PRACTISE", "1")

    text = ward.says("TAKE", phone=BELA)

    assert "No other batch here" in text


def test_there_is_nothing_to_hand_over_without_a_batch() -> None:
    ward = Ward()

    text = ward.says("HAND")

    assert "You hold no batch" in text


def test_who_works_alone_has_nobody_to_hand_to() -> None:
    ward = play(Ward(site=replace(PLACE, people=PLACE.people[:1])), until="wash")
    before = ward.batch

    text = ward.says("HAND")

    assert "No colleague here" in text
    assert ward.batch == before


# ---- status, opened, pace ---------------------------------------------------------------------


def test_the_status_names_every_condition_in_words() -> None:
    ward = play(Ward(), "SUC-1")
    play(ward, "BAG-1", until="wash")

    text = ward.says("STATUS")

    assert "READY: SUC-1 until" in text
    assert "IN PROCESS: BAG-1" in text
    assert "USED: BAG-2" in text
    assert "You: WASH" in text


def test_the_status_says_when_nothing_is_ready() -> None:
    assert "NONE READY" in Ward().says("STATUS")


def test_the_status_gives_the_earliest_end_of_storage_life_in_local_time() -> None:
    """Stored at 08:xx UTC; people at the facility live at UTC+3."""
    ward = play(Ward(), "SUC-1")
    first = ward.unit.state_of("SUC-1").expires_at
    ward.passes(days=1)
    play(ward, "BAG-1")

    text = ward.says("STATUS")

    assert first
    assert "10 Mar 11:" in text
    assert f"11:{first.minute:02}" in text


def test_a_ready_set_that_was_used_is_used_and_the_record_goes_out() -> None:
    ward = play(Ward(), "SUC-1")

    text = ward.says("MENU", "4", "1")

    assert "SUC-1 is USED now" in text
    assert ward.condition("SUC-1") == "USED"


def test_nothing_can_be_opened_where_nothing_is_ready() -> None:
    assert "No READY set here" in Ward().says("OPENED")


@pytest.mark.parametrize(("digit", "pace"), [("1", "guided"), ("2", "brief")])
def test_the_pace_is_each_persons_own(digit: str, pace: str) -> None:
    ward = Ward()

    ward.says("MENU", "5", digit)

    assert ward.unit.talk(ASHA).pace == pace
    assert ward.unit.talk(BELA).pace == "guided"


def test_a_brief_reader_answers_the_whole_of_the_cleaning_at_once() -> None:
    ward = Ward()
    ward.says("BRIEF", "BAG-1", "1")

    assert ward.stage == "method"
    marks = [e.mark for e in ward.batch.log if e.kind == "answered"]
    assert marks == ["protected", "wiped", "apart", "washed", "rinsed", "scale_checked"]


def test_a_brief_reader_for_whom_not_all_is_well_goes_step_by_step() -> None:
    ward = Ward()
    ward.says("BRIEF", "BAG-1", "8")

    assert ward.stage == "protect"
    ward.says("1")
    assert ward.stage == "wipe"


def test_a_long_list_shows_seven_and_still_fits() -> None:
    many = tuple(SetCard(f"BAG-{n}", "Bag model A", "bag", 7, ("chlorine",)) for n in range(1, 10))
    ward = Ward(site=replace(PLACE, sets=many))

    text = ward.says("MENU", "1")

    assert "7 BAG-7" in text
    assert "BAG-8" not in text
    assert len(text) <= 160


# ---- practice ---------------------------------------------------------------------------------


def test_practice_is_marked_on_every_text_and_runs_on_short_clocks() -> None:
    ward = Ward()
    first = ward.says("PRACTISE", "1")

    play(ward, until="soak")

    assert first.startswith("PRACTICE")
    assert ward.batch.due
    start = next(e.at for e in ward.batch.log if e.mark == "exposure_started")
    assert (ward.batch.due - start).total_seconds() == 60  # 20 minutes, twenty times as fast


def test_practice_may_use_a_set_that_is_in_a_batch() -> None:
    ward = play(Ward(), until="wash")

    ward.says("PRACTISE", "1", phone=BELA)

    assert sorted(b.practice for b in ward.unit.batches.values()) == [False, True]
    assert ward.condition("BAG-1") == "IN PROCESS"


def test_nobody_above_is_told_of_what_happens_in_practice() -> None:
    ward = Ward()
    ward.says("PRACTISE", "1", "8", "6", "2", "1")

    assert [kind for _, kind, _ in ward.said] == []


def test_cancelling_leaves_a_set_aside_that_was_set_aside() -> None:
    """It was not for use before; a batch begun by mistake has not mended it."""
    ward = Ward()
    ward.says("BAG-1", "8", "3", "3", "1")
    before = ward.unit.state_of("BAG-1").condition

    ward.says("BAG-1", "0", "2")

    assert (before, ward.unit.state_of("BAG-1").condition) == ("SET ASIDE", "SET ASIDE")
