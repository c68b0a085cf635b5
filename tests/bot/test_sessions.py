"""The commit: whole or not at all, once, and in the order of versions."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import msgspec
import pytest

from bot.board import standing
from bot.check import Check, Round
from bot.effects import Checked, ClearTimer, Gap, Mixed, Push, SetTimer
from bot.events import Heard
from bot.model import SetState, Talk, Unit
from bot.outbox import Outbox, Outgoing
from bot.pushes import CHECK, GAP, MIX, Fact, Pushes, read_push
from bot.sessions import Change, Committed, Loaded, Seen, Sessions, Stale, Turn, seal
from bot.site import Person, SetCard, Site
from bot.site_pages import publish
from bot.timers import Timers
from flows.batch import Batch, BatchSet, Entry, Value

if TYPE_CHECKING:
    from redis import Redis

    from tests.conftest import Connect, Everything

NOW = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
ANN, BEA = "+12025550101", "+12025550102"


# A check that somebody is at.
ROUND = Round("p1", NOW, NOW, of=NOW, answers={"A1": "well"}, singly=True, uses=0, births=12)
CHECKED = Checked("S1-20250303T080000Z", "S1", "Lowfield", NOW, NOW, "p1", NOW - timedelta(days=1),
                  {"A1": "well"}, 0, 1, 12, 3, 1.5, done=True)  # fmt: skip
BEGUN = Gap("S1-bag-1", "S1", "Lowfield", "bag", NOW, None)
MADE = Mixed("solution-S1-1", "S1", "Lowfield", NOW, NOW + timedelta(days=1), 0.5, 2.0, "NaDCC",
             "N1", "p1")  # fmt: skip


def site(site_id: str = "S1") -> Site:
    people = (Person("p1", "Änn", ANN, "nurse"), Person("p2", "Bea", BEA, "in_charge", "fr"))
    return Site(site_id, "Redhill", "Lowfield", 1200.5, "Africa/Nairobi", ("boiling",), (), people)


def batch(batch_id: str = "B1", entries: int = 1) -> Batch:
    """A batch with every kind of value that a log can hold."""
    facts: dict[str, Value] = {"count": 4, "litres": 1.0, "ok": True, "note": 'a "ü" \\ | \n'}
    log = tuple(
        Entry(n, NOW, "answered", facts=facts, tick=("boot", 1.5)) for n in range(1, entries + 1)
    )
    return Batch(
        id=batch_id,
        facility="S1",
        district="Lowfield",
        altitude_m=1200.5,
        facility_methods=("boiling",),
        protocol="default",
        flow="bag",
        opened_at=NOW,
        opened_by="p1",
        holder="p1",
        sets=(BatchSet("A1", "model", "bag", 4, ("boiling", "autoclave")),),
        stage="wash",
        due=NOW + timedelta(minutes=10, microseconds=1),
        log=log,
    )


def heard(event_id: str, phone: str = ANN) -> Heard:
    return Heard(event_id, phone, "sms", "1", NOW)


def outgoing(item_id: str, phone: str = ANN) -> Outgoing:
    return Outgoing(item_id, phone, "go on", "ask", NOW, "S1", "B1")


@pytest.fixture
def sessions(redis: Redis) -> Sessions:
    publish(redis, [site()], {ANN: "S1", BEA: "S1"})
    return Sessions(redis)


def loaded(sessions: Sessions) -> Unit:
    unit = sessions.unit("S1")
    assert unit is not None
    return unit


def full(unit: Unit) -> Unit:
    """A unit with one of everything."""
    talk = Talk(ANN, batch="B1", choices=("a", "b"), heard_at=NOW)
    state = SetState("A1", "READY", NOW, NOW + timedelta(days=7), "B1", "load 7")
    check = Check(NOW, NOW, NOW, "p1", None, NOW - timedelta(days=1), 2, ROUND)
    return replace(unit, serial=3, check=check).put_talk(talk).put_batch(batch()).put_set(state)


def test_a_new_site_has_an_empty_unit_at_version_0(sessions: Sessions) -> None:
    assert sessions.read(ANN, "e1") == Loaded(seen=None, unit=Unit(site=site()))


def test_an_unknown_phone_has_no_unit(sessions: Sessions) -> None:
    assert sessions.read("+12025550199", "e1") == Loaded(None, None)


def test_an_unknown_site_has_no_unit(sessions: Sessions) -> None:
    assert sessions.unit("S9") is None


def test_what_was_committed_is_read_back_equal(sessions: Sessions) -> None:
    before = loaded(sessions)
    after = full(before)
    assert sessions.commit(before, after, Change(heard("e1"))) == Committed()
    expected = replace(after, version=1)
    assert loaded(sessions) == expected
    assert sessions.read(BEA, "e2") == Loaded(None, expected)


def test_several_units_are_read_at_once(redis: Redis) -> None:
    publish(redis, [site("S1"), site("S2")], {})
    found = Sessions(redis).units(["S2", "S9", "S1"])
    assert found == {"S2": Unit(site("S2")), "S9": None, "S1": Unit(site("S1"))}


def test_what_the_turn_removed_is_gone_and_the_rest_stays(sessions: Sessions) -> None:
    before = loaded(sessions)
    sessions.commit(before, full(before).put_batch(batch("B2")), Change(heard("e1")))
    held = loaded(sessions)
    sessions.commit(held, held.drop_batch("B1"), Change(heard("e2")))
    assert loaded(sessions) == replace(held.drop_batch("B1"), version=2)


def test_only_changed_fields_are_written(sessions: Sessions, redis: Redis) -> None:
    before = loaded(sessions)
    sessions.commit(before, full(before), Change(heard("e1")))
    held = loaded(sessions)
    turn = Turn(held, held.put_talk(replace(held.talk(ANN), tries=1)), Change(heard("e2")))
    ops = msgspec.json.decode(seal(turn).words[1], type=list[list[str]])
    fields = [op[2] for op in ops if op[0] == "HSET" and op[1] == "sb:unit:S1"]
    assert sorted(fields) == [f"talk:{ANN}", "v"]


def test_everything_of_a_turn_becomes_due_together(sessions: Sessions, redis: Redis) -> None:
    before = loaded(sessions)
    push = Push(batch(), (SetState("A1"),))
    change = Change(
        heard("e1"),
        "CON next",
        (outgoing("e1.0"), outgoing("e1.1", BEA)),
        (SetTimer("B1", NOW + timedelta(minutes=10)),),
        (push,),
    )
    sessions.commit(before, full(before), change)
    now = NOW.timestamp()
    assert Timers(redis).lease(now + 599, 9) == []
    assert Timers(redis).lease(now + 600, 9) == ["S1|B1"]
    assert Outbox(redis).lease(now, 9) == [ANN, BEA]
    assert Outbox(redis).head(BEA, now) == outgoing("e1.1", BEA)
    assert Pushes(redis).lease(now, 9) == ["B1"]
    assert msgspec.json.decode(Pushes(redis).read(["B1"])["B1"], type=Push) == push


@pytest.mark.parametrize(
    ("name", "fact", "change"),
    [
        (CHECK + CHECKED.id, CHECKED, Change(heard("e1"), checked=(CHECKED,))),
        (GAP + BEGUN.id, BEGUN, Change(heard("e1"), gaps=(BEGUN,))),
        (MIX + MADE.id, MADE, Change(heard("e1"), mixes=(MADE,))),
    ],
    ids=["check", "gap", "solution"],
)
def test_what_has_no_batch_waits_for_the_store_under_its_own_name(
    sessions: Sessions, redis: Redis, name: str, fact: Fact, change: Change
) -> None:
    before = loaded(sessions)
    sessions.commit(before, full(before), change)
    assert Pushes(redis).lease(NOW.timestamp(), 9) == [name]
    assert read_push(name, Pushes(redis).read([name])[name]) == fact


def test_the_end_of_a_gap_takes_the_place_of_its_beginning(
    sessions: Sessions, redis: Redis
) -> None:
    ended = replace(BEGUN, until=NOW + timedelta(hours=1))
    for n, gap in enumerate((BEGUN, ended)):
        before = loaded(sessions)
        sessions.commit(before, full(before), Change(heard(f"e{n}"), gaps=(gap,)))
    name = GAP + BEGUN.id
    assert read_push(name, Pushes(redis).read([name])[name]) == ended


def test_a_cleared_timer_does_not_ring(sessions: Sessions, redis: Redis) -> None:
    before = loaded(sessions)
    sessions.commit(before, before, Change(heard("e1"), timers=(SetTimer("B1", NOW),)))
    held = loaded(sessions)
    sessions.commit(held, held, Change(heard("e2"), timers=(ClearTimer("B1"),)))
    assert Timers(redis).lease(NOW.timestamp(), 9) == []


def test_of_two_states_in_one_turn_the_longer_log_is_pushed(
    sessions: Sessions, redis: Redis
) -> None:
    before = loaded(sessions)
    pushes = (Push(batch(entries=3), ()), Push(batch(entries=2), ()))
    sessions.commit(before, before, Change(heard("e1"), pushes=pushes))
    doc = msgspec.json.decode(Pushes(redis).read(["B1"])["B1"], type=Push)
    assert len(doc.batch.log) == 3


def test_a_later_message_does_not_move_the_next_try_of_its_phone(
    sessions: Sessions, redis: Redis
) -> None:
    before = loaded(sessions)
    sessions.commit(before, before, Change(heard("e1"), outgoing=(outgoing("e1.0"),)))
    outbox = Outbox(redis)
    outbox.postpone(ANN, NOW.timestamp())
    held = loaded(sessions)
    sessions.commit(held, held, Change(heard("e2"), outgoing=(outgoing("e2.0"),)))
    assert outbox.lease(NOW.timestamp() + 4.9, 9) == []
    assert outbox.lease(NOW.timestamp() + 5, 9) == [ANN]


def change_of_all(event_id: str) -> Change:
    return Change(
        heard(event_id),
        "CON other",
        (outgoing(f"{event_id}.0"),),
        (SetTimer("B1", NOW),),
        (Push(batch(), ()),),
    )


def test_a_stale_commit_changes_nothing(sessions: Sessions, everything: Everything) -> None:
    old = loaded(sessions)
    sessions.commit(old, full(old), Change(heard("e1")))
    before = everything()
    assert sessions.commit(old, full(old), change_of_all("e2")) == Stale()
    assert everything() == before


def test_an_event_seen_before_changes_nothing_and_gets_its_answer(
    sessions: Sessions, everything: Everything
) -> None:
    old = loaded(sessions)
    sessions.commit(old, full(old), Change(heard("e1"), "CON first ü"))
    held = loaded(sessions)
    before = everything()
    assert sessions.commit(held, held, change_of_all("e1")) == Seen("CON first ü")
    assert sessions.read(ANN, "e1") == Loaded(seen="CON first ü", unit=None)
    assert everything() == before


def test_an_empty_answer_is_remembered_too(sessions: Sessions) -> None:
    old = loaded(sessions)
    sessions.commit(old, old, Change(heard("e1"), ""))
    assert sessions.read(ANN, "e1").seen == ""


def test_answers_are_forgotten_after_two_days(sessions: Sessions, redis: Redis) -> None:
    old = loaded(sessions)
    sessions.commit(old, old, Change(heard("e1")))
    assert 0 < redis.ttl("sb:seen:e1") <= 2 * 86400


def test_a_moment_without_its_zone_is_refused_and_nothing_written(
    sessions: Sessions, everything: Everything
) -> None:
    unit, before = loaded(sessions), everything()
    naive = SetTimer("B1", NOW.replace(tzinfo=None))
    with pytest.raises(ValueError, match="zone"):
        sessions.commit(unit, full(unit), Change(heard("e1"), timers=(naive,)))
    assert everything() == before


def test_several_commits_in_one_trip_stand_or_fall_alone(redis: Redis) -> None:
    publish(redis, [site("S1"), site("S2")], {})
    sessions = Sessions(redis)
    found = sessions.units(["S1", "S2"])
    one, two = found["S1"], found["S2"]
    assert one is not None
    assert two is not None
    sessions.commit(one, one, Change(heard("e0")))
    turns = [Turn(u, replace(u, serial=9), Change(heard(f"e-{u.site.id}"))) for u in (one, two)]
    assert sessions.commit_all([seal(turn) for turn in turns]) == [Stale(), Committed()]
    after = sessions.units(["S1", "S2"])
    assert after["S1"] == replace(one, version=1)
    assert after["S2"] == replace(two, version=1, serial=9)


def test_nonsense_in_a_unit_is_refused_when_read(sessions: Sessions, redis: Redis) -> None:
    redis.hset("sb:unit:S1", "set:A1", '{"id": "A1", "condition": "CLEAN"}')
    with pytest.raises(msgspec.ValidationError):
        sessions.unit("S1")


# ---- the register --------------------------------------------------------------------------------


def test_a_phone_that_left_the_register_is_unknown(sessions: Sessions, redis: Redis) -> None:
    publish(redis, [site()], {BEA: "S1"})
    assert sessions.read(ANN, "e").unit is None
    assert sessions.read(BEA, "e").unit is not None


def test_a_new_register_keeps_what_is_under_way(sessions: Sessions, redis: Redis) -> None:
    before = loaded(sessions)
    sessions.commit(before, full(before), Change(heard("e1")))
    publish(redis, [replace(site(), name="New Redhill")], {BEA: "S1"})
    unit = loaded(sessions)
    assert unit.site.name == "New Redhill"
    assert unit.batches == {"B1": batch()}


def test_a_phone_that_moved_is_at_its_new_site(sessions: Sessions, redis: Redis) -> None:
    publish(redis, [site("S1"), site("S2")], {ANN: "S2", BEA: "S1"})
    unit = sessions.read(ANN, "e").unit
    assert unit is not None
    assert unit.site.id == "S2"


def test_a_site_that_left_keeps_its_page_for_the_bells_to_come(
    sessions: Sessions, redis: Redis
) -> None:
    publish(redis, [site("S2")], {})
    assert sessions.unit("S1") is not None


# ---- races ---------------------------------------------------------------------------------------


def add_one(sessions: Sessions, event_id: str) -> None:
    """Add one to the serial and tell it, again until it is taken."""
    while True:
        unit = sessions.unit("S1")
        assert unit is not None
        after = replace(unit, serial=unit.serial + 1)
        item = replace(outgoing(event_id), text=str(after.serial))
        verdict = sessions.commit(unit, after, Change(heard(event_id), outgoing=(item,)))
        if not isinstance(verdict, Stale):
            return


def in_threads(tasks: list[threading.Thread]) -> None:
    for task in tasks:
        task.start()
    for task in tasks:
        task.join()


def test_in_a_race_each_turn_is_applied_once_in_the_order_of_versions(
    sessions: Sessions, connect: Connect
) -> None:
    def many(client: Sessions, name: str) -> None:
        for n in range(25):
            add_one(client, f"{name}-{n}")

    in_threads(
        [threading.Thread(target=many, args=(Sessions(connect()), f"t{t}")) for t in range(6)]
    )
    unit = loaded(sessions)
    assert (unit.version, unit.serial) == (150, 150)
    outbox, told = Outbox(connect()), []
    while item := outbox.head(ANN, 0.0):
        told.append(int(item.text))
        outbox.settle(item, "", 0.0)
    assert told == list(range(1, 151))


def test_in_a_race_of_repeats_the_event_counts_once(sessions: Sessions, connect: Connect) -> None:
    racers = [
        threading.Thread(target=add_one, args=(Sessions(connect()), f"e{n}"))
        for n in range(10)
        for _ in range(4)
    ]
    in_threads(racers)
    assert loaded(sessions).serial == 10


def test_a_facility_that_left_the_register_is_seen_by_its_district_no_more(redis: Redis) -> None:
    card = SetCard("A1", "M", "bag", 7, ("boiling",))
    places = [replace(site(name), sets=(card,)) for name in ("S1", "S2")]
    above = replace(site("district-Lowfield"), people=())
    publish(redis, [*places, above], {})
    sessions = Sessions(redis)
    for place in places:
        change = Change(Heard(place.id, ANN, "sms", "1", NOW), standing=standing(Unit(place)))
        assert sessions.commit(Unit(place), Unit(place), change) == Committed()
    assert set(sessions.board("Lowfield")) == {"S1", "S2"}

    publish(redis, [places[1], above], {})

    assert set(sessions.board("Lowfield")) == {"S2"}
