"""What an entry of a batch done on paper consists of: its parts, its boxes, what is missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from flows.release import AFTER, BEFORE, BY_METHOD, VINEGAR

Parts = Mapping[str, str]
"""What is known of an entry so far, by the name of the part; times and numbers as written."""

# Parts that are a number of one word.
NUMBERS = ("strength", "load", "cycle", "temperature", "pressure", "minutes")

# Marks that a part of its own answers; every other one is a box to be ticked on the paper.
OWN_PART = {
    *VINEGAR[:2], "method", "solution_fresh", "solution_strength", "cycle", "exposure_started",
    "exposed", "read_temperature", "read_pressure", "read_minutes", "indicator", "cooled",
    "counted", "tested", "stored",
}  # fmt: skip


# The part that says of a mark whether it was good.
JUDGED: Mapping[str, str] = {
    "solution_fresh": "fresh",
    "indicator": "indicator",
    "cooled": "cooled",
    "tested": "test",
}


Code = Literal[
    "unknown",  # a word that is none of an entry
    "twice",  # one part told in two ways
    "days",  # two different days
    "day",  # no day of the year
    "clock",  # four digits that no clock shows
    "loose",  # a time that no word announces
    "number",  # a word that a number must follow
    "judged",  # a word that GOOD or BAD must follow
    "done",  # DONE without ALL
    "no_clock",  # a time that the clocks skipped that day
    "future",  # still to come
    "order",  # before what it must follow, or half a day after it
    "old",  # longer ago than the protocol allows
    "quick",  # stored sooner than hands can work
]


@dataclass(frozen=True, slots=True)
class Slip:
    """One thing wrong with an entry: *code* names the sentence, *word* and *other* go into it."""

    code: Code
    word: str = ""
    other: str = ""


@dataclass(frozen=True, slots=True)
class LateEntry:
    """A whole entry with its moments in aware UTC, in order.

    *began* is when the work before the exposure began at the latest. *vinegar* is in and out, where
    there was scale. *readings* are as written, by the name of the stage's reading. *undone* are the
    marks whose box is not ticked; *good* says of each judged part whether it was.
    """

    sets: tuple[str, ...]
    method: str
    began: datetime
    into: datetime
    out: datetime
    stored: datetime
    pack: str
    counts: tuple[str, ...]
    vinegar: tuple[datetime, datetime] | None = None
    readings: Mapping[str, str] = field(default_factory=dict)
    good: Mapping[str, bool] = field(default_factory=dict)
    undone: tuple[str, ...] = ()


def boxes(method: str, *, vinegar: bool) -> list[str]:
    """The marks that a batch by *method* ticks on paper, in order of work."""
    wanted = [*BEFORE, *VINEGAR, *BY_METHOD.get(method, ()), *AFTER]
    if method == "autoclave":
        wanted = [m for m in wanted if m != "loaded"]  # it has a number
    if not vinegar:
        wanted = [m for m in wanted if m not in VINEGAR]
    return [m for m in wanted if m not in OWN_PART]


def needed(method: str) -> tuple[str, ...]:
    """The parts that an entry by *method* needs, in the order in which they are asked."""
    of_method: dict[str, tuple[str, ...]] = {
        "chlorine": ("fresh", "strength"),
        "autoclave": ("load", "cycle", "temperature", "pressure", "minutes", "indicator", "cooled"),
    }
    return (
        "sets", "method", "in", "out", *of_method.get(method, ()), "done", "counts", "test",
        "stored", "pack",
    )  # fmt: skip


def missing(parts: Parts, *, one_cycle: bool = False) -> list[str]:
    """The parts that are still to be told, in order. *one_cycle*: the machine has but one."""
    method = parts.get("method", "")
    needs = [p for p in needed(method) if not (p == "cycle" and one_cycle)]
    if "vinegar_in" in parts:
        needs.insert(2, "vinegar_out")
    return [p for p in needs if not _told(parts, p)]


def _told(parts: Parts, part: str) -> bool:
    if part == "done":
        return bool(parts.get("done"))
    if part == "counts":
        wanted = len(parts.get("sets", "").split())
        return len(parts.get("counts", "").split()) == wanted > 0
    return bool(parts.get(part))


def undone(parts: Parts) -> Sequence[str]:
    """The marks whose box was said not to be ticked."""
    return parts.get("undone", "").split()
