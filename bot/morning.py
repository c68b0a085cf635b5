"""What supervisors hear with nobody asking: each morning, and when a silence ends, one text with
all that still waits for an answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from bot.alert import Alert, AlertLine
from bot.alert_words import digest_prompt, told_prompt
from bot.alerting import keep, morning
from bot.effects import Post, Say, SetTimer
from bot.events import Event, Letter, Rang
from bot.model import Reminder
from bot.overview import ROWS, alerts, waits_for
from bot.paging import digest
from bot.site import Person
from bot.turn import Turn
from bot.watching import WATCH
from bot.whom import local_time, reachable


def look(turn: Turn, event: Event) -> None:
    """A district's own timer: the digest at its time, then the timer for the next morning."""
    if not turn.unit.site.watches:
        return
    due = turn.unit.watch.due
    rung = isinstance(event, Rang) and event.batch_id == WATCH
    if rung and due and due <= turn.now:
        # A timer that rings late still tells, but nobody is woken for it.
        if not turn.rules.alerts.quiet(local_time(turn.unit.site, turn.now)):
            for person in turn.unit.site.supervisors:
                _digest(turn, person)
        due = None
    if due is None:
        due = morning(turn) + timedelta(minutes=turn.rules.alerts.digest_after_minutes)
    if rung or due != turn.unit.watch.due:
        turn.effects.append(SetTimer(WATCH, due))
        turn.unit = replace(turn.unit, watch=replace(turn.unit.watch, due=due))


def _digest(turn: Turn, person: Person) -> None:
    """What she was told of and has not answered, unless she wants silence."""
    if reachable(turn.unit, person, turn.now):
        _tell(turn, person, lambda alert: waits_for(alert, person.id))


def quiet_over(turn: Turn, reminder: Reminder) -> None:
    """The silence that somebody asked for is over: what is open comes in one text."""
    turn.forget(reminder)
    person = turn.unit.site.by_id(reminder.by)
    if person is None or not reachable(turn.unit, person, turn.now):
        return
    if turn.unit.site.watches:
        _tell(turn, person, lambda alert: alert.state == "open")
    else:
        _tell_here(turn, person)


def _tell(turn: Turn, person: Person, wanted: Callable[[Alert], bool]) -> None:
    """One text with the alerts that are *wanted*; their facilities hear that she was told."""
    turn.person, turn.talk = person, turn.unit.talk(person.phone)
    found = [a for a in alerts(turn) if wanted(a)]
    ids = {a.id for a in found}
    rows = [row for row in ROWS["alerts"](turn) if row.id in ids]
    if rows:
        turn.effects.append(Say(person.phone, digest(turn, rows), "alert"))
    for alert in found:
        if person.id not in alert.told:
            letter = Letter("", turn.now, "told", person.id, person.name, alert.id)
            turn.effects.append(Post(alert.facility, letter))
    turn.person = None


def _tell_here(turn: Turn, person: Person) -> None:
    """The same for somebody at the facility itself."""
    found = [a for a in turn.unit.alerts.values() if a.state == "open"]
    if not found:
        return
    text = digest_prompt(found) if len(found) > 1 else told_prompt(turn, found[0], person)
    turn.effects.append(Say(person.phone, text, "alert", found[0].id))
    for alert in found:
        if person.id not in alert.told:
            keep(turn, alert.with_line(AlertLine(turn.now, person.id, "told")))
