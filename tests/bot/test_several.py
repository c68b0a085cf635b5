"""Late and wrong dates, several batches in one hand, and what is not mine to take back."""

from __future__ import annotations

from datetime import timedelta

from tests.nurse import ASHA, BELA, Ward, play


def test_a_date_in_the_future_silences_nobody() -> None:
    """A gateway's clock that was an hour fast for one message must not refuse all that follow."""
    ward = Ward()
    ward.says("BAG-1")
    ward.says("1", sent_at=ward.now + timedelta(hours=1))
    ward.passes(minutes=1)

    text = ward.says("1", sent_at=ward.now - timedelta(seconds=5))

    assert "late" not in text
    assert ward.stage == "apart"


def test_danger_is_heard_however_late_it_comes() -> None:
    ward = Ward()
    ward.says("BAG-1")
    ward.passes(minutes=10)
    ward.says("1", sent_at=ward.now)

    text = ward.says("DANGER", sent_at=ward.now - timedelta(minutes=9))

    assert "rinse with water" in text


def test_an_answer_that_is_older_than_the_last_one_does_not_count() -> None:
    ward = Ward()
    ward.says("BAG-1")
    ward.passes(minutes=10)
    ward.says("1", sent_at=ward.now)
    stage = ward.stage

    ward.says("1", sent_at=ward.now - timedelta(minutes=9))

    assert ward.stage == stage == "wipe"


def test_what_was_answered_before_a_hand_over_is_not_the_new_holders_to_take_back() -> None:
    ward = Ward()
    play(ward, "BAG-1", "boiling", until="inspect")
    ward.says("4")  # wet
    ward.says("TAKE", "1", phone=BELA)

    text = ward.says("0", phone=BELA)

    assert "Not your answer" in text
    assert ward.stage == "boil_dry"
    assert not [e for e in ward.batch.log if e.kind == "taken_back"]


def test_counting_one_of_two_sets_leaves_the_other_to_be_counted_by_its_name() -> None:
    ward = Ward()
    play(ward, "BAG-1 SUC-1", "boiling", until="count")

    text = ward.says("7")

    assert "COUNT the pieces of SUC-1. How many" in text
    ward.says("3")
    assert ward.stage == "inspect"


def test_who_holds_two_batches_is_told_which_one_is_asked_about() -> None:
    ward = Ward()
    ward.says("BAG-1")

    ward.says("SUC-1")

    assert ward.says("1").startswith("SUC-1:")


def test_naming_a_set_that_i_hold_goes_to_its_batch() -> None:
    ward = Ward()
    ward.says("BAG-1", "1")
    ward.says("SUC-1")

    text = ward.says("BAG-1")

    assert text.startswith("Now BAG-1:")
    assert "WIPE" in text


def test_after_handing_one_over_the_other_is_still_found() -> None:
    ward = Ward()
    ward.says("BAG-1")
    ward.says("SUC-1")
    ward.says("HAND", "1")

    text = ward.says("hello")

    assert "BAG-1" in text
    assert ward.unit.talk(ASHA).batch
    assert "BAG-1" in ward.says("1")


def test_a_colleagues_batch_is_listed_with_her_name() -> None:
    ward = Ward()
    ward.says("BAG-1")

    assert "BAG-1 (Asha)" in ward.says("TAKE", phone=BELA)


def test_taking_back_the_start_of_a_soak_says_that_the_clock_is_off() -> None:
    ward = Ward()
    play(ward, "BAG-1", "chlorine", until="soak")

    assert "clock is OFF" in ward.says("0")
    assert ward.batch.due is None


def test_a_solution_that_bites_is_never_used() -> None:
    """Common practice, no source: above 1 % it harms skin and pieces and is not needed."""
    ward = Ward()
    play(ward, "BAG-1", "chlorine", until="solution_strength")

    text = ward.says("7")

    assert "NEW 0.5%" in text
    assert ward.stage == "solution_remake"


def test_an_sms_dated_in_whole_seconds_right_after_a_ussd_answer_counts() -> None:
    """The gateway cuts its dates to the second, and its clock is not ours."""
    ward = Ward()
    ward.says("BAG-1")
    ward.dials("")
    ward.passes(seconds=5.4)
    ward.dials("1")
    ward.passes(seconds=0.3)

    ward.says("1", sent_at=ward.now.replace(microsecond=0))

    assert ward.stage == "apart"
