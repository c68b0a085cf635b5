"""A supervisor's conversation: her screens, her answers, and what no digit may ever do."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bot.alert import Tally
from bot.alerting import MOST_WORD, raise_alert
from bot.effects import Post
from bot.model import SetState, Talk
from bot.turn import Turn
from flows.prompts import fits
from tests.bot.district import JUMA, LINDIWE, NEEMA, REHEMA, SALOME, District
from tests.nurse import Ward, play

HOME = "TAM: 1 alerts"


def state(district: District, code: str) -> str:
    alert = district.alert(code)
    return alert.state if alert else "closed"


def last(district: District, code: str) -> tuple[str, str, str]:
    """Who said what of it last."""
    alert = district.alert(code)
    assert alert
    line = alert.history[-1]
    return line.by, line.what, line.word


def told_one(ago: float = 5) -> District:
    """One alert, of which both supervisors were told."""
    district = District()
    district.raised("LOWF", 12, told=("P4", "P8", "P9"), by="P1", ago=ago)
    return district


# ---- in one reply --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "state_after", "said"),
    [
        ("1", "seen", ("P8", "seen", "")),
        ("2", "taken", ("P8", "taken", "")),
        ("4 why no fresh chlorine?", "taken", ("P8", "asked", "why no fresh chlorine?")),
        ("5", "open", ("P8", "passed", "")),
        ("1 known since monday", "seen", ("P8", "seen", "known since monday")),
    ],
)
def test_a_digit_answers_the_one_alert_that_waits(
    text: str, state_after: str, said: tuple[str, str, str]
) -> None:
    district = told_one()
    answer = district.says(text, sent=district.now)
    alert = district.alert("LOWF-12")

    assert "LOWF-12 (step missed)" in answer
    assert state(district, "LOWF-12") == state_after
    assert alert
    assert said in [(e.by, e.what, e.word) for e in alert.history]


def test_solved_needs_a_word_and_takes_it_in_the_same_text_or_the_next() -> None:
    for texts in (["3 fetched a new bag"], ["3", "fetched a new bag"]):
        district = told_one()
        answer = [district.says(t, sent=district.now) for t in texts][-1]

        assert "LOWF-12 (step missed): SOLVED" in answer
        assert state(district, "LOWF-12") == "closed"
        ward = district.wards["LOWF"]
        assert [text for phone, _, text in ward.said if phone == NEEMA] == [
            "LOWF-12 (step missed) solved, says Juma: fetched a new bag"
        ]


@pytest.mark.parametrize("digit", ["3", "4"])
def test_a_digit_sent_twice_is_no_word(digit: str) -> None:
    district = told_one()
    district.says(digit, sent=district.now)
    answer = district.says(digit, sent=district.now)

    assert "Not understood" in answer
    assert state(district, "LOWF-12") == "open"


def test_the_same_answer_twice_is_one() -> None:
    district = told_one()
    district.says("LOWF-12 2")
    lines = len(district.alert("LOWF-12").history)  # type: ignore[union-attr]
    answer = district.says("LOWF-12 2")

    assert "known already" in answer
    assert len(district.alert("LOWF-12").history) == lines  # type: ignore[union-attr]
    assert len([text for phone, _, text in district.wards["LOWF"].said if phone == NEEMA]) == 1


@pytest.mark.parametrize("digit", "12345")
def test_an_answer_sent_twice_touches_no_other_alert(digit: str) -> None:
    """The second is a digit on the screen that the first led to."""
    district = told_one()
    district.raised("HIGH", 3, told=("P8",), ago=600)
    district.says(f"LOWF-12 {digit} as agreed")
    for _ in range(2):
        district.says(digit)

    assert district.alert("HIGH-3").history[-1].what == "told"  # type: ignore[union-attr]


def test_where_two_wait_a_digit_asks_which() -> None:
    district = told_one()
    district.raised("HIGH", 3, told=("P8",), ago=3)
    answer = district.says("3", sent=district.now)

    assert "Which one?" in answer
    assert "1 LOWF-12 step missed 2 HIGH-3 step missed" in answer
    assert "HIGH-3 BAG-1: a critical step" in district.says("2")
    assert {state(district, c) for c in ("LOWF-12", "HIGH-3")} == {"open"}


def test_an_sms_written_before_the_alert_came_is_no_answer_to_it() -> None:
    district = told_one(ago=2)
    answer = district.says("1", sent=district.now - timedelta(minutes=3))

    assert "Do you mean this? LOWF-12" in answer
    assert state(district, "LOWF-12") == "open"


def test_where_nobody_dates_an_sms_a_minute_must_have_passed() -> None:
    early, later = told_one(ago=0.5), told_one(ago=1)

    assert "Do you mean this?" in early.says("1")
    assert "SEEN" in later.says("1")


@pytest.mark.parametrize(("minutes", "answered"), [(9, False), (11, True)])
def test_a_digit_soon_after_another_alert_ended_may_be_meant_for_that(
    minutes: int, answered: bool
) -> None:
    district = told_one(ago=60)
    district.raised("LOWF", 13, "piece", told=("P8",), ago=60)
    district.wards["LOWF"].says("LOWF-13 3 found it", phone=SALOME)
    district.passes(minutes=minutes)
    answer = district.says("1", sent=district.now)

    assert ("SEEN" in answer) is answered
    assert (state(district, "LOWF-12") == "seen") is answered


def test_what_ended_and_she_was_never_told_of_stands_in_no_way() -> None:
    district = told_one(ago=60)
    district.raised("LOWF", 13, "piece", told=("P4",), ago=60)
    district.wards["LOWF"].says("LOWF-13 3 found it", phone=SALOME)

    assert "SEEN" in district.says("1", sent=district.now)


def test_a_digit_after_a_screen_belongs_to_the_screen() -> None:
    district = told_one()
    assert HOME in district.says("hello")

    assert "READY now" in district.says("2", sent=district.now)
    assert state(district, "LOWF-12") == "open"


def test_a_digit_in_the_middle_of_a_list_when_an_alert_comes_answers_neither() -> None:
    district = District()
    assert "Which facility?" in [district.says(t) for t in ("hello", "5")][-1]
    district.passes(minutes=2)
    district.raised("LOWF", 12, told=("P8",), ago=0)
    answer = district.says("2", sent=district.now)

    assert "Do you mean this? LOWF-12" in answer
    assert state(district, "LOWF-12") == "open"


def test_a_list_of_long_ago_stands_in_no_way() -> None:
    district = District()
    district.says("5")
    district.passes(hours=1)
    district.raised("LOWF", 12, told=("P8",), ago=0)

    assert "SEEN" in district.says("1", sent=district.now)


def test_by_dialling_a_digit_is_never_an_answer_but_on_the_screen_of_an_alert() -> None:
    district = told_one()

    assert HOME in district.dials("")
    assert "Alerts: 1 LOWF-12" in district.dials("1")
    assert "LOWF-12 BAG-1: a critical step" in district.dials("1*1")
    assert "SEEN" in district.dials("1*1*1")
    assert state(district, "LOWF-12") == "seen"


def test_an_alert_told_while_a_session_is_open_does_not_take_its_digits() -> None:
    district = District()
    district.dials("")
    district.raised("LOWF", 12, told=("P8",), ago=0)

    assert "READY now" in district.dials("2")
    assert state(district, "LOWF-12") == "open"


# ---- with the code -------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["LOWF-12 1", "lowf-12 1", "LOWF-12: 1", "  LOWF-12   1. "])
def test_the_code_says_which_whatever_else_waits(text: str) -> None:
    district = told_one()
    district.raised("HIGH", 3, told=("P8",), ago=1)
    district.says("5")

    assert "LOWF-12 (step missed): you have SEEN it" in district.says(text)
    assert (state(district, "LOWF-12"), state(district, "HIGH-3")) == ("seen", "open")


def test_the_code_alone_or_with_nonsense_shows_the_alert() -> None:
    for text in ("LOWF-12", "LOWF-12 7", "LOWF-12 what is this"):
        district = told_one()
        assert "LOWF-12 BAG-1: a critical step" in district.says(text)
        assert state(district, "LOWF-12") == "open"


@pytest.mark.parametrize("text", ["LOWF-12 2", "LOWF-12", "LOWF-12 what now"])
def test_an_alert_that_is_closed_is_said_to_be_closed(text: str) -> None:
    district = told_one()
    district.says("LOWF-12 3 all done")

    assert f"{text.split(maxsplit=1)[0]} is closed." in district.says(text)


def test_a_code_that_was_never_given_is_said_not_to_be_open() -> None:
    assert "No open alert LOWF-99." in told_one().says("lowf-99 1")


def test_the_word_is_cut_and_holds_no_number_of_a_phone() -> None:
    district = told_one()
    district.says(f"LOWF-12 1 call +1 (202) 555-0117 or 12025550117\nnow {'x' * 200}")
    word = last(district, "LOWF-12")[2]

    assert word.startswith("call ... or ... now x")
    assert "555" not in word
    assert len(word) == MOST_WORD


def test_a_supervisor_who_was_not_told_may_answer_with_the_code() -> None:
    district = District()
    district.raised("LOWF", 12, told=("P4",))

    assert "YOURS" in district.says("LOWF-12 2", phone=LINDIWE)
    assert last(district, "LOWF-12") == ("P9", "taken", "")


# ---- screens -------------------------------------------------------------------------------------


def test_the_list_has_the_most_urgent_first_and_of_these_the_oldest() -> None:
    """"now" before "soon" before "morning", by the rules in force."""
    district = District()
    district.raised("LOWF", 1, "supplies", ago=90)
    district.raised("LOWF", 2, "step", ago=10)
    district.raised("HIGH", 3, "step", ago=60)

    assert "1 HIGH-3 step missed 2 LOWF-2 step missed 3 LOWF-1 supplies" in district.says("ALERTS")


def test_what_somebody_sees_to_stands_last_with_her_name() -> None:
    district = told_one()
    district.raised("HIGH", 3, told=("P8",), ago=1)
    district.says("LOWF-12 2", phone=LINDIWE)

    assert "1 HIGH-3 step missed 2 LOWF-12 step missed: Lindiwe" in district.says("ALERTS")


def test_an_alert_says_since_when_how_often_and_who_spoke_last() -> None:
    district = told_one(ago=60)
    ward = district.wards["LOWF"]
    ward.unit = ward.unit.put_alert(replace(ward.unit.alerts["LOWF-12"], count=3))
    ward.says("LOWF-12 2", phone=SALOME)
    first = district.says("LOWF-12")
    rest = district.says("8")

    assert "LOWF-12 BAG-1: a critical step cannot be done. Step SOAK, Neema." in first
    assert "1 seen 2 mine 3 solved 4 ask 5 pass on" in first
    both = first + rest
    assert "Since 3 Mar 07:00." in both
    assert "3 times." in both
    assert "Salome: on it." in both


def test_a_long_list_goes_on_behind_8_and_nothing_is_left_out() -> None:
    district = District()
    for n in range(1, 10):
        district.raised("LOWF", n, ago=100 - n)
    seen: list[str] = []
    answer = district.says("ALERTS")
    for _ in range(9):
        seen += [word for word in answer.split() if word.startswith("LOWF-")]
        assert fits(answer)
        if "8 more" not in answer:
            break
        answer = district.says("8")

    assert seen == [f"LOWF-{n}" for n in range(1, 10)]
    assert "LOWF-1 " in district.says("8"), "after the last page comes the first"


def test_8_where_all_is_shown_says_so() -> None:
    district = told_one()
    district.says("ALERTS")

    assert district.says("8").startswith("That is all. Alerts: 1 LOWF-12")


def test_a_digit_of_a_later_page_picks_from_that_page() -> None:
    district = District()
    for n in range(1, 10):
        district.raised("LOWF", n, ago=100 - n)
    district.says("ALERTS")
    page = district.says("8")
    code = page.split("1 ", 1)[1].split(" ", 1)[0]

    assert district.says("1").startswith(f"{code} BAG-1")


def test_ready_counts_each_kind_of_each_facility_and_those_with_none_come_first() -> None:
    district = District()
    ward = district.wards["LOWF"]
    for set_id in ("BAG-1", "SUC-1"):
        until = district.now + timedelta(days=3)
        ready = SetState(set_id, "READY", district.now, until, "B")
        ward.unit = ward.unit.put_set(ready)

    assert "READY now: HIGH none! LOWF BAG 1 of 2, SUC 1 of 1;" in district.says("STATUS")
    district.passes(days=4)
    assert "HIGH none! LOWF none!" in district.says("STATUS"), "EXPIRED is not READY"


def test_late_lists_alerts_of_it_and_exposures_past_due() -> None:
    district = District()
    play(district.wards["HIGH"], "BAG-5", phone=REHEMA, until="soak")
    due = district.wards["HIGH"].batch.due
    assert due
    district.raised("LOWF", 4, "still", ago=30)
    assert "LATE: LOWF-4 BAG-1 stands still, 3 Mar 07:30;" in district.says("LATE")
    district.above.now = due + timedelta(minutes=5)
    late = district.says("LATE")

    assert f"HIGH BAG-5 still in, bell 3 Mar {due:%H:%M};" in late


def test_today_adds_up_the_facilities_and_names_those_that_said_nothing() -> None:
    district = District()
    today, yesterday = "2025-03-03", "2025-03-02"
    for site, day in (("LOWF", today), ("HIGH", yesterday)):
        ward = district.wards[site]
        watch = replace(ward.unit.watch, heard=datetime.fromisoformat(f"{day}T07:00:00+00:00"))
        tally = Tally(day, begun=4, released=3, set_aside=1, uses=2, alerts=5)
        ward.unit = replace(ward.unit, watch=watch, tally=tally)
    answers = [district.says(t) for t in ("MENU", "4")]

    assert "Today, 2 facilities: 4 begun, 3 READY, 1 set aside, 2 uses, 5 alerts." in answers[1]
    assert "NO WORD: HIGH." in answers[1]


def test_a_facility_is_found_by_its_number_or_its_id() -> None:
    district = told_one()
    play(district.wards["LOWF"], "BAG-2", phone=NEEMA, until="wash")
    by_number = [district.says(t) for t in ("MENU", "5", "2")][-1]

    assert by_number == district.says("lowf")
    assert "LOWF: IN PROCESS: BAG-2. USED: BAG-1+SUC-1. BAG-2: WASH." in by_number
    assert "LOWF-12 step missed." in by_number + district.says("8")


def test_an_empty_board_leads_to_no_dead_end() -> None:
    district = District()
    district.wards.clear()
    district.show()
    for digit in "123456":
        assert HOME in district.says("MENU")
        answer = district.says(digit)
        assert HOME in answer or digit in "46"


def test_0_leads_back_step_by_step_and_in_the_end_to_the_main_screen() -> None:
    district = told_one()
    shown = "Alerts:", "LOWF-12 BAG-1", "solved: how?", "LOWF-12 BAG-1", "Alerts:", HOME, HOME
    for text, wanted in zip(("ALERTS", *"130000"), shown, strict=True):
        assert wanted in district.says(text), text


def test_an_alert_that_ends_while_it_is_shown_takes_no_answer() -> None:
    district = told_one()
    district.raised("HIGH", 3, told=("P8",), ago=600)
    district.says("LOWF-12")
    district.wards["LOWF"].says("LOWF-12 3 done", phone=SALOME)
    answer = district.says("2")

    assert "LOWF-12 is closed." in answer
    assert state(district, "HIGH-3") == "open"


def test_a_session_of_long_ago_begins_at_the_main_screen_again() -> None:
    district = told_one()
    for text in ("", "1", "1*1"):
        district.dials(text)
    assert "LOWF-12 BAG-1" in district.dials("", "s2"), "a dropped session goes on"
    district.passes(hours=1)

    assert HOME in district.dials("", "s3")


# ---- silence -------------------------------------------------------------------------------------


def quiet_until(district: District, site: str = "LOWF", phone: str = JUMA) -> datetime | None:
    return district.wards[site].unit.talk(phone).quiet_until


@pytest.mark.parametrize(
    ("texts", "hours"),
    [(["QUIET 3H"], 3), (["quiet 90m"], 1.5), (["QUIET", "1"], 1), (["MENU", "6", "2"], 4),
     (["QUIET", "3"], 22.5)],
)  # fmt: skip
def test_silence_is_kept_where_she_is_told_from(texts: list[str], hours: float) -> None:
    """It is 08:00, and the quiet hours of the rules in force end at 06:30."""
    district = District()
    answer = [district.says(t) for t in texts][-1]

    assert "Silent until" in answer
    for site in ("LOWF", "HIGH"):
        assert quiet_until(district, site) == district.now + timedelta(hours=hours)


@pytest.mark.parametrize("text", ["QUIET 25H", "QUIET 0H", "QUIET please", "QUIET 3"])
def test_what_is_no_span_asks_how_long(text: str) -> None:
    district = District()

    assert "1 for an hour" in district.says(text)
    assert quiet_until(district) is None


def test_silence_can_be_ended_and_its_timer_goes_with_it() -> None:
    district = District()
    district.says("QUIET 3H")
    assert "quiet-P8" in district.above.timers

    assert "Silence is off" in district.says("QUIET OFF")
    assert quiet_until(district) is None
    assert "quiet-P8" not in district.above.timers


def test_at_the_end_of_a_silence_comes_what_is_open_and_she_counts_as_told() -> None:
    district = District()
    district.says("QUIET 1H")
    district.raised("LOWF", 12, told=("P4",), ago=0)
    district.raised("LOWF", 13, told=("P4",), ago=0)
    district.says("LOWF-13 1", phone=LINDIWE)
    district.above.said.clear()
    district.passes(hours=1)
    district.above.bell("quiet-P8")
    district.deliver()

    [(phone, _, text)] = district.above.said
    assert phone == JUMA
    assert "Waiting for you: 1. Alerts: 1 LOWF-12 step missed" in text
    assert "LOWF-13" not in text
    assert district.alert("LOWF-12").told == ("P4", "P8")  # type: ignore[union-attr]
    assert "LOWF-12 BAG-1" in district.says("1", sent=district.now), "a digit answers none"
    assert state(district, "LOWF-12") == "open"


def test_where_nothing_is_open_a_silence_ends_without_a_text() -> None:
    district = District()
    district.says("QUIET 1H")
    district.passes(hours=1)
    district.above.bell("quiet-P8")

    assert district.above.said == []
    assert "quiet-P8" not in district.above.unit.reminders


def test_stop_and_start_are_told_to_each_facility() -> None:
    district = District()
    for text, stopped in (("STOP", True), ("START", False)):
        district.says(text)
        assert district.above.unit.talk(JUMA).stopped is stopped
        for ward in district.wards.values():
            assert ward.unit.talk(JUMA).stopped is stopped


def test_somebody_hurt_is_answered_as_everywhere() -> None:
    district = District()

    assert "1 eye 2 skin" in district.says("DANGER")
    assert "Clinician" in district.says("5")
    assert HOME in district.says("0")


# ---- the morning ---------------------------------------------------------------------------------

MORNING = datetime(2025, 3, 4, 6, 35, tzinfo=UTC)  # quiet until 06:30, the digest 5 minutes later


def at_morning(district: District) -> list[tuple[str, str, str]]:
    district.says("hello")
    assert district.above.timers["watch"] == MORNING
    span = MORNING - district.now
    district.passes(seconds=span.total_seconds())
    district.show()
    district.above.said.clear()
    district.above.bell("watch")
    district.deliver()
    return district.above.said


def test_in_the_morning_each_hears_once_of_all_that_she_has_not_answered() -> None:
    district = told_one()
    district.raised("HIGH", 3, told=("P8",), ago=1)
    district.raised("HIGH", 4, told=("P8",), ago=1)
    district.says("HIGH-4 1")
    texts = {phone: text for phone, _, text in at_morning(district)}

    assert "Waiting for you: 2. Alerts: 1 LOWF-12 step missed 2 HIGH-3 step missed" in texts[JUMA]
    assert "Waiting for you: 1. Alerts: 1 LOWF-12 step missed" in texts[LINDIWE]
    assert "HIGH" not in texts[LINDIWE]
    assert district.above.timers["watch"] == MORNING + timedelta(days=1)


def test_what_waited_out_the_night_comes_to_supervisors_in_that_one_text() -> None:
    district = District()
    district.says("hello")
    ward = district.wards["LOWF"]
    district.passes(hours=14)  # 22:00: those off duty are let sleep
    ward.says("BRIEF", phone=NEEMA)
    turn = Turn(ward.unit, ward.rules, ward.now)
    facts = {"sets": "BAG-1", "step": "soak", "reason": "supplies"}
    raise_alert(turn, "supplies", "soak", by="P1", facts=facts)
    ward.unit = turn.unit
    [code] = [a.id for a in ward.unit.alerts.values() if a.rule == "supplies"]
    assert district.alert(code).told == ()  # type: ignore[union-attr]
    district.passes(hours=8, minutes=30)
    ward.bell(code)
    assert {JUMA, LINDIWE}.isdisjoint(phone for phone, _, _ in ward.said)
    district.passes(minutes=5)
    district.show()
    district.above.bell("watch")

    assert [(phone, text.split("\n")[0]) for phone, _, text in district.above.said[-2:]] == [
        (phone, f"Waiting for you: 1. Alerts: 1 {code} supplies") for phone in (JUMA, LINDIWE)
    ]


def test_where_nothing_waits_nobody_hears_in_the_morning() -> None:
    district = told_one()
    district.says("LOWF-12 1")

    assert at_morning(district) == []


def test_who_wants_silence_or_no_texts_hears_nothing_in_the_morning() -> None:
    district = told_one()
    district.says("STOP")
    district.says("QUIET 24H", phone=LINDIWE)

    assert at_morning(district) == []


def test_a_timer_that_rings_early_tells_nothing_and_rings_again() -> None:
    district = told_one()
    district.says("hello")
    district.above.said.clear()
    district.above.bell("watch")

    assert district.above.said == []
    assert district.above.timers["watch"] == MORNING


def test_a_timer_that_rings_in_the_next_night_wakes_nobody() -> None:
    district = told_one()
    district.says("hello")
    district.passes(hours=15)
    district.above.bell("watch")
    assert district.above.said == []
    district.passes(hours=24)  # 23:00 of the next day
    district.above.bell("watch")

    assert district.above.said == []
    assert district.above.timers["watch"] == MORNING + timedelta(days=1)


def test_the_digits_of_an_open_session_are_not_for_the_digest() -> None:
    district = told_one()
    district.dials("")
    assert at_morning(district)

    assert "Alerts: 1 LOWF-12" in district.dials("2"), "the session shows the new screen first"
    assert state(district, "LOWF-12") == "open"


# ---- at the facility -----------------------------------------------------------------------------


def test_alerts_lists_those_first_that_she_was_told_of() -> None:
    district = District()
    district.raised("LOWF", 12, told=("P8",), ago=60)
    district.raised("LOWF", 13, told=("P4",), ago=5)
    ward = district.wards["LOWF"]

    assert "1 LOWF-13 step missed 2 LOWF-12 step missed" in ward.says("ALERTS", phone=SALOME)


@pytest.mark.parametrize(
    ("texts", "state_after"),
    [(["1"], "seen"), (["2"], "taken"), (["3", "new bag"], "closed"), (["3 new bag"], "closed"),
     (["4", "who has it?"], "taken"), (["5"], "open")],
)  # fmt: skip
def test_the_five_answers_work_at_the_facility_too(texts: list[str], state_after: str) -> None:
    district = told_one()
    ward = district.wards["LOWF"]
    answers = [ward.says(t, phone=SALOME) for t in ("ALERTS", "1", *texts)]

    assert "LOWF-12 (step missed)" in answers[-1]
    assert state(district, "LOWF-12") == state_after


def test_the_screens_of_alerts_leave_the_batch_where_it_is() -> None:
    district = told_one()
    ward = district.wards["LOWF"]
    play(ward, "BAG-1", phone=NEEMA, until="wash")
    before = ward.batch
    for texts in (["ALERTS", "1", "1"], ["ALERTS", "1", "0"], ["LOWF-12 1"], ["LOWF-12 on my way"],
                  ["ALERTS", "1", "3", "1", "0"], ["ALERTS", "8"]):  # fmt: skip
        for text in texts:
            ward.says(text, phone=NEEMA)
        assert ward.batch == before, texts
        if ward.unit.talk(NEEMA).screen:
            ward.says("0", phone=NEEMA)

    assert ward.batch == before


@pytest.mark.parametrize("texts", [("ALERTS", "1", "2"), ("ALERTS", "1", "3", "0"), ("LOWF-12 1",)])
def test_at_no_stage_do_the_answers_to_an_alert_move_the_batch(texts: tuple[str, ...]) -> None:
    district = told_one()
    ward = district.wards["LOWF"]

    def look(ward: Ward, stage: str) -> None:
        before = ward.unit.batches
        ward.says(*texts, phone=NEEMA)
        if ward.unit.talk(NEEMA).screen:
            ward.says("1", phone=NEEMA)  # sent by mistake: it shows the batch
        assert ward.unit.batches == before, stage

    play(ward, "BAG-1", phone=NEEMA, before=look)

    assert ward.ended.outcome == "released"
    assert ward.condition("BAG-1") == "READY"


def test_a_digit_after_an_answer_shows_the_batch_and_answers_nothing() -> None:
    district = told_one()
    ward = district.wards["LOWF"]
    play(ward, "BAG-1", phone=NEEMA, until="wash")
    before = ward.batch
    ward.says("LOWF-12 1", phone=NEEMA)

    assert "Now BAG-1: WASH" in ward.says("1", phone=NEEMA)
    assert ward.batch == before


def test_words_with_the_code_reach_whoever_asked() -> None:
    district = told_one()
    district.says("LOWF-12 4 what happened?")
    ward = district.wards["LOWF"]
    asked = "Juma asks, LOWF-12: what happened? Reply LOWF-12, your words"
    assert (NEEMA, "alert", asked) in ward.said
    answer = ward.says("LOWF-12 bag was torn", phone=NEEMA)

    assert "your words are kept" in answer
    assert (JUMA, "alert", "LOWF-12 (step missed), Neema: bag was torn") in ward.said
    assert last(district, "LOWF-12") == ("P1", "replied", "bag was torn")


def test_names_of_sets_are_never_the_code_of_an_alert() -> None:
    district = District()
    ward = district.wards["LOWF"]
    ward.site = replace(ward.site, id="BAG")
    ward.unit = replace(ward.unit, site=ward.site)
    alert = replace(district.raised("HIGH", 1), id="BAG-1", facility="BAG")
    ward.unit = ward.unit.put_alert(alert)

    assert "gloves" in ward.says("BAG-1 BAG-2", phone=NEEMA)
    assert ward.unit.alerts["BAG-1"].history == alert.history


def test_silence_is_for_those_in_charge() -> None:
    ward = District().wards["LOWF"]

    assert "QUIET is for" in ward.says("QUIET 3H", phone=NEEMA)
    assert "Silent until" in ward.says("QUIET 3H", phone=SALOME)
    assert ward.unit.talk(NEEMA).quiet_until is None
    assert ward.unit.talk(SALOME).quiet_until == ward.now + timedelta(hours=3)


def test_at_the_end_of_her_silence_the_in_charge_hears_what_is_open() -> None:
    district = District()
    ward = district.wards["LOWF"]
    ward.says("QUIET 1H", phone=SALOME)
    district.raised("LOWF", 12, told=("P8",), by="P1", ago=0)
    district.passes(hours=1)
    ward.bell("quiet-P4")

    [text] = [text for phone, _, text in ward.said if phone == SALOME]
    assert text.startswith("LOWF-12 BAG-1: a critical step cannot be done.")
    assert district.alert("LOWF-12").told == ("P8", "P4")  # type: ignore[union-attr]


# ---- letters -------------------------------------------------------------------------------------


def test_one_answer_is_one_letter_and_to_one_facility() -> None:
    district = told_one()
    district.says("LOWF-12 2")
    posts = [e for e in district.above.effects if isinstance(e, Post)]

    assert [(p.site_id, p.letter.kind, p.letter.about) for p in posts] == [
        ("LOWF", "taken", "LOWF-12")
    ]


def test_a_talk_from_before_these_screens_begins_at_the_main_one() -> None:
    district = District()
    district.above.unit = district.above.unit.put_talk(Talk(JUMA, screen="", tries=3))

    assert HOME in district.says("hello")
