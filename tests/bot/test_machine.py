"""The step: whose words go where, and what the carrier, a late text or a lost request may do."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bot.effects import Reply, Say
from bot.events import Heard
from bot.machine import step
from bot.site import Person
from tests.nurse import (
    ASHA,
    BEGAN,
    BELA,
    CHIEF,
    PLACE,
    SENA,
    STRANGER,
    Ward,
    play,
)


def test_the_same_arguments_give_the_same_step() -> None:
    ward = play(Ward(), until="wash")
    event = Heard("x", ASHA, "sms", "1", ward.now)

    assert step(ward.unit, event, ward.rules) == step(ward.unit, event, ward.rules)


def test_a_stranger_changes_nothing_and_is_told_nothing_of_this_place() -> None:
    ward = play(Ward(), until="wash")
    before = ward.unit

    answer = ward.says("1", phone=STRANGER)

    assert answer == ""
    assert ward.unit is before
    assert ward.effects == ()


def test_a_supervisor_at_a_site_without_sets_is_told_why_she_gets_texts() -> None:
    office = replace(PLACE, sets=(), people=PLACE.supervisors, supervisors=())
    ward = Ward(site=office)

    text = ward.says("1", phone=SENA)

    assert "Sena" in text
    assert ward.unit.batches == {}


# ---- the carrier's words ----------------------------------------------------------------------


@pytest.mark.parametrize("word", ["STOP", "stop", "END", "CANCEL", "QUIT", "UNSUBSCRIBE",
                                  "START", "YES", "HELP", "INFO"])  # fmt: skip
def test_a_carriers_word_is_never_an_answer(word: str) -> None:
    ward = play(Ward(), until="wash")
    before = ward.batch

    text = ward.says(word)

    assert ward.batch == before
    assert text


def test_stop_is_answered_once_and_says_how_to_come_back() -> None:
    ward = Ward()

    text = ward.says("STOP")

    assert "START" in text
    assert ward.unit.talk(ASHA).stopped


def test_on_ussd_the_carriers_words_mean_nothing_special() -> None:
    """They are words for the carrier of SMS; a session ends by hanging up."""
    ward = Ward()
    ward.dials("")

    ward.dials("STOP")

    assert not ward.unit.talk(ASHA).stopped


# ---- texts that come late ---------------------------------------------------------------------


def test_a_text_older_than_her_last_answer_is_not_counted() -> None:
    ward = play(Ward(), until="wash")
    ward.says("1", sent_at=ward.now)
    before = ward.batch

    text = ward.says("1", sent_at=ward.now - timedelta(seconds=1))

    assert ward.batch == before
    assert "Came late, not counted" in text
    assert "RINSE" in text


def test_a_text_as_old_as_her_last_answer_counts() -> None:
    """Gateways date to the second, and thumbs are quick."""
    ward = play(Ward(), until="wash")

    ward.says("1", "1", sent_at=ward.now)

    assert ward.stage == "scale"


def test_a_text_older_than_her_last_ussd_answer_is_not_counted() -> None:
    ward = play(Ward(), until="wash")
    ward.dials("")
    ward.dials("1")
    before = ward.batch

    ward.says("1", sent_at=ward.now - timedelta(minutes=1, seconds=1))

    assert ward.batch == before


# ---- USSD -------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["", "1", "1*1", "7"])
def test_the_first_request_of_a_session_shows_and_never_answers(text: str) -> None:
    ward = play(Ward(), until="wash")
    before = ward.batch

    screen = ward.dials(text)

    assert ward.batch == before
    assert "WASH" in screen


def test_each_answer_of_a_session_is_the_part_after_what_was_answered_before() -> None:
    ward = play(Ward(), until="wash")
    ward.dials("")

    ward.dials("1")
    ward.dials("1*1")

    assert ward.stage == "scale"


def test_a_repeated_request_shows_the_same_and_changes_nothing() -> None:
    ward = play(Ward(), until="wash")
    ward.dials("")
    first = ward.dials("1")
    before = ward.batch

    again = ward.dials("1")

    assert again == first
    assert ward.batch == before


@pytest.mark.parametrize("text", ["2*1", "1*1*1", "8*1"])
def test_what_comes_after_a_gap_is_not_an_answer(text: str) -> None:
    """Some request was lost: she was answering a screen that we did not send."""
    ward = play(Ward(), until="wash")
    ward.dials("")
    ward.dials("1")
    before = replace(ward.batch, log=())

    ward.dials(text)

    assert replace(ward.batch, log=()) == before
    assert ward.stage == "rinse"


def test_requests_that_come_again_out_of_order_are_not_answers() -> None:
    ward = play(Ward(), until="wash")
    ward.dials("")
    ward.dials("1")
    ward.dials("1*1")
    before = ward.batch

    ward.dials("1")
    ward.dials("1*1")

    assert ward.batch == before


def test_a_dropped_session_is_taken_up_where_it_was() -> None:
    ward = play(Ward(), until="wash")
    ward.dials("")
    ward.dials("1")

    screen = ward.dials("", session="s2")
    ward.dials("1", session="s2")

    assert "RINSE" in screen
    assert ward.stage == "scale"


def test_a_batch_begun_by_sms_goes_on_by_ussd_and_back() -> None:
    ward = Ward()
    ward.says("BAG-1", "1")
    ward.dials("")
    ward.dials("1")

    ward.says("1")

    assert ward.stage == "wash"
    assert [e.via for e in ward.batch.log] == ["sms", "sms", "ussd", "sms"]


def test_the_start_of_an_exposure_ends_the_session() -> None:
    ward = play(Ward(), until="soak_in")
    ward.dials("")

    ward.dials("1")

    (reply,) = [e for e in ward.effects if isinstance(e, Reply)]
    assert reply.end


# ---- nonsense ---------------------------------------------------------------------------------


def test_what_is_not_understood_is_asked_in_other_words_then_offers_a_person() -> None:
    ward = play(Ward(), until="wash")

    first = ward.says("hm")
    second = ward.says("hm")
    third = ward.says("hm")

    assert "Not understood" in first
    assert "one of the digits" in second
    assert "colleague" in third
    assert ward.stage == "wash"


def test_a_good_answer_ends_the_count_of_bad_ones() -> None:
    ward = play(Ward(), until="wash")
    ward.says("hm", "hm", "1")

    text = ward.says("hm")

    assert "Not understood" in text


@pytest.mark.parametrize(
    "text", ["", " ", "\x00", "👶🏾" * 40, "x" * 5000, "{sets}", "²", "①", "\n\n", "1" * 400]
)
@pytest.mark.parametrize("until", ["protect", "solution_strength", "count", "method", "soak"])
def test_no_text_is_an_error_anywhere(text: str, until: str) -> None:
    ward = play(Ward(), until=until)
    kept = replace(ward.batch, log=())

    assert ward.says(text)
    assert replace(ward.batch, log=()) == kept


# ---- help, danger, time left ------------------------------------------------------------------


def test_help_explains_the_step_and_leaves_it_there() -> None:
    ward = play(Ward(), until="wash")
    before = ward.batch

    text = ward.says("9")

    assert "Dirt left on stops chlorine" in text
    assert ward.batch == before


def test_danger_is_answered_at_once_told_above_and_stops_no_clock() -> None:
    ward = play(Ward(), until="soak")
    due = ward.batch.due

    text = ward.says("SPLASH")

    assert "rinse with water" in text
    assert {phone for phone, kind, _ in ward.said if kind == "alert"} == {SENA, CHIEF}
    assert (ward.stage, ward.batch.due) == ("soak", due)
    assert ward.timers == {ward.batch.id: due}


def test_danger_with_no_batch_is_told_all_the_same() -> None:
    ward = Ward()

    ward.says("needle")

    assert {phone for phone, _, _ in ward.said} == {SENA, CHIEF}


def test_the_time_left_is_told_in_minutes_rounded_up() -> None:
    ward = play(Ward(), until="soak")
    ward.passes(minutes=4)

    assert "16 min left" in ward.says("LEFT")


def test_an_answer_before_its_time_says_how_long_it_still_takes_and_changes_nothing_else() -> None:
    ward = play(Ward(), until="soak")
    before, timers, sets = ward.batch, dict(ward.timers), ward.unit.sets

    text = ward.says("1")

    assert "TOO EARLY" in text
    assert ward.batch.log[:-1] == before.log
    assert replace(ward.batch, log=()) == replace(before, log=())
    assert (ward.timers, ward.unit.sets) == (timers, sets)


@pytest.mark.parametrize("stage", ["solution_strength", "count"])
def test_the_word_problem_works_where_a_number_is_asked(stage: str) -> None:
    ward = play(Ward(), until=stage)

    ward.says("PROBLEM")

    assert ward.stage.startswith("trouble")


# ---- telling those above ----------------------------------------------------------------------


def test_an_exposure_cut_short_is_told_to_the_supervisor_once() -> None:
    ward = play(Ward(), until="soak")

    ward.says("3", "1", "3")

    alerts = [(phone, text) for phone, kind, text in ward.said if kind == "alert"]
    assert sorted(phone for phone, _ in alerts) == [CHIEF, SENA]
    for _, text in alerts:
        assert "taken out before the time was over" in text
        assert "Not READY" in text


def test_without_a_supervisor_the_in_charge_is_told() -> None:
    ward = play(Ward(site=replace(PLACE, supervisors=())), until="soak")

    ward.says("3")

    assert [phone for phone, kind, _ in ward.said if kind == "alert"] == [CHIEF]


def test_an_alert_names_no_phone_number() -> None:
    ward = play(Ward(), until="soak")

    ward.says("3")

    assert all("+1202" not in text for _, _, text in ward.said)
    assert "+1202" not in str(ward.batch)


# ---- after the end ----------------------------------------------------------------------------


def test_the_last_answer_says_ready_until_when() -> None:
    ward = play(Ward(), until="store")

    text = ward.says("1")

    assert "BAG-1 READY, until 10 Mar" in text


def test_a_digit_after_the_end_answers_no_old_question() -> None:
    ward = play(Ward())
    sets = ward.unit.sets

    ward.says("1")

    assert ward.unit.sets == sets
    assert ward.unit.batches == {}


def test_a_person_who_left_the_register_no_longer_answers_and_her_batch_stays() -> None:
    ward = play(Ward(), until="wash")
    left = replace(PLACE, people=PLACE.people[1:])
    ward.unit = replace(ward.unit, site=left)

    answer = ward.says("1")
    ward.says("TAKE", "1", phone=BELA)

    assert answer == ""
    assert (ward.stage, ward.batch.holder) == ("wash", "BELA")


def test_every_text_about_a_batch_says_which() -> None:
    ward = play(Ward(), until="soak")
    ward.passes(minutes=20)
    ward.bells()
    ward.says("STOP", "START", "1")

    about = [e.batch_id for e in ward.effects if isinstance(e, Reply | Say)]
    assert about == [ward.batch.id]


def test_two_nurses_at_two_facilities_are_two_units() -> None:
    other = replace(
        PLACE,
        id="LOMA",
        people=(Person("DORA", "Dora", "+12025550121", "nurse"),),
        supervisors=(),
    )
    here, there = Ward(), Ward(site=other, now=BEGAN)

    here.says("BAG-1")
    there.says("BAG-1", phone="+12025550121")
    here.says("1", phone="+12025550121")

    assert here.stage == there.stage == "protect"
    assert here.batch.id != there.batch.id
