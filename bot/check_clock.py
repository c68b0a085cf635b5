"""The times of the shift check by the facility's clock: asked when one comes, missed when the next
one does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from bot.check import Check, Round
from bot.check_words import shown_time, since
from bot.effects import Checked, Prompt, Say, Shown
from bot.showing import ready_sets
from bot.turn import Turn
from bot.whom import at_work

RULE = "check"
# After a silence of years the misses of the last month are enough, and one commit stays small.
LOOKED_BACK = timedelta(days=31)


def times(turn: Turn) -> tuple[str, ...]:
    """When the facility checks its sets; never, where nobody watches for a check."""
    return turn.unit.site.checks if turn.rules.alerts.rule(RULE) else ()


def slots(of: Iterable[str], zone: ZoneInfo, after: datetime, until: datetime) -> list[datetime]:
    """The moments of these local times later than *after*, up to *until*, each once, in order.

    A time that the clock leaves out when it is set ahead is as long after midnight as ever; of
    one that comes twice the first counts.
    """
    first = after.astimezone(zone).date() - timedelta(days=1)
    days = (until.astimezone(zone).date() - first).days + 2
    found = {
        datetime.combine(first + timedelta(days=n), time.fromisoformat(text), zone).astimezone(
            after.tzinfo
        )
        for text in of
        for n in range(days)
    }
    return sorted(moment for moment in found if after < moment <= until)


def keep_time(turn: Turn) -> datetime | None:
    """Do what the clock of the check has to do now. Returns when it must be looked at next."""
    come_to(turn)
    wanted, check = times(turn), turn.unit.check
    if not wanted:
        return None
    if check.due and check.asked is None:
        _ask(turn, check.due)
    zone = ZoneInfo(turn.unit.site.zone)
    return slots(wanted, zone, turn.now, turn.now + timedelta(days=2))[0]


def come_to(turn: Turn) -> None:
    """Take note of the times that have passed; those that nobody did a check for are missed."""
    wanted, check = times(turn), turn.unit.check
    if not wanted:
        gone = replace(check, since=None, slot=None, asked=None, asked_of="")
        keep_check(turn, gone)
        return
    if check.since is None:  # no time from before anybody looked is due
        check = replace(check, since=turn.now)
    known = max(check.slot or check.since or turn.now, turn.now - LOOKED_BACK)
    passed = slots(wanted, ZoneInfo(turn.unit.site.zone), known, turn.now)
    if passed:
        for missed in (*([check.due] if check.due else []), *passed[:-1]):
            turn.effects.append(_missed(turn, check, missed))
        check = replace(check, slot=passed[-1], asked=None, asked_of="", round=None)
    keep_check(turn, check)


def keep_check(turn: Turn, check: Check) -> None:
    """Put *check* into the unit."""
    if check != turn.unit.check:
        turn.unit = replace(turn.unit, check=check)


def _ask(turn: Turn, slot: datetime) -> None:
    """Ask one nurse who is at work; whoever is at it already need not be asked."""
    check = turn.unit.check
    people = sorted(at_work(turn.unit, turn.now), key=lambda p: p.role != "nurse")
    at_it = turn.unit.site.by_id(check.round.by) if check.round else None
    person = at_it or (people[0] if people else None)
    if person and not at_it:
        turn.effects.append(Say(person.phone, _asking(turn, slot)))
    keep_check(turn, replace(check, asked=turn.now, asked_of=person.id if person else ""))


def _asking(turn: Turn, slot: datetime) -> Prompt:
    values: dict[str, Shown] = {
        "site": turn.unit.site.id,
        "slot": shown_time(slot, turn.now),
        "count": len(ready_sets(turn)),
    }
    return Prompt("check.time", values)


# ---- what the store keeps --------------------------------------------------------------------


def _missed(turn: Turn, check: Check, slot: datetime) -> Checked:
    """A check that was not done: with what was seen before somebody stopped, if anything was."""
    begun = check.round if check.round and check.round.of == slot else None
    return checked(turn, slot, begun, helped=None, done=False)


def checked(
    turn: Turn, slot: datetime | None, begun: Round | None, *, helped: int | None, done: bool
) -> Checked:
    """The record of a check, for the time *slot* or between the times."""
    site, check = turn.unit.site, turn.unit.check
    at = begun.at if begun and slot is None else slot or turn.now
    between = "" if slot else "any-"
    return Checked(
        id=f"{site.id}-{between}{at:%Y%m%dT%H%M%SZ}",
        facility=site.id,
        district=site.district,
        slot=slot,
        at=turn.now if done else None,
        by=begun.by if begun else "",
        since=since(turn.unit, turn.now),
        sets=dict(begun.answers) if begun else {},
        uses_said=begun.uses if begun else None,
        uses_counted=check.counted,
        births=begun.births if begun else None,
        helped=helped,
        late_minutes=(turn.now - slot) / timedelta(minutes=1) if slot and done else 0.0,
        done=done,
    )
