"""The record of a batch: what it says of itself, and what counts of its log."""

from __future__ import annotations

import dataclasses
from dataclasses import replace

import pytest

from flows.batch import METHODS, BatchSet, Entry, effective, short
from tests.flows.logs import START, batch_of, clean, more


def entry(n: int, kind: str = "answered", voids: int | None = None) -> Entry:
    return Entry(n, START, kind, voids=voids)  # type: ignore[arg-type]


def test_a_line_more_leaves_the_batch_that_it_was_added_to_as_it_was() -> None:
    batch = clean()
    log = batch.log

    after = batch.with_entry(entry(len(log)))

    assert batch.log == log
    assert after.log[:-1] == log
    with pytest.raises(dataclasses.FrozenInstanceError):
        batch.log = ()  # type: ignore[misc]


def test_a_log_without_corrections_counts_whole() -> None:
    log = (entry(0), entry(1), entry(2))

    assert effective(log) == log


def test_what_was_taken_back_does_not_count_nor_does_the_taking_back() -> None:
    log = (entry(0), entry(1), entry(2, "taken_back", voids=1), entry(3))

    assert [e.n for e in effective(log)] == [0, 3]


def test_what_was_done_again_after_a_correction_counts() -> None:
    log = (entry(0), entry(1, "taken_back", voids=0), entry(2), entry(3, "taken_back", voids=2))

    assert effective(log) == ()
    assert [e.n for e in effective((*log, entry(4)))] == [4]


def test_the_sets_that_remain_are_those_not_set_aside() -> None:
    batch = clean()
    gone = replace(batch.sets[0], aside="damaged")

    assert [s.id for s in replace(batch, sets=(gone, batch.sets[1])).remaining] == ["SUC-1"]


def test_kinds_word_a_prompt_by_what_is_left() -> None:
    batch = clean()
    bag, suction = batch.sets

    assert batch.kinds == "both"
    assert replace(batch, sets=(bag,)).kinds == "bag"
    assert replace(batch, sets=(replace(bag, aside="test"), suction)).kinds == "suction"


def test_a_batch_whose_sets_all_left_is_still_named_after_them() -> None:
    batch = clean()
    gone = tuple(replace(s, aside="damaged") for s in batch.sets)

    assert batch.names == "BAG-1+SUC-1"
    assert replace(batch, sets=gone).names == "BAG-1+SUC-1"
    assert replace(batch, sets=(gone[0], batch.sets[1])).names == "SUC-1"


@pytest.mark.parametrize(
    ("ids", "text"),
    [
        (["A"], "A"),
        (["A", "B"], "A+B"),
        (["A", "B", "C"], "A+B+1"),
        (list("ABCDEFG"), "A+B+5"),
        ([], ""),
    ],
)
def test_the_names_of_several_sets(ids: list[str], text: str) -> None:
    assert short(ids) == text


def test_two_batches_of_the_same_facts_are_equal() -> None:
    assert clean() == clean()
    assert clean() != more(clean(), "rang", mark="bell")


def test_the_methods_are_the_four_that_the_trade_knows() -> None:
    assert METHODS == ("chlorine", "boiling", "steaming", "autoclave")
    assert BatchSet("A", "M", "bag", 1, METHODS).aside == ""
    assert batch_of([]).outcome == ""
