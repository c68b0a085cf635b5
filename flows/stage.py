"""The vocabulary of a stage graph, and the check that finds what is wrong with one.

A graph is data: stages with options, nothing that runs. `bot.machine` interprets it, `check`
reads it for dead ends, `draw` turns it into a picture.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Literal

StageKind = Literal["confirm", "choice", "number", "pick", "wait"]
Phase = Literal["clean", "disinfect", "finish", "side"]

# Where an option may lead besides a stage of the graph.
RETURN = "@return"  # to the stage that the side question interrupted
EARLIEST = "@earliest"  # to the stage that makes the first mark still missing
RELEASE = "@release"  # to the release decision
ASIDE = "@aside"  # take a set out of the batch
CANCEL = "@cancel"  # close the batch; nothing was done
METHOD = "@method"  # to the first stage of the method just chosen
MENU = "@menu"  # leave the batch where it is and show the main screen
SPECIAL = (RETURN, EARLIEST, RELEASE, ASIDE, CANCEL, METHOD, MENU)

# Stages that the machine itself turns to: no method fits, release was refused, the first answer
# is to be taken back.
NO_METHOD, NOT_READY, UNDO = "no_method", "not_ready", "undo"


@dataclass(frozen=True, slots=True)
class Option:
    """One answer of a stage: what it leads to and what it puts on record.

    *mark* is established; *again* names a mark from which on everything must be made again;
    *tell* is the reason for which someone above is told.
    """

    to: str
    mark: str = ""
    again: str = ""
    tell: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """A number to be sent: what it is, and the bounds outside which it is surely a slip.

    *unit* names the units accepted beside the plain one ("kpa" also takes psi and bar).
    """

    name: str
    low: float
    high: float
    unit: Literal["count", "percent", "celsius", "kpa", "minutes", "id"]


@dataclass(frozen=True, slots=True)
class Stage:
    """One step. Options are keyed by the digit that picks them; `1` goes forward when all is well.

    A number stage has its options keyed by what *judge* (a name in `flows.judge`) says of the
    reading. A pick stage offers a list made at run time (*source*); its one option is `1`.
    A wait stage has an *exposure* (a name in the protocol) and rings when it is over.
    *each* repeats the stage for each set of that kind. *by_kind* words the prompt by the kinds
    of sets in the batch. *method* ties a stage to one method of disinfection.
    """

    id: str
    kind: StageKind
    options: dict[str, Option]
    phase: Phase = "clean"
    each: Literal["", "set", "bag", "suction"] = ""
    by_kind: bool = False
    method: str = ""
    exposure: str = ""
    reading: Reading | None = None
    judge: str = ""
    source: Literal["", "methods", "cycles", "remaining"] = ""

    @property
    def forward(self) -> Option:
        """The option taken when all is well."""
        return self.options.get("1") or next(iter(self.options.values()))

    @property
    def prompts(self) -> tuple[str, ...]:
        """The catalogue keys this stage needs."""
        keys = [f"{self.id}.title", f"{self.id}.help"]
        if self.kind == "wait":
            return (*keys, f"{self.id}.started", f"{self.id}.bell")
        if self.by_kind:
            return (*keys, *(f"{self.id}.ask.{kind}" for kind in ("bag", "suction", "both")))
        return (*keys, f"{self.id}.ask")


@dataclass(frozen=True, slots=True)
class Page:
    """Consecutive stages shown on one screen, for the pace that wants it.

    It is shown only where it wants at least so many *numbers*.
    """

    id: str
    pace: Literal["guided", "brief"]
    stages: tuple[str, ...]
    numbers: int = 0


@dataclass(frozen=True, slots=True)
class Flow:
    """A named, versioned graph.

    *trouble* says which side stage the problem key opens, by phase; *methods* which stage a
    method of disinfection begins with.
    """

    name: str
    version: str
    start: str
    stages: dict[str, Stage]
    trouble: dict[str, str]
    methods: dict[str, str]
    pages: tuple[Page, ...] = ()

    @property
    def id(self) -> str:
        """Name and version, as a batch records it."""
        return f"{self.name}-{self.version}"

    def page(self, pace: str, stage: str) -> Page | None:
        """The page of *pace* that begins at *stage*. Brief readers also get the guided pages."""
        paces = ("brief", "guided") if pace == "brief" else ("guided",)
        return next(
            (p for want in paces for p in self.pages if p.pace == want and p.stages[0] == stage),
            None,
        )

    def maker(self, mark: str, method: str) -> str:
        """The stage that establishes *mark* in a batch that goes by *method*.

        KeyError if none does.
        """
        for stage in self.stages.values():
            if stage.method in ("", method) and any(o.mark == mark for o in stage.options.values()):
                return stage.id
        raise KeyError(mark)


def targets(flow: Flow, stage: Stage) -> Iterator[tuple[str, str]]:
    """Pairs (digit, stage id) that *stage* may lead to, specials left out."""
    for digit, option in stage.options.items():
        if option.to not in SPECIAL:
            yield digit, option.to
    trouble = flow.trouble.get(stage.phase)
    if trouble:
        yield "8", trouble


def check(flow: Flow, marks: Collection[str], prompts: Collection[str]) -> list[str]:
    """What is wrong with *flow*, a sentence each; empty when it may be used.

    *marks* are those that release asks for, *prompts* the keys of the English catalogue.
    """
    return [
        *_bad_targets(flow),
        *_lost(flow),
        *_shape(flow),
        *_bad_marks(flow, marks),
        *(
            f"{s.id}: prompt {key} is missing"
            for s in flow.stages.values()
            for key in s.prompts
            if key not in prompts
        ),
        *(f"page {p.id}: prompt is missing" for p in flow.pages if f"page.{p.id}" not in prompts),
    ]


def _bad_targets(flow: Flow) -> Iterator[str]:
    for stage in flow.stages.values():
        for digit, to in targets(flow, stage):
            if to not in flow.stages:
                yield f"{stage.id}: {digit} leads to {to}, which is not a stage"
        if not stage.options:
            yield f"{stage.id}: a dead end, no answer leads on"
    named = {"start": (flow.start,), "methods": tuple(flow.methods.values())}
    named |= {f"page {p.id}": p.stages for p in flow.pages}
    named |= {"the machine": (NO_METHOD, NOT_READY, UNDO)}
    for where, names in named.items():
        for name in names:
            if name not in flow.stages:
                yield f"{where}: {name} is not a stage"


def _forward(flow: Flow) -> dict[str, set[str]]:
    """For each stage, the stages that some answer to it may lead to."""
    jumps = {s.id for s in flow.stages.values() if any(o.mark for o in s.options.values())}
    forward: dict[str, set[str]] = {}
    for stage in flow.stages.values():
        forward[stage.id] = {to for _, to in targets(flow, stage)}
        specials = {o.to for o in stage.options.values()}
        if METHOD in specials:
            forward[stage.id] |= set(flow.methods.values())
        if specials & {EARLIEST, RETURN}:
            forward[stage.id] |= jumps
        if stage.source == "methods":
            forward[stage.id].add(NO_METHOD)
        if RELEASE in specials:
            forward[stage.id].add(NOT_READY)
    forward[flow.start] = forward.get(flow.start, set()) | {UNDO}
    return forward


def _lost(flow: Flow) -> Iterator[str]:
    """Stages that nothing leads to, and stages from which no end can be reached."""
    forward = _forward(flow)
    seen, todo = {flow.start}, [flow.start]
    while todo:
        for to in forward.get(todo.pop(), ()):
            if to not in seen:
                seen.add(to)
                todo.append(to)
    ends = {
        s.id
        for s in flow.stages.values()
        if any(o.to in (RELEASE, ASIDE, CANCEL) for o in s.options.values())
    }
    while True:
        more = {s for s, to in forward.items() if s not in ends and to & ends}
        if not more:
            break
        ends |= more
    for name in flow.stages:
        if name not in seen:
            yield f"{name}: lost, nothing leads to it"
        if name not in ends:
            yield f"{name}: a dead end, no way to an end of the batch"


def _shape(flow: Flow) -> Iterator[str]:
    for stage in flow.stages.values():
        if stage.kind == "wait" and not stage.exposure:
            yield f"{stage.id}: waits, but has no exposure and would never ring"
        if stage.exposure and stage.kind != "wait":
            yield f"{stage.id}: has an exposure but does not wait for its bell"
        if stage.kind == "number" and not (stage.reading and stage.judge):
            yield f"{stage.id}: asks a number but says not which, or who judges it"
        if stage.kind == "pick" and not stage.source:
            yield f"{stage.id}: offers a list but says not which"
        if stage.kind != "number" and "1" not in stage.options:
            yield f"{stage.id}: answer 1 does not go forward"
        if stage.kind != "number" and any(d in stage.options for d in "089"):
            yield f"{stage.id}: 0, 8 and 9 mean back, problem and help everywhere"


def _bad_marks(flow: Flow, marks: Collection[str]) -> Iterator[str]:
    made = {o.mark for s in flow.stages.values() for o in s.options.values() if o.mark}
    used = {o.again for s in flow.stages.values() for o in s.options.values() if o.again}
    for mark in sorted(set(marks) - made):
        yield f"mark {mark}: release asks for it and no stage makes it"
    for mark in sorted((made | used) - set(marks)):
        yield f"mark {mark}: unknown to release"
