"""The times of the shift check: by the facility's clock, asked once, missed when the next comes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from bot.check_clock import LOOKED_BACK, slots
from bot.effects import Checked, Say
from bot.events import Rang
from bot.machine import step
from bot.model import Unit
from bot.site import Person
from bot.watching import WATCH
from tests.bot.check_stand import EVENING, MORNING, POST, alerts, checks, goes_to, texts, ward
from tests.nurse import ALERTS, ASHA, BELA, CHIEF, SENA, Ward, rules_of

NEW_YORK = ZoneInfo("America/New_York")


def times(zone: ZoneInfo, day: datetime, *of: str) -> list[str]:
    """The moments of these local times within one UTC day, as UTC times of day."""
    found = slots(of, zone, day - timedelta(microseconds=1), day + timedelta(hours=23, minutes=59))
    return [f"{moment:%H:%M}" for moment in found]


# ---- the clock -------------------------------------------------------------------------------


def test_a_time_stays_where_it_is_on_the_wall_when_clocks_are_set() -> None:
    """New York set its clocks ahead on 9 March 2025 and back on 2 November (tz database)."""
    spring, autumn = datetime(2025, 3, 8, tzinfo=UTC), datetime(2025, 11, 1, tzinfo=UTC)

    assert [times(NEW_YORK, spring + timedelta(days=n), "07:00") for n in range(3)] == [
        ["12:00"], ["11:00"], ["11:00"],
    ]  # fmt: skip
    assert [times(NEW_YORK, autumn + timedelta(days=n), "07:00") for n in range(3)] == [
        ["11:00"], ["12:00"], ["12:00"],
    ]  # fmt: skip


def test_a_time_that_the_clock_leaves_out_comes_all_the_same_and_once() -> None:
    """02:30 was not on the wall that night: it is half an hour after 02:00, when it was 03:30."""
    assert times(NEW_YORK, datetime(2025, 3, 9, tzinfo=UTC), "02:30") == ["07:30"]
    assert times(NEW_YORK, datetime(2025, 3, 9, tzinfo=UTC), "02:30", "03:30") == ["07:30"]


def test_a_time_that_comes_twice_counts_once() -> None:
    assert times(NEW_YORK, datetime(2025, 11, 2, tzinfo=UTC), "01:30") == ["05:30"]


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Pacific/Pago_Pago", "Asia/Kathmandu"])
def test_every_day_has_each_time_once_wherever_it_is(zone: str) -> None:
    begin = datetime(2025, 1, 1, tzinfo=UTC)

    found = slots(("00:00", "23:59"), ZoneInfo(zone), begin, begin + timedelta(days=30))

    assert len(found) == 60
    local = [f"{m.astimezone(ZoneInfo(zone)):%H:%M}" for m in found]
    assert {local.count(t) for t in ("00:00", "23:59")} == {30}


# ---- asked -----------------------------------------------------------------------------------


def test_the_nurse_on_shift_is_asked_at_the_time_and_nobody_else() -> None:
    made = ward()
    goes_to(made, EVENING - timedelta(seconds=1))
    assert texts(made, BELA, "CHECK") == []

    goes_to(made, EVENING)

    [asked] = texts(made, BELA, "CHECK")
    assert asked.startswith("KORA 19:00: ")
    assert "READY on the list: 3." in asked
    assert asked.endswith("send CHECK.")
    assert [texts(made, p, "CHECK") for p in (ASHA, CHIEF, SENA)] == [[], [], []]


def test_the_next_morning_the_other_nurse_is_asked() -> None:
    made = ward()

    goes_to(made, MORNING)

    assert len(texts(made, ASHA, "07:00: time to CHECK")) == 1


def test_a_turn_after_the_time_does_not_ask_again() -> None:
    made = ward()
    goes_to(made, EVENING)

    made.says("STATUS", "STATUS", phone=CHIEF)
    made.bell(WATCH)

    assert len(texts(made, BELA, "time to CHECK")) == 1


@pytest.mark.parametrize("hour", [2, 3, 9, 10])
def test_asked_at_seven_on_the_wall_before_and_after_clocks_are_set_ahead(hour: int) -> None:
    """From 8 to 10 March 2025 in New York: 12:00 UTC, then 11:00."""
    site = replace(POST, zone="America/New_York", checks=("07:00",))
    made = Ward(site, rules_of(alerts=ALERTS), now=datetime(2025, 3, 8, hour, tzinfo=UTC))
    made.says("STATUS")

    asked = []
    for _ in range(3 * 24 * 4):
        before = len(texts(made, ASHA, "time to CHECK"))
        made.goes_by(minutes=15)
        if len(texts(made, ASHA, "time to CHECK")) > before:
            asked.append(f"{made.now:%d %H:%M}")

    assert asked == ["08 12:00", "09 11:00", "10 11:00"]


def test_whoever_began_it_on_the_minute_is_not_asked_by_sms() -> None:
    made = ward()
    made.passes(seconds=(EVENING - made.now).total_seconds())

    made.says("CHECK", phone=BELA)

    assert texts(made, BELA, "time to CHECK") == []
    assert made.unit.check.round is not None
    assert made.unit.check.round.of == EVENING


def test_times_from_before_anybody_looked_are_not_due() -> None:
    made = ward()

    assert made.unit.check.due is None
    assert texts(made, ASHA, "CHECK") == []


def test_where_no_rule_watches_for_a_check_nobody_is_asked() -> None:
    made = ward(watched=False)

    goes_to(made, MORNING)

    assert [text for _, _, text in made.said if "CHECK" in text] == []


def test_whoever_asked_for_silence_is_passed_over() -> None:
    made = ward()
    talk = replace(made.unit.talk(BELA), stopped=True)
    made.unit = made.unit.put_talk(talk)

    goes_to(made, EVENING)

    assert texts(made, BELA, "CHECK") == []
    assert sum(len(texts(made, p, "time to CHECK")) for p in (ASHA, CHIEF)) == 1


def test_a_register_that_takes_the_times_away_ends_what_was_due() -> None:
    made = ward()
    goes_to(made, EVENING + timedelta(hours=2))
    assert alerts(made, "check")

    made.unit = replace(made.unit, site=replace(POST, checks=()))
    made.says("STATUS")

    assert made.unit.check.due is None
    assert alerts(made, "check") == []


# ---- missed ----------------------------------------------------------------------------------


def test_a_check_that_is_not_done_is_an_alert_after_the_rules_time() -> None:
    rule = ALERTS.rule("check")
    assert rule
    made = ward()

    goes_to(made, EVENING + timedelta(minutes=rule.after_minutes) - timedelta(seconds=1))
    assert alerts(made, "check") == []
    goes_to(made, EVENING + timedelta(minutes=rule.after_minutes))

    assert len(alerts(made, "check")) == 1
    assert len(texts(made, BELA, "is not done")) == 1


def test_the_alert_is_over_when_the_check_is_done() -> None:
    made = ward()
    goes_to(made, EVENING + timedelta(minutes=75))

    made.says("BRIEF", "CHECK", "1", "1", "00", phone=BELA)

    assert alerts(made, "check") == []
    [kept] = checks(made)
    assert (kept.done, kept.slot, kept.at, kept.late_minutes) == (True, EVENING, made.now, 75)
    assert kept.by == "BELA"


def test_a_miss_is_kept_when_the_next_time_comes_and_its_alert_goes_on_until_one_is_done() -> None:
    """However many are missed, it is one matter: else nobody far away would ever hear of it."""
    made = ward()
    goes_to(made, MORNING - timedelta(seconds=1))
    before = alerts(made, "check")

    goes_to(made, MORNING)

    [kept] = checks(made)
    assert (kept.slot, kept.done, kept.at, kept.by) == (EVENING, False, None, "")
    assert made.unit.check.due == MORNING
    assert len(before) == 1
    assert alerts(made, "check") == before
    made.says("BRIEF", "CHECK", "1", "1", "00")
    assert alerts(made, "check") == []


def test_a_check_is_done_for_the_newest_time_only() -> None:
    made = ward()
    goes_to(made, MORNING)

    made.says("BRIEF", "CHECK", "1", "1", "00")
    [kept] = checks(made)

    assert kept.slot == MORNING
    goes_to(made, MORNING + timedelta(hours=2))
    assert alerts(made, "check") == []


def test_a_digit_for_the_check_before_does_nothing_once_the_next_is_due() -> None:
    made = ward()
    goes_to(made, EVENING)
    made.says("CHECK", phone=BELA)
    goes_to(made, MORNING)

    answer = made.says("2", phone=BELA)

    assert "over" in answer
    assert made.condition("BAG-1") == "READY"


def test_every_time_that_a_stopped_process_slept_through_is_kept_as_missed() -> None:
    made = ward()
    made.passes(days=3)  # and nothing rang

    made.bells()

    assert [c.slot for c in checks(made)] == [EVENING + timedelta(hours=12 * n) for n in range(5)]
    assert not any(c.done for c in checks(made))
    assert len({c.id for c in checks(made)}) == 5
    assert sum(len(texts(made, p, "time to CHECK")) for p in (ASHA, BELA)) == 1


def test_after_years_of_sleep_one_turn_stays_small() -> None:
    made = ward()
    made.passes(days=1000)

    made.bells()

    assert len(checks(made)) <= 2 * LOOKED_BACK.days + 1


def test_the_step_is_the_same_for_the_same_moment() -> None:
    people = (Person("ASHA", "Asha", ASHA, "nurse"),)
    unit = Unit(replace(POST, people=people))
    rules = rules_of(alerts=ALERTS)
    unit = step(unit, Rang("e0", WATCH, EVENING - timedelta(hours=1)), rules).unit

    twice = [step(unit, Rang("e1", WATCH, MORNING), rules) for _ in range(2)]

    assert twice[0] == twice[1]
    assert [e.slot for e in twice[0].effects if isinstance(e, Checked)] == [EVENING]
    asked = [e for e in twice[0].effects if isinstance(e, Say) and e.prompt.key == "check.time"]
    assert [e.phone for e in asked] == [ASHA]
