"""How one batch moves: answers, corrections, side questions, clocks."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bot.book import Book, Said
from bot.exposures import next_ring, ring_times, seconds_left
from bot.progress import earliest
from flows.release import marks
from flows.reprocess import REPROCESS
from tests.nurse import PROTOCOL, Ward, play

BOOK = Book(REPROCESS, PROTOCOL)


def now(ward: Ward) -> Said:
    return Said("ASHA", "sms", "1", ward.now, ward.tick)


# ---- forward ----------------------------------------------------------------------------------


def test_an_answer_is_written_down_with_who_said_what_when_and_how() -> None:
    ward = Ward()
    ward.says("BAG-1")
    ward.passes(minutes=3)

    ward.says("1.")

    entry = ward.batch.log[-1]
    assert (entry.kind, entry.stage, entry.mark) == ("answered", "protect", "protected")
    assert (entry.by, entry.via, entry.said, entry.at) == ("ASHA", "sms", "1", ward.now)
    assert entry.tick == ward.tick


def test_a_repeated_stage_asks_for_each_set_in_turn() -> None:
    ward = play(Ward(), "BAG-1 BAG-2", until="test_bag")

    first = ward.says("9")
    ward.says("1")
    still = ward.stage
    ward.says("1")

    assert "Squeeze" in first
    assert still == "test_bag"
    assert ward.stage == "store"
    tested = [e.set_id for e in ward.batch.log if e.mark == "tested"]
    assert tested == ["BAG-1", "BAG-2"]


def test_a_suction_device_skips_the_test_of_bags_and_a_bag_that_of_suction() -> None:
    suction = play(Ward(), "SUC-1").ended
    bag = play(Ward(), "BAG-1").ended

    assert "test_bag" not in {e.stage for e in suction.log}
    assert "test_suction" not in {e.stage for e in bag.log}


def test_a_failed_test_of_the_second_set_tests_both_again() -> None:
    ward = play(Ward(), "BAG-1 SUC-1", until="test_suction")

    ward.says("2", "1", "1")

    assert ward.stage == "test_bag"
    assert not [mark for mark in marks(ward.batch.log) if mark[0] == "tested"]


# ---- refused ----------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["5", "perhaps", "", "11", "1 1", "-1", "👍"])
def test_an_answer_that_means_nothing_changes_nothing_but_the_record_that_it_came(
    text: str,
) -> None:
    ward = play(Ward(), until="wash")
    before, sets, timers = ward.batch, ward.unit.sets, dict(ward.timers)

    ward.says(text)

    assert replace(ward.batch, log=()) == replace(before, log=())
    assert ward.batch.log[:-1] == before.log
    assert ward.batch.log[-1].kind == "misunderstood"
    assert (ward.unit.sets, ward.timers) == (sets, timers)


def test_what_was_not_understood_is_counted_and_not_kept() -> None:
    """It may be a patient's name."""
    ward = play(Ward(), until="wash")

    ward.says("baby of Grace N.")

    assert ward.batch.log[-1].said == "(16 characters)"
    assert "Grace" not in str(ward.batch)


def test_a_machine_that_answers_a_machine_does_not_fill_the_log() -> None:
    ward = play(Ward(), until="wash")
    before = len(ward.batch.log)

    ward.says(*["I am on leave"] * 50)

    assert len(ward.batch.log) == before + 3


@pytest.mark.parametrize("text", ["0.001", "21", "a bit", "0.5 kg", "½"])
def test_a_reading_out_of_bounds_or_in_another_unit_is_not_taken(text: str) -> None:
    ward = play(Ward(), until="solution_strength")

    ward.says(text)

    assert ward.stage == "solution_strength"
    assert ("solution_strength", "") not in marks(ward.batch.log)


@pytest.mark.parametrize(
    ("text", "kpa"), [("16psi", 110.316), ("1.1bar", 110.0), ("1,1 BAR", 110.0), ("110", 110.0)]
)
def test_a_pressure_is_read_in_the_units_that_gauges_show(text: str, kpa: float) -> None:
    ward = play(Ward(), method="autoclave", until="auto_pressure")

    ward.says(text)

    entry = marks(ward.batch.log)["read_pressure", ""]
    assert entry.facts["value"] == pytest.approx(kpa, abs=0.01)


# ---- back -------------------------------------------------------------------------------------


def test_back_asks_the_last_question_again_and_the_log_keeps_both_answers() -> None:
    ward = play(Ward(), until="rinse")
    before = ward.batch.log

    ward.says("0")

    assert ward.stage == "wash"
    assert ward.batch.log[: len(before)] == before
    assert ward.batch.log[-1].kind == "taken_back"
    assert ward.batch.log[-1].voids == before[-1].n
    assert ("washed", "") not in marks(ward.batch.log)


def test_back_twice_goes_two_questions_back() -> None:
    ward = play(Ward(), until="rinse")

    ward.says("0", "0")

    assert ward.stage == "apart"


def test_back_after_a_choice_of_method_forgets_the_method() -> None:
    ward = play(Ward(), until="soak_dry")

    ward.says("0")

    assert (ward.stage, ward.batch.method) == ("method", "")


def test_back_from_a_side_question_leads_to_where_it_was_opened() -> None:
    ward = play(Ward(), until="wash")

    ward.says("8", "5", "0")
    first = ward.stage
    ward.says("0")

    assert first == "trouble"
    assert ward.stage == "wash"


def test_back_after_a_set_was_set_aside_brings_it_back_into_the_batch() -> None:
    ward = play(Ward(), "BAG-1 SUC-1", until="wash")

    ward.says("8", "3", "3", "1")
    gone = [s.id for s in ward.batch.remaining]
    condition = ward.condition("BAG-1")
    ward.says("0")

    assert (gone, condition) == (["SUC-1"], "SET ASIDE")
    assert [s.id for s in ward.batch.remaining] == ["BAG-1", "SUC-1"]
    assert ward.condition("BAG-1") == "IN PROCESS"


def test_back_with_nothing_answered_asks_whether_it_was_begun_by_mistake() -> None:
    ward = Ward()
    ward.says("BAG-1", "0")
    asked = ward.stage

    ward.says("1")

    assert asked == "undo"
    assert ward.stage == "protect"


def test_back_after_a_start_stops_its_clock_and_its_bell() -> None:
    ward = play(Ward(), until="soak")
    running = set(ward.timers)

    ward.says("0")

    assert running == {ward.batch.id}
    assert (ward.stage, ward.batch.due, ward.timers) == ("soak_in", None, {})


def test_back_after_the_pieces_came_out_lets_them_be_out_at_once_again() -> None:
    """The exposure was long enough and stays so."""
    ward = play(Ward(), until="soak_rinse")

    ward.says("0", "1")

    assert ward.stage == "soak_rinse"


# ---- side questions ---------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["wash", "soak_in", "inspect"])
def test_a_problem_that_was_none_goes_on_where_it_was(stage: str) -> None:
    ward = play(Ward(), until=stage)
    before = marks(ward.batch.log)

    ward.says("8", "1")

    assert ward.stage == stage
    assert marks(ward.batch.log) == before


def test_another_method_starts_its_own_whole_time() -> None:
    ward = play(Ward(), until="soak")
    ward.passes(minutes=19)

    ward.says("8", "4", "1", "2", "1", "1")

    assert (ward.stage, ward.batch.method) == ("boil", "boiling")
    assert ward.batch.due == ward.now + timedelta(minutes=20)


def test_the_last_set_set_aside_closes_the_batch() -> None:
    ward = play(Ward(), until="wash")

    ward.says("8", "3", "3", "1")

    assert ward.unit.batches == {}
    assert ward.ended.outcome == "set aside"
    assert ward.condition("BAG-1") == "SET ASIDE"


def test_the_earliest_missing_mark_is_where_the_work_is_taken_up() -> None:
    ward = play(Ward(), until="inspect")

    assert earliest(ward.batch, BOOK) == "inspect"
    assert earliest(replace(ward.batch, log=ward.batch.log[:4]), BOOK) == "wash"


# ---- clocks -----------------------------------------------------------------------------------


def test_the_bell_is_due_when_the_exposure_is_over_and_not_a_second_before() -> None:
    ward = play(Ward(), until="soak")
    start = marks(ward.batch.log)["exposure_started", ""]

    assert ward.batch.due == start.at + timedelta(minutes=20)
    assert ward.timers == {ward.batch.id: ward.batch.due}


def test_the_rings_of_a_chlorine_soak_are_the_bell_two_reminders_and_the_over_soak() -> None:
    """Protocol: reminders after 5 and 10 minutes, 40 minutes in chlorine at most."""
    ward = play(Ward(), until="soak")
    start = marks(ward.batch.log)["exposure_started", ""].at

    rings = [((at - start).total_seconds() / 60, kind) for at, kind in
             ring_times(ward.batch, PROTOCOL)]  # fmt: skip

    assert rings == [(20, "bell"), (25, "remind"), (30, "remind"), (40, "late")]


def test_boiling_has_no_over_soak() -> None:
    ward = play(Ward(), method="boiling", until="boil")

    kinds = [kind for _, kind in ring_times(ward.batch, PROTOCOL)]

    assert kinds == ["bell", "remind", "remind"]


def test_nothing_rings_where_nothing_runs() -> None:
    ward = play(Ward(), until="wash")

    assert next_ring(ward.batch, PROTOCOL) is None
    assert seconds_left(ward.batch, PROTOCOL, now(ward)) == 0
    assert ward.timers == {}


def test_the_stricter_of_the_two_clocks_counts() -> None:
    ward = play(Ward(), until="soak")
    start = marks(ward.batch.log)["exposure_started", ""]
    assert start.tick
    ran_less = (start.tick[0], start.tick[1] + 60)
    ran_more = (start.tick[0], start.tick[1] + 6000)
    other_boot = ("another boot", start.tick[1] + 6000)
    at = start.at + timedelta(minutes=5)

    def left(tick: tuple[str, float] | None) -> float:
        return seconds_left(ward.batch, PROTOCOL, Said("ASHA", "sms", "1", at, tick))

    assert left(ran_less) == 19 * 60
    assert left(ran_more) == left(other_boot) == left(None) == 15 * 60


def test_pieces_left_in_too_long_are_noted() -> None:
    ward = play(Ward(), until="soak")
    ward.passes(minutes=41)

    text = ward.says("1")

    assert marks(ward.batch.log)["exposed", ""].facts["too_long"] is True
    assert ward.stage == "soak_rinse"
    assert text


# ---- release ----------------------------------------------------------------------------------


def test_a_release_that_is_refused_says_why_and_leads_back_to_the_step() -> None:
    ward = play(Ward(), until="store")
    dropped = tuple(e for e in ward.batch.log if e.mark != "inspected")
    log = tuple(replace(e, n=n) for n, e in enumerate(dropped))
    ward.unit = ward.unit.put_batch(replace(ward.batch, log=log))

    text = ward.says("1")
    refused = ward.stage
    ward.says("1")

    assert refused == "not_ready"
    assert "inspection" in text
    assert ward.stage == "inspect"
    assert ward.condition("BAG-1") == "IN PROCESS"


@pytest.mark.parametrize("answer", ["1", "2"])
def test_a_released_set_is_ready_for_the_storage_life_of_its_packing(answer: str) -> None:
    """Protocol: seven days, in a container or wrapped."""
    ward = play(Ward(), answers={"store": answer})
    stored = next(e.at for e in ward.ended.log if e.mark == "stored")

    assert ward.ended.expires_at == stored + timedelta(days=7)
    assert ward.unit.state_of("BAG-1").expires_at == stored + timedelta(days=7)


def test_without_a_clean_cover_nothing_is_ready() -> None:
    ward = play(Ward(), until="store")

    ward.says("3")

    assert ward.stage == "store_none"
    assert ward.condition("BAG-1") == "IN PROCESS"
