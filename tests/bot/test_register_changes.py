"""The register changed in one transaction with its trail, on both engines, then shown."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from redis.exceptions import RedisError

from bot import audit
from bot.audit import Line
from bot.register import Register
from bot.register_changes import NotShown, RegisterChanges
from bot.register_edit import RowRefused, put, remove, tables
from bot.registry import Registry
from bot.store import Store
from tests.bot.store_stand import demo_register

if TYPE_CHECKING:
    from redis import Redis

    from tests.conftest import FakeClock


@pytest.fixture
def changes(store: Store, redis: Redis, clock: FakeClock) -> RegisterChanges:
    made = RegisterChanges(store, redis, clock)
    made.show(store.load_register())
    return made


def trail(store: Store) -> list[Line]:
    with store.database.read() as connection:
        return audit.lines(connection)


def renamed(register: Register, person: str, name: str) -> Register:
    cells = next(r for r in tables(register)["people"] if r["id"] == person)
    return put(register, "people", person, {**cells, "name": name})


def test_any_register_is_put_in_the_place_of_any_other(
    store: Store, changes: RegisterChanges
) -> None:
    """Rows come, go and change in every table, places that others refer to among them."""
    first = demo_register()
    place = replace(first.facilities[0], id="NEWF", district="NEW", name="New Post")
    people = [m if m.place != first.facilities[0].id else replace(m, place="NEWF")
              for m in first.people]  # fmt: skip
    one, two = people[0].person, people[1].person
    people[0] = replace(people[0], person=replace(one, phone=two.phone))
    people[1] = replace(people[1], person=replace(two, phone=one.phone))
    second = Register(
        tuple(sorted((*first.districts, replace(first.districts[0], id="NEW", name="New")),
                     key=lambda d: d.id)),
        tuple(sorted((*first.facilities[1:], place), key=lambda f: f.id)),
        (replace(first.models[0], methods=("boiling",)), *first.models[1:]),
        tuple(replace(s, facility="NEWF") if s.facility == first.facilities[0].id else s
              for s in first.sets[1:]),
        tuple(people), (),
    )  # fmt: skip
    for wanted in (second, first, second):
        changes.change(lambda _, wanted=wanted: wanted, "nia")  # type: ignore[misc]
        assert store.load_register() == wanted


def test_a_refused_change_leaves_register_and_trail(store: Store, changes: RegisterChanges) -> None:
    with pytest.raises(RowRefused):
        changes.change(lambda r: remove(r, "people", "P4"), "nia")
    assert (store.load_register(), trail(store)) == (demo_register(), [])


def test_changes_at_once_are_all_kept(store: Store, changes: RegisterChanges) -> None:
    ids = [f"P{n}" for n in range(1, 9)]

    def rename(person: str) -> None:
        changes.change(lambda r: renamed(r, person, f"New{person}"), person)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(rename, ids))

    names = {m.person.id: m.person.name for m in store.load_register().people}
    assert {i: names[i] for i in ids} == {i: f"New{i}" for i in ids}
    assert sorted((line.who, line.about) for line in trail(store)) == [(i, i) for i in ids]
    pages = changes.redis.get("sb:site:LOWF")
    assert isinstance(pages, bytes)
    assert b"NewP1" in pages


def test_what_the_conversations_could_not_hear_is_saved_and_heard_with_the_next(
    store: Store, changes: RegisterChanges, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(_: Registry) -> None:
        raise RedisError("gone")

    with monkeypatch.context() as down:
        down.setattr(Registry, "show", gone)
        with pytest.raises(NotShown):
            changes.change(lambda r: renamed(r, "P1", "Nia"), "juma")
    assert store.load_register() == renamed(demo_register(), "P1", "Nia")
    assert [line.about for line in trail(store)] == ["P1"]

    assert changes.change(lambda r: r, "juma") == []
    page = changes.redis.get("sb:site:LOWF")
    assert isinstance(page, bytes)
    assert b"Nia" in page


def test_a_row_that_moves_is_told_in_both_districts(
    store: Store, changes: RegisterChanges
) -> None:
    first = store.load_register()
    other = replace(first.districts[0], id="OTH")
    changes.change(lambda r: replace(r, districts=(other, *r.districts)), "nia")
    moved = [replace(f, district="OTH") if f.id == "HIGH" else f for f in first.facilities]
    changes.change(lambda r: replace(r, facilities=tuple(moved)), "nia")
    lines = [line for line in trail(store) if line.about == "HIGH"]
    assert sorted(line.district for line in lines) == ["OTH", "TAM"]
    assert lines[0].detail == {"district": ["TAM", "OTH"]}
