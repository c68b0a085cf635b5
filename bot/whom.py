"""Who can be told: by role, by who is at work, by who asked for silence."""

from __future__ import annotations

from datetime import datetime, time
from zoneinfo import ZoneInfo

from bot.model import Unit
from bot.site import Person, Site


def local_time(site: Site, now: datetime) -> time:
    """The facility's clock at *now*."""
    return now.astimezone(ZoneInfo(site.zone)).time()


def in_shift(shift: str, local: time) -> bool:
    """Whether *local* lies in *shift* ("07:00-19:00", also over midnight); "" is always."""
    begins, _, ends = shift.partition("-")
    try:
        first, last = time.fromisoformat(begins), time.fromisoformat(ends)
    except ValueError:
        return True
    return first <= local < last if first <= last else local >= first or local < last


def reachable(unit: Unit, person: Person, now: datetime, *, loud: bool = False) -> bool:
    """Whether a text to *person* is of use: not on leave, not silenced. *loud* breaks silence."""
    talk = unit.talk(person.phone)
    silent = talk.quiet_until is not None and now < talk.quiet_until and not loud
    return not talk.absent(now) and not silent


def at_work(unit: Unit, now: datetime) -> tuple[Person, ...]:
    """Who can be told and is on shift here: those with a batch in hand, then those in shift.

    Where the shifts are known and nobody is in one, everybody counts: someone must hear it.
    """
    people = [p for p in unit.site.people if reachable(unit, p, now)]
    holders = {b.holder for b in unit.batches.values()}
    local = local_time(unit.site, now)
    here = [p for p in people if in_shift(p.shift, local) or p.id in holders]
    return tuple(sorted(here or people, key=lambda p: (p.id not in holders, p.shift == "", p.id)))


def recipients(
    unit: Unit, to: str, by: str, now: datetime, *, worked: frozenset[str] = frozenset(),
    loud: bool = False,
) -> tuple[Person, ...]:  # fmt: skip
    """Who is told at a step to *to* of a matter of *by*; those who *worked* on it come first."""
    site = unit.site
    if to == "supervisor":
        return tuple(p for p in site.supervisors if reachable(unit, p, now, loud=loud))
    if to == "in_charge":
        chiefs = (p for p in site.people if p.role == "in_charge" and p.id != by)
        return tuple(p for p in chiefs if reachable(unit, p, now, loud=loud))
    here = at_work(unit, now)
    own = [p for p in site.people if p.id == by and reachable(unit, p, now)]
    if to == "nurse" and own:
        return (own[0],)
    others = [p for p in here if p.id != by]
    return tuple(sorted(others, key=lambda p: (p.id not in worked, p.role == "in_charge")))[:1]
