"""What nobody says: each matter raised at its moment, over when it is no more."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from bot.board import standing
from bot.effects import SetTimer
from bot.events import Rang
from bot.model import SetState
from bot.watching import LASTING, WATCH
from flows.alerting import RULES
from tests.nurse import ALERTS, ASHA, BAG, BELA, CHIEF, PLACE, SENA, SUCTION, Ward, play, rules_of

DAY = timedelta(days=1)


def with_only(*ids: str, **more: Any) -> Ward:
    rules = replace(ALERTS, rules={i: ALERTS.rules[i] for i in ids})
    return Ward(rules=rules_of(alerts=rules), **more)


def small(*ids: str, **more: Any) -> Ward:
    """A facility with one bag and one suction device."""
    return with_only(*ids, site=replace(PLACE, sets=(BAG, SUCTION), **more))


def raised_after(ward: Ward, rule: str, **most: float) -> timedelta:
    """How long until an alert of *rule* is there."""
    began = ward.now
    for _ in range(int(timedelta(**most) / timedelta(minutes=1)) + 1):
        if any(a.rule == rule for a in ward.unit.alerts.values()):
            return ward.now - began
        ward.goes_by(minutes=1)
    raise AssertionError(f"no alert {rule}")


def rules_open(ward: Ward) -> list[str]:
    return [a.rule for a in ward.unit.alerts.values()]


def heard(ward: Ward, phone: str) -> list[str]:
    return [text for p, kind, text in ward.said if kind == "alert" and p == phone]


# ---- batches --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("until", "minutes"), [("wash", 45), ("soak_in", 45), ("assemble", 90), ("count", 720)]
)
def test_a_batch_may_stand_as_long_as_its_stage_s_patience(until: str, minutes: int) -> None:
    ward = play(with_only("still"), until=until)
    last = ward.batch.log[-1].at

    raised_after(ward, "still", hours=13)
    (alert,) = ward.unit.alerts.values()
    assert alert.at - last == timedelta(minutes=minutes)


def test_while_an_exposure_runs_it_does_not_stand_still() -> None:
    ward = play(with_only("still", "left_in"), until="soak")
    ward.passes(minutes=19)
    ward.bell(WATCH)

    assert rules_open(ward) == []


def test_nobody_takes_the_pieces_out_the_colleague_hears_first() -> None:
    ward = play(with_only("left_in"), until="soak")
    due = ward.batch.due
    assert due
    ward.said.clear()
    raised_after(ward, "left_in", hours=1)

    # Ten minutes after the bell: alerts/default.toml.
    (alert,) = ward.unit.alerts.values()
    assert alert.at == due + timedelta(minutes=10)
    assert heard(ward, BELA)
    ward.goes_by(minutes=10)
    assert heard(ward, CHIEF)
    ward.goes_by(minutes=20)
    assert heard(ward, SENA)
    ward.says("1")
    assert rules_open(ward) == []


def test_a_bell_that_did_not_arrive_is_an_alert_until_somebody_moves_the_batch() -> None:
    ward = play(with_only("undelivered"), until="soak")
    ward.passes(minutes=20)
    ward.bells()
    ward.receipt(ward.batch.id, ASHA, delivered=False)
    assert rules_open(ward) == ["undelivered"]
    assert heard(ward, CHIEF) == []
    ward.goes_by(minutes=5)
    (text,) = heard(ward, CHIEF)
    assert "BAG-1: the bell did not reach Asha" in text
    ward.says("TAKE", "1", "1", phone=BELA)

    assert rules_open(ward) == []
    ward.goes_by(hours=2)
    assert heard(ward, SENA) == []


def test_out_too_early_three_times_is_an_alert_and_twice_is_none() -> None:
    ward = play(with_only("early"), until="soak")
    ward.says("1", "1")
    assert rules_open(ward) == []
    ward.says("1")
    assert rules_open(ward) == ["early"]
    ward.says("1")

    (alert,) = ward.unit.alerts.values()
    assert alert.count == 2
    assert len(heard(ward, CHIEF)) == 1


def test_pieces_that_go_into_a_solution_past_its_time_are_an_alert() -> None:
    ward = play(with_only("solution"), until="soak_in")
    ward.passes(hours=25)
    ward.says("1")

    assert rules_open(ward) == ["solution"]
    ward.goes_by(minutes=15)
    assert len(heard(ward, CHIEF)) == 1


# ---- sets -----------------------------------------------------------------------------------


def test_a_set_that_was_used_and_not_begun_is_an_alert_after_two_hours() -> None:
    ward = play(small("unstarted"))
    ward.says("OPENED BAG-1")
    took = raised_after(ward, "unstarted", hours=3)

    assert took == timedelta(minutes=120)
    ward.says("BAG-1")
    assert rules_open(ward) == []


def test_a_set_never_heard_of_is_no_such_matter() -> None:
    ward = small("unstarted")
    ward.says("MENU")
    ward.goes_by(days=2)

    assert rules_open(ward) == []


def test_no_bag_ready_is_an_alert_and_over_with_the_next_ready_one() -> None:
    ward = small("none_ready")
    ward.says("MENU")
    took = raised_after(ward, "none_ready", hours=5)
    assert took == timedelta(minutes=240)
    (alert,) = ward.unit.alerts.values()
    assert alert.facts["kind"] == "both"
    play(ward)
    assert [a.facts["kind"] for a in ward.unit.alerts.values()] == ["suction"]
    play(ward, "SUC-1")

    assert rules_open(ward) == []


def test_fewer_ready_than_the_facility_s_own_least() -> None:
    ward = with_only("few_ready", site=replace(PLACE, least_ready=(("bag", 2), ("suction", 1))))
    play(ward)
    assert raised_after(ward, "few_ready", hours=13) == timedelta(hours=12)
    play(ward, "BAG-2")

    assert rules_open(ward) == []


def test_a_set_stored_too_long_is_an_alert_at_that_moment() -> None:
    ward = play(small("expired"))
    expires = ward.ended.expires_at
    assert expires
    ward.goes_by(seconds=(expires - ward.now).total_seconds() - 1)
    assert rules_open(ward) == []
    ward.goes_by(seconds=1)

    assert rules_open(ward) == ["expired"]
    assert ward.condition("BAG-1") == "EXPIRED"


def test_sets_of_one_batch_expire_as_one_matter() -> None:
    ward = play(small("expired"), "BAG-1 SUC-1")
    ward.goes_by(days=8)

    (alert,) = ward.unit.alerts.values()
    assert alert.facts["sets"] == "BAG-1+SUC-1"


def test_what_is_found_at_one_moment_is_one_text_for_each_person() -> None:
    ward = play(small("unstarted"), "BAG-1 SUC-1")
    ward.says("OPENED BAG-1 SUC-1")
    ward.said.clear()
    ward.goes_by(minutes=121)
    assert rules_open(ward) == ["unstarted", "unstarted"]
    texts = [(phone, text) for phone, kind, text in ward.said if kind == "alert"]
    assert len(texts) == 1
    assert all(a.id in texts[0][1] for a in ward.unit.alerts.values())
    ward.goes_by(minutes=60)

    assert len(heard(ward, CHIEF)) == 1
    assert all("CHIEF" in a.told for a in ward.unit.alerts.values())


# ---- silence ---------------------------------------------------------------------------------


def test_a_facility_that_says_nothing_for_two_days_is_an_alert() -> None:
    ward = with_only("silent")
    ward.says("MENU")
    took = raised_after(ward, "silent", days=3)
    assert took == timedelta(minutes=2880)
    ward.says("MENU", phone=BELA)

    assert rules_open(ward) == []


def test_one_that_never_said_anything_is_found_by_its_own_clock() -> None:
    ward = with_only("silent")
    ward.bell(WATCH)  # set when the register came in
    ward.goes_by(days=2)

    assert rules_open(ward) == ["silent"]


# ---- the timer --------------------------------------------------------------------------------


def test_the_clock_looks_at_the_next_moment_and_says_nothing_before() -> None:
    ward = play(with_only("still"), until="wash")
    ward.said.clear()
    due = ward.timers[WATCH]
    ward.bell(WATCH)

    assert ward.said == []
    assert [e.due for e in ward.effects if isinstance(e, SetTimer)] == [due]


def test_rung_twice_at_its_moment_it_raises_one_alert() -> None:
    ward = play(with_only("still"), until="wash")
    ward.passes(minutes=45)
    ward.bell(WATCH)
    ward.bell(WATCH)

    assert len(ward.unit.alerts) == 1
    assert next(iter(ward.unit.alerts.values())).count == 1


def test_with_nothing_to_wait_for_the_timer_is_cleared() -> None:
    ward = play(with_only("still"))

    assert WATCH not in ward.timers


def test_a_clock_set_back_raises_nothing_twice() -> None:
    ward = play(with_only("still"), until="wash")
    ward.goes_by(minutes=45)
    ward.wall_jumps(hours=-2)
    ward.bell(WATCH)
    ward.goes_by(hours=3)

    assert len({a.id for a in ward.unit.alerts.values()}) == len(ward.unit.alerts) == 1


def test_practice_never_stands_still() -> None:
    ward = with_only("still", "left_in", "none_ready")
    ward.says("PRACTICE", "1")
    play(ward, until="soak")
    ward.goes_by(hours=5)

    assert rules_open(ward) == ["none_ready"]


def test_looking_moves_no_batch_and_no_set() -> None:
    ward = play(Ward(rules=rules_of(alerts=ALERTS)), until="wash")
    before = (ward.unit.batches, ward.unit.sets)
    for _ in range(20):
        ward.goes_by(hours=12)

    assert (ward.unit.batches, ward.unit.sets) == before


def test_every_rule_that_lasts_is_one_there_is() -> None:
    assert set(RULES) >= LASTING


# ---- the day and the board ------------------------------------------------------------------


def test_the_day_counts_what_was_begun_and_ended_and_used() -> None:
    ward = play(Ward(rules=rules_of(alerts=ALERTS)))
    play(ward, "SUC-1", until="soak")
    ward.says("OPENED BAG-1", phone=BELA)

    tally = ward.unit.tally
    assert (tally.begun, tally.released, tally.uses) == (2, 1, 1)
    assert tally.day == "2025-03-03"


def test_a_ready_set_named_for_a_new_batch_was_used() -> None:
    ward = play(Ward(rules=rules_of(alerts=ALERTS)))
    ward.says("BAG-1")

    assert ward.unit.tally.uses == 1


def test_a_new_day_of_the_facility_begins_at_its_own_midnight() -> None:
    # 20:59 and 21:00 UTC are 23:59 and 00:00 in Nairobi.
    ward = Ward(rules=rules_of(alerts=ALERTS), now=datetime(2025, 3, 3, 20, 59, tzinfo=UTC))
    ward.says("BAG-1")
    assert (ward.unit.tally.day, ward.unit.tally.begun) == ("2025-03-03", 1)
    ward.passes(minutes=1)
    ward.says("BAG-2", phone=BELA)

    assert (ward.unit.tally.day, ward.unit.tally.begun) == ("2025-03-04", 1)


def test_practice_is_on_no_board() -> None:
    ward = Ward(rules=rules_of(alerts=ALERTS))
    ward.says("PRACTICE", "1")

    assert standing(ward.unit).batches == ()
    assert ward.unit.tally.begun == 0


def test_the_board_shows_sets_batches_and_alerts_and_no_person_s_phone() -> None:
    ward = play(Ward(rules=rules_of(alerts=ALERTS)), until="soak")
    ward.says("3")
    shown = standing(ward.unit)

    assert [s.id for _, s in shown.sets] == ["BAG-1", "SUC-1", "BAG-2"]
    assert [b.sets for b in shown.batches] == [("BAG-1",)]
    assert [a.rule for a in shown.alerts] == ["step"]
    assert "+1202" not in repr(shown)


def test_a_ring_of_a_state_kept_by_an_older_version_begins_to_watch() -> None:
    ward = with_only("expired")
    ready = SetState("BAG-1", "READY", ward.now - 8 * DAY, ward.now - DAY, "B")
    ward.unit = ward.unit.put_set(ready)
    ward.take(Rang("r", WATCH, ward.now))

    assert rules_open(ward) == ["expired"]
