"""Reminders that no batch carries: kept with the unit, rung at their time, gone when done."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from bot.effects import ClearTimer, Reply, Say, SetTimer
from bot.events import Rang
from bot.machine import step
from bot.model import Reminder, Unit
from bot.scribe import Scribe
from bot.sessions import Change, Committed, Sessions
from bot.site_pages import publish
from tests.nurse import PLACE, rules_of

if TYPE_CHECKING:
    from redis import Redis

NOW = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
LATER = Reminder("r-1", "solution", "ASHA", NOW, NOW + timedelta(hours=24), {"percent": "0.5"})
# What a version to come may have left behind.
UNKNOWN = replace(LATER, kind="of a kind to come")  # type: ignore[arg-type]


def ring(unit: Unit, at: datetime) -> tuple[Unit, list[object]]:
    """The unit after it, and what is done about timers."""
    after, effects = step(unit, Rang("e1", LATER.id, at), rules_of())
    assert not [e for e in effects if isinstance(e, Say | Reply)]
    return after, [e for e in effects if isinstance(e, SetTimer | ClearTimer)]


def test_one_that_is_rung_early_is_set_again_and_says_nothing() -> None:
    after, effects = ring(Unit(PLACE, reminders={LATER.id: LATER}), NOW + timedelta(hours=23))

    assert after.reminders == {LATER.id: LATER}
    assert effects == [SetTimer(LATER.id, LATER.due)]


def test_one_of_an_unknown_kind_does_not_ring_for_ever() -> None:
    after, effects = ring(Unit(PLACE, reminders={LATER.id: UNKNOWN}), LATER.due)

    assert after.reminders == {}
    assert effects == [ClearTimer(LATER.id)]


def test_the_timer_of_a_reminder_that_is_gone_is_cleared() -> None:
    before = Unit(PLACE)
    event = Rang("e1", LATER.id, LATER.due)

    turn = Scribe(lambda *_: "", lambda _: 1).turn(before, event, step(before, event, rules_of()))

    assert turn.change.timers == (ClearTimer(LATER.id),)


def test_a_reminder_that_stays_keeps_its_timer() -> None:
    before = Unit(PLACE, reminders={LATER.id: LATER})
    event = Rang("e1", LATER.id, NOW)

    turn = Scribe(lambda *_: "", lambda _: 1).turn(before, event, step(before, event, rules_of()))

    assert turn.change.timers == (SetTimer(LATER.id, LATER.due),)


def test_reminders_outlive_the_process(redis: Redis) -> None:
    sessions = Sessions(redis)
    publish(redis, [PLACE], {p.phone: PLACE.id for p in PLACE.people})
    before = sessions.unit(PLACE.id)
    assert before is not None
    change = Change(Rang("e1", "x", NOW), timers=(SetTimer(LATER.id, LATER.due),))

    after = before.put_reminder(LATER)
    kept = sessions.commit(before, replace(after, version=before.version + 1), change)
    read = sessions.unit(PLACE.id)

    assert isinstance(kept, Committed)
    assert read is not None
    assert read.reminders == {LATER.id: LATER}
    gone = replace(read.drop_reminder(LATER.id), version=read.version + 1)
    sessions.commit(read, gone, Change(Rang("e2", LATER.id, NOW)))
    again = sessions.unit(PLACE.id)
    assert again is not None
    assert again.reminders == {}
