"""A failed autoclave load: every set that was in it is called back."""

from __future__ import annotations

from dataclasses import replace

from bot.book import write
from bot.model import (
    Prompt,
)
from bot.progress import go
from bot.turn import Turn, load_of, was_ready
from flows.batch import Batch
from flows.release import marks
from flows.stage import EARLIEST


def recall(turn: Turn, batch: Batch) -> Batch:
    """Every other set READY from the same autoclave load is USED again, and those above know."""
    load = load_of(batch)
    if batch.practice or not load:
        return batch
    called = [
        s
        for s in turn.unit.sets.values()
        if s.condition == "READY" and s.load == load and s.batch != batch.id
    ]
    for state in called:
        turn.put_set(replace(state, condition="USED", expires_at=None, load=""))
    for state in tuple(turn.unit.sets.values()):
        # Begun again by mistake, perhaps: cancelling must not make it READY from this load.
        under = turn.unit.batches.get(state.batch)
        was = was_ready(under, state.id) if under and state.condition == "IN PROCESS" else None
        if was and was.load == load:
            turn.put_set(replace(state, load=load))
    names = [s.id for s in called] + _load_again(turn, batch, load)
    if names:
        for person in (*turn.above(), *turn.unit.site.people):
            values = {"site": turn.unit.site.id, "sets": "+".join(names), "load": load}
            prompt = Prompt("recall", values)
            turn.say(person, prompt, "alert", batch)
    return batch


def _load_again(turn: Turn, failed: Batch, load: str) -> list[str]:
    """Send every other open batch of the load that *failed* back to its loading: their sets."""
    names: list[str] = []
    for batch in tuple(turn.unit.batches.values()):
        loaded = ("loaded", "") in marks(batch.log) and load_of(batch) == load
        if batch.id == failed.id or batch.practice or not loaded:
            continue
        # As an interruption, which nobody can take back.
        after = write(batch, turn.said(), "interrupted", mark="loaded")
        turn.keep(batch, go(after, turn.book(batch), EARLIEST, turn.said()))
        names += [s.id for s in batch.remaining]
        holder = turn.unit.site.by_id(batch.holder)
        if holder and turn.unit.talk(holder.phone).batch == batch.id:
            # Her next digit was meant for another question: it chooses the batch first.
            talk = replace(turn.unit.talk(holder.phone), screen="choose", choices=(batch.id,))
            turn.unit = turn.unit.put_talk(talk)
    return names
