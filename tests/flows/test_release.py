"""Release: a clean log passes, and each thing that is wrong with one is found by itself."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.batch import METHODS, Batch, EntryKind, Method
from flows.release import (
    AFTER,
    BEFORE,
    BY_METHOD,
    ORDER,
    PER_SET,
    RANK,
    findings,
    marks,
    missing,
    required,
)
from tests.flows.logs import (
    RULES,
    at,
    batch_of,
    clean,
    lines,
    more,
)


def codes(batch: Batch) -> list[tuple[str, str]]:
    """The findings, as (code, mark)."""
    return [(f.code, f.mark) for f in findings(batch, RULES)]


@pytest.mark.parametrize("method", METHODS)
def test_a_clean_log_may_be_released(method: Method) -> None:
    assert findings(clean(method), RULES) == []
    assert missing(clean(method)) == []


NEEDED = [
    (method, mark, set_id)
    for method in METHODS
    for mark in (*BEFORE, *BY_METHOD[method], *AFTER)
    for set_id in (("BAG-1", "SUC-1") if mark in PER_SET else ("",))
]


@pytest.mark.parametrize(("method", "mark", "set_id"), NEEDED)
def test_each_mark_that_is_missing_is_found_and_asked_for(
    method: Method, mark: str, set_id: str
) -> None:
    batch = batch_of([line for line in lines(method) if (line[1], line[2]) != (mark, set_id)])

    found = findings(batch, RULES)

    assert any((f.code, f.mark, f.set_id) == ("missing", mark, set_id) for f in found)
    assert (mark, set_id) in missing(batch)


def test_an_empty_log_lacks_everything() -> None:
    found = codes(batch_of([]))

    assert [mark for code, mark in found if code == "missing"] == [
        *BEFORE,
        *(m for m in AFTER for _ in ("BAG-1", "SUC-1")[: 2 if m in PER_SET else 1]),
    ]
    assert codes(clean(log=()))[0] == ("no_log", "protected")


@given(st.sets(st.sampled_from(range(21))))
def test_whatever_is_left_out_the_batch_is_refused_and_the_first_finding_is_the_earliest(
    gone: set[int],
) -> None:
    answers = lines("chlorine")
    assert len(answers) == 21
    found = findings(batch_of([a for n, a in enumerate(answers) if n not in gone]), RULES)

    assert bool(found) == bool(gone)
    ranks = [RANK[f.mark] for f in found]
    assert ranks == sorted(ranks)
    if gone:
        assert found[0].mark == answers[min(gone)][1]


@pytest.mark.parametrize("kind", ["refused", "misunderstood", "rang", "told", "checked"])
def test_only_an_answer_establishes_a_mark(kind: EntryKind) -> None:
    batch = clean()
    log = tuple(replace(e, kind=kind) if e.mark == "inspected" else e for e in batch.log)

    assert ("missing", "inspected") in codes(replace(batch, log=log))


# ---- order ------------------------------------------------------------------------------------


def test_chlorine_before_washing_is_out_of_order() -> None:
    answers = lines("boiling")
    washed = next(a for a in answers if a[1] == "washed")
    answers.remove(washed)
    answers.insert(9, (34.5, *washed[1:]))

    assert codes(batch_of(answers))[0][0] == "out_of_order"


@pytest.mark.parametrize("method", METHODS)
def test_any_two_neighbours_in_the_wrong_order_are_found(method: Method) -> None:
    answers = lines(method)
    for n in range(len(answers) - 1):
        first, second = answers[n], answers[n + 1]
        if first[1] == second[1]:
            continue  # sets of one batch are counted and tested in any order
        swapped = [
            *answers[:n],
            (first[0], *second[1:]),
            (second[0], *first[1:]),
            *answers[n + 2 :],
        ]

        assert "out_of_order" in dict(codes(batch_of(swapped))), first[1]


def test_the_sets_of_a_batch_may_be_counted_in_any_order() -> None:
    answers = lines("boiling")
    n = next(i for i, a in enumerate(answers) if a[1] == "counted")
    answers[n], answers[n + 1] = answers[n + 1], answers[n]
    answers[n], answers[n + 1] = (50, *answers[n][1:]), (51, *answers[n + 1][1:])

    assert findings(batch_of(answers), RULES) == []


def test_a_suction_device_named_before_its_bag_is_tested_after_it_and_that_is_no_fault() -> None:
    batch = clean("boiling")

    assert findings(replace(batch, sets=batch.sets[::-1]), RULES) == []


def test_a_clock_that_jumped_back_is_out_of_order() -> None:
    assert ("out_of_order", "inspected") in codes(at("boiling", "inspected", 20))


def test_a_log_with_a_gap_or_a_doubled_line_is_refused() -> None:
    batch = clean()
    for log in (
        (*batch.log[:5], *batch.log[6:]),
        (*batch.log[:5], batch.log[4], *batch.log[5:]),
        batch.log[1:],
    ):
        assert ("log_gap", "protected") in codes(replace(batch, log=log))


# ---- again, interrupted, taken back -------------------------------------------------------------


@pytest.mark.parametrize("kind", ["again", "interrupted"])
def test_again_undoes_a_mark_and_all_that_comes_after_it(kind: str) -> None:
    batch = more(clean("boiling"), kind, mark="exposure_started")

    left = {mark for mark, _ in marks(batch.log)}

    assert left == {*BEFORE, "loaded"}
    assert codes(batch)[0] == ("missing", "exposure_started")


def test_what_was_taken_back_does_not_count_and_the_log_keeps_both() -> None:
    batch = clean()
    n = next(e.n for e in batch.log if e.mark == "tested" and e.set_id == "SUC-1")
    after = more(batch, "taken_back", mark="tested", voids=n)

    assert [(f.code, f.mark, f.set_id) for f in findings(after, RULES)] == [
        ("missing", "tested", "SUC-1")
    ]
    assert len(after.log) == len(batch.log) + 1


def test_an_again_that_was_taken_back_undoes_nothing() -> None:
    batch = more(clean(), "again", mark="washed")
    assert ("missing", "washed") in codes(batch)

    after = more(batch, "taken_back", voids=batch.log[-1].n)

    assert findings(after, RULES) == []


# ---- sets and protocol --------------------------------------------------------------------------


def test_a_batch_of_another_protocol_is_not_judged_by_this_one() -> None:
    assert codes(clean(protocol="default-2")) == [("other_protocol", "protected")]


def test_a_set_that_left_needs_no_marks_and_one_that_only_says_so_does() -> None:
    answers = [a for a in lines("boiling") if a[2] != "SUC-1"]
    batch = batch_of(answers)
    said = replace(batch, sets=(batch.sets[0], replace(batch.sets[1], aside="damaged")))
    gone = more(said, "aside", set_id="SUC-1")

    assert ("missing", "counted") in codes(batch)
    assert ("missing", "counted") in codes(said)
    assert codes(more(batch, "aside", set_id="SUC-1")) == [("log_gap", "protected")]
    assert codes(gone) == []
    assert {s for _, s in required(gone)} == {"", "BAG-1"}


def test_a_batch_without_sets_or_with_one_twice_is_refused() -> None:
    batch = clean("boiling")

    assert ("no_set", "protected") in codes(replace(batch, sets=()))
    assert ("same_set_twice", "protected") in codes(
        replace(batch, sets=(batch.sets[0], batch.sets[0]))
    )


def test_every_finding_has_a_place_in_the_order_of_work() -> None:
    assert len(set(ORDER)) == len(ORDER)
    assert {*BEFORE, *AFTER, *(m for chain in BY_METHOD.values() for m in chain)} <= set(ORDER)
