"""What the store keeps of alerts: once, the newest, none lost; and what it answers about them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from sqlalchemy import event, text

from bot.alert import Alert, AlertLine
from bot.alert_queries import AlertFilter
from bot.alert_records import MOST_MATTER, version
from bot.effects import Conditions, Effect, Raised
from bot.errors import StoreRefused
from bot.events import Event, Letter
from bot.model import SetState
from bot.store import Store
from flows.alerting import RULES
from tests.bot.store_stand import START, OpenStore, alert, batch, closed, raised, ready, record
from tests.nurse import ALERTS, Ward, play, rules_of

LATER = START + timedelta(hours=1)


def ids(store: Store, **wanted: Any) -> list[str]:
    return [row["id"] for row in store.alerts(AlertFilter(**wanted)).rows]


def kept(store: Store, alert_id: str = "LOWF-9") -> dict[str, Any]:
    found = store.alert(alert_id)
    assert found is not None
    return found


def story(alert_id: str = "LOWF-9") -> list[Alert]:
    """One alert in every state it goes through, the oldest first."""
    first = alert(alert_id, step=-1, history=())
    told = replace(alert(alert_id), due=LATER)
    waits = replace(told, waiting=True)
    again = replace(waits, count=2, last=START + timedelta(minutes=9))
    woken = replace(again, step=1, waiting=False).with_line(AlertLine(LATER, "P4", "told"))
    seen = woken.with_line(AlertLine(LATER, "P4", "seen"), state="seen", due=None)
    done = seen.with_line(AlertLine(LATER, "P8", "solved", "mask replaced"), state="solved")
    return [first, told, waits, again, woken, seen, done]


# ---- newest, once ----------------------------------------------------------------------------


def test_an_alert_is_kept_with_all_that_was_done_about_it(store: Store) -> None:
    done = story()[-1]
    assert store.record([raised(done)]) == 1

    assert kept(store) == {
        "id": "LOWF-9", "facility": "LOWF", "district": "TAM", "rule": "still",
        "matter": "LOWF-1", "batch": "LOWF-1", "at": START,
        "last_at": START + timedelta(minutes=9), "count": 2, "state": "solved",
        "closed_at": LATER, "told": ["P2", "P4"], "version": version(done), "by": "P1",
        "due": None, "facts": {"sets": "BAG-1", "step": "rinse"},
        "history": [
            {"at": START + timedelta(minutes=5), "by": "P2", "what": "told", "word": ""},
            {"at": LATER, "by": "P4", "what": "told", "word": ""},
            {"at": LATER, "by": "P4", "what": "seen", "word": ""},
            {"at": LATER, "by": "P8", "what": "solved", "word": "mask replaced"},
        ],
    }
    assert store.alert("LOWF-8") is None


def test_newest_state_stands_in_whatever_order_they_come_and_how_often(store: Store) -> None:
    for n in range(60):
        states = story(f"A-{n}")
        order = random.Random(n).choices(states, k=9)  # noqa: S311 (no secret)
        for one in [*order, states[n % len(states)]]:
            store.record([raised(one)])
        newest = max((*order, states[n % len(states)]), key=states.index)
        found = kept(store, f"A-{n}")
        assert (found["version"], found["state"]) == (version(newest), newest.state)
        assert (found["count"], len(found["history"])) == (newest.count, len(newest.history))


def test_each_newer_state_is_taken_and_no_other(store: Store) -> None:
    for state in story():
        assert store.record([raised(state)]) == 1
        assert store.record([raised(state)]) == 0
    for state in story():
        assert store.record([raised(state)]) == 0


def test_states_of_one_alert_in_one_push_are_one(store: Store) -> None:
    states = [raised(state) for state in story()]

    assert store.record([states[6], states[0], states[6], states[3]]) == 1
    assert kept(store)["state"] == "solved"
    assert store.record(states) == 0


def test_many_writers_of_the_same_alerts_leave_the_newest(
    store: Store, open_store: OpenStore
) -> None:
    docs = [raised(state) for n in range(20) for state in story(f"A-{n:02}")]
    stores = [store, open_store()]

    def push(seed: int) -> None:
        mixed = random.Random(seed).sample(docs, len(docs))  # noqa: S311 (no secret)
        for i in range(0, len(mixed), 7):
            stores[seed % 2].record(mixed[i : i + 7])

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(push, range(6)))

    rows = store.alerts(AlertFilter(limit=1000)).rows
    assert {(row["state"], row["count"]) for row in rows} == {("solved", 2)}
    assert len(rows) == 20


def test_more_than_one_transaction_takes_is_taken(store: Store) -> None:
    assert store.record([raised(alert(f"A-{n:03}")) for n in range(250)]) == 250
    assert len(ids(store, limit=1000)) == 250


def test_alerts_are_taken_though_a_ready_beside_them_must_wait(store: Store) -> None:
    alone = Conditions("LOWF", (ready(closed("NONE")),))

    with pytest.raises(StoreRefused):
        store.record([alone, raised(alert())])

    assert kept(store)["state"] == "open"


# ---- a number that grows ---------------------------------------------------------------------


class Noted(Ward):
    """A ward that notes what each turn tells the store of alerts."""

    told: dict[str, list[Alert]]

    def take(self, event: Event) -> tuple[Effect, ...]:
        effects = super().take(event)
        self.told = getattr(self, "told", {})
        for effect in effects:
            if isinstance(effect, Raised):
                self.told.setdefault(effect.alert.id, []).append(effect.alert)
        return effects

    def answers(self, kind: str, word: str = "") -> None:
        for alert_id in tuple(self.unit.alerts):
            self.count += 1
            self.take(Letter(f"l{self.count}", self.now, kind, "SENA", "Sena", alert_id, word))


def changes(states: Sequence[Alert]) -> list[Alert]:
    """Each state that says something else than the one before, but for when the clock looks."""
    plain = [replace(s, due=None) for s in states]
    return [s for n, s in enumerate(plain) if n == 0 or s != plain[n - 1]]


@pytest.mark.parametrize("hours", [0, 9, 14])  # begun at 11:00, 20:00 and 01:00 of the place
@pytest.mark.parametrize("kinds", [
    (), ("seen", "taken", "solved"), ("passed", "passed", "passed"), ("asked", "passed", "seen")])
def test_every_state_that_a_facility_tells_is_newer_than_the_one_before(
    hours: int, kinds: tuple[str, ...]
) -> None:
    ward = Noted(rules=rules_of(alerts=ALERTS))
    ward.passes(hours=hours)
    play(ward, until="soak")
    ward.says("3")
    ward.says("1", "3")
    ward.goes_by(hours=1)
    for kind in kinds:
        ward.answers(kind, "gone to look")
        ward.goes_by(hours=3)
    ward.goes_by(hours=24)

    numbers = {i: [version(s) for s in changes(states)] for i, states in ward.told.items()}
    assert any(len(of) >= 3 for of in numbers.values())
    for of in numbers.values():
        assert all(a < b for a, b in pairwise(of)), of


# ---- refused ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("doc", "why"), [
    (alert(rule="flood"), "no rule 'flood' is known here"),
    (alert(state="asleep"), "no state 'asleep' is known here"),
    (alert(history=(AlertLine(START, "P1", "sung"),)), "no deed 'sung' is known"),  # type: ignore[arg-type]
    (alert(""), "every id"),
    (alert("x" * 65), "every id"),
    (alert(facility="A\n"), "every id"),
    (alert(by="x" * 65), "every id"),
    (alert(history=(AlertLine(START, "P 1", "told"),)), "no space"),
    (alert(matter="x" * (MOST_MATTER + 1)), "its matter"),
    (alert(at=START.replace(tzinfo=None)), "its zone"),
    (alert(due=START.replace(tzinfo=None)), "its zone"),
    (alert(history=(AlertLine(START.replace(tzinfo=None), "P1", "told"),)), "its zone"),
    (alert(count=0), "at least once"),
    (alert(step=-2), "steps count"),
    (alert(count=2**70), r"."),
])
def test_impossible_alert_is_refused_and_nothing_of_its_push_is_kept(
    store: Store, doc: Alert, why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        store.record([raised(alert("GOOD")), raised(doc)])

    assert ids(store) == []


def test_every_rule_that_can_be_raised_can_be_kept(store: Store) -> None:
    assert store.record([raised(alert(f"A-{rule}", rule=rule)) for rule in RULES]) == len(RULES)


# ---- questions -------------------------------------------------------------------------------


def some() -> list[Raised]:
    """Alerts of two districts, one an hour; of every third somebody said that it is solved."""
    docs = []
    for n in range(12):
        at = START + timedelta(hours=n)
        far = n % 2
        one = alert(f"A-{n:02}", at=at, last=at, rule=("still", "load")[n % 4 == 0],
                    facility=("LOWF", "FAR")[far], batch=f"B-{n}")
        if n % 3 == 0:
            one = one.with_line(AlertLine(at, "P8", "solved"), state="solved")
        elif n % 3 == 1:
            one = one.with_line(AlertLine(at, "P8", "seen"), state="seen")
        docs.append(raised(one, ("TAM", "BAO")[far]))
    return docs


@pytest.mark.parametrize(("wanted", "numbers"), [
    ({}, [11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0]),
    ({"state": "open"}, [11, 10, 8, 7, 5, 4, 2, 1]),
    ({"state": "open", "district": "BAO"}, [11, 7, 5, 1]),
    ({"state": "seen"}, [10, 7, 4, 1]),
    ({"state": "solved", "facility": "LOWF"}, [6, 0]),
    ({"state": "over"}, []),
    ({"rule": "load"}, [8, 4, 0]),
    ({"batch": "B-3"}, [3]),
    ({"since": START + timedelta(hours=9)}, [11, 10, 9]),
    ({"until": START + timedelta(hours=2)}, [1, 0]),
    ({"facility": "LOWF", "district": "BAO"}, []),
])
def test_alerts_are_listed_newest_first_and_told_apart(
    store: Store, wanted: dict[str, Any], numbers: list[int]
) -> None:
    store.record(some())

    assert ids(store, **wanted) == [f"A-{n:02}" for n in numbers]


@pytest.mark.parametrize("limit", [1, 2, 3, 5, 12])
def test_pages_hold_every_alert_once_though_many_came_at_one_moment(
    store: Store, limit: int
) -> None:
    store.record([raised(alert(f"A-{n:02}", at=START + timedelta(seconds=n // 4)))
                  for n in range(12)])

    found: list[str] = []
    cursor: str | None = ""
    while cursor is not None:
        page = store.alerts(AlertFilter(limit=limit, after=cursor, state="open"))
        found += [row["id"] for row in page.rows]
        cursor = page.next

    assert found == [f"A-{n:02}" for n in reversed(range(12))]


@pytest.mark.parametrize("wanted", [
    {"state": "asleep"}, {"rule": "flood"}, {"limit": 0}, {"limit": 1001}, {"after": "x"}])
def test_question_that_makes_no_sense_is_a_value_error(
    store: Store, wanted: dict[str, Any]
) -> None:
    with pytest.raises(ValueError, match=r"."):
        store.alerts(AlertFilter(**wanted))


def test_a_batch_comes_with_the_alerts_of_its_own_facility(store: Store) -> None:
    second = alert("LOWF-8", at=LATER, rule="load")
    foreign = alert("FAR-1", facility="FAR")  # says that it is about another's batch
    store.record([record(batch()), record(batch("LOWF-2"))])
    store.record([raised(second), raised(alert()), raised(foreign, "BAO"),
                  raised(alert("LOWF-7", batch="LOWF-2"))])

    found = store.batch("LOWF-1")

    assert found is not None
    assert [a["id"] for a in found["alerts"]] == ["LOWF-9", "LOWF-8"]
    assert [line["what"] for line in found["alerts"][0]["history"]] == ["told"]


def test_open_alerts_of_a_district_are_found_without_reading_the_closed_ones(store: Store) -> None:
    over = alert(state="over", history=(AlertLine(LATER, "", "over"),))
    past = [raised(replace(over, id=f"Z-{n:04}", at=START + timedelta(minutes=n)))
            for n in range(2000)]
    store.record([*some(), *past])
    asked: list[tuple[str, Any]] = []
    engine = store.database.engine

    def note(_1: object, _2: object, statement: str, values: Any, *_: object) -> None:
        asked.append((statement, values))

    with store.database.write() as connection:
        connection.execute(text("ANALYZE"))
    event.listen(engine, "before_cursor_execute", note)
    store.alerts(AlertFilter(district="TAM", state="open"))
    event.remove(engine, "before_cursor_execute", note)
    (statement, values), explain = asked[-1], "EXPLAIN "
    if not store.database.is_postgresql:
        explain += "QUERY PLAN "
    with engine.connect() as connection:
        plan = " ".join(map(str, connection.exec_driver_sql(explain + statement, values)))

    assert "ix_alerts_district_closed_at_at_id" in plan


def test_words_and_times_come_back_as_they_went_in(store: Store) -> None:
    zoned = datetime.fromisoformat("2025-03-03T11:00:00+03:00")
    odd = alert(at=zoned, facts={"sets": "BAG-1 \u00e9"},
                history=(AlertLine(zoned, "P8", "solved", 'said "done"; \u00fc'),), state="solved")
    store.record([raised(odd)])

    found = kept(store)
    assert (found["at"], found["closed_at"]) == (START, START)
    assert found["at"].tzinfo is UTC
    assert found["facts"] == {"sets": "BAG-1 \u00e9"}
    assert found["history"][0]["word"] == 'said "done"; \u00fc'


def test_a_closed_set_of_conditions_beside_alerts_counts_both(store: Store) -> None:
    used = Conditions("LOWF", (SetState("BAG-1", "USED", LATER),))

    assert store.record([used, raised(alert()), record(batch())]) == 3
