"""What became of one set: the batches it was in, and the conditions that follow from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import msgspec
from sqlalchemy import Connection, literal, select

from bot.cursors import Row, fetch
from bot.model import SetState
from bot.tables import batches, set_states
from flows.batch import Batch

MOST_BATCHES = 100  # of one set, the latest: the page stays below 60 KB
BEFORE = timedelta(days=60)  # a batch that began so long before the time asked still tells of it


@dataclass(frozen=True, slots=True)
class Turn:
    """A set was in a batch from *opened* to *closed* (None: it is still). *after* is its condition
    then, "" as it was before; READY until *expires*."""

    batch: str
    opened: datetime
    closed: datetime | None
    after: str
    expires: datetime | None = None


@dataclass(frozen=True, slots=True)
class During:
    """A set was in *condition* from *start* to *end*."""

    condition: str
    start: datetime
    end: datetime


def turns_of(
    connection: Connection, set_id: str, facility: str, since: datetime, until: datetime
) -> list[Turn]:
    """The batches of *facility* that *set_id* was in, the oldest first: those opened before *until*
    and from BEFORE *since* on, found by the facility's index."""
    columns = (batches.c.id, batches.c.opened_at, batches.c.closed_at, batches.c.expires_at,
               batches.c.outcome, batches.c.aside_count)  # fmt: skip
    words = literal(" ") + batches.c.sets + literal(" ")
    query = select(*columns).where(
        batches.c.facility == facility, batches.c.opened_at >= since - BEFORE,
        batches.c.opened_at < until, words.contains(f" {set_id} ", autoescape=True),
    )  # fmt: skip
    query = query.order_by(batches.c.opened_at.desc(), batches.c.id.desc()).limit(MOST_BATCHES)
    return [_turn(connection, row, set_id) for row in reversed(fetch(connection, query))]


def _turn(connection: Connection, row: Row, set_id: str) -> Turn:
    after = {"released": "READY", "set aside": "SET ASIDE", "cancelled": ""}.get(row["outcome"], "")
    if row["aside_count"] and row["outcome"]:  # the batch itself says which of its sets
        doc = connection.scalar(select(batches.c.doc).where(batches.c.id == row["id"]))
        batch = msgspec.json.decode(doc or "", type=Batch)
        after = "SET ASIDE" if any(s.id == set_id and s.aside for s in batch.sets) else after
    return Turn(row["id"], row["opened_at"], row["closed_at"], after, row["expires_at"])


def state_of(connection: Connection, set_id: str) -> SetState | None:
    """The newest condition that the store knows of; None for a set never heard of."""
    columns = (set_states.c.condition, set_states.c.since, set_states.c.expires_at,
               set_states.c.batch)  # fmt: skip
    found = fetch(connection, select(*columns).where(set_states.c.id == set_id))
    return SetState(set_id, **found[0]) if found else None


def conditions(
    turns: Sequence[Turn], state: SetState | None, since: datetime, until: datetime
) -> list[During]:
    """The conditions of a set from *since* to *until* as its *turns* tell them, in order of time;
    *state*, the newest, tells what happened without a batch, as when a READY set was opened.

    Before its first batch nothing is known, and nothing is said.
    """
    told = sorted(_changes(turns, state), key=lambda change: change[0])
    found: list[During] = []
    for number, (at, condition) in enumerate(told):
        end = told[number + 1][0] if number + 1 < len(told) else until
        start, end = max(at, since), min(end, until)
        if start < end:
            found.append(During(condition, start, end))
    return found


def _changes(turns: Sequence[Turn], state: SetState | None) -> Iterator[tuple[datetime, str]]:
    """Each moment from which a condition holds, with the condition."""
    last = max((turn.closed or turn.opened for turn in turns), default=None)
    alone = _alone(state, last)
    for at, condition in _by_turns(turns):
        if alone is None or at < alone[0]:  # a READY set that was used does not expire any more
            yield at, condition
    if alone:
        yield alone


def _alone(state: SetState | None, last: datetime | None) -> tuple[datetime, str] | None:
    """A change after the *last* batch that no batch made."""
    if state is None or state.since is None or state.condition not in ("USED", "SET ASIDE"):
        return None
    return (state.since, state.condition) if last is None or state.since > last else None


def _by_turns(turns: Sequence[Turn]) -> Iterator[tuple[datetime, str]]:
    condition, expires = "USED", None
    for turn, following in zip(turns, [*turns[1:], None], strict=False):
        yield turn.opened, "IN PROCESS"
        if turn.closed is None:
            continue
        if turn.after:
            condition, expires = turn.after, turn.expires
        yield turn.closed, condition
        if condition == "READY" and expires and (not following or expires < following.opened):
            condition = "EXPIRED"
            yield max(expires, turn.closed), condition
