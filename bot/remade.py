"""A set whose model the register describes otherwise: what was proved of it holds no more.

Other pieces, another maker's methods: READY was earned by the old ones. The letters go out before
the register is changed: should that fail, a set was made USED for nothing, which hurts nobody.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta

from bot.effects import Post
from bot.events import Letter
from bot.model import SetState
from bot.recall import again
from bot.register import Register
from bot.site import SetCard
from bot.turn import Turn
from flows.batch import BatchSet
from flows.release import ORDER

SHOWN = timedelta(seconds=2)


def remade(before: Register, after: Register) -> dict[str, str]:
    """The facility of each set that both registers have there and describe differently."""
    old = _cards(before)
    return {
        set_id: site_id
        for (site_id, set_id), card in _cards(after).items()
        if old.get((site_id, set_id), card) != card
    }


def _cards(register: Register) -> dict[tuple[str, str], SetCard]:
    return {(site.id, card.id): card for site in register.sites() for card in site.sets}


def letters(before: Register, after: Register, at: datetime) -> Iterable[Post]:
    """What tells the facilities of it, as soon as their pages of the register are out."""
    due = at + SHOWN
    for set_id, site_id in sorted(remade(before, after).items()):
        letter_id = f"remade:{set_id}:{at.isoformat()}"
        yield Post(site_id, Letter(letter_id, due, "remade", "", about=set_id))


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
