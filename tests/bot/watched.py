"""A ward that is watched: after every turn, everything that must hold of a unit is looked at."""

from __future__ import annotations

from dataclasses import dataclass, field

from bot.book import Book
from bot.effects import Effect, Push, Reply, Say
from bot.events import Event, Heard
from bot.exposures import next_ring, running
from bot.model import SetState, Unit
from flows.batch import Batch
from flows.prompts import fits
from flows.release import findings, gas_risk
from flows.stage import UNDO
from tests.nurse import PROTOCOL, Ward


@dataclass
class WatchedWard(Ward):
    """A ward whose every turn is checked. *clean* holds the releases that the log bears out."""

    clean: dict[str, Batch] = field(default_factory=dict)
    spent: set[tuple[str, str]] = field(default_factory=set)
    turns: int = 0

    def take(self, event: Event) -> tuple[Effect, ...]:
        before = self.unit
        effects = super().take(event)
        self.turns += 1
        self._one_answer(event, before, effects)
        self._short_enough(effects)
        self._records(effects)
        self._logs(before)
        self._batches()
        self._conditions(before, effects)
        self._timers()
        return effects

    def _one_answer(self, event: Event, before: Unit, effects: tuple[Effect, ...]) -> None:
        replies = [e for e in effects if isinstance(e, Reply)]
        known = isinstance(event, Heard) and before.site.person(event.phone) is not None
        assert len(replies) == (1 if known else 0), (event, replies)
        if isinstance(event, Heard) and not known:
            assert effects == ()
            assert self.unit is before

    def _short_enough(self, effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            if isinstance(effect, Reply | Say):
                text = self.text(effect)
                assert text.strip()
                assert fits(text), text

    def _records(self, effects: tuple[Effect, ...]) -> None:
        for push in effects:
            if not isinstance(push, Push):
                continue
            assert not push.batch.practice, "a practice batch was recorded"
            if push.batch.outcome == "released":
                assert findings(push.batch, PROTOCOL) == []
                self.clean[push.batch.id] = push.batch

    def _logs(self, before: Unit) -> None:
        after = {**{p.batch.id: p.batch for p in self.pushes[-3:]}, **self.unit.batches}
        for batch in self.unit.batches.values():
            assert [e.n for e in batch.log] == list(range(len(batch.log)))
        for old in before.batches.values():
            if old.id in after:
                assert after[old.id].log[: len(old.log)] == old.log, "a log was rewritten"
            else:
                assert old.practice, "a batch was lost"

    def _batches(self) -> None:
        held: list[str] = []
        for batch in self.unit.batches.values():
            book = Book(self.rules.flow_of(batch), self.rules.protocol_of(batch))
            stage = book.stage(batch)
            assert not batch.outcome
            if not batch.practice:
                held += [s.id for s in batch.sets]
            if stage.kind == "wait":
                assert running(batch, book.protocol), "she waits for an exposure that does not run"
            if stage.phase == "disinfect":
                assert not gas_risk(batch.log), "vinegar may meet chlorine"
                assert all(batch.method in s.methods for s in batch.remaining)
                assert batch.method in batch.facility_methods
        assert len(held) == len(set(held)), "a set is in two batches"

    def _conditions(self, before: Unit, effects: tuple[Effect, ...]) -> None:
        for batch in self.unit.batches.values():
            for member in () if batch.practice else batch.sets:
                state = self.unit.state_of(member.id)
                wanted = "SET ASIDE" if member.aside else "IN PROCESS"
                assert (state.condition, state.batch) == (wanted, batch.id)
        for state in self.unit.sets.values():
            old = before.state_of(state.id)
            if state.condition == "IN PROCESS":
                assert state.batch in self.unit.batches
            if old.condition == "READY" and state.condition in ("USED", "SET ASIDE"):
                self.spent.add((old.id, old.batch))
            if state.condition == "READY":
                self._ready(old, state, effects)

    def _ready(self, old: SetState, state: SetState, effects: tuple[Effect, ...]) -> None:
        """READY only by a release that the log bears out, or put back as it was by a cancel."""
        by = self.clean[state.batch]
        assert state.id in [s.id for s in by.remaining]
        assert state.expires_at == by.expires_at
        assert (state.id, state.batch) not in self.spent, "what was spent is READY again"
        if old == state:
            return
        batch = next(
            e.batch
            for e in effects
            if isinstance(e, Push) and state.id in [s.id for s in e.batch.sets]
        )
        if batch.outcome != "released":
            assert batch.outcome == "cancelled"
            answered = [e.stage for e in batch.log if e.kind == "answered"]
            assert set(answered) <= {UNDO}, "work was done and the set is as if it had not been"

    def _timers(self) -> None:
        kept = {*self.unit.batches, *self.unit.reminders, *self.unit.alerts}
        assert set(self.timers) <= kept, "a timer of what is over"
        for reminder in self.unit.reminders.values():
            assert self.timers.get(reminder.id) == reminder.due, "a reminder that will not ring"
        for batch in self.unit.batches.values():
            ring = next_ring(batch, self.rules.protocol_of(batch))
            assert self.timers.get(batch.id) == ring, "a running exposure without its bell"
