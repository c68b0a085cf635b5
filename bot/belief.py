"""What the store believes of a READY that it is sent: only what a released batch proves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from bot.effects import Push
from bot.model import SetState
from flows.batch import Batch


def believed(record: Push, findings: Callable[[Batch], Sequence[object]]) -> Push:
    """The same record without every READY that its own batch does not prove.

    A set is READY only from a released batch that it is still in, and against which *findings*
    has nothing to say. The batch itself is kept, whatever it claims: it is evidence.
    """
    if not any(s.condition == "READY" for s in record.sets):
        return record
    batch = record.batch
    proven = batch.outcome == "released" and not findings(batch)
    ready = {s.id for s in batch.remaining} if proven else set()
    kept = tuple(s for s in record.sets
                 if s.condition != "READY" or (s.id in ready and s.batch in {"", batch.id}))
    return replace(record, sets=kept)


def proves(batch: Batch, state: SetState, against: Sequence[object]) -> bool:
    """Whether *batch* proves that a set is READY as *state* says; *against* are its findings.

    The set is still in it, it was released before, and the storage life is the one it gave.
    """
    released = batch.outcome == "released" and batch.closed_at and not against
    if not released or batch.practice or batch.expires_at is None or state.since is None:
        return False
    inside = state.id in {s.id for s in batch.remaining}
    in_time = batch.closed_at is not None and state.since >= batch.closed_at
    return inside and in_time and state.batch == batch.id and state.expires_at == batch.expires_at
