"""Gaps: times in which no set of a kind was READY at a facility.

A set stops being READY when a turn makes it anything else, or when its storage life is over, which
no turn need be there for. So a gap begins at the moment of the set that was READY last, not at the
turn that found none; and it ends when a set was stored READY again.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import get_args

from bot.effects import Gap
from bot.model import SetState, Unit
from bot.turn import Turn
from flows.batch import Kind

KINDS: tuple[Kind, ...] = get_args(Kind)


def note(turn: Turn, before: Unit) -> Mapping[str, datetime]:
    """The kinds of which no set is READY, each with the moment since when.

    A gap that this turn finds begun or ended goes to the store.
    """
    known = turn.unit.watch.empty
    kinds: dict[Kind, list[str]] = {}
    for card in turn.unit.site.sets:
        kinds.setdefault(card.kind, []).append(card.id)
    found = {kind: _gap(turn, before, kind, ids) for kind, ids in sorted(kinds.items())}
    for kind in KINDS:
        if kind in known and kind not in found:  # the facility has none of that kind any more
            _tell(turn, kind, known[kind], turn.now)
    return {kind: since for kind, since in found.items() if since}


def _gap(turn: Turn, before: Unit, kind: Kind, ids: list[str]) -> datetime | None:
    """Since when no set of *kind* is READY; None if one is."""
    known = turn.unit.watch.empty.get(kind)
    left = [_left(before.state_of(i), turn.unit.state_of(i), turn.now) for i in ids]
    # Where nobody knows of a READY set the gap begins as soon as somebody looks.
    since = known or min(max((at for at in left if at), default=turn.now), turn.now)
    back = _back(turn, ids)
    if back is None and known is None:
        _tell(turn, kind, since, None)
    elif back and (known or (any(left) and since < back)):
        _tell(turn, kind, since, max(since, back))
    return since if back is None else None


def _left(was: SetState, now: SetState, moment: datetime) -> datetime | None:
    """Until when a set that was READY before the turn is or was so; None if it was not."""
    if was.condition != "READY":
        return None
    ends = was.expires_at or was.since or moment
    return ends if now == was else min(ends, now.since or moment)


def _back(turn: Turn, ids: list[str]) -> datetime | None:
    """Since when the longest READY of these sets is so; None if none is."""
    states = (turn.unit.state_of(i) for i in ids)
    return min((s.since or turn.now for s in states if s.now(turn.now) == "READY"), default=None)


def _tell(turn: Turn, kind: Kind, since: datetime, until: datetime | None) -> None:
    site = turn.unit.site
    name = f"{site.id}-{kind}-{since.astimezone(UTC):%Y%m%dT%H%M%S.%fZ}"
    turn.effects.append(Gap(name, site.id, site.district, kind, since, until))
