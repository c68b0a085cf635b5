"""Sets that a register describes otherwise than the one before, and what tells their facilities.

The letters go out before the register is changed: should that fail, a set was made USED for
nothing, which hurts nobody.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from bot.effects import Post
from bot.events import Letter
from bot.register import Register
from bot.site import SetCard

SHOWN = timedelta(seconds=2)  # until the facility's page of the register is out


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
