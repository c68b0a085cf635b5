"""Which steps were missed and how often each was done, from logs that the real machine wrote."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bot.misses import MOST_LETTERS, REASONS, misses
from bot.steps import steps
from flows.batch import Batch, Entry
from flows.reprocess import REPROCESS
from tests.bot.mishap_logs import NOW, PLAYS, batches

WELL = {"exposures": 1, "tests": 1}
IN_STEAM = {**WELL, "cycles_good": 1}
TWICE_IN_STEAM = {**IN_STEAM, "exposures": 2, "cycles_refused": 1}

# By play: the steps missed, and what was done. What is not named was done no time.
SEEN: dict[str, tuple[set[tuple[str, str]], dict[str, int]]] = {
    "well": (set(), WELL),
    "early": ({("soak", "early")}, {**WELL, "early": 1}),
    "twice early": ({("soak", "early")}, {**WELL, "early": 2}),
    "broken off": ({("soak", "shortened")}, {**WELL, "exposures": 2, "cut_short": 1}),
    "opened": ({("soak", "shortened")}, {**WELL, "exposures": 2, "cut_short": 1}),
    # Whatever is taken back afterwards: the pieces were out.
    "broken off and taken back":
        ({("soak", "shortened")}, {**WELL, "exposures": 2, "cut_short": 1}),
    "in, taken back": (set(), WELL),
    # Vinegar takes scale away and disinfects nothing.
    "vinegar early": ({("vinegar", "early")}, WELL),
    "vinegar broken off": ({("vinegar", "shortened")}, WELL),
    "test failed": ({("test_bag", "test")}, {**WELL, "tests": 2, "tests_failed": 1}),
    "test given up":
        ({("test_bag", "test"), ("test_failed", "test")}, {**WELL, "tests_failed": 1}),
    "test taken back": (set(), WELL),
    "short of a piece": ({("count", "again"), ("count", "missing")}, {"exposures": 1}),
    "a spare": ({("count", "again")}, WELL),
    "damaged": ({("inspect", "damaged")}, {"exposures": 1}),
    "dirty": ({("inspect", "again")}, {**WELL, "exposures": 2}),
    "refused": ({("rinse", "refused"), ("rinse", "given_up")}, {}),
    "used up": ({("solution_age", "supplies")}, {}),
    "weak cycle": ({("auto_temp", "cycle")}, TWICE_IN_STEAM),
    "indicator": ({("auto_indicator", "indicator")}, TWICE_IN_STEAM),
    "no indicator": ({("auto_indicator", "indicator_none")}, TWICE_IN_STEAM),
    "indicator taken back": (set(), IN_STEAM),
    "wet": ({("auto_cooled", "again")}, TWICE_IN_STEAM),
    # Dried and looked at again, the cycle itself is not judged twice.
    "wet when inspected": ({("inspect", "again")}, IN_STEAM),
    "begun by mistake": (set(), {}),
    "broken off, begun by mistake": (set(), {"exposures": 1, "cut_short": 1}),
    "no method": ({("scale", "no_method")}, {}),
    "release refused": ({("store", "unproven"), ("store", "given_up")}, WELL),
    "under way": (set(), {}),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(SEEN))
def test_what_was_missed_and_done_is_what_happened(name: str) -> None:
    [batch] = batches(name).values()
    missed, done = SEEN[name]

    assert set(misses(batch)) == missed
    assert {step: n for step, n in steps(batch).items() if n} == done


def test_a_load_that_is_called_back_is_done_again_and_was_not_cut_short() -> None:
    failed, back = batches("called back").values()

    assert misses(failed) == (("auto_indicator", "indicator"),)
    assert misses(back) == (("auto_cooled", "again"),)
    assert (steps(back)["exposures"], steps(back)["cut_short"]) == (2, 0)


def test_every_play_is_looked_at() -> None:
    assert set(SEEN) | {"called back"} == set(PLAYS)


def test_every_reason_that_the_graph_tells_has_its_words() -> None:
    told = {o.tell for s in REPROCESS.stages.values() for o in s.options.values() if o.tell}

    assert told <= set(REASONS)
    assert {reason for missed, _ in SEEN.values() for _, reason in missed} <= set(REASONS)


def test_misses_are_told_once_each_and_in_order() -> None:
    [batch] = batches("twice early").values()
    log = (*batch.log, *(replace(e, n=e.n + 1000) for e in batch.log))

    assert misses(replace(batch, log=log)) == misses(batch)
    assert list(misses(batch)) == sorted(misses(batch))


def test_a_reason_from_elsewhere_is_a_word_that_can_be_a_key() -> None:
    [batch] = batches("under way").values()
    odd = Entry(len(batch.log), NOW, "answered", "a b:c\n", "P1", facts={"reason": "x " * 99})

    assert _only(batch, odd) == ("abc", "x" * MOST_LETTERS)


def _only(batch: Batch, entry: Entry) -> tuple[str, str]:
    [miss] = misses(replace(batch, log=(*batch.log, entry)))
    return miss
