"""A set whose model the register describes otherwise: what was proved of it holds no more.

Other pieces, another maker's methods: READY was earned by the old ones.
"""

from __future__ import annotations

from dataclasses import replace

from bot.events import Letter
from bot.model import SetState
from bot.recall import again
from bot.site import SetCard
from bot.turn import Turn
from flows.batch import BatchSet
from flows.release import ORDER


def told(turn: Turn, letter: Letter) -> None:
    """The set is USED; a batch that it is in begins again, with the set as it is described now."""
    state = turn.unit.state_of(letter.about)
    batch = turn.unit.batches.get(state.batch)
    if state.condition == "READY":
        turn.put_set(SetState(state.id, "USED"))
        turn.unused.add(state.id)
    elif batch:
        cards = {c.id: c for c in turn.unit.site.sets}
        sets = tuple(_now(s, cards) if s.id == state.id else s for s in batch.sets)
        again(turn, replace(batch, sets=sets), ORDER[0])


def _now(member: BatchSet, cards: dict[str, SetCard]) -> BatchSet:
    card = cards.get(member.id)
    if card is None:
        return member
    return replace(
        member, model=card.model, kind=card.kind, pieces=card.pieces, methods=card.methods
    )
