"""The shift check as it is spoken: what a set was found as, uses said, the gap, and whose digit
counts for what."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bot.effects import Conditions
from tests.bot.check_stand import (
    EVENING,
    POST,
    SETS,
    alerts,
    checks,
    goes_to,
    texts,
    ward,
)
from tests.nurse import ASHA, BELA, CHIEF, Ward, play


def evening() -> Ward:
    """The check of the evening is due, and Bela reads several steps a message."""
    made = ward()
    goes_to(made, EVENING)
    made.says("BRIEF", phone=BELA)
    return made


# ---- the sets --------------------------------------------------------------------------------


def test_all_well_is_one_digit_and_every_set_is_named() -> None:
    made = evening()

    asked = made.says("CHECK", phone=BELA)
    answer = made.says("1", phone=BELA)

    assert all(name in asked for name in SETS)
    assert [made.condition(i) for i in SETS] == ["READY"] * 3
    assert "Zero uses" in answer
    assert made.unit.check.round is not None
    assert made.unit.check.round.answers == dict.fromkeys(SETS, "well")


def test_guided_people_are_asked_of_one_set_at_a_time() -> None:
    made = ward()

    asked = [made.says("CHECK"), made.says("1"), made.says("1")]

    assert [text.split(":")[0] for text in asked] == ["BAG-1", "SUC-1", "BAG-2"]


def test_one_by_one_goes_on_one_by_one() -> None:
    made = evening()

    made.says("CHECK", phone=BELA)
    asked = [made.says("2", phone=BELA), made.says("1", phone=BELA), made.says("1", phone=BELA)]

    assert all("5 not there" in text for text in asked)


@pytest.mark.parametrize(
    ("digit", "condition", "found"),
    [
        ("2", "USED", "used"),
        ("3", "USED", "open or wet"),
        ("4", "SET ASIDE", "piece missing"),
        ("5", "SET ASIDE", "not there"),
    ],
)
def test_a_set_that_is_not_well_is_not_ready_at_once(
    digit: str, condition: str, found: str
) -> None:
    made = ward()

    made.says("CHECK")
    answer = made.says(digit)

    assert made.condition("BAG-1") == condition
    [sent] = [e for e in made.effects if isinstance(e, Conditions)]
    assert [(s.id, s.condition) for s in sent.states] == [("BAG-1", condition)]
    [told] = texts(made, CHIEF, "BAG-1")
    assert found in told
    assert "NOT READY" in answer


def test_a_set_that_somebody_else_reported_meanwhile_is_not_answered_for() -> None:
    made = ward()
    made.says("CHECK")
    made.says("OPENED BAG-1", phone=BELA)

    answer = made.says("1")

    assert made.condition("BAG-1") == "USED"
    assert made.unit.check.round is not None
    assert "BAG-1" not in made.unit.check.round.answers
    assert answer.startswith("SUC-1")


def test_a_set_that_became_ready_after_the_question_is_asked_of_itself() -> None:
    made = ward(ready=("BAG-1", "BAG-2"))
    made.says("BRIEF", "CHECK")
    state = replace(made.unit.state_of("BAG-1"), id="SUC-1")
    made.unit = made.unit.put_set(state)

    answer = made.says("1")

    assert answer.startswith("SUC-1")


def test_any_other_word_asks_again_and_changes_nothing() -> None:
    made = ward()
    made.says("CHECK")

    answer = made.says("6")

    assert "BAG-1: in its place" in answer
    assert made.condition("BAG-1") == "READY"


def test_where_nothing_is_ready_that_is_said_and_uses_are_asked() -> None:
    made = ward(ready=())
    goes_to(made, EVENING)

    answer = made.says("CHECK", phone=BELA)

    assert answer.startswith("No set is READY.")
    assert "Zero uses" in answer


# ---- uses and births -------------------------------------------------------------------------


def test_zero_is_said_in_so_many_words() -> None:
    made = evening()
    made.says("CHECK", "1", phone=BELA)

    made.says("1", "00", phone=BELA)

    [kept] = checks(made)
    assert (kept.uses_said, kept.uses_counted, kept.births, kept.helped) == (0, 0, 0, 0)


def test_silence_is_not_zero() -> None:
    """She saw the sets and put the phone away: the next check finds nothing said."""
    made = evening()
    made.says("CHECK", "1", phone=BELA)

    goes_to(made, EVENING + timedelta(hours=12))

    [kept] = checks(made)
    assert (kept.done, kept.uses_said, kept.births) == (False, None, None)
    assert kept.sets == dict.fromkeys(SETS, "well")


def test_a_number_of_two_zeros_asks_for_the_words() -> None:
    made = evening()
    made.says("CHECK", "1", "2", phone=BELA)

    answer = made.says("00", phone=BELA)

    assert "1 yes, zero" in answer
    assert checks(made) == []


@pytest.mark.parametrize("text", ["1", "3", "003", "3 uses", "-1", "three"])
def test_a_number_has_two_digits_so_that_one_sent_twice_is_none(text: str) -> None:
    made = evening()
    made.says("CHECK", "1", "2", phone=BELA)

    assert "USES since" in made.says(text, phone=BELA)
    assert made.unit.check.round is not None
    assert made.unit.check.round.uses is None


def test_the_gap_is_said_and_kept() -> None:
    made = evening()
    made.says("CHECK", "2", "2", "1", "1", phone=BELA)  # BAG-1 came back used

    answer = made.says("03", "05", "01", phone=BELA)

    assert "3 uses reported, 1 set(s) came back used: 2 not counted" in answer
    [kept] = checks(made)
    assert (kept.uses_said, kept.uses_counted, kept.births, kept.helped) == (3, 1, 5, 1)


def test_sets_that_came_back_used_and_were_not_reported_are_a_gap_too() -> None:
    made = ward()
    made.says("OPENED BAG-1", "OPENED SUC-1")
    goes_to(made, EVENING)
    made.says("CHECK", "1", phone=BELA)

    answer = made.says("01", "00", phone=BELA)

    assert "1 uses reported, 2 set(s) came back used: 1 not reported" in answer


def test_more_babies_helped_than_uses_are_as_many_uses() -> None:
    made = evening()
    made.says("CHECK", "1", "1", phone=BELA)

    answer = made.says("02", "02", phone=BELA)

    assert "2 uses reported, 0 set(s) came back used: 2 not counted" in answer


def test_more_helped_than_born_is_asked_again() -> None:
    made = evening()
    made.says("CHECK", "1", "1", "02", phone=BELA)

    answer = made.says("03", phone=BELA)

    assert answer.startswith("More than the births: 2.")
    assert checks(made) == []


def test_uses_are_counted_anew_after_each_check() -> None:
    made = evening()
    made.says("CHECK", "2", "2", "1", "1", "01", "00", phone=BELA)
    goes_to(made, EVENING + timedelta(hours=12))

    answer = made.says("CHECK", "1", "1")

    assert "Zero uses of a bag or suction since 19:00" in answer


def test_what_was_opened_or_is_gone_is_no_use() -> None:
    made = ward()

    made.says("CHECK", "3", "4", "5")

    assert made.unit.check.counted == 0
    assert made.unit.tally.uses == 0


def test_a_batch_begun_by_mistake_is_no_use() -> None:
    made = ward()
    made.says("BAG-1")
    begun = made.unit.check.counted

    made.says("0", "2")

    assert made.condition("BAG-1") == "READY"
    assert (begun, made.unit.check.counted, made.unit.tally.uses) == (1, 0, 0)


def test_a_set_cleaned_on_paper_and_told_later_was_used() -> None:
    made = ward()

    made.says("LATE BAG-1 DONE ALL BOIL 0700 OUT 0722 COUNT 7 TEST GOOD WRAP 0815", "1")

    assert made.condition("BAG-1") == "READY"
    assert (made.unit.check.counted, made.unit.tally.uses) == (1, 1)


def test_a_set_that_a_failed_spore_test_calls_back_was_not_used() -> None:
    made = ward()
    loaded = replace(made.unit.state_of("BAG-1"), load="41")
    made.unit = made.unit.put_set(loaded)

    made.says("SPORES", "2")

    assert made.condition("BAG-1") == "USED"
    assert (made.unit.check.counted, made.unit.tally.uses) == (0, 0)


def test_what_is_played_is_no_use() -> None:
    made = ward()

    made.says("PRACTISE", "1", "1")

    assert (made.unit.check.counted, made.unit.tally.uses) == (0, 0)


# ---- what lies beneath -----------------------------------------------------------------------


def soaking() -> Ward:
    """Asha's bag is in chlorine; another and the suction are READY."""
    made = ward(ready=("BAG-2", "SUC-1"))
    return play(made, "BAG-1", until="soak")


def test_the_check_leaves_the_batch_where_it_is() -> None:
    made = soaking()
    before = made.batch

    made.says("CHECK", "1", "1", "1")

    assert made.batch == before
    assert made.unit.talk(ASHA).batch == before.id


def test_a_digit_sent_once_more_after_the_check_answers_nothing_of_the_batch() -> None:
    made = soaking()
    before = made.batch.stage
    made.passes(minutes=30)
    made.says("CHECK", "1", "1")

    made.says("1")  # the last one again: it chooses the batch, and shows what it asks

    assert made.batch.stage == before
    assert "interrupted" not in [e.kind for e in made.batch.log]


def test_a_bell_in_the_middle_is_heard_and_no_digit_of_the_check_answers_it() -> None:
    made = soaking()
    made.says("CHECK")
    made.goes_by(minutes=21)
    assert texts(made, ASHA, "BELL")

    shown = made.says("1")  # meant for SUC-1

    assert made.stage == "soak"
    assert "BELL" in shown
    assert made.unit.check.round is not None
    assert made.unit.check.round.answers == {}


def test_a_check_broken_off_by_a_bell_goes_on_with_the_word() -> None:
    made = soaking()
    made.says("CHECK", "1")
    made.goes_by(minutes=21)
    made.says("1", "1")

    assert made.says("CHECK").startswith("BAG-2")


def test_after_too_long_a_check_begins_anew() -> None:
    made = ward()
    made.says("CHECK", "1")
    made.passes(hours=3)

    assert "over" in made.says("1")
    assert made.says("CHECK").startswith("BAG-1")


def test_a_colleague_goes_on_and_the_first_one_s_digit_does_nothing_more() -> None:
    made = ward()
    made.says("CHECK", "1")
    made.says("CHECK", phone=BELA)

    answer = made.says("2")

    assert "somebody else" in answer
    assert [made.condition(i) for i in SETS] == ["READY"] * 3


def test_a_check_outlives_the_process() -> None:
    made = ward()
    made.says("CHECK", "1")

    made.restarts()

    assert made.says("1").startswith("BAG-2")


def test_practice_has_no_check_the_sets_are_real() -> None:
    made = ward()
    made.says("PRACTISE", "1")

    answer = made.says("CHECK")

    assert answer.startswith("Not practice")
    made.says("2")
    assert made.condition("BAG-1") == "USED"


# ---- between the times -----------------------------------------------------------------------


def test_before_a_planned_birth_only_the_sets_are_asked_about() -> None:
    made = ward()

    answer = made.says("BRIEF", "CHECK", "1")

    assert answer.startswith("CHECK done. READY sets: 3.")
    [kept] = checks(made)
    assert (kept.slot, kept.done, kept.uses_said, kept.late_minutes) == (None, True, None, 0)


def test_a_check_between_the_times_is_not_the_one_that_is_due_later() -> None:
    made = ward()
    made.says("BRIEF", "CHECK", "1")

    goes_to(made, EVENING)

    assert made.unit.check.due == EVENING
    assert texts(made, BELA, "send CHECK")


def test_where_nobody_is_asked_the_word_works_and_asks_for_uses() -> None:
    made = ward(replace(POST, checks=()))

    asked = made.says("BRIEF", "CHECK", "1")
    answer = made.says("1")

    assert "Zero uses" in asked
    assert answer.startswith("CHECK done")
    [kept] = checks(made)
    assert (kept.slot, kept.uses_said, kept.births) == (None, 0, None)
    assert alerts(made, "check") == []


def test_a_facility_without_a_clock_is_never_asked() -> None:
    made = ward(replace(POST, checks=()))

    made.goes_by(hours=30)

    assert [text for _, _, text in made.said if "CHECK" in text] == []
