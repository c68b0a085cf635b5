"""What a facility did on its own day: batches begun and ended, READY sets used."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from bot.alert import Tally
from bot.effects import Push
from bot.model import SetState, Unit
from bot.turn import Turn


def count_day(turn: Turn, before: Unit) -> None:
    """Count what this turn did, on the facility's day."""
    day = turn.now.astimezone(ZoneInfo(turn.unit.site.zone)).date().isoformat()
    tally = turn.unit.tally
    if tally.day != day:
        raised = tally.alerts - before.tally.alerts if before.tally.day == tally.day else 0
        tally = Tally(day=day, alerts=raised)
    closed = [e.batch for e in turn.effects if isinstance(e, Push) and e.batch.outcome]
    begun = [b for i, b in turn.unit.batches.items() if i not in before.batches]
    used = _used(turn, before)
    if closed or begun or used:
        tally = replace(
            tally,
            begun=tally.begun + sum(not b.practice for b in begun),
            released=tally.released + sum(b.outcome == "released" for b in closed),
            set_aside=tally.set_aside + sum(b.outcome == "set aside" for b in closed),
            uses=max(tally.uses + used, 0),
        )
    if tally is not turn.unit.tally:
        turn.unit = replace(turn.unit, tally=tally)
    if used:  # the shift check reckons with them, whatever day it is
        check = turn.unit.check
        counted = max(check.counted + used, 0)
        turn.unit = replace(turn.unit, check=replace(check, counted=counted))


def _used(turn: Turn, before: Unit) -> int:
    """READY sets that this turn made anything else by a person's word: each was used, unless
    *unused*. Less those that are READY as before, since their batch was begun by mistake."""
    if turn.person is None or turn.unit.sets is before.sets:
        return 0
    was = [s for s in before.sets.values() if s.now(turn.now) == "READY"]
    used = sum(_spent(s, turn.unit.state_of(s.id)) for s in was if s.id not in turn.unused)
    closed = (e for e in turn.effects if isinstance(e, Push) and e.batch.outcome == "cancelled")
    return used - sum(s.condition == "READY" for push in closed for s in push.sets)


def _spent(was: SetState, now: SetState) -> bool:
    """Whether a READY set is to be cleaned, or was in the meantime: a batch told from paper makes
    it READY anew in one turn."""
    anew = now.condition == "READY" and now.batch != was.batch
    return anew or now.condition in ("USED", "IN PROCESS")
