"""Attempts on the log itself: clean logs of batches that went well, with one thing altered.

`findings` must see every alteration that could make a set READY that is not. Those that it need
not see are stated where they are left out, with the reason.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.batch import METHODS, Batch, Entry, EntryKind, Method, Value
from flows.release import findings, required
from tests.nurse import PROTOCOL, WORDING, Ward, play, released

BOTH = "BAG-1 SUC-1"
CLEAN: dict[Method, Batch] = {m: released(BOTH, m) for m in METHODS}
VINEGAR = play(Ward(), BOTH, answers={"scale": "2"}).ended

batches = st.sampled_from([*CLEAN.values(), VINEGAR])


def codes(batch: Batch) -> set[str]:
    return {f.code for f in findings(batch, PROTOCOL)}


def marked(batch: Batch) -> list[Entry]:
    """The entries that the release rests on."""
    needs = set(required(batch))
    return [e for e in batch.log if e.kind == "answered" and (e.mark, e.set_id) in needs]


def altered(batch: Batch, entry: Entry, **changes: object) -> Batch:
    """The batch with one line of its log changed."""
    new = replace(entry, **changes)  # type: ignore[arg-type]
    return replace(batch, log=tuple(new if e is entry else e for e in batch.log))


def renumbered(log: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """A cunning forger also closes the gap in the numbers."""
    return tuple(replace(e, n=n) for n, e in enumerate(log))


@pytest.mark.parametrize("method", METHODS)
def test_the_logs_that_are_altered_below_are_clean(method: Method) -> None:
    assert codes(CLEAN[method]) == set()
    assert codes(VINEGAR) == set()
    assert CLEAN[method].outcome == "released"


# ---- lines lost, repeated, moved --------------------------------------------------------------


@given(batches, st.data(), st.booleans())
def test_a_log_without_one_of_its_marks_is_not_clean(
    batch: Batch, data: st.DataObject, forged: bool
) -> None:
    gone = data.draw(st.sampled_from(marked(batch)))
    log = tuple(e for e in batch.log if e is not gone)

    found = codes(replace(batch, log=renumbered(log) if forged else log))

    assert "missing" in found
    assert forged or "log_gap" in found


@given(batches, st.data())
def test_a_log_with_any_gap_in_its_numbers_is_not_clean(batch: Batch, data: st.DataObject) -> None:
    """Any line but the last, which says that the batch is over and came after the decision."""
    gone = data.draw(st.integers(0, len(batch.log) - 2))

    assert "log_gap" in codes(replace(batch, log=batch.log[:gone] + batch.log[gone + 1 :]))


@given(batches, st.data())
def test_a_line_that_stands_twice_is_a_gap(batch: Batch, data: st.DataObject) -> None:
    twice = data.draw(st.sampled_from(batch.log))
    where = data.draw(st.integers(0, len(batch.log)))

    assert "log_gap" in codes(replace(batch, log=(*batch.log[:where], twice, *batch.log[where:])))


@given(batches, st.data())
def test_a_mark_replayed_later_under_a_new_number_is_out_of_order(
    batch: Batch, data: st.DataObject
) -> None:
    """The last mark of all is left out: storing the same sets once more changes no order."""
    again = data.draw(st.sampled_from([e for e in marked(batch) if e.mark != "stored"]))
    log = renumbered((*batch.log, again))

    found = codes(replace(batch, log=log))

    assert found & {"out_of_order", "vinegar_not_rinsed"}


@given(batches, st.data(), st.booleans())
def test_two_marks_that_changed_places_are_out_of_order(
    batch: Batch, data: st.DataObject, forged: bool
) -> None:
    """Two sets counted or tested in the other order are left out: any order among them is right."""
    lines = marked(batch)
    first = data.draw(st.sampled_from(lines))
    second = data.draw(st.sampled_from([e for e in lines if e.mark != first.mark]))
    swap = {first.n: second, second.n: first}
    log = tuple(swap.get(e.n, e) for e in batch.log)

    found = codes(replace(batch, log=renumbered(log) if forged else log))

    assert found & ({"out_of_order", "too_short"} if forged else {"log_gap"})


@given(batches, st.data())
def test_a_log_in_another_order_is_a_gap(batch: Batch, data: st.DataObject) -> None:
    log = tuple(data.draw(st.permutations(batch.log)))

    assert ("log_gap" in codes(replace(batch, log=log))) == (log != batch.log)


# ---- lines altered ----------------------------------------------------------------------------


@given(batches, st.data(), st.sampled_from(["BAG-2", "SUC-1", "BAG-1", "", "*"]))
def test_a_mark_that_names_another_set_is_missing_where_it_belongs(
    batch: Batch, data: st.DataObject, other: str
) -> None:
    entry = data.draw(st.sampled_from([e for e in marked(batch) if e.set_id != other]))

    assert "missing" in codes(altered(batch, entry, set_id=other))


@given(batches, st.data(), st.sampled_from(["refused", "misunderstood", "rang", "told", "again"]))
def test_a_mark_in_a_line_of_another_kind_is_no_mark(
    batch: Batch, data: st.DataObject, kind: str
) -> None:
    entry = data.draw(st.sampled_from(marked(batch)))

    assert "missing" in codes(altered(batch, entry, kind=kind))


@given(batches, st.data())
def test_a_mark_that_was_taken_back_is_missing(batch: Batch, data: st.DataObject) -> None:
    entry = data.draw(st.sampled_from(marked(batch)))
    last = batch.log[-1]
    back = replace(last, n=last.n + 1, kind="taken_back", mark=entry.mark, voids=entry.n)

    assert "missing" in codes(replace(batch, log=(*batch.log, back)))


@given(batches, st.data(), st.sampled_from(["again", "interrupted"]))
def test_a_mark_sent_back_after_it_was_made_is_missing(
    batch: Batch, data: st.DataObject, kind: EntryKind
) -> None:
    entry = data.draw(st.sampled_from(marked(batch)))
    last = batch.log[-1]
    back = replace(last, n=last.n + 1, kind=kind, mark=entry.mark)

    assert "missing" in codes(replace(batch, log=(*batch.log, back)))


@given(batches, st.data(), st.integers(1, 10**6))
def test_a_mark_dated_before_the_one_it_follows_is_out_of_order(
    batch: Batch, data: st.DataObject, seconds: int
) -> None:
    """The first mark has none before it. Counts and tests of two sets have no order."""
    lines = marked(batch)
    n = data.draw(st.integers(1, len(lines) - 1))
    before = [e for e in lines[:n] if e.mark != lines[n].mark][-1]

    found = codes(altered(batch, lines[n], at=before.at - timedelta(seconds=seconds)))

    assert "out_of_order" in found


@given(batches, st.data(), st.integers(1, 10**6))
def test_a_mark_dated_after_the_one_that_follows_it_is_out_of_order(
    batch: Batch, data: st.DataObject, seconds: int
) -> None:
    """The last mark has none after it: it sets when the storage life begins, and is the latest
    moment that can be claimed."""
    lines = marked(batch)
    n = data.draw(st.integers(0, len(lines) - 2))
    after = next((e for e in lines[n + 1 :] if e.mark != lines[n].mark), None)
    if after is None:
        return

    found = codes(altered(batch, lines[n], at=after.at + timedelta(seconds=seconds)))

    assert found & {"out_of_order", "too_short"}


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("with_tick", [False, True])
@given(short=st.floats(0.001, 3600))
@settings(max_examples=30)
def test_an_exposure_whose_end_is_dated_earlier_than_its_time_allows_is_too_short(
    method: Method, with_tick: bool, short: float
) -> None:
    """Within the slack between two clocks the wall clock decides, so it is altered here."""
    batch = CLEAN[method]
    start = next(e for e in batch.log if e.mark == "exposure_started")
    end = next(e for e in batch.log if e.mark == "exposed")
    need = PROTOCOL.exposure_seconds(method, "w121")
    at = start.at + timedelta(seconds=need - short)
    tick = end.tick if with_tick else None

    assert "too_short" in codes(altered(batch, end, at=at, tick=tick))


@pytest.mark.parametrize("method", METHODS)
@given(short=st.floats(5.1, 1200))
@settings(max_examples=30)
def test_an_exposure_that_the_running_time_shows_shorter_is_too_short(
    method: Method, short: float
) -> None:
    batch = CLEAN[method]
    start = next(e for e in batch.log if e.mark == "exposure_started")
    end = next(e for e in batch.log if e.mark == "exposed")
    assert start.tick
    need = PROTOCOL.exposure_seconds(method, "w121")
    ran = (start.tick[0], start.tick[1] + need - short)

    assert "too_short" in codes(altered(batch, end, tick=ran))


FACTS: list[tuple[str, str, list[Value]]] = [
    ("method", "method", ["", "microwave", "boiling", "steaming", "chlorine", "autoclave"]),
    ("counted", "value", [0, 2, 6, 8, -7, "7", "", math.nan, math.inf]),
    ("solution_strength", "value", [0, 0.1, 0.49, -0.5, "0.5", math.nan]),
    ("cycle", "cycle", ["", "none", "p132"]),
    ("read_temperature", "value", [0, 120.9, "121", math.nan]),
    ("read_pressure", "value", [0, 103, "115", math.nan]),
    ("read_minutes", "value", [0, 29.9, "30", math.nan]),
]


ALIKE = {"boiling", "steaming"}


@pytest.mark.parametrize(("mark", "fact", "values"), FACTS)
def test_a_fact_that_is_not_good_enough_or_no_number_is_found(
    mark: str, fact: str, values: list[Value]
) -> None:
    """Boiling called steaming, or the reverse, is left out: both ask for the same marks and the
    same time, and both are allowed here."""
    for batch in (*CLEAN.values(), VINEGAR):
        for entry in (e for e in marked(batch) if e.mark == mark):
            for value in values:
                if value != entry.facts[fact] and {value, entry.facts[fact]} != ALIKE:
                    assert codes(altered(batch, entry, facts={fact: value})), (mark, value)
            assert codes(altered(batch, entry, facts={})), f"{mark} without its fact"


def test_a_cycle_of_another_machine_or_shorter_than_the_one_run_is_found() -> None:
    batch = CLEAN["autoclave"]
    entry = next(e for e in batch.log if e.mark == "cycle")

    hotter = codes(altered(batch, entry, facts={"cycle": "w132"}))
    other = codes(altered(batch, entry, facts={"cycle": "p132"}))

    assert "cycle_short" in hotter
    assert "unknown_cycle" in other


@given(st.sampled_from([*CLEAN.values(), VINEGAR]), st.data())
def test_a_vinegar_line_slipped_in_anywhere_is_found(batch: Batch, data: st.DataObject) -> None:
    """After the rinse of a log that has one, or anywhere in one that has none."""
    rinsed = [e.n for e in batch.log if e.mark == "vinegar_rinsed"]
    where = data.draw(st.integers(max(rinsed, default=0) + 1, len(batch.log)))
    last = batch.log[where - 1]
    mark = data.draw(st.sampled_from(["vinegar_started", "vinegar_out"]))
    line = replace(last, kind="answered", mark=mark, set_id="", facts={})

    log = renumbered((*batch.log[:where], line, *batch.log[where:]))

    assert "vinegar_not_rinsed" in codes(replace(batch, log=log))


def test_a_rinse_of_vinegar_taken_back_is_no_rinse() -> None:
    rinsed = next(e for e in VINEGAR.log if e.mark == "vinegar_rinsed")
    last = VINEGAR.log[-1]
    back = replace(last, n=last.n + 1, kind="taken_back", voids=rinsed.n)

    assert "vinegar_not_rinsed" in codes(replace(VINEGAR, log=(*VINEGAR.log, back)))


def test_an_interruption_that_a_later_line_takes_back_stands() -> None:
    batch = CLEAN["chlorine"]
    end = next(e for e in batch.log if e.mark == "exposed")
    broken = replace(end, kind="interrupted", mark="exposure_started", facts={})
    back = replace(end, kind="taken_back", mark="", voids=end.n, facts={})

    log = renumbered((*batch.log[: end.n], broken, back, *batch.log[end.n :]))

    assert "missing" in codes(replace(batch, log=log))


# ---- what stands around the log ---------------------------------------------------------------


def test_no_log_no_sets_and_a_set_twice_are_found() -> None:
    batch = CLEAN["boiling"]

    assert "no_log" in codes(replace(batch, log=()))
    assert "no_log" in codes(replace(batch, log=renumbered(batch.log[1:])))
    assert "no_set" in codes(replace(batch, sets=()))
    assert "same_set_twice" in codes(replace(batch, sets=(batch.sets[0], *batch.sets)))


def test_a_set_that_only_the_log_or_only_the_batch_calls_set_aside_is_found() -> None:
    """Else it would need no marks and still be called READY."""
    batch = CLEAN["boiling"]
    last = batch.log[-1]
    aside = replace(last, n=last.n + 1, kind="aside", set_id="SUC-1", facts={"reason": "damaged"})
    said = (batch.sets[0], replace(batch.sets[1], aside="damaged"))

    assert codes(replace(batch, log=(*batch.log, aside))) == {"log_gap"}
    assert codes(replace(batch, sets=said)) == {"log_gap"}
    assert codes(replace(batch, log=(*batch.log, aside), sets=said)) == set()


def test_another_set_slipped_into_the_batch_lacks_its_count_and_test() -> None:
    batch = CLEAN["steaming"]
    other = replace(batch.sets[0], id="BAG-2")

    found = findings(replace(batch, sets=(*batch.sets, other)), PROTOCOL)

    assert {(f.code, f.mark, f.set_id) for f in found} == {
        ("missing", "counted", "BAG-2"),
        ("missing", "tested", "BAG-2"),
    }


def test_every_finding_has_its_words() -> None:
    known = WORDING.catalogues["en"]
    batch = CLEAN["autoclave"]
    tried = [
        replace(batch, log=()),
        replace(batch, sets=()),
        replace(batch, protocol="other-1"),
        replace(batch, autoclave="prevacuum"),
        replace(batch, altitude_m=9000),
        replace(batch, facility_methods=()),
        replace(batch, sets=tuple(replace(s, methods=(), pieces=99) for s in batch.sets)),
    ]

    found = {code for bad in tried for code in codes(bad)}

    assert len(found) >= 8
    assert {f"finding.{code}" for code in found} <= set(known)
