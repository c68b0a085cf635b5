"""The register changed by text: once, in order, in the trail; refused where it has moved on."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from redis import Redis

from bot import audit
from bot.amend import Amend, AmendKind
from bot.amending import amended
from bot.effects import Amendments, Post, Push
from bot.errors import StoreDown
from bot.events import Letter
from bot.pushes import AMEND, amend_ops
from bot.queries import SetFilter
from bot.register import Member, Register
from bot.registry import Registry
from bot.sessions import Sessions
from bot.site import Person
from bot.site_pages import publish, revision
from bot.store import Store
from tests.bot.store_stand import OpenStore, closed, demo_register, ready
from tests.conftest import Connect, FakeClock
from tests.workbench import NURSE, Bench

AT = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
FREE = "+12025550190"


def amend(kind: AmendKind, about: str = "", n: int = 1, **cells: Any) -> Amend:
    return Amend(f"LOWF-20250303-{n}", n, AT, "P4", kind, about, **cells)


def new_person(n: int = 1, **cells: str) -> Amend:
    return amend("enrol", n=n, **{"name": "Zuhura", "phone": FREE, "value": "nurse", **cells})


def asked(*amends: Amend, site: str = "LOWF") -> Amendments:
    return Amendments(site, "TAM", amends)


def person(register: Register, person_id: str) -> Person:
    return next(m.person for m in register.people if m.person.id == person_id)


# ---- what an amendment makes of the register: pure -----------------------------------------------


def test_somebody_new_works_here_with_an_id_that_nobody_had() -> None:
    before = demo_register()

    done = amended(before, "LOWF", new_person())

    assert not done.refused
    assert done.about not in {m.person.id for m in before.people}
    member = next(m for m in done.register.people if m.person.id == done.about)
    assert member == Member(Person(done.about, "Zuhura", FREE, "nurse"), "LOWF")
    assert done.register.phones()[FREE] == "LOWF"
    assert len(done.register.people) == len(before.people) + 1


def test_a_change_touches_nobody_else() -> None:
    before = demo_register()
    for one in (
        amend("number", "P1", phone=FREE), amend("language", "P1", value="fr"),
        amend("shift", "P1", value="22:00-06:00"), amend("role", "P1", value="in_charge"),
    ):  # fmt: skip
        after = amended(before, "LOWF", one).register
        assert person(after, "P1") != person(before, "P1")
        assert [m for m in after.people if m.person.id != "P1"] == [
            m for m in before.people if m.person.id != "P1"
        ]
        assert replace(after, people=before.people) == before


@pytest.mark.parametrize(
    ("one", "site", "why"),
    [
        (new_person(phone="+12025550101"), "LOWF", "phone"),
        (new_person(phone="+12025550108"), "LOWF", "phone"),  # the supervisor's
        (new_person(value="supervisor"), "LOWF", "value"),
        (new_person(name="x" * 41), "LOWF", "value"),
        (new_person(), "GONE", "place"),
        (new_person(), "district-TAM", "place"),
        (amend("number", "P1", phone="+12025550102"), "LOWF", "phone"),
        (amend("number", "P5", phone=FREE), "LOWF", "person"),  # of another facility
        (amend("number", "P8", phone=FREE), "LOWF", "person"),  # a supervisor, from a facility
        (amend("number", "P1", phone=FREE), "district-TAM", "person"),
        (amend("shift", "P1", value="25:00-26:00"), "LOWF", "value"),
        (amend("language", "P1", value="English"), "LOWF", "value"),
        (amend("role", "P1", value="supervisor"), "LOWF", "value"),
        (amend("role", "P4", value="nurse"), "LOWF", "chief"),
        (amend("remove", "P4"), "LOWF", "chief"),
        (amend("remove", "P99"), "LOWF", "person"),
        (amend("new_set", "BAG-5", value="BAG-SIL"), "LOWF", "set_id"),  # of another facility
        (amend("new_set", "BAG-99", value="NONE"), "LOWF", "model"),
        (amend("new_set", "TOO-LONG-1", value="BAG-SIL"), "LOWF", "value"),
        (amend("retire", "BAG-5"), "LOWF", "set"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(one: Amend, site: str, why: str) -> None:
    before = demo_register()

    done = amended(before, site, one)

    assert (done.refused, done.register) == (why, before)


def test_an_in_charge_may_leave_where_there_is_another() -> None:
    two = amended(demo_register(), "LOWF", amend("role", "P1", value="in_charge")).register

    done = amended(two, "LOWF", amend("remove", "P4"))

    assert not done.refused
    assert "P4" not in {m.person.id for m in done.register.people}


def test_a_supervisors_phone_is_changed_in_the_district() -> None:
    done = amended(demo_register(), "district-TAM", amend("number", "P8", phone=FREE))

    assert person(done.register, "P8").phone == FREE


# ---- in the store --------------------------------------------------------------------------------

Open = Callable[[Store], Registry]


@pytest.fixture
def open_registry(redis: Redis, clock: FakeClock) -> Open:
    return lambda store: Registry(store.database, redis, clock)


def trail(store: Store) -> list[audit.Line]:
    with store.database.read() as connection:
        return audit.lines(connection)


def test_it_is_in_the_register_on_the_pages_and_in_the_trail(
    store: Store, redis: Redis, open_registry: Open
) -> None:
    [post] = open_registry(store)(asked(new_person()))

    assert post.site_id == "LOWF"
    assert (post.letter.kind, post.letter.about) == ("amended", "LOWF-20250303-1")
    assert person(store.load_register(), post.letter.word).name == "Zuhura"
    unit = Sessions(redis).read(FREE, "e1").unit
    assert unit is not None
    assert unit.site.person(FREE) == person(store.load_register(), post.letter.word)
    [line] = trail(store)
    assert (line.who, line.what, line.about, line.district) == (
        "P4", "register.enrol", post.letter.word, "TAM")  # fmt: skip
    assert line.detail["name"] == "Zuhura"


def test_asked_again_it_answers_the_same_and_changes_nothing(
    store: Store, open_registry: Open
) -> None:
    registry = open_registry(store)
    first = registry(asked(new_person()))
    after = store.load_register()

    again = registry(asked(new_person()))

    assert again == first
    assert store.load_register() == after
    assert len(trail(store)) == 1


def test_what_was_refused_stays_refused(store: Store, open_registry: Open) -> None:
    registry = open_registry(store)
    taken = new_person(phone="+12025550101")
    [refused] = registry(asked(taken))
    assert (refused.letter.kind, refused.letter.word) == ("refused", "phone")
    assert trail(store)[0].detail["refused"] == "phone"

    registry(asked(amend("number", "P1", n=2, phone=FREE)))  # now that phone is free

    assert registry(asked(taken)) == [refused]


def test_nobody_is_called_what_somebody_was_who_left(store: Store, open_registry: Open) -> None:
    """Logs name people by their ids."""
    registry = open_registry(store)
    [first] = registry(asked(new_person(1)))
    registry(asked(amend("remove", first.letter.word, n=2)))

    [second] = registry(asked(new_person(3)))

    assert second.letter.word not in (first.letter.word, "")


def test_those_of_a_facility_are_made_in_their_order_whatever_order_they_come_in(
    store: Store, open_registry: Open
) -> None:
    moves = amend("number", "P1", n=1, phone=FREE)
    takes = new_person(n=2, phone="+12025550101")

    posts = open_registry(store)(asked(takes, moves))

    assert [p.letter.kind for p in posts] == ["amended", "amended"]
    assert [line.what for line in trail(store)] == ["register.enrol", "register.number"]


def test_no_line_of_the_trail_holds_a_phone(store: Store, open_registry: Open) -> None:
    open_registry(store)(
        asked(new_person(name=f"call {FREE}"), amend("number", "P1", n=2, phone="+12025550191"))
    )

    with store.database.read() as connection:
        whole = msgspec.json.encode(audit.lines(connection)).decode()
    assert "+1202" not in whole


def test_processes_that_ask_the_same_at_once_make_it_once(
    open_store: OpenStore, connect: Connect, clock: FakeClock
) -> None:
    first = open_store()
    first.migrate()
    first.save_register(demo_register())
    registries = [Registry(open_store().database, connect(), clock) for _ in range(4)]
    docs = asked(new_person())

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda registry: registry(docs), registries))

    assert all(answer == answers[0] for answer in answers)
    assert len(first.load_register().people) == len(demo_register().people) + 1
    assert len(trail(first)) == 1


def test_processes_that_ask_different_things_at_once_lose_none(
    open_store: OpenStore, connect: Connect, clock: FakeClock
) -> None:
    first = open_store()
    first.migrate()
    first.save_register(demo_register())
    wanted = [new_person(n, name=f"New {n}", phone=f"+120255501{90 + n}") for n in range(4)]
    registries = [Registry(open_store().database, connect(), clock) for _ in wanted]

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda r, a: r(asked(a)), registries, wanted))

    phones = first.load_register().phones()
    assert {a.phone for a in wanted} <= phones.keys()
    shown = Sessions(connect())
    assert all(shown.read(a.phone, "e1").unit for a in wanted), "the newest register is shown"


def test_a_new_set_is_used_though_one_of_its_name_was_ready(
    store: Store, open_registry: Open
) -> None:
    batch = closed(at=AT - timedelta(days=1))
    store.record([Push(batch, (ready(batch, "BAG-1"),))])
    registry = open_registry(store)
    assert condition(store, "BAG-1") == "READY"

    registry(asked(amend("retire", "BAG-1", n=1)))
    assert condition(store, "BAG-1") == ""
    registry(asked(amend("new_set", "BAG-1", n=2, value="BAG-SIL")))

    assert condition(store, "BAG-1") == "USED"


def condition(store: Store, set_id: str) -> str:
    rows = store.sets(SetFilter(limit=1000), AT).rows
    return next((str(r["condition"]) for r in rows if r["id"] == set_id), "")


# ---- what is shown -------------------------------------------------------------------------------


def test_an_older_register_does_not_take_the_place_of_a_newer_one(
    store: Store, redis: Redis, open_registry: Open
) -> None:
    open_registry(store)(asked(new_person()))
    newest, before = revision(redis), demo_register()

    publish(redis, before.sites(), before.phones(), newest - 1)

    assert Sessions(redis).read(FREE, "e1").unit is not None


def test_an_import_is_shown_though_its_database_is_younger_than_the_pages(
    store: Store, redis: Redis
) -> None:
    """As after a backup was put back: its numbers begin lower."""
    publish(redis, (), {}, 1000)
    register = demo_register()

    saved = store.save_register(register, revision(redis))
    publish(redis, register.sites(), register.phones(), saved)

    assert Sessions(redis).unit("LOWF") is not None


# ---- on the way ----------------------------------------------------------------------------------


def promise(bench: Bench, docs: Amendments) -> None:
    for op in amend_ops(docs, repr(bench.clock().timestamp())):
        bench.redis.execute_command(*op)  # type: ignore[no-untyped-call]


def test_a_store_that_is_down_is_asked_again_and_nothing_is_lost(bench: Bench) -> None:
    calls: list[Amendments] = []
    answer = Post("S1", Letter("amend:x", bench.clock(), "amended", "P4"))

    def down_then_up(docs: Amendments) -> list[Post]:
        calls.append(docs)
        if len(calls) == 1:
            raise StoreDown("not now")
        return [answer]

    service = replace(bench.service, register=down_then_up)
    docs = asked(new_person(), site="S1")
    promise(bench, docs)

    service.push([AMEND + "S1"])
    assert service.pushes.depth() == 1
    service.push([AMEND + "S1"])

    assert calls == [docs, docs]
    assert service.pushes.depth() == 0
    assert service.posts.lease(bench.clock().timestamp(), 10) == [answer.letter.id]


def test_what_is_asked_for_while_the_register_answers_is_asked_next(bench: Bench) -> None:
    first, second = asked(new_person(1), site="S1"), asked(new_person(1), new_person(2), site="S1")
    calls: list[Amendments] = []

    def slow(docs: Amendments) -> list[Post]:
        calls.append(docs)
        if docs == first:
            promise(bench, second)  # a turn commits meanwhile
        return []

    service = replace(bench.service, register=slow)
    promise(bench, first)

    service.push([AMEND + "S1"])
    service.push(service.pushes.lease(bench.clock().timestamp(), 10))

    assert calls == [first, second]
    assert service.pushes.depth() == 0


def test_a_bad_request_to_the_register_does_not_hold_up_batches(bench: Bench) -> None:
    def broken(_: Amendments) -> list[Post]:
        raise ValueError("no")

    service = replace(bench.service, register=broken)
    promise(bench, asked(new_person(), site="S1"))
    service.handle(bench.heard(NURSE, "open B7", "e1"))

    names = service.pushes.lease(bench.clock().timestamp(), 10)
    service.push(names)

    assert {AMEND + "S1", "B7"} <= set(names)
    assert bench.store.kept.keys() == {"B7"}
    assert service.pushes.depth() == 1, "only the bad one is left"
