"""Sets called back: from a failed autoclave load, or from every load that a spore test doubts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bot.alerting import raise_alert
from bot.book import write
from bot.effects import Prompt
from bot.model import SetState
from bot.progress import go, settled
from bot.turn import Turn, load_of, was_ready
from flows.batch import Batch, short
from flows.release import marks
from flows.stage import EARLIEST

Doubted = Callable[[SetState], bool]
"""Whether a READY set is called back; only sets from an autoclave load are asked about."""


def recall(turn: Turn, batch: Batch) -> Batch:
    """Every other set READY from the same autoclave load is USED again, and those above know."""
    load = load_of(batch)
    if load and not batch.practice:
        _load_failed(turn, load, batch)
    return batch


def recall_told(turn: Turn, load: str) -> None:
    """The same for a failed load that was told of afterwards: no batch here carries it."""
    _load_failed(turn, load, None)


def _load_failed(turn: Turn, load: str, batch: Batch | None) -> None:
    own = batch.id if batch else ""
    names = call_back(turn, lambda s: s.load == load and s.batch != own)
    for other in tuple(turn.unit.batches.values()):
        loaded = ("loaded", "") in marks(other.log) and load_of(other) == load
        if other.id != own and not other.practice and loaded:
            names += again(turn, other, "loaded")
    if not names:
        return
    values = {"site": turn.unit.site.id, "sets": "+".join(names), "load": load}
    here = turn.unit.site.people
    for person in here:
        if batch:
            turn.say(person, Prompt("recall", values), "alert", batch)
        else:
            turn.say_plain(person, Prompt("recall", values))
    raise_alert(
        turn, "recall", f"{own} {load}", batch, by=turn.person.id if turn.person else "",
        already=tuple(p for p in here if p.role == "in_charge"), facts={"sets": short(names)},
    )  # fmt: skip


def call_back(turn: Turn, doubted: Doubted) -> list[str]:
    """The ids of the sets that were READY and *doubted*: they are USED from now on."""
    states = tuple(turn.unit.sets.values())
    called = [s for s in states if s.condition == "READY" and s.load and doubted(s)]
    for state in called:
        turn.put_set(replace(state, condition="USED", expires_at=None, load=""))
        turn.unused.add(state.id)
    for state in tuple(turn.unit.sets.values()):
        # Begun again by mistake, perhaps: cancelling must not make it READY from this load.
        under = turn.unit.batches.get(state.batch)
        was = was_ready(under, state.id) if under and state.condition == "IN PROCESS" else None
        if was and was.load and doubted(was):
            turn.put_set(replace(state, load=was.load))
    return [s.id for s in called]


def again(turn: Turn, batch: Batch, mark: str) -> list[str]:
    """Send an open batch back to *mark*; the ids of its sets."""
    # As an interruption, which nobody can take back.
    after = write(batch, turn.said(), "interrupted", mark=mark)
    turn.keep(batch, go(settled(after), turn.book(batch), EARLIEST, turn.said()))
    holder = turn.unit.site.by_id(batch.holder)
    if holder and turn.unit.talk(holder.phone).batch == batch.id:
        # Her next digit was meant for another question: it chooses the batch first.
        talk = replace(turn.unit.talk(holder.phone), screen="choose", choices=(batch.id,))
        turn.unit = turn.unit.put_talk(talk)
    return [s.id for s in batch.remaining]
