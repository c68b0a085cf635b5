"""Dangers in the conversation: first aid, who hears of it, the clock, and blood asked after.

What the texts must say is from ICSC 0482 (IPCS: sodium hypochlorite) and the guidance for HIV
post-exposure prophylaxis kits (United Nations Medical Services 2014: no later than 72 h); how long
to rinse and when to ask again are numbers of the default protocol.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from bot.asking import framed
from bot.dangers import COMMANDS, KINDS
from bot.model import Unit
from bot.rules import ACCIDENTS
from flows.prompts import fits
from tests.bot.wording_stand import holes_filled, text_of
from tests.nurse import ASHA, BEGAN, BELA, CHIEF, PLACE, SENA, Ward, play

ABOVE = {SENA, CHIEF}


def local(ward: Ward, **later: float) -> str:
    """A moment as the facility reads it."""
    at = (BEGAN + timedelta(**later)).astimezone(ZoneInfo(ward.site.zone))
    return f"{at.day} {at:%b %H:%M}"


def to(ward: Ward, phone: str) -> list[str]:
    return [text for p, _, text in ward.said if p == phone]


def soaking() -> Ward:
    return play(Ward(), until="soak")


# ---- which danger -------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["DANGER", "splash", "Danger!", "hurt"])
def test_a_word_that_does_not_say_which_gives_first_aid_and_asks(word: str) -> None:
    ward = Ward()

    text = ward.says(word)

    assert text.startswith("Eye, skin: rinse with water")
    assert all(f"{digit} " in text for digit in KINDS)
    assert {phone for phone, _, _ in ward.said} == ABOVE
    assert len(ward.said) == 2


@pytest.mark.parametrize(
    "text", ["needle stick", "DANGER: help", "Splash, in my eye", "blood in the eye!"]
)
def test_more_words_after_the_first_ask_which(text: str) -> None:
    ward = Ward()

    assert "1 eye" in ward.says(text)
    assert {phone for phone, _, _ in ward.said} == ABOVE


@pytest.mark.parametrize("text", ["no danger", "used needle", "BAG-1 blood"])
def test_a_danger_word_further_on_is_none(text: str) -> None:
    ward = Ward()

    ward.says(text)

    assert ward.said == []


def test_every_accident_has_its_command() -> None:
    assert set(COMMANDS) == {*ACCIDENTS, "seen"}


def test_a_supervisor_is_answered_too() -> None:
    ward = Ward()
    ward.unit = Unit(replace(PLACE, sets=(), people=()))

    assert "1 eye" in ward.says("DANGER", phone=SENA)
    assert "soap and water" in ward.says("5", phone=SENA)
    ward.says("0", phone=SENA)
    assert "soap and water" not in ward.says("5", phone=SENA)
    assert "Thank you" in ward.says("SEEN", phone=SENA)


# Each with what ICSC 0482 and the kits' guidance ask for.
AID = {
    "1": ["15 min", "lenses out", "clinician"],
    "2": ["15 min", "clothes off", "rinse again"],
    "3": ["fresh air", "rest", "clinician"],
    "4": ["rinse mouth", "drink", "Do NOT vomit", "clinician"],
    "5": ["soap and water", "Do not squeeze or suck", "NOW"],
    "6": ["water", "clinician"],
    "7": ["15 min", "soap, water", "NOW"],
}


@pytest.mark.parametrize("digit", AID)
def test_the_digit_gives_the_first_aid_of_its_kind(digit: str) -> None:
    ward = Ward()

    ward.says("DANGER")
    text = ward.says(digit)

    assert [piece for piece in AID[digit] if piece not in text] == []


@pytest.mark.parametrize(
    ("word", "digit"),
    [("NEEDLE", "5"), ("FUMES", "3"), ("BURN", "6"), ("SWALLOWED", "4"), ("BLOOD", "7")],
)
def test_a_word_that_says_which_gives_the_same_at_once(word: str, digit: str) -> None:
    asked, at_once = Ward(), Ward()
    asked.says("DANGER")

    assert at_once.says(word) == asked.says(digit)
    assert {phone for phone, _, _ in at_once.said} == ABOVE


def test_those_above_hear_at_once_and_of_the_kind_once() -> None:
    ward = Ward()

    ward.says("DANGER", "DANGER", "SPLASH")
    assert [len(to(ward, phone)) for phone in (SENA, CHIEF)] == [1, 1]

    ward.says("1", "DANGER", "1")
    assert [len(to(ward, phone)) for phone in (SENA, CHIEF)] == [2, 2]
    assert "splash in the eye" in to(ward, CHIEF)[-1]


def test_another_accident_later_is_told_again() -> None:
    ward = Ward()
    ward.says("DANGER", "1")
    ward.passes(hours=3)

    ward.says("DANGER", "1")

    assert len(to(ward, CHIEF)) == 4


def test_where_nobody_above_takes_texts_a_colleague_hears() -> None:
    ward = Ward()
    ward.says("STOP", phone=CHIEF)
    for phone in ABOVE:
        ward.unit = ward.unit.put_talk(replace(ward.unit.talk(phone), stopped=True))

    ward.says("DANGER")

    assert {phone for phone, _, _ in ward.said} == {BELA}


def test_who_told_the_carrier_to_stop_is_answered_all_the_same() -> None:
    ward = Ward()
    ward.says("STOP")

    assert "rinse with water" in ward.says("DANGER")
    assert "15 min" in ward.says("1")
    assert {phone for phone, _, _ in ward.said} == ABOVE


# ---- the batch and its clock -----------------------------------------------------------------


@pytest.mark.parametrize("digit", KINDS)
def test_no_digit_on_the_way_answers_the_batch(digit: str) -> None:
    ward = soaking()
    ward.passes(minutes=25)  # "1" would take the pieces out
    ward.says("DANGER")
    log, stage = ward.batch.log, ward.stage

    ward.says(digit, digit, "1")

    assert (ward.batch.log, ward.stage) == (log, stage)


def test_the_clock_goes_on_and_is_right_when_she_is_back() -> None:
    ward = soaking()
    due = ward.batch.due
    ward.passes(minutes=8)

    assert "12 min left" in ward.says("SPLASH")
    ward.passes(minutes=3)
    assert "9 min left" in ward.says("1")
    ward.passes(minutes=4)

    text = ward.says("0")
    assert "SOAK" in text
    assert "5 min left" in text
    assert ward.batch.due == due


def test_when_the_time_is_over_the_first_aid_says_so() -> None:
    ward = soaking()
    ward.passes(minutes=21)

    assert "Time up" in ward.says("NEEDLE")


def test_the_bell_rings_in_the_danger_screen_and_the_next_1_takes_nothing_out() -> None:
    ward = soaking()
    ward.passes(minutes=19)
    ward.says("DANGER")
    ward.passes(minutes=2)

    ward.bells()
    [bell] = [text for phone, kind, text in ward.said if (phone, kind) == (ASHA, "bell")]
    assert "BAG-1" in bell
    assert "BELL" in ward.says("1")
    assert ward.stage == "soak"

    ward.says("1")
    assert ward.stage != "soak"


def test_a_kind_that_the_bell_came_before_is_still_heard() -> None:
    """The choose screen that the bell opens has one batch: 5 can only be the needle."""
    ward = soaking()
    ward.passes(minutes=19)
    ward.says("DANGER")
    ward.passes(minutes=1)
    ward.bells()

    assert "squeeze or suck" in ward.says("5")
    assert "BELL" in ward.says("0")
    assert ward.stage == "soak"


def test_long_after_the_choose_screen_knows_nothing_of_a_danger() -> None:
    ward = soaking()
    ward.says("DANGER")
    ward.passes(minutes=21)
    ward.bells()

    assert "Which batch" in ward.says("5")


def test_the_batch_keeps_that_there_was_a_danger_and_not_which() -> None:
    ward = soaking()

    ward.says("DANGER", "5")

    told = [e for e in ward.batch.log if e.kind == "told"]
    assert [(e.mark, set(e.facts)) for e in told] == [("danger", {"of"})]
    assert "5" not in [e.said for e in told]


def test_a_danger_in_practice_is_real() -> None:
    ward = Ward()
    ward.says("PRACTISE", "1")
    assert ward.batch.practice

    text = ward.says("NEEDLE")

    assert "PRACTICE" not in text
    assert {phone for phone, _, _ in ward.said} == ABOVE
    assert len(ward.unit.reminders) == 1


def test_nonsense_on_the_danger_screen_asks_again() -> None:
    ward = Ward()
    ward.says("DANGER")

    for nonsense in ("", "8x", "55", "hm"):
        assert "1 eye" in ward.says(nonsense)


# ---- blood is asked after ---------------------------------------------------------------------


@pytest.mark.parametrize("digit", ["5", "7"])
def test_after_blood_the_deadline_is_72_hours_from_now(digit: str) -> None:
    ward = Ward()
    ward.says("DANGER")

    text = ward.says(digit)

    assert local(ward, hours=72) in text
    assert local(ward, hours=72) in to(ward, CHIEF)[-1]
    [reminder] = ward.unit.reminders.values()
    assert (reminder.kind, reminder.by) == ("blood", "ASHA")
    assert ward.timers == {reminder.id: BEGAN + timedelta(hours=24)}


def test_the_72_hours_count_from_when_it_happened() -> None:
    ward = Ward()
    ward.says("NEEDLE")

    text = ward.says("10")

    assert local(ward, hours=62) in text
    assert local(ward, hours=62) in to(ward, CHIEF)[-1]
    [reminder] = ward.unit.reminders.values()
    assert ward.timers == {reminder.id: BEGAN + timedelta(hours=14)}


def test_reported_after_73_hours_it_is_past_and_still_to_be_reported_today() -> None:
    ward = Ward()
    ward.says("NEEDLE")

    text = ward.says("73")

    assert "72 h are past" in text
    assert "still report today" in text
    assert "72 h are past" in to(ward, CHIEF)[-1]
    assert (ward.unit.reminders, ward.timers) == ({}, {})


def test_just_now_changes_nothing_and_tells_nobody_again() -> None:
    ward = Ward()
    ward.says("NEEDLE")
    reminders, told = ward.unit.reminders, len(ward.said)

    assert local(ward, hours=72) in ward.says("00")

    assert (ward.unit.reminders, len(ward.said)) == (reminders, told)


@pytest.mark.parametrize("text", ["5", "1", "-10", "1000", "\u0661\u0660", "10 h", ""])
def test_only_two_or_three_digits_are_hours(text: str) -> None:
    ward = soaking()
    ward.says("NEEDLE")
    unit = replace(ward.unit, talks={})

    assert "hours ago" in ward.says(text)
    assert replace(ward.unit, talks={}) == unit


@pytest.mark.parametrize("digit", KINDS)
def test_first_aid_fits_with_its_keys_and_the_clock(digit: str) -> None:
    prompt = framed(holes_filled(f"danger.{KINDS[digit]}"), "foot.screen")

    assert fits(text_of(prompt)), (len(text_of(prompt)), text_of(prompt))


@pytest.mark.parametrize("digit", ["1", "2", "3", "4", "6"])
def test_nothing_else_is_asked_after(digit: str) -> None:
    ward = Ward()
    ward.says("DANGER", digit)

    assert ward.unit.reminders == {}


def test_unanswered_it_is_asked_at_24_and_48_hours_and_told_at_72() -> None:
    ward = Ward()
    ward.says("NEEDLE")
    ward.said.clear()

    heard = []
    for hour in range(1, 100):
        ward.passes(hours=1)
        ward.restarts()
        ward.bells()
        heard += [(hour, phone, text) for phone, _, text in ward.said]
        ward.said.clear()

    assert [(hour, phone) for hour, phone, _ in heard] == [
        (24, ASHA), (48, ASHA), (48, CHIEF), (72, ASHA), (72, CHIEF),
    ]  # fmt: skip
    assert all("SEEN" in text and local(ward, hours=72) in text for _, _, text in heard[:2])
    assert "no answer" in heard[2][2]
    assert "72 h are past" in heard[3][2]
    assert "still report today" in heard[3][2]
    assert "72 h are past" in heard[4][2]
    assert (ward.unit.reminders, ward.timers) == ({}, {})


def test_rung_only_at_73_hours_it_is_past_and_still_to_be_reported() -> None:
    """The service was down until then."""
    ward = Ward()
    ward.says("NEEDLE")
    ward.passes(hours=73)

    ward.bells()

    assert "still report today" in to(ward, ASHA)[-1]
    assert ward.unit.reminders == {}


def test_the_word_ends_it() -> None:
    ward = Ward()
    ward.says("NEEDLE")
    ward.passes(hours=24)
    ward.bells()
    before = len(ward.said)

    assert "Thank you" in ward.says("seen")

    ward.passes(hours=48)
    ward.bells()
    assert (ward.unit.reminders, ward.timers) == ({}, {})
    assert len(ward.said) == before


def test_who_was_told_of_no_answer_hears_that_it_came() -> None:
    ward = Ward()
    ward.says("NEEDLE")
    for _ in range(2):
        ward.passes(hours=24)
        ward.bells()

    ward.says("SEEN")

    assert "has been seen by a clinician" in to(ward, CHIEF)[-1]


def test_the_word_of_one_ends_nothing_of_another() -> None:
    ward = Ward()
    ward.says("NEEDLE")

    text = ward.says("SEEN", phone=BELA)

    assert "Thank you" not in text
    assert len(ward.unit.reminders) == 1


def test_one_accident_under_two_names_is_asked_after_once() -> None:
    ward = Ward()

    ward.says("NEEDLE", "DANGER", "7", "NEEDLE")

    assert len(ward.unit.reminders) == 1


def test_it_is_asked_in_mid_soak_and_the_soak_is_not_touched() -> None:
    ward = Ward()
    ward.says("NEEDLE", "0")
    ward.passes(hours=23, minutes=50)
    play(ward, until="soak")
    ward.passes(minutes=10)
    before = replace(ward.batch)

    ward.bells()
    assert "SEEN" in to(ward, ASHA)[-1]
    ward.says("SEEN")

    assert ward.batch == before
    assert ward.timers == {ward.batch.id: before.due}


def test_for_one_who_takes_no_texts_those_in_charge_are_asked() -> None:
    ward = Ward()
    ward.says("NEEDLE", "STOP")
    ward.said.clear()
    ward.passes(hours=24)

    ward.bells()

    assert {phone for phone, _, _ in ward.said} == {CHIEF}


def test_one_who_left_the_register_is_not_asked() -> None:
    ward = Ward()
    ward.says("NEEDLE")
    gone = replace(PLACE, people=tuple(p for p in PLACE.people if p.phone != ASHA))
    ward.unit = replace(ward.unit, site=gone)
    ward.said.clear()
    ward.passes(hours=24)

    ward.bells()

    assert (ward.said, ward.unit.reminders) == ([], {})


def test_an_in_charge_who_is_hurt_is_asked_and_the_supervisor_told() -> None:
    ward = Ward()
    ward.says("NEEDLE", phone=CHIEF)
    assert {phone for phone, _, _ in ward.said} == {SENA}
    ward.said.clear()
    for _ in range(3):
        ward.passes(hours=24)
        ward.bells()

    assert len(to(ward, CHIEF)) == 3
    assert len(to(ward, SENA)) == 2


def test_nothing_is_asked_of_a_facility_where_nothing_happened() -> None:
    ward = Ward()

    assert "Nothing is asked" in ward.says("SEEN")
    assert ward.unit == replace(ward.unit, reminders=Unit(PLACE).reminders)
