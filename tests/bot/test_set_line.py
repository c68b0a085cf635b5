"""The conditions of one set, from the batches it was in and from what happened without one."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from bot.model import SetState
from bot.set_line import During, Turn, conditions, state_of, turns_of
from bot.store import Store
from flows.batch import BatchSet
from tests.bot.store_stand import START, batch, closed, ready, record

DAY = timedelta(days=1)
END = START + 30 * DAY


def at(days: float) -> datetime:
    return START + timedelta(days=days)


def told(turns: list[Turn], state: SetState | None = None) -> list[tuple[str, float, float]]:
    """The conditions with their days."""
    return [(d.condition, (d.start - START) / DAY, (d.end - START) / DAY)
            for d in conditions(turns, state, START, END)]  # fmt: skip


def test_without_a_batch_and_a_word_nothing_is_said() -> None:
    assert told([]) == []


def test_ready_until_the_next_batch_or_until_it_expires() -> None:
    turns = [Turn("a", at(1), at(2), "READY", at(9)), Turn("b", at(5), at(6), "READY", at(13))]

    assert told(turns) == [
        ("IN PROCESS", 1, 2), ("READY", 2, 5), ("IN PROCESS", 5, 6), ("READY", 6, 13),
        ("EXPIRED", 13, 30),
    ]  # fmt: skip


def test_what_was_begun_by_mistake_leaves_it_as_it_was() -> None:
    turns = [Turn("a", at(1), at(2), "READY", at(9)), Turn("b", at(3), at(4), "")]

    assert told(turns)[2:] == [("IN PROCESS", 3, 4), ("READY", 4, 9), ("EXPIRED", 9, 30)]


def test_what_expired_during_a_batch_begun_by_mistake_is_expired_after_it() -> None:
    turns = [Turn("a", at(1), at(2), "READY", at(3.5)), Turn("b", at(3), at(4), "")]

    assert told(turns)[-2:] == [("IN PROCESS", 3, 4), ("EXPIRED", 4, 30)]


def test_set_aside_until_the_next_batch_and_an_open_one_until_now() -> None:
    turns = [Turn("a", at(1), at(2), "SET ASIDE"), Turn("b", at(5), None, "")]

    assert told(turns) == [("IN PROCESS", 1, 2), ("SET ASIDE", 2, 5), ("IN PROCESS", 5, 30)]


def test_a_ready_set_that_was_used_does_not_expire() -> None:
    turns = [Turn("a", at(1), at(2), "READY", at(9))]

    assert told(turns, SetState("BAG-1", "USED", at(4))) == [
        ("IN PROCESS", 1, 2), ("READY", 2, 4), ("USED", 4, 30)]
    assert told(turns, SetState("BAG-1", "USED", at(0.5)))[-1] == ("EXPIRED", 9, 30), "older"


def test_only_the_days_asked_are_told() -> None:
    turns = [Turn("a", at(1), at(2), "READY", at(90))]

    assert conditions(turns, None, at(10), at(12)) == [During("READY", at(10), at(12))]


def test_the_store_tells_of_a_sets_own_batches_alone(store: Store) -> None:
    """BAG-1 is no part of the name BAG-10, nor of another facility."""
    ten = replace(closed("LOWF-2", opened_at=at(1), at=at(1.1)),
                  sets=(BatchSet("BAG-10", "BAG-SIL", "bag", 7, ("chlorine",)),))
    aside = closed("LOWF-3", opened_at=at(2), at=at(2.1))
    aside = replace(aside, sets=(replace(aside.sets[0], aside="missing"), aside.sets[1]))
    one = closed("LOWF-1", expires_at=at(7))
    still = batch("LOWF-4", opened_at=at(3))
    away = closed("HIGH-1", facility="HIGH", opened_at=at(1), at=at(1.1))
    store.record([record(one, ready(one)), *map(record, (ten, aside, still, away))])
    with store.database.read() as connection:
        bag = turns_of(connection, "BAG-1", "LOWF", at(-1), at(10))
        suction = turns_of(connection, "SUC-1", "LOWF", at(-1), at(10))
        nothing = turns_of(connection, "BAG-%", "LOWF", at(-1), at(10))
        known = state_of(connection, "BAG-1")
        unknown = state_of(connection, "BAG-2")

    assert [(t.batch, t.after) for t in bag] == [
        ("LOWF-1", "READY"), ("LOWF-3", "SET ASIDE"), ("LOWF-4", "")]
    assert [t.after for t in suction] == ["READY", "READY", ""]
    assert bag[0].expires == at(7)
    assert bag[-1].closed is None
    assert nothing == []
    assert known == ready(one)
    assert unknown is None
