"""Alerts: raised once, told step by step, let sleep, answered, over."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from bot.alert import Alert
from bot.alerting import answered
from bot.effects import Raised, Say
from bot.events import Letter
from bot.model import SetState, Talk, Unit
from bot.turn import Turn
from flows.alerting import AlertRule, AlertRules
from tests.nurse import ALERTS, ASHA, BEGAN, BELA, CHIEF, PLACE, SENA, SPARE, Ward, play, rules_of

# Nairobi is three hours ahead of UTC all year: 11:00 when a ward begins, quiet from 17:00 UTC on.
QUIET_FROM, QUIET_UNTIL = 17, 3.5
NIGHT = datetime(2025, 3, 3, 19, 0, tzinfo=UTC)
MORNING = datetime(2025, 3, 4, 3, 30, tzinfo=UTC)


def watched(**more: Any) -> Ward:
    return Ward(rules=rules_of(alerts=ALERTS), **more)


def only(*ids: str) -> AlertRules:
    return replace(ALERTS, rules={i: ALERTS.rules[i] for i in ids})


def with_only(*ids: str, **more: Any) -> Ward:
    return Ward(rules=rules_of(alerts=only(*ids)), **more)


def alerts(ward: Ward, rule: str = "") -> list[Alert]:
    return [a for a in ward.unit.alerts.values() if rule in ("", a.rule)]


def the(ward: Ward, rule: str) -> Alert:
    (found,) = alerts(ward, rule)
    return found


def told(ward: Ward) -> list[str]:
    """The phones that heard of an alert, in order."""
    return [phone for phone, kind, _ in ward.said if kind == "alert"]


def answer(ward: Ward, alert: Alert, kind: str, word: str = "", by: str = "SENA") -> None:
    letter = Letter(f"l{ward.count}", ward.now, kind, by, "Sena", alert.id, word)
    ward.count += 1
    ward.take(letter)


def cut_short(**more: Any) -> Ward:
    """A ward where an exposure was cut short: those above know."""
    ward = play(with_only("step", **more), until="soak")
    ward.said.clear()
    ward.says("3")
    return ward


# ---- once ----------------------------------------------------------------------------------


def test_the_same_matter_is_one_alert_with_a_count_and_one_message() -> None:
    ward = cut_short()
    ward.says("1", "3")

    assert the(ward, "step").count == 2
    assert sorted(told(ward)) == [CHIEF, SENA]


def test_another_batch_is_another_matter() -> None:
    ward = cut_short()
    play(ward, "BAG-2", phone=BELA, until="soak")
    ward.says("3", phone=BELA)

    assert len(alerts(ward, "step")) == 2


def test_practice_raises_nothing() -> None:
    ward = watched()
    ward.says("PRACTICE", "1")
    play(ward, until="soak")
    ward.says("3")
    ward.goes_by(hours=1)

    assert alerts(ward, "step") == []
    assert told(ward) == []


def test_what_the_programme_does_not_watch_for_raises_nothing() -> None:
    ward = play(with_only("danger"), until="soak")
    ward.says("3")

    assert alerts(ward) == []


def test_the_store_hears_of_each_state() -> None:
    ward = cut_short()
    alert = the(ward, "step")
    answer(ward, alert, "seen")

    states = [e.alert.state for e in ward.effects if isinstance(e, Raised)]
    assert states == ["seen"]


def test_it_survives_a_restart() -> None:
    ward = cut_short()
    before = ward.unit
    ward.restarts(machine=True)

    assert ward.unit.alerts == before.alerts
    assert ward.unit.watch == before.watch


# ---- who is told, and when ------------------------------------------------------------------


def still(ward: Ward) -> Ward:
    """A batch begun by Asha that then stands still."""
    ward.says("BAG-1", "1")
    ward.said.clear()
    return ward


def test_a_batch_that_stands_still_goes_from_the_nurse_to_the_supervisor() -> None:
    ward = still(with_only("still"))
    began = ward.now
    minutes = {}
    for _ in range(60 * 4):
        before = len(told(ward))
        ward.goes_by(minutes=1)
        for phone in told(ward)[before:]:
            minutes[phone] = (ward.now - began).total_seconds() / 60

    # 45 minutes of patience, then 15, 30 and 120 more: alerts/default.toml.
    assert minutes == {ASHA: 45, BELA: 60, CHIEF: 90, SENA: 210}


def test_an_answer_to_the_batch_ends_it() -> None:
    ward = still(with_only("still"))
    ward.goes_by(minutes=50)
    alert = the(ward, "still")
    ward.says("1")

    assert alerts(ward, "still") == []
    (last,) = [e.alert for e in ward.effects if isinstance(e, Raised)]
    assert (last.id, last.state) == (alert.id, "over")
    ward.goes_by(minutes=44)
    assert told(ward) == [ASHA]


def test_a_step_at_which_nobody_can_be_told_is_no_step() -> None:
    site = replace(PLACE, people=PLACE.people[:1])
    ward = still(with_only("still", site=site))
    ward.goes_by(minutes=45)
    ward.goes_by(minutes=15)

    assert told(ward) == [ASHA, SENA]


def test_whoever_reports_it_is_not_told_of_it() -> None:
    ward = play(with_only("step"), until="soak", phone=CHIEF)
    ward.said.clear()
    ward.says("3", phone=CHIEF)

    assert told(ward) == [SENA]


def test_where_nobody_of_its_steps_is_there_anyone_is_told() -> None:
    site = replace(PLACE, people=PLACE.people[:2], supervisors=())
    ward = play(with_only("step", site=site), until="soak")
    ward.said.clear()
    ward.says("3")

    assert set(told(ward)) == {ASHA, BELA}


def test_one_on_leave_or_who_wants_no_texts_is_passed_over() -> None:
    ward = with_only("step")
    away = Talk(CHIEF, screen="home", away_until=BEGAN + timedelta(days=3))
    ward.unit = ward.unit.put_talk(away)
    play(ward, until="soak")
    ward.said.clear()
    ward.says("3")

    assert told(ward) == [SENA]


def test_the_colleague_is_one_who_is_on_shift() -> None:
    day, night = ("06:00-18:00", "18:00-06:00")
    people = (
        replace(PLACE.people[0], shift=day),
        replace(PLACE.people[1], shift=night),
        replace(PLACE.people[2], shift=day),
    )
    ward = still(with_only("still", site=replace(PLACE, people=people)))
    ward.goes_by(minutes=60)

    assert told(ward) == [ASHA, CHIEF]  # at noon there; Bela sleeps


def test_a_text_that_did_not_arrive_goes_further_at_once() -> None:
    ward = still(with_only("still"))
    ward.goes_by(minutes=45)
    ward.receipt(the(ward, "still").id, ASHA, delivered=False, kind="alert")

    assert told(ward) == [ASHA, BELA]


# ---- the quiet hours -------------------------------------------------------------------------


def test_in_the_quiet_hours_those_off_duty_sleep_and_hear_all_in_one_text_in_the_morning() -> None:
    ward = with_only("piece", now=NIGHT)
    play(ward, until="inspect")
    ward.says("3", "3")
    play(ward, "BAG-2", phone=BELA, until="inspect")
    ward.says("3", "3", phone=BELA)
    assert len(alerts(ward, "piece")) == 2
    assert told(ward) == []

    ward.goes_by(seconds=(MORNING - ward.now).total_seconds() - 1)
    assert told(ward) == []
    ward.goes_by(seconds=1)

    assert told(ward) == [CHIEF]
    assert "2 alerts wait" in ward.said[-1][2]
    # Supervisors hear of it from their own unit; the record says that it is theirs to answer.
    assert all("SENA" in a.told for a in alerts(ward, "piece"))


def test_what_cannot_wait_goes_out_at_night() -> None:
    ward = cut_short(now=NIGHT)

    assert sorted(told(ward)) == [CHIEF, SENA]


def test_those_at_work_are_told_at_night() -> None:
    ward = still(with_only("still", now=NIGHT))
    ward.goes_by(minutes=70)

    assert told(ward) == [ASHA, BELA]


def test_a_matter_of_the_morning_waits_for_it_at_noon_too() -> None:
    ward = with_only("few_ready", site=replace(PLACE, least_ready=(("bag", 2),)))
    play(ward)
    ward.said.clear()
    began = ward.now
    ward.goes_by(hours=12)
    assert told(ward) == []
    ward.goes_by(seconds=(MORNING - ward.now).total_seconds())

    assert told(ward) == [CHIEF]
    assert ward.now - began < timedelta(hours=24)


# ---- answered ---------------------------------------------------------------------------------


def test_seen_stops_the_clock_and_leaves_it_open() -> None:
    ward = still(with_only("still"))
    ward.goes_by(minutes=45)
    answer(ward, the(ward, "still"), "seen")
    ward.goes_by(hours=5)

    assert told(ward) == [ASHA]
    assert the(ward, "still").state == "seen"


def test_taken_tells_whose_matter_it_is() -> None:
    ward = cut_short()
    ward.said.clear()
    answer(ward, the(ward, "step"), "taken")

    assert told(ward) == [ASHA]
    assert "Sena sees to it" in ward.said[-1][2].replace(the(ward, "step").id, "it")


def test_solved_closes_it_with_the_word() -> None:
    ward = cut_short()
    alert = the(ward, "step")
    answer(ward, alert, "solved", "a new bucket")

    assert alerts(ward) == []
    (kept,) = [e.alert for e in ward.effects if isinstance(e, Raised)]
    assert (kept.state, kept.history[-1].word) == ("solved", "a new bucket")
    assert "a new bucket" in ward.said[-1][2]


def test_after_it_was_solved_the_same_matter_is_a_new_alert() -> None:
    ward = cut_short()
    first = the(ward, "step")
    answer(ward, first, "solved", "done")
    ward.says("1", "3")

    assert the(ward, "step").id != first.id


def test_what_lasts_though_called_solved_is_an_alert_again_in_the_morning_and_not_before() -> None:
    ward = still(with_only("still"))
    ward.goes_by(minutes=45)
    first = the(ward, "still")
    answer(ward, first, "solved", "she comes")
    ward.goes_by(seconds=(MORNING - ward.now).total_seconds() - 1)
    assert alerts(ward) == []
    ward.goes_by(seconds=1)

    assert the(ward, "still").id != first.id


def test_what_was_called_solved_and_ended_is_an_alert_at_once_when_it_comes_again() -> None:
    ward = still(with_only("still"))
    ward.goes_by(minutes=45)
    answer(ward, the(ward, "still"), "solved", "she comes")
    ward.says("1")
    ward.goes_by(minutes=45)

    assert len(alerts(ward)) == 1


def test_a_question_goes_to_the_facility_and_its_words_come_back() -> None:
    ward = cut_short()
    alert = the(ward, "step")
    ward.said.clear()
    answer(ward, alert, "asked")
    assert told(ward) == [ASHA]
    ward.said.clear()
    turn = Turn(ward.unit, ward.rules, ward.now, person=PLACE.people[0])
    reply = Letter("", ward.now, "replied", "ASHA", "Asha", alert.id, "the power went")
    answered(turn, ward.unit.alerts[alert.id], reply)

    (said,) = [e for e in turn.effects if isinstance(e, Say)]
    assert said.phone == SENA
    assert "the power went" in ward.text(said)


def test_passed_on_it_goes_to_the_next_at_once() -> None:
    ward = still(with_only("still"))
    ward.goes_by(minutes=45)
    answer(ward, the(ward, "still"), "passed", by="ASHA")

    assert told(ward) == [ASHA, BELA]


def test_passed_on_with_nobody_left_those_who_knew_hear_it_again() -> None:
    ward = cut_short()
    ward.said.clear()
    answer(ward, the(ward, "step"), "passed")

    assert told(ward) == [CHIEF]
    assert the(ward, "step").state == "open"


def test_an_answer_to_a_closed_alert_changes_nothing() -> None:
    ward = cut_short()
    alert = the(ward, "step")
    answer(ward, alert, "solved", "done")
    before = ward.unit
    answer(ward, alert, "taken")

    assert ward.unit == before
    assert ward.effects == ()


def test_nothing_that_happens_to_an_alert_moves_a_batch_or_a_set() -> None:
    ward = cut_short()
    alert = the(ward, "step")
    for kind in ("seen", "taken", "asked", "passed", "solved"):
        before = (ward.unit.batches, ward.unit.sets)
        answer(ward, alert, kind, "words")
        assert (ward.unit.batches, ward.unit.sets) == before


# ---- silence ----------------------------------------------------------------------------------


def quieted(rule: str) -> Ward:
    ward = with_only(rule)
    until = ward.now + timedelta(hours=8)
    ward.take(Letter("q", ward.now, "quiet", "SENA", "Sena", until=until))
    return ward


def test_one_who_asked_for_silence_is_not_told_until_it_ends() -> None:
    ward = play(quieted("step"), until="soak")
    ward.said.clear()
    ward.says("3")
    assert told(ward) == [CHIEF]
    ward.goes_by(hours=9)
    play(ward, "BAG-2", phone=BELA, until="soak")
    ward.says("3", phone=BELA)

    assert told(ward).count(SENA) == 1


def test_danger_breaks_silence() -> None:
    ward = quieted("danger")
    ward.says("DANGER")

    assert SENA in told(ward)


def test_a_supervisor_who_stops_and_starts_is_known_at_the_facility() -> None:
    ward = with_only("step")
    ward.take(Letter("s", ward.now, "stopped", "SENA", "Sena"))
    assert ward.unit.talk(SENA).stopped
    ward.take(Letter("t", ward.now, "started", "SENA", "Sena"))
    assert not ward.unit.talk(SENA).stopped


# ---- the steps of every rule that ships -----------------------------------------------------


@pytest.mark.parametrize("rule", ALERTS.rules.values(), ids=lambda r: r.id)
def test_every_rule_ends_at_the_supervisor(rule: AlertRule) -> None:
    assert rule.steps[-1].to == "supervisor"


def test_a_supervisor_s_text_says_how_to_answer_and_names_no_phone() -> None:
    ward = cut_short()
    texts = [text for phone, kind, text in ward.said if phone == SENA and kind == "alert"]

    assert len(texts) == 1
    assert "1 seen" in texts[0]
    assert "+1202" not in texts[0]


def test_the_alert_s_texts_carry_its_id_for_their_receipts() -> None:
    ward = cut_short()
    alert = the(ward, "step")
    says = [e for e in ward.effects if isinstance(e, Say) and e.kind == "alert"]

    assert {s.batch_id for s in says} == {alert.id}


def test_a_unit_of_before_has_no_alerts_and_needs_none() -> None:
    unit = Unit(PLACE, sets={SPARE.id: SetState(SPARE.id)})

    assert unit.alerts == {}
    assert unit.watch.due is None
