"""Times without a READY set: from the very moment of the last one, until one was stored again."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from bot.effects import Effect, Gap
from bot.events import Event, Rang
from bot.gaps import note
from bot.model import SetState, Unit
from bot.turn import Turn
from bot.watching import WATCH
from tests.nurse import ALERTS, BAG, BEGAN, PLACE, SPARE, SUCTION, Ward, play, rules_of

MINUTE = timedelta(minutes=1)
RULES = rules_of()


@dataclass
class Noted(Ward):
    """A ward that keeps every gap that its turns tell the store of, in order."""

    gaps: list[Gap] = field(default_factory=list)

    def take(self, event: Event) -> tuple[Effect, ...]:
        effects = super().take(event)
        self.gaps += [e for e in effects if isinstance(e, Gap)]
        return effects

    def of(self, kind: str) -> list[Gap]:
        return [gap for gap in self.gaps if gap.kind == kind]


def small() -> Noted:
    """A facility with one bag and one suction device."""
    return Noted(site=replace(PLACE, sets=(BAG, SUCTION)))


def ready() -> Noted:
    """One whose bag and suction device are READY, with nothing told so far."""
    ward = small()
    play(ward, "BAG-1 SUC-1")
    ward.gaps.clear()
    return ward


# ---- begun -----------------------------------------------------------------------------------


def test_whoever_looks_first_and_finds_none_begins_a_gap_of_each_kind() -> None:
    ward = small()
    ward.bell(WATCH)

    assert [(g.kind, g.since, g.until) for g in ward.gaps] == [
        ("bag", BEGAN, None), ("suction", BEGAN, None)]
    assert {(g.facility, g.district) for g in ward.gaps} == {("KORA", "TAMBO")}
    assert len({g.id for g in ward.gaps}) == 2


def test_it_is_told_once_however_often_somebody_looks() -> None:
    ward = small()
    for _ in range(3):
        ward.bell(WATCH)
        ward.passes(hours=1)

    assert len(ward.gaps) == 2


def test_the_last_ready_set_that_is_opened_begins_one_and_no_other_does() -> None:
    ward = Noted()
    play(ward, "BAG-1")
    play(ward, "BAG-2")
    ward.gaps.clear()

    ward.says("OPENED BAG-1")
    assert ward.of("bag") == []
    ward.passes(hours=3)
    ward.says("OPENED BAG-2")

    (gap,) = ward.of("bag")
    assert (gap.since, gap.until) == (ward.now, None)


def test_a_set_stored_too_long_begins_it_at_that_moment_whenever_somebody_looks() -> None:
    ward = ready()
    expires = ward.ended.expires_at
    assert expires
    ward.passes(seconds=(expires - ward.now).total_seconds())
    ward.passes(days=3)

    ward.says("STATUS")

    assert [(g.kind, g.since) for g in ward.gaps] == [("bag", expires), ("suction", expires)]


def test_of_two_that_were_stored_too_long_the_later_one_counts() -> None:
    ward = Noted()
    play(ward, "BAG-1")
    ward.passes(days=2)
    play(ward, "BAG-2")
    last = ward.ended.expires_at
    ward.gaps.clear()
    ward.passes(days=30)

    ward.says("STATUS")

    assert [g.since for g in ward.of("bag")] == [last]


def test_the_alert_counts_from_that_moment_too() -> None:
    only = replace(ALERTS, rules={"none_ready": ALERTS.rules["none_ready"]})
    ward = Noted(site=replace(PLACE, sets=(BAG,)), rules=rules_of(alerts=only))
    play(ward)
    expires = ward.ended.expires_at
    assert expires
    # Four hours of grace in alerts/default.toml; nobody looks but half an hour before they end.
    ward.passes(seconds=(expires - ward.now).total_seconds())
    ward.passes(minutes=210)
    ward.says("STATUS")
    assert not ward.unit.alerts
    ward.goes_by(minutes=30)

    (alert,) = ward.unit.alerts.values()
    assert alert.at == expires + timedelta(minutes=240)


def test_practice_begins_and_ends_none() -> None:
    ward = ready()
    ward.says("PRACTICE", "1")
    play(ward)

    assert ward.gaps == []


# ---- ended -----------------------------------------------------------------------------------


def test_a_set_that_is_ready_ends_the_gap_of_its_kind_under_the_same_id() -> None:
    ward = small()
    play(ward, "BAG-1")

    begun, ended = ward.of("bag")
    assert ended == replace(begun, until=ward.unit.state_of("BAG-1").since)
    assert [g.until for g in ward.of("suction")] == [None]


def test_what_was_done_on_paper_ends_it_when_the_set_was_stored() -> None:
    ward = ready()
    ward.says("OPENED BAG-1")
    ward.passes(hours=4)
    # 08:00 UTC is 11:00 in Nairobi, and the batch and the opening came soon after.
    told = ward.says(
        "LATE BAG-1 DONE ALL BOIL 1230 OUT 1250 COUNT 7 TEST GOOD WRAP 1315")
    assert "1 right" in told
    ward.says("1")

    begun, ended = ward.of("bag")
    assert ended.id == begun.id
    assert ended.until == BEGAN.replace(hour=10, minute=15) < ward.now


def test_a_batch_begun_by_mistake_ends_it_when_it_is_taken_back() -> None:
    ward = ready()
    ward.says("BAG-1")
    began = ward.now
    ward.passes(minutes=2)
    ward.says("0", "2")
    assert ward.condition("BAG-1") == "READY"

    assert [(g.since, g.until) for g in ward.of("bag")] == [(began, None), (began, ward.now)]


def test_a_kind_that_the_facility_has_no_set_of_any_more_has_no_gap() -> None:
    ward = small()
    ward.bell(WATCH)
    ward.passes(hours=1)
    ward.unit = replace(ward.unit, site=replace(ward.unit.site, sets=(SUCTION,)))
    ward.bell(WATCH)
    assert [g.until for g in ward.of("bag")] == [None, ward.now]
    ward.passes(hours=1)
    ward.unit = replace(ward.unit, site=replace(ward.unit.site, sets=()))
    ward.bell(WATCH)
    ward.bell(WATCH)

    assert [g.until for g in ward.of("suction")] == [None, ward.now]
    assert ward.unit.watch.empty == {}


def test_the_end_is_told_after_a_restart() -> None:
    ward = small()
    ward.bell(WATCH)
    ward.restarts(machine=True)
    play(ward, "BAG-1")

    assert [g.id for g in ward.of("bag")] == [ward.gaps[0].id] * 2


# ---- turns of their own ----------------------------------------------------------------------

BAGS = Unit(replace(PLACE, sets=(BAG, SPARE)))


def turn(unit: Unit, minute: int, *states: SetState) -> tuple[Unit, list[Gap]]:
    """A turn at *minute* that gives sets these conditions; the unit after it, and what it told."""
    made = Turn(unit, RULES, BEGAN + minute * MINUTE)
    for state in states:
        made.put_set(state, state.since)
    empty = note(made, unit)
    after = replace(made.unit, watch=replace(made.unit.watch, empty=empty))
    return after, [e for e in made.effects if isinstance(e, Gap)]


def stored(set_id: str, minute: int, life: int, batch: str = "B") -> SetState:
    at = BEGAN + minute * MINUTE
    return SetState(set_id, "READY", at, at + life * MINUTE, batch)


def test_a_gap_that_came_and_went_between_two_looks_is_told_whole() -> None:
    unit, _ = turn(BAGS, 0, stored("BAG-1", 0, 60))

    _, told = turn(unit, 200, stored("BAG-1", 90, 300, "C"))

    assert [(g.since, g.until) for g in told] == [(BEGAN + 60 * MINUTE, BEGAN + 90 * MINUTE)]


def test_one_stored_before_the_other_was_over_leaves_no_gap() -> None:
    unit, _ = turn(BAGS, 0, stored("BAG-1", 0, 60))

    assert turn(unit, 200, stored("BAG-2", 50, 300, "C"))[1] == []


def test_no_gap_ends_before_it_began() -> None:
    unit, (begun, *_) = turn(BAGS, 100)

    _, (ended,) = turn(unit, 110, stored("BAG-1", 40, 300))

    assert (ended.id, ended.until) == (begun.id, begun.since)


LOOKS = st.lists(
    st.tuples(st.integers(1, 40), st.sampled_from(["BAG-1", "BAG-2"]),
              st.sampled_from(["look", "use", "store"]), st.integers(1, 60)),
    min_size=1, max_size=12,
)  # fmt: skip


@given(LOOKS)
def test_the_gaps_are_the_minutes_in_which_no_set_was_ready(
    looks: list[tuple[int, str, str, int]]
) -> None:
    unit, told = turn(BAGS, 0)
    spans: dict[str, list[list[int]]] = {"BAG-1": [], "BAG-2": []}  # READY from, to; reckoned apart
    now = 0
    for n, (wait, name, what, life) in enumerate(looks):
        now += wait
        states = []
        if what != "look":
            if spans[name]:
                spans[name][-1][1] = min(spans[name][-1][1], now)
            states = [SetState(name, "USED", BEGAN + now * MINUTE)]
        if what == "store":
            spans[name].append([now, now + life])
            states = [stored(name, now, life, f"B{n}")]
        unit, more = turn(unit, now, *states)
        told += more

    ready_in = {m for each in spans.values() for a, b in each for m in range(a, b)}
    newest = {gap.id: gap for gap in told}
    without = {m for gap in newest.values() for m in minutes(gap, now)}
    assert without == set(range(now)) - ready_in
    assert [g.until for g in newest.values() if g.until is None] == (
        [] if now in ready_in else [None])


def minutes(gap: Gap, now: int) -> range:
    end: datetime = gap.until or BEGAN + now * MINUTE
    return range((gap.since - BEGAN) // MINUTE, (end - BEGAN) // MINUTE)


def test_a_timer_that_looks_says_nothing_more() -> None:
    ward = ready()
    ward.take(Rang("r", WATCH, ward.now))

    assert ward.gaps == []
