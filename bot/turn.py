"""One turn in the making: the unit as it changes, and the effects it will have."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from bot.asking import ask, noted
from bot.book import Book, Said, write
from bot.effects import ClearTimer, Conditions, Effect, Prompt, Push, Reply, Say, SetTimer
from bot.exposures import next_ring
from bot.model import Reminder, SetState, Talk, Unit
from bot.rules import Rules
from bot.site import Person
from flows.batch import Batch, BatchSet
from flows.protocol import Protocol
from flows.release import findings
from flows.stage import UNDO


@dataclass(slots=True)
class Turn:
    """What a step works on. *unit* and *talk* are replaced as it goes; *effects* collect.

    *words* are those that were heard, *sent_at* is the gateway's date of an SMS, where it gave one
    that may be right. *unused* are the sets that are no longer READY for another reason than that
    they were used. *draw* is a code drawn at random for this turn.
    """

    unit: Unit
    rules: Rules
    now: datetime
    tick: tuple[str, float] | None = None
    person: Person | None = None
    talk: Talk = field(default_factory=lambda: Talk(phone=""))
    effects: list[Effect] = field(default_factory=list)
    via: str = "bell"
    words: str = ""
    sent_at: datetime | None = None
    unused: set[str] = field(default_factory=set)
    draw: str = ""

    def book(self, batch: Batch) -> Book:
        """The graph and the protocol that *batch* goes by."""
        return Book(self.rules.flow_of(batch), self.rules.protocol_of(batch))

    def said(self, text: str = "") -> Said:
        """The present words as a log keeps them."""
        by = self.person.id if self.person else ""
        return Said(by, self.via, text, self.now, self.tick, self.sent_at, self.unit.site.zone)

    def batch(self) -> Batch | None:
        """The open batch that this person holds and that has the word, or None."""
        batch = self.unit.batches.get(self.talk.batch)
        return batch if batch and self.person and batch.holder == self.person.id else None

    def put_talk(self, **changes: object) -> None:
        """Change the talk, here and in the unit."""
        self.talk = replace(self.talk, **changes)  # type: ignore[arg-type]
        self.unit = self.unit.put_talk(self.talk)

    def reply(self, prompt: Prompt, *, end: bool = False, batch: Batch | None = None) -> None:
        """Answer the person who spoke."""
        about = {"batch_id": batch.id, **_marks(batch)} if batch else {}
        self.effects.append(Reply(prompt, end=end, **about))  # type: ignore[arg-type]

    def say(self, person: Person, prompt: Prompt, kind: str, batch: Batch) -> None:
        """Send an SMS about *batch* to someone, unless she asked the carrier for no more."""
        if self.unit.talk(person.phone).stopped:
            return
        self.effects.append(
            Say(person.phone, prompt, kind=kind, batch_id=batch.id, **_marks(batch))
        )

    def say_plain(self, person: Person, prompt: Prompt) -> None:
        """Send an alert that is not about one batch."""
        self.effects.append(Say(person.phone, prompt, kind="alert"))

    def note(self, batch: Batch, what: str) -> Batch:
        """The batch with a line that those above were told of *what*."""
        return write(batch, self.said(), "told", mark=what, facts={"of": batch.stage})

    def ask(self, batch: Batch, note: Prompt | None = None, *, end: bool = False) -> None:
        """Ask the question that *batch* stands at, with a word about the last answer.

        Whoever holds several batches is told each time which one is meant.
        """
        if note is None and self.person:
            held = [b for b in self.unit.batches.values() if b.holder == self.person.id]
            if len(held) > 1:
                note = Prompt("note.which", {"sets": batch.names})
        if note is None and batch.stage == self.book(batch).flow.start and not batch.practice:
            note = self.training(self.book(batch).protocol)
        prompt = ask(
            batch, self.book(batch), self.said(), self.talk.pace, stepwise=self.talk.stepwise
        )
        self.reply(noted(note, prompt) if note else prompt, end=end, batch=batch)

    def today(self) -> date:
        """The facility's day."""
        return self.now.astimezone(ZoneInfo(self.unit.site.zone)).date()

    def training(self, protocol: Protocol) -> Prompt | None:
        """Once a day, where there is room for it: that nobody confirmed the numbers in force."""
        told = self.person is None or self.talk.told_training == self.today()
        if told or protocol.confirmed:
            return None
        self.put_talk(told_training=self.today())
        return Prompt("note.training")

    # ---- reminders --------------------------------------------------------------------------

    def remind(self, reminder: Reminder) -> None:
        """Keep *reminder* and ring at its time; one of the same id is replaced."""
        self.unit = self.unit.put_reminder(reminder)
        self.effects.append(SetTimer(reminder.id, reminder.due))

    def forget(self, reminder: Reminder) -> None:
        """The reminder has nothing more to say."""
        self.unit = self.unit.drop_reminder(reminder.id)
        self.effects.append(ClearTimer(reminder.id))

    def next_id(self, kind: str) -> str:
        """An id for a new reminder, never given before at this facility."""
        self.unit = replace(self.unit, serial=self.unit.serial + 1)
        return f"{kind}-{self.unit.site.id}-{self.unit.serial}"

    # ---- keeping batches and sets -----------------------------------------------------------

    def keep(self, before: Batch | None, after: Batch, *, push: bool = False) -> None:
        """Put *after* in the unit, with its timer and the conditions of its sets."""
        self._keep_sets(after)
        if after.outcome:
            self.unit = self.unit.drop_batch(after.id)
            self.effects.append(ClearTimer(after.id))
        else:
            self.unit = self.unit.put_batch(after)
            self._keep_timer(before, after)
        if (push or after.outcome) and not after.practice:
            states = tuple(self.unit.state_of(s.id) for s in after.sets)
            self.effects.append(Push(after, states))

    def put_set(self, state: SetState, since: datetime | None = None) -> None:
        """The set has the condition *state* from this turn on, or *since* an earlier moment."""
        new = state.after(self.unit.state_of(state.id), since or self.now)
        self.unit = self.unit.put_set(new)

    def promise_conditions(self, before: Unit) -> None:
        """Every condition that is not as in *before* goes to the store, with a batch or alone."""
        carried = {
            (s.id, s.condition, s.since)
            for effect in self.effects
            if isinstance(effect, Push)
            for s in effect.sets
            if s.condition != "READY" or s.batch == effect.batch.id
        }
        alone = tuple(
            s
            for i, s in self.unit.sets.items()
            if s != before.sets.get(i) and (i, s.condition, s.since) not in carried
        )
        if alone:
            self.effects.append(Conditions(self.unit.site.id, alone))

    def _keep_timer(self, before: Batch | None, after: Batch) -> None:
        ring = next_ring(after, self.book(after).protocol)
        if ring is not None:
            self.effects.append(SetTimer(after.id, ring))
        elif before is not None and before.due is not None:
            self.effects.append(ClearTimer(after.id))

    def _keep_sets(self, batch: Batch) -> None:
        if batch.practice:
            return
        for member in batch.sets:
            old = self.unit.state_of(member.id)
            if old.batch in ("", batch.id) or old.batch not in self.unit.batches:
                new = self._state(batch, member, old)
                same = (old.condition, old.batch) == (new.condition, new.batch)
                if not same:
                    self.put_set(new, batch.closed_at if batch.late else None)

    def _state(self, batch: Batch, member: BatchSet, old: SetState) -> SetState:
        """The condition that *batch* gives to one of its sets."""
        if batch.outcome == "cancelled" and not member.aside:
            return _as_before(batch, member, old)
        if member.aside:
            return SetState(member.id, "SET ASIDE", batch=batch.id)
        if batch.outcome == "released":
            # The last gate: whatever the machine thinks, the log must be clean.
            clean = not findings(batch, self.book(batch).protocol)
            if clean and batch.expires_at and not batch.practice:
                return SetState(
                    member.id, "READY", None, batch.expires_at, batch.id, load_of(batch)
                )
            return SetState(member.id, "USED", batch=batch.id)
        if old.condition == "IN PROCESS" and old.batch == batch.id:
            return old
        return SetState(member.id, "IN PROCESS", batch=batch.id)

    # ---- telling ----------------------------------------------------------------------------

    def above(self) -> tuple[Person, ...]:
        """Who hears of what went wrong: supervisors, else in-charges, else everyone here.

        Whoever told the carrier to send no more is passed over.
        """
        site = self.unit.site
        in_charge = [p for p in site.people if p.role == "in_charge"]
        for group in (site.supervisors, in_charge, site.people):
            if found := tuple(p for p in group if not self.unit.talk(p.phone).stopped):
                return found
        return ()


def _marks(batch: Batch) -> dict[str, bool]:
    return {"practice": batch.practice, "hastened": batch.hasten != 1 and not batch.practice}


def load_of(batch: Batch) -> str:
    """The autoclave load that the sets of *batch* were in, or ""."""
    loads = [e for e in batch.log if e.kind == "answered" and e.mark == "loaded"]
    value = loads[-1].facts.get("value") if loads and batch.autoclave else None
    return f"{value:g}" if isinstance(value, int | float) else ""


def remembered(state: SetState) -> str:
    """A set's condition as the opening entry keeps it, to be put back if nothing was done."""
    if state.condition == "SET ASIDE":
        return state.condition
    if state.condition != "READY" or state.expires_at is None or state.since is None:
        return ""
    parts = (state.since.isoformat(), state.expires_at.isoformat(), state.batch, state.load)
    return "|".join(parts)


def was_ready(batch: Batch, set_id: str) -> SetState | None:
    """The READY that a set lost when *batch* was opened; None if it was not READY."""
    kept = str(batch.log[0].facts.get(f"was {set_id}", "")) if batch.log else ""
    if "|" not in kept:
        return None
    since, expires, released_by, load = kept.split("|")
    return SetState(
        set_id,
        "READY",
        datetime.fromisoformat(since),
        datetime.fromisoformat(expires),
        released_by,
        load,
    )


def _as_before(batch: Batch, member: BatchSet, old: SetState) -> SetState:
    """The condition before a batch that was begun by mistake: READY only if it was READY.

    Not if anything was answered, even if that was taken back: it may have been done all the same.
    Not from a load that failed, nor opened, in the meantime: *old*, the present condition, knows.
    """
    if batch.log and batch.log[0].facts.get(f"was {member.id}") == "SET ASIDE":
        return SetState(member.id, "SET ASIDE")
    was = was_ready(batch, member.id)
    touched = any(e.kind == "answered" and e.stage != UNDO for e in batch.log)
    if was is None or touched or old.expires_at or (was.load and was.load == old.load):
        return SetState(member.id, "USED")
    return was
