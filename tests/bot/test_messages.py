"""Texts on record: what is promised with each state, what the store keeps, what is decided late."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, cast

import msgspec
import pytest

from bot.channels import Delivery, ReceiptForm
from bot.effects import Conditions
from bot.message import Message, record_id, without_numbers
from bot.outbox import Outbox, Outgoing, outgoing_ops
from bot.pushes import MESSAGE, Pushes, read_push
from bot.store import MessageFilter, Store
from bot.undelivered import WAITED, Undelivered
from tests.bot.store_stand import START, batch, record
from tests.bot.test_outbox import do

if TYPE_CHECKING:
    from redis import Redis

    from tests.conftest import Connect, Everything
    from tests.workbench import Bench

NURSE, AIDE, STRANGER = "+12025550101", "+12025550102", "+12025550199"
HOUR = timedelta(hours=1)


def on_record(redis: Redis) -> list[Message]:
    """What is promised to the store of messages, by when they were written."""
    found_docs = cast("dict[bytes, bytes]", redis.hgetall("sb:push:doc"))
    docs = {name.decode(): raw for name, raw in found_docs.items()}
    found = [read_push(name, raw) for name, raw in docs.items() if name.startswith(MESSAGE)]
    return sorted((m for m in found if isinstance(m, Message)), key=lambda m: (m.at, m.id))


def states(redis: Redis) -> list[str]:
    return [m.state for m in on_record(redis)]


def receipt(message_id: str, status: Delivery, reason: str = "") -> ReceiptForm:
    return ReceiptForm(f"r:{status}", message_id, status, reason, START)


def sends(bench: Bench) -> None:
    """What waits goes to the gateway; nothing is pushed yet."""
    now = bench.clock().timestamp()
    bench.service.deliver(bench.service.outbox.lease(now, 99))


# ---- what is promised ---------------------------------------------------------------------------


def test_a_text_that_was_sent_is_on_record_with_who_and_what_and_no_phone(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1")
    sends(bench)

    [message] = on_record(bench.redis)
    assert (message.site, message.district, message.about) == ("S1", "Lowfield", "B1")
    assert (message.person, message.kind, message.segments) == ("p1", "ask", 2)
    assert (message.state, message.sent_at, message.tries) == ("sent", bench.clock(), 1)
    raw = bench.redis.hget("sb:push:doc", MESSAGE + message.id)
    assert NURSE.encode() not in raw  # type: ignore[operator]
    assert b"opened" not in raw  # type: ignore[operator]


def test_what_waits_is_not_on_record_yet(bench: Bench) -> None:
    bench.gateway.down.add(NURSE)
    bench.hears(NURSE, "open B1", "e1")
    sends(bench)
    assert on_record(bench.redis) == []


def test_tries_count_what_failed_before(bench: Bench) -> None:
    bench.gateway.down.add(NURSE)
    bench.hears(NURSE, "open B1", "e1")
    sends(bench)
    bench.clock.passes(minutes=1)
    sends(bench)
    bench.gateway.down.clear()
    bench.clock.passes(minutes=5)
    sends(bench)
    assert [m.tries for m in on_record(bench.redis)] == [3]


def test_a_refusal_keeps_the_gateways_word_without_its_numbers(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1")
    item = bench.service.outbox.head(NURSE, bench.clock().timestamp())
    assert item
    bench.service.outbox.bury(item, f"code 403: {NURSE[1:]} is no number", bench.clock())

    [message] = on_record(bench.redis)
    assert (message.state, message.reason) == ("refused", "code 403: [number] is no number")
    assert (message.sent_at, message.tries) == (None, 1)


@pytest.mark.parametrize(
    "number", ["+12025550101", "12025550101", "(202) 555-0101", "202.555.0101"])
def test_nothing_that_can_be_dialled_is_left(number: str) -> None:
    assert not any(c.isdigit() for c in without_numbers(f"to {number}: no"))


@pytest.mark.parametrize("status", ["delivered", "failed"])
def test_a_receipt_is_on_record(bench: Bench, status: Delivery) -> None:
    bench.hears(NURSE, "count", "e1")  # about no batch: such a receipt makes no turn
    sends(bench)
    bench.service.receive(receipt("m1", status, "AbsentSubscriber"))
    [message] = on_record(bench.redis)
    assert (message.state, message.reason) == (status, "AbsentSubscriber")
    assert (message.sent_at, message.tries) == (bench.clock(), 1)


def test_what_was_delivered_stays_so(bench: Bench) -> None:
    bench.hears(NURSE, "count", "e1")
    sends(bench)
    bench.service.receive(receipt("m1", "delivered"))
    bench.service.receive(receipt("m1", "failed"))
    assert states(bench.redis) == ["delivered"]


def test_a_stranger_and_a_receipt_of_nothing_are_not_on_record(bench: Bench) -> None:
    bench.hears(STRANGER, "hello", "e1")
    sends(bench)
    bench.service.receive(receipt("m1", "delivered"))
    bench.service.receive(receipt("m77", "delivered"))
    assert bench.gateway.sent
    assert on_record(bench.redis) == []


def test_a_turn_asks_redis_no_more_often_than_before(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.hears(NURSE, "count", "e0")
    sends(bench)  # from now on Redis knows the scripts
    asked = []
    plain: Callable[..., object] = bench.redis.execute_command

    def counted(*words: object, **options: object) -> object:
        asked.append(words[0])
        return plain(*words, **options)

    monkeypatch.setattr(bench.redis, "execute_command", counted)
    bench.hears(NURSE, "open B1", "e1")
    assert len(asked) == 2  # the read and the commit
    asked.clear()
    bench.service.deliver([NURSE])
    # Head, settle, and the look that finds nothing more: the record costs no question of its own.
    assert len(asked) == 3


def test_a_message_queued_by_an_older_version_is_sent(redis: Redis) -> None:
    old = {"id": "1", "phone": NURSE, "text": "go on", "kind": "bell", "at": START,
           "site": "S1", "batch": "B1"}  # fmt: skip
    redis.rpush(f"sb:out:{NURSE}", msgspec.json.encode(old))
    outbox = Outbox(redis)
    item = outbox.head(NURSE, START.timestamp())
    assert item
    assert outbox.settle(item, "m1", START.timestamp())
    assert states(redis) == ["sent"]


# ---- tried again, let go ------------------------------------------------------------------------


def item(item_id: str, phone: str = NURSE, minutes: float = 0) -> Outgoing:
    at = START + timedelta(minutes=minutes)
    return Outgoing(item_id, phone, "go on", "bell", at, "S1", "B1", "p1", "Lowfield")


def put(redis: Redis, *items: Outgoing) -> None:
    for each in items:
        do(redis, outgoing_ops(each))


def bury(redis: Redis, each: Outgoing) -> None:
    put(redis, each)
    outbox = Outbox(redis)
    head = outbox.head(each.phone, START.timestamp())
    assert head
    assert outbox.bury(head, "code 403", START + timedelta(seconds=1))


def ids(redis: Redis, phone: str = NURSE) -> list[str]:
    return [msgspec.json.decode(raw)["id"] for raw in redis.lrange(f"sb:out:{phone}", 0, -1)]


LATE = START + WAITED + timedelta(seconds=1)


def test_what_was_refused_is_tried_again_once_at_the_end_of_its_phones_list(redis: Redis) -> None:
    bury(redis, item("1"))
    put(redis, item("2"))
    stuck = Undelivered(redis)
    assert [d.item.id for d in stuck.dead()] == ["1"]

    assert stuck.retry("1", 0, START)
    assert not stuck.retry("1", 0, START)

    assert ids(redis) == ["2", "1"]
    assert stuck.dead() == []
    [message] = on_record(redis)
    assert (message.state, message.again, message.tries) == ("queued", 1, 1)
    assert Outbox(redis).lease(START.timestamp(), 9) == [NURSE]


def test_a_retried_message_is_sent_and_is_newer_than_its_refusal(redis: Redis) -> None:
    bury(redis, item("1"))
    [refused] = on_record(redis)
    Undelivered(redis).retry("1", 0, START)
    outbox = Outbox(redis)
    head = outbox.head(NURSE, START.timestamp())
    assert head
    assert head.id == "1"
    outbox.settle(head, "m1", START.timestamp())
    [sent] = on_record(redis)
    assert (sent.state, sent.tries, sent.id) == ("sent", 2, refused.id)
    assert sent.version > refused.version


def test_what_was_let_go_is_gone_and_on_record(redis: Redis) -> None:
    bury(redis, item("1"))
    stuck = Undelivered(redis)
    assert stuck.let_go("1", 0, START)
    assert not stuck.let_go("1", 0, START)
    assert not stuck.retry("1", 0, START)
    assert (stuck.dead(), ids(redis), states(redis)) == ([], [], ["let go"])


def test_only_what_has_waited_an_hour_can_be_decided(redis: Redis, everything: Everything) -> None:
    put(redis, item("1"))
    before = everything()
    stuck = Undelivered(redis)
    assert stuck.find("1", START + WAITED) is None
    assert not stuck.retry("1", 0, START + WAITED)
    assert not stuck.let_go("1", 0, START + WAITED)
    assert everything() == before
    assert stuck.find("1", LATE) == item("1")
    assert [i.id for i in stuck.waiting()] == ["1"]


def test_a_waiting_head_that_is_tried_again_lets_the_next_go_first_and_at_once(
    redis: Redis,
) -> None:
    put(redis, item("1"), item("2"), item("3", AIDE))
    outbox, stuck = Outbox(redis), Undelivered(redis)
    for _ in range(5):
        outbox.postpone(NURSE, LATE.timestamp())
    assert NURSE not in outbox.lease(LATE.timestamp(), 9)

    assert stuck.retry("1", 0, LATE)
    assert not stuck.retry("1", 0, LATE)  # pressed twice

    assert ids(redis) == ["2", "1"]
    assert outbox.lease(LATE.timestamp(), 9) == [NURSE]
    assert outbox.postpone(NURSE, LATE.timestamp()) == 1


def test_a_waiting_message_behind_the_head_leaves_the_delays_alone(redis: Redis) -> None:
    put(redis, item("1"), item("2"))
    outbox = Outbox(redis)
    outbox.postpone(NURSE, LATE.timestamp())
    assert Undelivered(redis).let_go("2", 0, LATE)
    assert ids(redis) == ["1"]
    assert outbox.lease(LATE.timestamp(), 9) == []
    assert outbox.postpone(NURSE, LATE.timestamp()) == 2


def test_the_last_message_let_go_leaves_a_phone_with_nothing_due(redis: Redis) -> None:
    put(redis, item("1"))
    outbox = Outbox(redis)
    outbox.lease(START.timestamp(), 9)
    assert Undelivered(redis).let_go("1", 0, LATE)
    assert (ids(redis), outbox.depth(), outbox.oldest(LATE.timestamp())) == ([], 0, 0)
    assert states(redis) == ["let go"]


def test_what_was_settled_meanwhile_is_not_decided(redis: Redis, everything: Everything) -> None:
    put(redis, item("1"))
    outbox = Outbox(redis)
    head = outbox.head(NURSE, LATE.timestamp())
    assert head
    outbox.settle(head, "m1", LATE.timestamp())
    before = everything()
    stuck = Undelivered(redis)
    assert not stuck.retry("1", 0, LATE)
    assert not stuck.let_go("1", 0, LATE)
    assert everything() == before


@pytest.mark.parametrize("refused", [True, False])
def test_many_who_decide_at_once_are_one(connect: Connect, refused: bool) -> None:
    redis = connect()
    (bury if refused else put)(redis, item("1"))
    deciders = [Undelivered(connect()) for _ in range(8)]

    def decide(n: int) -> bool:
        deed = deciders[n].retry if n % 2 else deciders[n].let_go
        return deed("1", 0, LATE)

    with ThreadPoolExecutor(8) as pool:
        done = list(pool.map(decide, range(8)))

    assert done.count(True) == 1
    retried = done.index(True) % 2 == 1
    assert ids(redis) == (["1"] if retried else [])
    assert states(redis) == ["queued" if retried else "let go"]


def test_a_stranger_let_go_is_not_on_record(redis: Redis) -> None:
    bury(redis, replace(item("1"), site="", district="", person=""))
    assert Undelivered(redis).let_go("1", 0, START)
    assert on_record(redis) == []


# ---- the store ----------------------------------------------------------------------------------


def message(message_id: str = "m1", minutes: float = 0, **values: Any) -> Message:
    at = START + timedelta(minutes=minutes)
    first = Message(record_id(message_id), "LOWF", "TAM", "LOWF-1", "bell", "P1", at, 1)
    return replace(first, **values)


def test_the_newest_state_stands_in_any_order_and_any_number_of_times(store: Store) -> None:
    sent = message(state="sent", sent_at=START, tries=1)
    came = replace(sent, state="delivered")
    assert store.record([came]) == 1
    assert store.record([sent, came, sent]) == 0

    [row] = store.messages(MessageFilter()).rows
    assert row == {
        "id": sent.id, "site": "LOWF", "district": "TAM", "about": "LOWF-1", "kind": "bell",
        "person": "P1", "at": START, "segments": 1, "sent_at": START, "state": "delivered",
        "reason": "", "tries": 1,
    }  # fmt: skip


def test_a_message_tried_again_replaces_what_was_refused(store: Store) -> None:
    refused = message(state="refused", reason="no", tries=1)
    again = replace(refused, state="queued", again=1, reason="")
    assert store.record([refused]) == 1
    assert store.record([again]) == 1
    assert store.record([replace(again, state="let go")]) == 1
    assert store.record([refused, again]) == 0
    assert [r["state"] for r in store.messages(MessageFilter()).rows] == ["let go"]


def test_a_phone_in_a_reason_does_not_reach_the_table(store: Store) -> None:
    store.record([message(state="refused", reason=f"{NURSE} is off")])
    assert store.messages(MessageFilter()).rows[0]["reason"] == "[number] is off"


@pytest.mark.parametrize(("values", "why"), [
    ({"site": ""}, "every id"),
    ({"person": "x" * 65}, "every id"),
    ({"at": START.replace(tzinfo=None)}, "carries its zone"),
    ({"segments": 0}, "segments"),
    ({"reason": "x" * 121}, "reason"),
    ({"tries": -1}, "count from 0"),
])  # fmt: skip
def test_an_impossible_message_is_refused_and_nothing_written(
    store: Store, values: dict[str, Any], why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        store.record([message("m0"), message(**values)])
    assert store.messages(MessageFilter()).rows == []


def test_messages_are_found_by_place_state_matter_and_time_page_by_page(store: Store) -> None:
    told = [message(f"m{n}", n) for n in range(5)]
    told.append(message("up", 9, site="district-TAM", about="A7", state="refused"))
    told.append(message("far", 10, site="ELSE", district="OTH", about=""))
    store.record(told)

    def found(**wanted: object) -> list[str]:
        rows = store.messages(MessageFilter(**wanted)).rows  # type: ignore[arg-type]
        return [row["id"] for row in rows]

    names = {name: record_id(name) for name in ("m0", "m1", "m2", "m3", "m4", "up", "far")}
    assert found(district="TAM") == [names[n] for n in ("up", "m4", "m3", "m2", "m1", "m0")]
    assert found(site="LOWF", limit=2) == [names["m4"], names["m3"]]
    assert found(state="refused") == [names["up"]]
    assert found(about="A7") == [names["up"]]
    assert found(since=START + timedelta(minutes=10)) == [names["far"]]
    assert found(until=START + timedelta(minutes=1)) == [names["m0"]]
    page = store.messages(MessageFilter(site="LOWF", limit=2))
    assert found(site="LOWF", limit=2, after=page.next) == [names["m2"], names["m1"]]
    with pytest.raises(ValueError, match="state is one of"):
        found(state="lost")


def test_a_batch_comes_with_its_messages_and_what_they_cost(store: Store) -> None:
    store.record([record(batch()), message("m1", 2, segments=3, state="sent"),
                  message("m0", 1, kind="ask"), message("other", about="A7", segments=2),
                  message("alien", district="OTH", segments=9)])  # fmt: skip

    found = store.batch("LOWF-1")
    assert found
    assert found["messages"] == [
        {"kind": "ask", "at": START + timedelta(minutes=1), "state": "queued", "segments": 1},
        {"kind": "bell", "at": START + timedelta(minutes=2), "state": "sent", "segments": 3},
    ]
    assert store.segments_about(["A7", "none"]) == {"A7": 2}


def test_a_message_belongs_to_its_district_and_to_that_of_what_it_replaces(store: Store) -> None:
    store.record([message()])
    assert store.owners([message()]) == {"TAM"}
    assert store.owners([message(district="OTH")]) == {"OTH", "TAM"}
    assert store.owners([message("new", site="ELSE", district="OTH")]) == {"OTH"}


def test_a_message_and_a_condition_in_one_push_are_both_taken(store: Store) -> None:
    assert store.record([message(), Conditions("LOWF", ())]) == 1


def test_what_redis_promises_is_what_the_store_takes(redis: Redis, store: Store) -> None:
    bury(redis, item("1"))
    pushes = Pushes(redis)
    docs = pushes.read(pushes.lease(START.timestamp() + 9, 9))
    assert store.record([read_push(name, raw) for name, raw in docs.items()]) == 1
    [row] = store.messages(MessageFilter(about="B1")).rows
    assert (row["id"], row["state"], row["reason"]) == (record_id("1"), "refused", "code 403")
