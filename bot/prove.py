"""Explores every state that the stage graph can reach, and shows what no state may do.

What is explored exactly: the batch, as the machine really steps it, under every digit, right,
wrong and nonsense readings, early and late bells, corrections, hand-overs and a restart between
any two events; for one set of each kind, for both, and for sets that share no method, at both
paces.

What is abstracted, and why that is sound:
- Times. A state keeps only whether its exposure runs, is over, or is over its maximum, and whether
  the solution is past its life: the machine compares times with nothing else, and `flows.release`
  is tried on the real times of the path that led there.
- Why a set leaves the batch, and how often a bell rang: the machine writes both down and branches
  on neither, beyond whether another ring is to come.
- The log. Two logs with the same standing marks count as one state. That is checked: wherever two
  paths meet in a state, their release findings must be the same.
- Corrections undo the last answer of the path that led to a state. Another path to the same state
  has another last answer; taking it back leads to a state on that path, which is explored too.
- The screens between batches are left at once with "back": that they leave the batch as it was is
  checked in each state.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from multiprocessing import get_context
from typing import Any

import msgspec

from bot.catalogues import load_catalogues
from bot.effects import Push, Reply, Say, Step
from bot.events import Event, Heard, Rang, Receipt
from bot.exposures import next_ring, running
from bot.machine import step
from bot.model import Pace, Talk, Unit
from bot.rules import Rules
from bot.site import Person, SetCard, Site
from bot.wording import Wording
from flows.batch import METHODS, Batch, Method
from flows.prompts import fits
from flows.release import findings, gas_risk, marks, solution_stale

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
NURSE, COLLEAGUE = "+12025550101", "+12025550102"
ANSWERS = (
    *"0123456789",
    "0.5",
    "0.1",
    "0.9",
    "2.5",
    "41",
    "6",
    "7 3",
    "7 2",
    "3 7",
    "121",
    "110",
    "30",
    "121 110 30",
    "121 60 30",
    "what?",
    "",
    "PROBLEM",
)

Key = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Scene:
    """One thing to prove: which sets with which methods, at which pace."""

    name: str
    sets: tuple[SetCard, ...]
    pace: Pace


@dataclass(frozen=True, slots=True)
class State:
    """A unit at a moment, reached by *path*."""

    unit: Unit
    now: datetime
    path: tuple[str, ...]


@dataclass(slots=True)
class Proof:
    """What was explored, and every way in which it failed."""

    scenes: dict[str, int] = field(default_factory=dict)
    steps: int = 0
    released: int = 0
    refused: int = 0
    faults: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """Whether nothing was found that may not be."""
        return not self.faults

    @property
    def states(self) -> int:
        """How many states were seen, over all scenes."""
        return sum(self.scenes.values())

    def as_dict(self) -> dict[str, Any]:
        return {
            "holds": self.holds,
            "states": self.states,
            "steps": self.steps,
            "releases": self.released,
            "releases_refused": self.refused,
            "scenes": self.scenes,
            "faults": self.faults[:20],
        }

    def as_text(self) -> str:
        lines = [f"{name}: {count} states" for name, count in self.scenes.items()]
        lines.append(
            f"{self.states} states, {self.steps} steps: {self.released} ended READY, each with a "
            f"clean release check; {self.refused} were refused it"
        )
        return "\n".join([*lines, *self.faults[:20]])


def scenes() -> Iterator[Scene]:
    """What a batch can be made of, as far as the graph can tell."""
    bag = SetCard("BAG-1", "bag", "bag", 7, METHODS)
    suction = SetCard("SUC-1", "suction", "suction", 3, METHODS)
    only: tuple[Method, ...] = ("chlorine",)
    apart = (replace(bag, methods=("boiling",)), replace(suction, methods=only))
    for pace in ("guided", "brief"):
        yield Scene(f"bag, {pace}", (bag,), pace)
        yield Scene(f"suction, {pace}", (suction,), pace)
        yield Scene(f"bag and suction, {pace}", (bag, suction), pace)
    yield Scene("no common method, guided", apart, "guided")


def prove(rules: Rules, wanted: Sequence[Scene] = ()) -> Proof:
    """Explore every scene, several at once. Faults are collected, none is raised."""
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        parts = list(pool.map(partial(prove_scene, rules), wanted or tuple(scenes())))
    return joined(parts)


def joined(parts: Sequence[Proof]) -> Proof:
    """Several proofs as one."""
    return Proof(
        scenes={name: n for part in parts for name, n in part.scenes.items()},
        steps=sum(p.steps for p in parts),
        released=sum(p.released for p in parts),
        refused=sum(p.refused for p in parts),
        faults=[fault for part in parts for fault in part.faults],
    )


def prove_scene(rules: Rules, scene: Scene) -> Proof:
    """Explore one scene in this process."""
    proof = Proof()
    _Explorer(rules, Wording(load_catalogues()), proof, scene).explore()
    return proof


class _Explorer:
    def __init__(self, rules: Rules, wording: Wording, proof: Proof, scene: Scene) -> None:
        self.rules, self.wording, self.proof, self.scene = rules, wording, proof, scene
        self.seen: dict[Key, list[str]] = {}
        self.leads: dict[Key, set[Key]] = {}
        self.ends: set[Key] = set()
        self.todo: deque[tuple[Key, State]] = deque()
        self.count = 0

    def explore(self) -> None:
        """Breadth first from the first question of the batch."""
        first = self._begin()
        self._meet(None, first)
        while self.todo:
            key, state = self.todo.popleft()
            for after in self._events(state):
                self._meet(key, after)
            self._hand_over(state)
            self._restart(state)
        self._stuck()
        shared = set.intersection(*(set(s.methods) for s in self.scene.sets))
        if shared and ("closed", "READY") not in self.seen:
            self._fault((), "no way to READY")
        self.proof.scenes[self.scene.name] = len(self.seen)

    def _begin(self) -> State:
        people = (
            Person("ASHA", "Asha", NURSE, "nurse"),
            Person("BELA", "Bela", COLLEAGUE, "in_charge"),
        )
        chief = (Person("SENA", "Sena", "+12025550109", "supervisor"),)
        site = Site(
            "HIGH", "High", "TAM", 500, "UTC", METHODS, self.scene.sets, people, chief, "gravity"
        )
        unit = Unit(site).put_talk(Talk(NURSE, screen="home", pace=self.scene.pace))
        names = " ".join(s.id for s in self.scene.sets)
        return self._hear(State(unit, START, ()), names, NURSE)

    # ---- events --------------------------------------------------------------------------

    def _events(self, state: State) -> Iterator[State]:
        batch = next(iter(state.unit.batches.values()))
        protocol = self.rules.protocol_of(batch)
        for text in ANSWERS:
            yield self._hear(state, text, NURSE)
        ring = next_ring(batch, protocol)
        for when in (state.now, ring) if ring else (state.now,):
            at = max(when, state.now)
            event = Rang(self._id(), batch.id, at)
            yield self._step(replace(state, now=at), event, "bell")
        receipt = Receipt(self._id(), NURSE, batch.id, "bell", False, state.now)
        yield self._step(state, receipt, "undelivered")
        # Time passes and nothing rings: the bell is late, or the pieces are forgotten.
        if batch.due and batch.due > state.now:
            yield replace(state, now=batch.due, path=(*state.path, "(over)"))
        if batch.method == "chlorine" and not batch.due:
            day = timedelta(hours=protocol["chlorine.solution_life_hours"] + 1)
            yield replace(state, now=state.now + day, path=(*state.path, "(a day)"))
        clock = running(batch, protocol)
        most = protocol.max_seconds(batch.method, batch.hasten) if batch.method else None
        if clock and most is not None:
            late = clock[0].at + timedelta(seconds=most + 1)
            if late > state.now:
                yield replace(state, now=late, path=(*state.path, "(late)"))

    def _hear(self, state: State, text: str, phone: str) -> State:
        now = state.now + timedelta(seconds=1)
        return self._step(replace(state, now=now), Heard(self._id(), phone, "sms", text, now), text)

    def _id(self) -> str:
        self.count += 1
        return str(self.count)

    def _step(self, state: State, event: Event, name: str) -> State:
        self.proof.steps += 1
        path = (*state.path, name)
        try:
            done = step(state.unit, event, self.rules)
        except Exception as error:
            self._fault(path, f"raised {type(error).__name__}: {error}")
            return replace(state, path=path)
        self._look_at(done, event, path)
        unit = done.unit
        talk = unit.talk(NURSE)
        if talk.screen and unit.batches:
            unit = self._leave_screen(unit, state.now, path)
        return State(unit, state.now, path)

    def _leave_screen(self, unit: Unit, now: datetime, path: tuple[str, ...]) -> Unit:
        batch = next(iter(unit.batches.values()))
        back = step(unit, Heard(self._id(), NURSE, "sms", "0", now), self.rules).unit
        if back.batches.get(batch.id) != batch or back.talk(NURSE).screen:
            self._fault(path, "leaving a screen did not lead back to the batch as it was")
        return back

    def _hand_over(self, state: State) -> None:
        """A colleague takes the batch: nothing of it changes but its holder, and it has one."""
        batch = next(iter(state.unit.batches.values()))
        taken = self._only(self._only(state, "TAKE", COLLEAGUE), "1", COLLEAGUE)
        after = taken.unit.batches.get(batch.id)
        if after is None or after.holder != "BELA" or self._key(taken) != self._key(state):
            self._fault((*state.path, "TAKE"), "a hand-over changed more than the holder")
        late = self._only(taken, "1", NURSE).unit.batches.get(batch.id)
        if late != after:
            self._fault((*state.path, "TAKE"), "who no longer holds a batch could answer for it")

    def _only(self, state: State, text: str, phone: str) -> State:
        """A step whose screens are not left: for what another person does."""
        now = state.now
        done = step(state.unit, Heard(self._id(), phone, "sms", text, now), self.rules)
        self.proof.steps += 1
        self._look_at(done, Heard("", phone, "sms", text, now), (*state.path, text))
        return State(done.unit, now, state.path)

    def _restart(self, state: State) -> None:
        batch = next(iter(state.unit.batches.values()))
        if msgspec.json.decode(msgspec.json.encode(batch), type=Batch) != batch:
            self._fault(state.path, "a batch does not survive being stored")

    # ---- what must hold ------------------------------------------------------------------

    def _look_at(self, done: Step, event: Event, path: tuple[str, ...]) -> None:
        replies = [e for e in done.effects if isinstance(e, Reply)]
        if isinstance(event, Heard) and len(replies) != 1:
            self._fault(path, f"{len(replies)} answers instead of one")
        for effect in done.effects:
            if isinstance(effect, Reply | Say):
                text = self.wording.render(
                    effect.prompt, "en", "UTC", effect.practice, effect.hastened
                )
                if not fits(text):
                    self._fault(path, f"too long: {text}")
        ready = [s for s in done.unit.sets.values() if s.condition == "READY"]
        if ready:
            self._look_at_release(done, path)

    def _look_at_release(self, done: Step, path: tuple[str, ...]) -> None:
        closed = [e.batch for e in done.effects if isinstance(e, Push)]
        if not closed or closed[0].outcome != "released":
            self._fault(path, "READY without a release")
            return
        against = findings(closed[0], self.rules.protocol_of(closed[0]))
        if against:
            self._fault(path, f"READY although {against[0].code}")

    def _meet(self, came_from: Key | None, state: State) -> None:
        key = self._key(state)
        if came_from is not None:
            self.leads.setdefault(came_from, set()).add(key)
        if not state.unit.batches:
            self.ends.add(key)
            self.proof.released += key == ("closed", "READY")
            self.seen.setdefault(key, [])
            return
        batch = next(iter(state.unit.batches.values()))
        against = [f"{f.code} {f.mark} {f.set_id}" for f in self._findings(batch)]
        if key in self.seen:
            if self.seen[key] != against:
                self._fault(state.path, "two paths meet in a state with different findings")
            return
        self.seen[key] = against
        self.proof.refused += batch.stage == "not_ready"
        self.todo.append((key, state))

    def _findings(self, batch: Batch) -> list[Any]:
        return list(findings(batch, self.rules.protocol_of(batch)))

    def _key(self, state: State) -> Key:
        """What a state is, as far as anything it can do depends on it."""
        batch = next(iter(state.unit.batches.values()), None)
        if batch is None:
            ready = any(s.condition == "READY" for s in state.unit.sets.values())
            return ("closed", "READY" if ready else "not ready")
        talk = state.unit.talk(NURSE)
        return (
            batch.stage,
            batch.detour,
            batch.method,
            tuple(bool(s.aside) for s in batch.sets),
            frozenset(marks(batch.log)),
            gas_risk(batch.log),
            any(e.kind == "answered" for e in batch.log),
            self._phase(batch, state.now),
            next_ring(batch, self.rules.protocol_of(batch)) is not None,
            talk.stepwise,
        )

    def _phase(self, batch: Batch, now: datetime) -> str:
        protocol = self.rules.protocol_of(batch)
        clock = running(batch, protocol)
        if clock is None:
            return "stale" if solution_stale(batch, protocol, now) else "-"
        lasted = (now - clock[0].at).total_seconds()
        if lasted < clock[1]:
            return "runs"
        most = protocol.max_seconds(batch.method, batch.hasten) if batch.method else None
        return "late" if most is not None and lasted > most else "over"

    def _stuck(self) -> None:
        """Every state must have a way to an end."""
        ways: dict[Key, set[Key]] = {}
        for key, to in self.leads.items():
            for target in to:
                ways.setdefault(target, set()).add(key)
        free, todo = set(self.ends), deque(self.ends)
        while todo:
            for key in ways.get(todo.popleft(), ()):
                if key not in free:
                    free.add(key)
                    todo.append(key)
        for key in self.seen:
            if key not in free:
                self._fault((), f"stuck in {key[0]}")

    def _fault(self, path: tuple[str, ...], what: str) -> None:
        if len(self.proof.faults) < 100:
            self.proof.faults.append(f"{self.scene.name}: {what}; after {' | '.join(path)}")
