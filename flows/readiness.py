"""The shift check, as data: what is asked, what an answer makes of a set, how uses are reckoned.

A set that is READY on the list may have been used, opened or carried off since. So somebody looks
at each, and says how often a set was used: zero in so many words, since silence is not zero.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

# Where an answer may lead besides another question.
NEXT = "@next"  # to the next set; to the uses when every one was seen
DONE = "@done"  # the check is done

# How long after its last answer a check that was broken off goes on; later it begins anew, since
# an older look says nothing of now. Common practice, no source.
BROKEN_OFF_MINUTES = 60

ALL, ONE, ZERO, USES = "check_all", "check_one", "check_zero", "check_uses"
BIRTHS, HELPED = "check_births", "check_helped"

Loss = Literal["", "USED", "SET ASIDE"]


@dataclass(frozen=True, slots=True)
class Sight:
    """What a set was found as. *becomes* is its condition from then on ("": it stays READY);
    *use* says whether it was used, which counts."""

    what: str
    becomes: Loss = ""
    use: bool = False


# A set that is incomplete or not there is SET ASIDE: nobody is told to clean what cannot be
# cleaned, and STATUS names it so that it is looked for. It comes back through a whole batch alone,
# whose COUNT refuses it while a piece is missing. One that is there is USED: to be cleaned now.
SIGHTS: Mapping[str, Sight] = {
    "1": Sight("well"),
    "2": Sight("used", "USED", use=True),
    "3": Sight("open", "USED"),
    "4": Sight("missing", "SET ASIDE"),
    "5": Sight("gone", "SET ASIDE"),
}


@dataclass(frozen=True, slots=True)
class Question:
    """One question. *options* says where each digit leads; a *number* has two digits, leads to
    *to*, and to *zero* if it is none. Its text is `screen.<id>`."""

    id: str
    options: Mapping[str, str] = field(default_factory=dict)
    to: str = ""
    zero: str = ""

    @property
    def number(self) -> bool:
        """Whether a number is asked for."""
        return bool(self.to)

    @property
    def leads(self) -> tuple[str, ...]:
        """Wherever an answer may lead."""
        return tuple(t for t in (*self.options.values(), self.to, self.zero) if t)


QUESTIONS: Mapping[str, Question] = {
    q.id: q
    for q in (
        Question(ALL, {"1": NEXT, "2": ONE}),
        Question(ONE, dict.fromkeys(SIGHTS, NEXT)),
        Question(ZERO, {"1": BIRTHS, "2": USES}),
        Question(USES, to=BIRTHS, zero=ZERO),
        Question(BIRTHS, to=HELPED, zero=DONE),
        Question(HELPED, to=DONE, zero=DONE),
    )
}
# Where a check begins, by how many sets there are to see; where NEXT leads when all were seen: to
# a yes that there was none, or to a number where sets came back used.
STARTS = (ALL, ONE, ZERO, USES)


@dataclass(frozen=True, slots=True)
class Reckoning:
    """Uses that were *reported* against uses *counted* when sets stopped being READY by use."""

    reported: int
    counted: int

    @property
    def gap(self) -> int:
        """Uses that were reported and not counted; below zero, counted and not reported."""
        return self.reported - self.counted


def reckon(uses: int, helped: int | None, counted: int) -> Reckoning:
    """*uses* as said, or the babies *helped* with a bag if these are more: each was a use."""
    return Reckoning(max(uses, helped or 0), counted)


def check(
    questions: Mapping[str, Question], starts: Collection[str], prompts: Collection[str]
) -> list[str]:
    """What is wrong with the check, a sentence each; empty when it may be used. *prompts* are the
    keys of the English catalogue."""
    return [*_bad_leads(questions, starts), *_lost(questions, starts), *_shape(questions, prompts)]


def _bad_leads(questions: Mapping[str, Question], starts: Collection[str]) -> Iterator[str]:
    for question in questions.values():
        for to in question.leads:
            if to not in (*questions, NEXT, DONE):
                yield f"{question.id}: leads to {to}, which is no question"
    for start in starts:
        if start not in questions:
            yield f"{start}: a check begins there, and it is no question"


def _lost(questions: Mapping[str, Question], starts: Collection[str]) -> Iterator[str]:
    """Questions that are never asked, and those from which no answer leads to the end."""
    seen = set(starts)
    while more := {to for q in questions.values() if q.id in seen for to in q.leads} - seen:
        seen |= more
    ends = {DONE}
    while more := {q.id for q in questions.values() if set(q.leads) & ends} - ends:
        ends |= more | ({NEXT} if more & set(starts) else set())
    for name in questions:
        if name not in seen:
            yield f"{name}: lost, nothing leads to it"
        if name not in ends:
            yield f"{name}: a dead end, the check is never done"


def _shape(questions: Mapping[str, Question], prompts: Collection[str]) -> Iterator[str]:
    for question in questions.values():
        if not question.number and "1" not in question.options:
            yield f"{question.id}: answer 1 does not go forward"
        if question.number and question.options:
            yield f"{question.id}: asks a number and offers digits"
        if question.options.keys() & set("089"):
            yield f"{question.id}: 0, 8 and 9 mean back, problem and help everywhere"
        if f"screen.{question.id}" not in prompts:
            yield f"{question.id}: prompt screen.{question.id} is missing"
