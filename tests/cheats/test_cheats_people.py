"""Attempts by what people, phones, restarts and the calendar do around a batch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import fakeredis
import pytest

from bot.effects import Push
from bot.events import Heard
from bot.machine import step
from bot.model import Unit
from bot.sessions import Change, Committed, Seen, Sessions, Stale
from bot.site_pages import publish
from flows.batch import METHODS, Method
from flows.release import findings
from flows.reprocess import REPROCESS
from tests.nurse import (
    ASHA,
    BELA,
    CHIEF,
    PLACE,
    PROTOCOL,
    SENA,
    Ward,
    play,
    rules_of,
)

WEEK = timedelta(days=7)


def ready(sets: str = "BAG-1", method: Method = "chlorine") -> Ward:
    """A ward whose *sets* have just become READY."""
    ward = play(Ward(), sets, method)
    assert ward.condition(sets.split(maxsplit=1)[0]) == "READY"
    return ward


# ---- storage life and seals -------------------------------------------------------------------


def test_a_set_is_ready_until_one_second_before_its_storage_life_ends_and_expired_at_it() -> None:
    ward = ready()
    stored = next(e.at for e in ward.ended.log if e.mark == "stored")

    ward.now = stored + WEEK - timedelta(seconds=1)
    last_second = ward.condition("BAG-1")
    ward.now = stored + WEEK

    assert last_second == "READY"
    assert ward.condition("BAG-1") == "EXPIRED"


def test_the_status_text_never_shows_an_expired_set_as_ready() -> None:
    ward = ready()
    ward.passes(days=7)

    text = ward.says("STATUS")

    assert "READY: BAG-1" not in text
    assert "BAG-1" in text
    assert "EXPIRED" in text.upper()


@pytest.mark.parametrize("word", ["OPENED", "BROKEN", "WET"])
def test_a_broken_seal_makes_a_set_used(word: str) -> None:
    ward = ready()

    ward.says(f"{word} BAG-1", phone=BELA)

    assert ward.condition("BAG-1") == "USED"


# ---- a batch begun by mistake -----------------------------------------------------------------


def cancel(ward: Ward, phone: str = ASHA) -> None:
    """Back to before the first answer, then: begun by mistake."""
    for _ in range(30):
        if ward.stage in ("undo", ""):
            break
        ward.says("0", phone=phone)
    ward.says("2", phone=phone)
    assert ward.ended.outcome == "cancelled"


def test_a_ready_set_whose_batch_was_begun_by_mistake_is_ready_as_before() -> None:
    """The control for the tests below."""
    ward = ready()
    before = ward.unit.state_of("BAG-1")
    ward.says("BAG-1")
    assert ward.condition("BAG-1") == "IN PROCESS"

    cancel(ward)

    after = ward.unit.state_of("BAG-1")
    assert (after.condition, after.batch, after.expires_at) == (
        "READY",
        before.batch,
        before.expires_at,
    )


def test_a_used_set_whose_batch_is_cancelled_is_used() -> None:
    ward = Ward()
    ward.says("BAG-1")

    cancel(ward)

    assert ward.condition("BAG-1") == "USED"


def test_an_expired_set_whose_batch_is_cancelled_is_expired() -> None:
    ward = ready()
    ward.passes(days=8)
    ward.says("BAG-1")

    cancel(ward)

    assert ward.condition("BAG-1") == "EXPIRED"


def test_a_set_that_expires_while_its_batch_is_open_does_not_come_back_ready() -> None:
    ward = ready()
    ward.passes(days=6, hours=23)
    ward.says("BAG-1")
    ward.passes(hours=2)

    cancel(ward)

    assert ward.condition("BAG-1") == "EXPIRED"


@pytest.mark.parametrize("stage", ["wipe", "apart", "wash", "method", "soak", "inspect", "store"])
def test_a_batch_cancelled_after_work_was_done_makes_nothing_ready(stage: str) -> None:
    """Taking every answer back does not undo what the hands did."""
    ward = ready()
    ward.says("BAG-1")
    play(ward, until=stage)

    cancel(ward)

    assert ward.condition("BAG-1") == "USED"


def test_a_reported_problem_that_is_taken_back_does_not_bring_ready_back() -> None:
    ward = ready()
    ward.says("BAG-1", "8", "2")

    cancel(ward)

    assert ward.condition("BAG-1") == "USED"


@pytest.mark.parametrize("phone", [ASHA, BELA])
def test_a_seal_reported_broken_while_the_batch_is_open_stays_broken(phone: str) -> None:
    ward = ready()
    ward.says("BAG-1")
    ward.says("OPENED BAG-1", phone=phone)

    cancel(ward)

    assert ward.condition("BAG-1") == "USED"


def test_a_set_aside_from_a_batch_that_is_then_cancelled_is_not_ready() -> None:
    ward = ready("BAG-1 SUC-1")
    ward.says("BAG-1 SUC-1", "8", "3", "3", "1")
    assert ward.condition("BAG-1") == "SET ASIDE"

    cancel(ward)

    assert ward.condition("BAG-1") != "READY"
    assert ward.condition("SUC-1") != "READY"


# ---- autoclave loads --------------------------------------------------------------------------


def same_load(until: str) -> Ward:
    """Bela's suction device at the stage *until*; Asha's bag of the same load is READY."""
    ward = ready("BAG-1", "autoclave")
    return play(ward, "SUC-1", "autoclave", until=until, phone=BELA)


@pytest.mark.parametrize(
    ("stage", "answer"),
    [
        ("auto_indicator", "2"),
        ("auto_temp", "115"),
        ("auto_pressure", "90"),
        ("auto_minutes", "20"),
    ],
)
def test_a_load_that_fails_later_takes_ready_from_the_other_set_of_that_load(
    stage: str, answer: str
) -> None:
    ward = same_load(stage)

    ward.says(answer, phone=BELA)

    assert ward.condition("BAG-1") == "USED"
    told = {phone for phone, kind, text in ward.said if kind == "alert" and "BAG-1" in text}
    assert {SENA, ASHA, CHIEF} <= told


def test_another_load_that_fails_takes_nothing_away() -> None:
    ward = ready("BAG-1", "autoclave")
    play(
        ward, "SUC-1", "autoclave", answers={"auto_load": "42"}, until="auto_indicator", phone=BELA
    )

    ward.says("2", phone=BELA)

    assert ward.condition("BAG-1") == "READY"


def test_a_load_that_fails_is_recalled_from_a_batch_that_is_still_open() -> None:
    """She must not go on to READY with what her colleague's pack shows was never sterile."""
    ward = play(Ward(), "BAG-1", "autoclave", until="inspect")
    mine = ward.batch.id
    play(ward, "SUC-1", "autoclave", until="auto_indicator", phone=BELA)

    ward.says("2", phone=BELA)

    assert ward.unit.batches[mine].stage == "auto_load"
    assert ("missing", "loaded") in {
        (f.code, f.mark) for f in findings(ward.unit.batches[mine], PROTOCOL)
    }
    assert ASHA in {phone for phone, kind, text in ward.said if kind == "alert" and "BAG-1" in text}


def test_a_recall_of_an_open_batch_cannot_be_taken_back() -> None:
    ward = play(Ward(), "BAG-1", "autoclave", until="store")
    mine = ward.batch.id
    play(ward, "SUC-1", "autoclave", until="auto_indicator", phone=BELA)
    ward.says("2", phone=BELA)

    ward.says("1", "0", "1", "1")
    play(ward, method="autoclave", until="auto_load")

    assert ward.condition("BAG-1") == "IN PROCESS"
    assert mine in ward.unit.batches
    assert ward.unit.batches[mine].log[-1].kind != "closed"


def test_the_digit_that_was_meant_for_another_question_is_not_a_load_number() -> None:
    ward = play(Ward(), "BAG-1", "autoclave", until="inspect")
    mine = ward.batch.id
    play(ward, "SUC-1", "autoclave", until="auto_indicator", phone=BELA)
    ward.says("2", phone=BELA)

    ward.says("1")

    assert ward.unit.batches[mine].stage == "auto_load"


def test_a_load_that_fails_while_a_set_of_it_is_in_a_mistaken_batch_stays_failed() -> None:
    ward = ready("BAG-1", "autoclave")
    play(ward, "SUC-1", "autoclave", until="auto_indicator", phone=BELA)
    ward.says("BAG-1")
    asha = next(b.id for b in ward.unit.batches.values() if b.holder == "ASHA")
    ward.says("2", phone=BELA)

    for _ in range(5):
        ward.says("0")
        if ward.unit.batches[asha].stage == "undo":
            break
    ward.says("2")

    assert asha not in ward.unit.batches
    assert ward.condition("BAG-1") == "USED"


# ---- practice and demonstration ---------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
def test_a_practice_batch_never_makes_a_set_ready_and_is_never_recorded(method: Method) -> None:
    ward = Ward()
    ward.says("PRACTISE", "1")
    assert ward.batch.practice

    play(ward, method=method)

    assert ward.unit.batches == {}
    assert ward.unit.sets == {}
    assert ward.pushes == []


def test_practice_with_a_set_that_is_ready_leaves_it_ready_and_its_cancel_gives_nothing() -> None:
    ward = ready()
    before = ward.unit.sets
    pushed = len(ward.pushes)
    ward.says("OPENED BAG-1")
    used = ward.unit.sets

    ward.says("PRACTISE", "1", "0", "2")

    assert used != before
    assert ward.unit.sets == used
    assert len(ward.pushes) == pushed


@pytest.mark.parametrize("word", ["STATUS", "BRIEF", "0", "MENU", "USED"])
def test_a_list_for_practice_that_was_left_does_not_make_the_next_batch_practice(
    word: str,
) -> None:
    ward = Ward()
    ward.says("PRACTISE", word)

    ward.says("BAG-1")

    assert not ward.batch.practice
    assert ward.condition("BAG-1") == "IN PROCESS"


def test_a_batch_of_a_demonstration_met_in_service_runs_on_in_real_time() -> None:
    """Its twenty minutes were twenty seconds: in service they do not count."""
    ward = play(Ward(rules=rules_of(hasten=60)), until="soak")
    assert ward.batch.due
    began = ward.now
    ward.rules = rules_of()

    ward.passes(minutes=1)
    ward.bells()
    ward.says("1")

    assert ward.stage == "soak"
    assert [kind for _, kind, _ in ward.said if kind == "bell"] == []
    assert ward.timers[ward.batch.id] > began + timedelta(minutes=18)


def test_a_batch_of_a_demonstration_that_was_over_before_service_began_is_not_ready() -> None:
    ward = play(Ward(rules=rules_of(hasten=60)), until="store")
    ward.rules = rules_of()

    ward.says("1")

    assert ward.against[0] == "too_short"
    assert ward.condition("BAG-1") == "IN PROCESS"


# ---- restarts, repeats, early bells -----------------------------------------------------------


@pytest.mark.parametrize("machine", [False, True])
def test_a_restart_between_any_two_answers_changes_nothing(machine: bool) -> None:
    def restart(ward: Ward, _stage: str) -> None:
        ward.restarts(machine=machine)

    restarted = play(Ward(), "BAG-1 SUC-1", before=restart)
    smooth = play(Ward(), "BAG-1 SUC-1")

    assert restarted.unit.sets == smooth.unit.sets
    assert [e.mark for e in restarted.ended.log] == [e.mark for e in smooth.ended.log]


@pytest.mark.parametrize("times", [1, 3])
def test_early_bells_do_not_end_an_exposure(times: int) -> None:
    ward = play(Ward(), until="soak")
    for _ in range(times):
        ward.bell(ward.batch.id)

    ward.says("1")

    assert ward.stage == "soak"
    assert [kind for _, kind, _ in ward.said if kind == "bell"] == []
    assert [e.kind for e in ward.batch.log if e.kind == "rang"] == []


def test_a_ring_that_comes_twice_rings_once() -> None:
    ward = play(Ward(), until="soak")
    ward.passes(minutes=20)

    ward.bell(ward.batch.id)
    ward.bell(ward.batch.id)

    assert [kind for _, kind, _ in ward.said if kind == "bell"] == ["bell"]


def kept(unit: Unit) -> Sessions:
    """Sessions on an empty Redis that know the facility of *unit*."""
    redis = fakeredis.FakeRedis(version=(7, 0, 0))
    publish(redis, [unit.site], {p.phone: unit.site.id for p in unit.site.people})
    return Sessions(redis)


def turn(sessions: Sessions, event: Heard) -> Callable[[], object]:
    """Read and step now; the commit comes when the result is called."""
    seen, before = sessions.read(event.phone, event.id)
    if before is None:
        return lambda: Seen(seen or "")
    done = step(before, event, rules_of())
    after = replace(done.unit, version=before.version + 1)
    pushes = tuple(e for e in done.effects if isinstance(e, Push))
    return lambda: sessions.commit(before, after, Change(event, body="said", pushes=pushes))


def test_an_event_that_is_replayed_is_taken_once() -> None:
    sessions = kept(Ward().unit)
    begun = Heard("1", ASHA, "sms", "BAG-1", Ward().now)
    event = Heard("2", ASHA, "sms", "1", Ward().now)
    turn(sessions, begun)()

    first = turn(sessions, event)()
    again = turn(sessions, event)()

    (batch,) = _batches(sessions)
    assert isinstance(first, Committed)
    assert isinstance(again, Seen)
    assert batch == "wipe"


def test_two_people_who_answer_at_once_answer_once() -> None:
    """Both read the same unit: the second commit is refused, and read again it is another's."""
    sessions = kept(Ward().unit)
    now = Ward().now
    turn(sessions, Heard("1", ASHA, "sms", "BAG-1", now))()

    mine = turn(sessions, Heard("2", ASHA, "sms", "1", now))
    hers = turn(sessions, Heard("3", BELA, "sms", "BAG-1", now))

    assert isinstance(mine(), Committed)
    assert isinstance(hers(), Stale)
    turn(sessions, Heard("3", BELA, "sms", "BAG-1", now))()
    assert _batches(sessions) == ["wipe"]


def _batches(sessions: Sessions) -> list[str]:
    unit = sessions.unit(PLACE.id)
    assert unit
    return [b.stage for b in unit.batches.values()]


# ---- two people, one batch --------------------------------------------------------------------


def test_a_set_that_is_in_a_batch_cannot_begin_another() -> None:
    ward = play(Ward(), until="soak")

    answer = ward.says("BAG-1", phone=BELA)

    assert len(ward.unit.batches) == 1
    assert "Asha" in answer


def test_a_hand_over_in_the_middle_of_a_soak_keeps_its_clock_and_its_bell() -> None:
    ward = play(Ward(), until="soak")
    due = ward.batch.due
    before = ward.batch.log

    ward.says("HAND", "1")
    ward.passes(minutes=20)
    ward.bells()

    assert ward.batch.holder == "BELA"
    assert ward.batch.log[: len(before)] == before
    assert due
    assert [phone for phone, kind, _ in ward.said if kind == "bell"] == [BELA]


def test_who_handed_a_batch_over_can_no_longer_answer_for_it() -> None:
    ward = play(Ward(), until="soak")
    ward.says("HAND", "1")
    ward.passes(minutes=20)
    ward.bells()
    before = ward.batch

    ward.says("1", "1", "1")

    assert ward.unit.batches[before.id] == before


def test_a_batch_that_changes_hands_at_every_answer_is_as_good_as_one_that_does_not() -> None:
    """And needs every step all the same."""
    ward = Ward()
    ward.says("BAG-1")
    flows = REPROCESS.stages
    for turn_ in range(60):
        if not ward.unit.batches:
            break
        phone = (ASHA, BELA)[turn_ % 2]
        ward.says("TAKE", "1", phone=phone)
        if flows[ward.stage].kind == "wait":
            ward.passes(minutes=20)
        play_one(ward, phone)

    assert ward.condition("BAG-1") == "READY"
    assert {e.by for e in ward.ended.log if e.kind == "answered"} == {"ASHA", "BELA"}
    assert findings(ward.ended, PROTOCOL) == []


def play_one(ward: Ward, phone: str) -> None:
    """One right answer of the person who holds the batch."""
    stage = ward.stage
    ward.says({"count": "7", "solution_strength": "0.5"}.get(stage, "1"), phone=phone)
    ward.passes(seconds=10)
