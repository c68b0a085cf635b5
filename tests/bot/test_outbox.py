"""Leases, the order of each phone's messages, delays and dead letters; records on their way."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import msgspec
import pytest

from bot.effects import Conditions
from bot.leases import Leases, Op, put_new_op, put_op
from bot.model import SetState
from bot.outbox import DEAD, Dead, Outbox, Outgoing, Sent, outgoing_ops
from bot.pushes import Pushes, condition_ops, read_push

if TYPE_CHECKING:
    from redis import Redis

ANN, BEA = "+12025550101", "+12025550102"
NOW = datetime(2025, 3, 3, 8, 0, 0, 250_000, tzinfo=UTC)
T = NOW.timestamp()


def item(item_id: str, phone: str = ANN, text: str = "go on", later: float = 0) -> Outgoing:
    return Outgoing(item_id, phone, text, "bell", NOW + timedelta(seconds=later), "S1", "B1")


def do(redis: Redis, ops: list[Op]) -> None:
    run = "redis.call(unpack(ARGV))"
    for op in ops:
        redis.eval(run, 0, *op)


@pytest.fixture
def outbox(redis: Redis) -> Outbox:
    return Outbox(redis)


def put(outbox: Outbox, *items: Outgoing) -> None:
    for each in items:
        do(outbox.redis, outgoing_ops(each))


@pytest.fixture
def leases(redis: Redis) -> Leases:
    return Leases(redis, "sb:test")


# ---- leases --------------------------------------------------------------------------------------


def test_what_is_leased_is_not_leased_again_until_the_lease_ends(leases: Leases) -> None:
    do(leases.redis, put_op("sb:test", "a", repr(T)))
    assert leases.lease(T - 0.001, 30, 9) == []
    assert leases.lease(T, 30, 9) == ["a"]
    assert leases.lease(T + 29.9, 30, 9) == []
    assert leases.lease(T + 30, 30, 9) == ["a"]


def test_the_longest_due_go_first_and_no_more_than_asked(leases: Leases) -> None:
    for n in (3, 1, 2):
        do(leases.redis, put_op("sb:test", f"m{n}", repr(T + n)))
    assert leases.lease(T + 9, 30, 2) == ["m1", "m2"]
    assert leases.lease(T + 9, 30, 2) == ["m3"]


def test_a_member_put_anew_while_leased_is_not_postponed(leases: Leases) -> None:
    do(leases.redis, put_op("sb:test", "a", repr(T)))
    leases.lease(T, 30, 9)
    held = leases.held(["a", "unknown"])
    assert held == {"a": T + 30}
    do(leases.redis, put_op("sb:test", "a", repr(T + 1)))
    assert not leases.postpone("a", held["a"], T + 60)
    assert leases.lease(T + 1, 30, 9) == ["a"]


def test_a_member_that_was_dropped_does_not_come_back(leases: Leases) -> None:
    do(leases.redis, put_op("sb:test", "a", repr(T)))
    held = leases.held(["a"])
    leases.redis.zrem("sb:test", "a")
    assert not leases.postpone("a", held["a"], T + 60)
    leases.defer("a", T)
    assert leases.depth() == 0


def test_a_postponed_member_comes_up_then(leases: Leases) -> None:
    do(leases.redis, put_op("sb:test", "a", repr(T)))
    leases.lease(T, 30, 9)
    assert leases.postpone("a", leases.held(["a"])["a"], T + 60)
    assert leases.lease(T + 59, 30, 9) == []
    assert leases.lease(T + 60, 30, 9) == ["a"]


def test_lateness_counts_from_when_it_first_came_due_however_often_leased(leases: Leases) -> None:
    assert leases.oldest(T) == 0
    do(leases.redis, put_op("sb:test", "a", repr(T)))
    do(leases.redis, put_op("sb:test", "b", repr(T + 500)))
    assert leases.oldest(T - 5) == 0
    assert leases.oldest(T + 5) == 5
    leases.lease(T + 10, 30, 9)
    leases.lease(T + 40, 30, 9)
    assert leases.oldest(T + 50) == 50
    do(leases.redis, put_op("sb:test", "a", repr(T + 500)))
    assert leases.oldest(T + 60) == 0


def test_members_put_only_if_new_keep_their_moment(leases: Leases) -> None:
    do(leases.redis, put_new_op("sb:test", "a", repr(T + 5)))
    do(leases.redis, put_new_op("sb:test", "a", repr(T)))
    assert leases.lease(T + 4, 30, 9) == []


# ---- messages ------------------------------------------------------------------------------------


def test_a_phone_hears_in_the_order_of_the_queue(outbox: Outbox) -> None:
    put(outbox, item("1"), item("2", BEA), item("3"), item("4"))
    heard = []
    while found := outbox.head(ANN, T):
        heard.append(found.id)
        assert outbox.settle(found, "m", T)
    assert heard == ["1", "3", "4"]
    assert outbox.lease(T + 999, 9) == [BEA]


def test_a_worker_that_dies_before_settling_leaves_the_message(outbox: Outbox) -> None:
    put(outbox, item("1"))
    assert outbox.lease(T, 9) == [ANN]
    assert outbox.head(ANN, T) == item("1")
    assert outbox.lease(T + 59, 9) == []
    assert outbox.lease(T + 60, 9) == [ANN]
    assert outbox.head(ANN, T + 60) == item("1")


def test_taking_a_head_renews_the_lease(outbox: Outbox) -> None:
    put(outbox, item("1"))
    outbox.lease(T, 9)
    outbox.head(ANN, T + 50)
    assert outbox.lease(T + 109, 9) == []
    assert outbox.lease(T + 110, 9) == [ANN]


def test_two_workers_on_one_phone_take_off_one_message(outbox: Outbox) -> None:
    put(outbox, item("1"), item("2"))
    first = outbox.head(ANN, T)
    second = outbox.head(ANN, T)
    assert first is not None
    assert second is not None
    assert outbox.settle(first, "m1", T)
    assert not outbox.settle(second, "m2", T)
    assert not outbox.bury(second, "no", NOW)
    assert outbox.head(ANN, T) == item("2")
    assert outbox.sent("m2") is None
    assert outbox.dead() == 0


def test_a_message_queued_while_its_phone_is_leased_is_sent(outbox: Outbox) -> None:
    put(outbox, item("1"))
    outbox.lease(T, 9)
    first = outbox.head(ANN, T)
    assert first is not None
    put(outbox, item("2"))
    outbox.settle(first, "m1", T)
    assert outbox.lease(T, 9) == [ANN]
    assert outbox.head(ANN, T) == item("2")


def test_a_phone_with_nothing_left_is_not_due(outbox: Outbox) -> None:
    put(outbox, item("1"))
    found = outbox.head(ANN, T)
    assert found is not None
    outbox.settle(found, "m1", T)
    assert outbox.depth() == 0
    assert outbox.oldest(T + 99) == 0
    assert outbox.head(ANN, T) is None


def test_each_failure_waits_longer_up_to_a_minute_for_a_bell_may_wait(outbox: Outbox) -> None:
    put(outbox, item("1"))
    now = T
    for delay in (5, 15, 30, 60, 60):
        assert outbox.lease(now, 9) == [ANN]
        outbox.postpone(ANN, now)
        assert outbox.lease(now + delay - 0.01, 9) == []
        now += delay
    assert outbox.oldest(now) == now - T


def test_a_success_starts_the_delays_anew(outbox: Outbox) -> None:
    put(outbox, item("1"), item("2"))
    assert [outbox.postpone(ANN, T), outbox.postpone(ANN, T)] == [1, 2]
    found = outbox.head(ANN, T)
    assert found is not None
    outbox.settle(found, "m1", T)
    assert outbox.postpone(ANN, T) == 1


def test_what_was_sent_is_known_for_three_days(outbox: Outbox) -> None:
    put(outbox, item("1"))
    found = outbox.head(ANN, T)
    assert found is not None
    outbox.settle(found, "gw-7", T)
    record = replace(item("1").record, state="sent", sent_at=NOW, tries=1)
    assert outbox.sent("gw-7") == Sent(ANN, "S1", "B1", "bell", record)
    assert 0 < outbox.redis.ttl("sb:sent:gw-7") <= 3 * 86400
    assert outbox.sent("gw-8") is None


def test_a_buried_message_is_kept_with_its_reason_and_the_next_goes_on(outbox: Outbox) -> None:
    put(outbox, item("1", text='say "ü"'), item("2"))
    found = outbox.head(ANN, T)
    assert found is not None
    assert outbox.bury(found, "code 403", NOW)
    raw = outbox.redis.hget(DEAD, "1")
    assert isinstance(raw, bytes)
    assert msgspec.json.decode(raw, type=Dead) == Dead(replace(found, tries=1), "code 403", NOW)
    assert outbox.head(ANN, T) == item("2")


def test_a_guarded_message_is_queued_once(outbox: Outbox) -> None:
    assert outbox.put_once(item("1"), "sb:guard", 60)
    assert not outbox.put_once(item("2"), "sb:guard", 60)
    assert outbox.redis.llen(f"sb:out:{ANN}") == 1
    assert 0 < outbox.redis.ttl("sb:guard") <= 60


# ---- records -------------------------------------------------------------------------------------


def promise(pushes: Pushes, doc: str) -> None:
    pushes.redis.hset("sb:push:doc", "B1", doc)
    do(pushes.redis, put_new_op("sb:push:due", "B1", repr(T)))


def test_a_recorded_state_is_gone(redis: Redis) -> None:
    pushes = Pushes(redis)
    promise(pushes, "one")
    assert pushes.lease(T, 9) == ["B1"]
    assert pushes.settle("B1", b"one", T)
    assert pushes.read(["B1"]) == {}
    assert pushes.depth() == 0
    assert pushes.oldest(T + 99) == 0


def test_a_newer_state_that_came_meanwhile_is_due_at_once(redis: Redis) -> None:
    pushes = Pushes(redis)
    promise(pushes, "one")
    pushes.lease(T, 9)
    promise(pushes, "two")
    assert pushes.lease(T + 1, 9) == []
    assert not pushes.settle("B1", b"one", T + 1)
    assert pushes.lease(T + 1, 9) == ["B1"]
    assert pushes.read(["B1"]) == {"B1": b"two"}


def conditions(*conditions_of: tuple[str, str], later: float = 0) -> Conditions:
    since = NOW + timedelta(seconds=later)
    return Conditions("S1", tuple(SetState(i, c, since) for i, c in conditions_of))  # type: ignore[arg-type]


def test_each_set_waits_for_itself_and_beside_a_batch_of_the_same_name(redis: Redis) -> None:
    pushes = Pushes(redis)
    promise(pushes, "a batch")
    do(redis, condition_ops(conditions(("B1", "USED"), ("A1", "USED")), repr(T)))
    do(redis, condition_ops(conditions(("A1", "SET ASIDE"), later=1), repr(T + 1)))

    names = pushes.lease(T + 1, 9)
    waiting = pushes.read(names)

    assert len(waiting) == 3
    assert waiting.pop("B1") == b"a batch"
    docs = {name: read_push(name, raw) for name, raw in waiting.items()}
    assert sorted(docs.values(), key=str) == sorted(
        [conditions(("B1", "USED")), conditions(("A1", "SET ASIDE"), later=1)], key=str
    )


def test_a_newer_condition_that_came_meanwhile_is_due_at_once(redis: Redis) -> None:
    pushes = Pushes(redis)
    do(redis, condition_ops(conditions(("A1", "USED")), repr(T)))
    (name,) = pushes.lease(T, 9)
    older = pushes.read([name])[name]
    newer = conditions(("A1", "SET ASIDE"), later=1)
    do(redis, condition_ops(newer, repr(T + 1)))

    assert not pushes.settle(name, older, T + 1)

    assert pushes.lease(T + 1, 9) == [name]
    assert read_push(name, pushes.read([name])[name]) == newer


@pytest.mark.parametrize("name", ["B1", "set|A1"])
def test_nonsense_that_waits_is_refused_when_read(name: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        read_push(name, b'{"batch": 1, "states": 1}')
