"""Conditions that come to the store without a batch: the latest stands, READY only if proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import permutations
from typing import Any

import pytest

from bot.effects import Conditions, Pushed
from bot.errors import StoreRefused
from bot.model import SetState
from bot.recording import MOST_SETS
from bot.register import RegisteredSet
from bot.store import SetFilter, Store
from flows.batch import Batch, BatchSet
from tests.bot.store_stand import START, OpenStore, batch, closed, demo_register, record

RELEASED = START + timedelta(hours=1)
BEGUN = START + timedelta(hours=2)
CANCELLED = START + timedelta(hours=3)
LATER = START + timedelta(hours=4)
EXPIRES = RELEASED + timedelta(days=7)
NOW = START + timedelta(days=1)


def row(store: Store, set_id: str = "BAG-1") -> dict[str, object]:
    rows = store.sets(SetFilter(limit=1000), NOW).rows
    return next(row for row in rows if row["id"] == set_id)


def condition(store: Store, set_id: str = "BAG-1") -> object:
    return row(store, set_id)["condition"]


def alone(*states: SetState) -> Conditions:
    return Conditions("LOWF", states)


def released(batch_id: str = "A", **values: Any) -> Batch:
    return closed(batch_id, at=RELEASED, **{"expires_at": EXPIRES, **values})


READY = SetState("BAG-1", "READY", RELEASED, EXPIRES, "A")
AGAIN = replace(READY, since=CANCELLED)  # READY as before, since a batch begun by mistake ended
USED = SetState("BAG-1", "USED", LATER)


def push_until_taken(store: Store, docs: Sequence[Pushed]) -> None:
    """One after another, and what is refused once more at the end, as pushes are."""
    refused = []
    for doc in docs:
        try:
            store.record([doc])
        except StoreRefused:
            refused.append(doc)
    if refused:
        store.record(refused)


def story(n: int) -> tuple[list[Pushed], SetState]:
    """A set released, put in a batch by mistake, that batch cancelled; and its use at the end."""
    set_id, first, second = f"S-{n}", f"A-{n}", f"B-{n}"
    members = (BatchSet(set_id, "BAG-SIL", "bag", 7, ("chlorine",)),)
    open_first = batch(first, entries=2, sets=members)
    done = released(first, sets=members)
    mistake = batch(second, entries=1, sets=members)
    ended = replace(closed(second, "cancelled", CANCELLED), sets=members)
    ready = replace(READY, id=set_id, batch=first)
    again = replace(ready, since=CANCELLED)
    docs: list[Pushed] = [
        record(open_first, SetState(set_id, "IN PROCESS", START, batch=first)),
        record(done, ready),
        record(mistake, SetState(set_id, "IN PROCESS", BEGUN, batch=second)),
        record(ended, again),
        alone(again),
    ]
    return docs, replace(USED, id=set_id)


@pytest.fixture
def many(store: Store) -> Store:
    """The store, with a hundred and more sets to tell stories of."""
    register = demo_register()
    more = tuple(RegisteredSet(f"S-{n}", "LOWF", "BAG-SIL") for n in range(720))
    store.save_register(replace(register, sets=(*register.sets, *more)))
    return store


def test_a_condition_put_back_is_ready_in_the_end_in_whatever_order_it_comes(many: Store) -> None:
    for n, order in enumerate(permutations(range(5))):
        docs, _ = story(n)
        push_until_taken(many, [docs[i] for i in order])

    rows = [r for r in many.sets(SetFilter(limit=1000), NOW).rows if r["id"].startswith("S-")]
    told = [r for r in rows if int(r["id"][2:]) < 120]
    assert {(r["condition"], r["since"], r["expires_at"]) for r in told} == {
        ("READY", CANCELLED, EXPIRES)}
    assert all(r["batch"] == f"A{r['id'][1:]}" for r in told)


def test_a_set_used_in_the_end_is_never_ready_after_in_whatever_order_it_comes(
    many: Store,
) -> None:
    for n, order in enumerate(permutations(range(6))):
        if n % 5:  # a fifth of them will do
            continue
        docs, used = story(n)
        docs.append(alone(used))
        push_until_taken(many, [docs[i] for i in order])

    rows = many.sets(SetFilter(limit=1000), NOW).rows
    told = [r for r in rows if r["id"].startswith("S-") and int(r["id"][2:]) % 5 == 0]
    assert len(told) == 144
    assert {(r["condition"], r["since"]) for r in told} == {("USED", LATER)}


def test_use_ends_ready_and_a_late_repeat_of_ready_does_not_bring_it_back(store: Store) -> None:
    done = released()
    store.record([record(done, READY)])
    assert condition(store) == "READY"

    assert store.record([alone(USED)]) == 1
    assert store.record([record(done, READY), alone(READY), alone(USED)]) == 0

    assert condition(store) == "USED"


def test_at_one_moment_ready_loses_whichever_comes_first(store: Store) -> None:
    used = replace(USED, since=RELEASED)
    store.record([record(released(), READY), alone(used)])
    assert condition(store) == "USED"
    store.record([alone(READY)])
    assert condition(store) == "USED"


@pytest.mark.parametrize("known", [None, batch("A")])
def test_ready_whose_batch_is_not_here_as_released_waits_and_the_rest_is_taken(
    store: Store, known: Batch | None
) -> None:
    if known:
        store.record([record(known)])
    other = SetState("SUC-1", "SET ASIDE", LATER)

    with pytest.raises(StoreRefused):
        store.record([alone(AGAIN, other)])
    assert (condition(store), condition(store, "SUC-1")) == ("USED", "SET ASIDE")

    store.record([record(released())])
    assert store.record([alone(AGAIN, other)]) == 1
    assert condition(store) == "READY"


@pytest.mark.parametrize(("proof", "claim"), [
    (released(outcome="cancelled"), AGAIN),
    (released(outcome="set aside"), AGAIN),
    (released(expires_at=None), AGAIN),
    (released(sets=(replace(batch().sets[0], aside="torn"), batch().sets[1])), AGAIN),
    (released(sets=batch().sets[1:]), AGAIN),  # the set was never in it
    (released(), replace(AGAIN, expires_at=EXPIRES + timedelta(days=30))),
    (released(), replace(AGAIN, expires_at=None)),
    (released(), replace(AGAIN, since=RELEASED - timedelta(seconds=1))),
])
def test_ready_that_its_batch_does_not_prove_is_not_shown(
    store: Store, proof: Batch, claim: SetState
) -> None:
    store.record([record(proof, SetState("BAG-1", "IN PROCESS", START, batch="A"))])

    assert store.record([alone(claim)]) == 0

    assert condition(store) == "IN PROCESS"


def test_ready_is_not_shown_where_findings_stand_against_its_batch(open_store: OpenStore) -> None:
    store = open_store(findings=lambda of: ["no rinse"] if of.id == "A" else [])
    store.migrate()
    store.save_register(demo_register())
    store.record([record(released()), record(released("B"))])

    assert store.record([alone(AGAIN)]) == 0
    assert condition(store) == "USED"
    assert store.record([alone(replace(AGAIN, batch="B"))]) == 1
    assert condition(store) == "READY"


@pytest.mark.parametrize("doc", [
    alone(replace(USED, since=None)),
    alone(replace(USED, since=LATER.replace(tzinfo=None))),
    alone(replace(AGAIN, expires_at=EXPIRES.replace(tzinfo=None))),
    alone(replace(USED, id="")),
    alone(replace(USED, id="x" * 65)),
    alone(replace(USED, id="B\n")),
    Conditions("", (USED,)),
    alone(*(replace(USED, id=f"S-{n}") for n in range(MOST_SETS + 1))),
])
def test_impossible_conditions_are_refused_and_nothing_of_their_push_is_kept(
    store: Store, doc: Conditions
) -> None:
    with pytest.raises(ValueError, match=r"."):
        store.record([alone(replace(USED, id="SUC-1", condition="SET ASIDE")), doc])

    assert condition(store, "SUC-1") == "USED"
    assert row(store, "SUC-1")["since"] is None
