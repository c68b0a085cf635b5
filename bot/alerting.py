"""What becomes of an alert: raised, told step by step, answered, over.

The rules are data (`flows.alerting`); this is the one place that acts on them. Nothing here moves
a batch or changes a set.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from bot.alert import Alert, AlertLine, AlertState, Ended
from bot.alert_words import answer_prompt, digest_prompt, told_prompt
from bot.effects import ClearTimer, Prompt, Raised, Say, SetTimer
from bot.events import Letter
from bot.site import Person
from bot.turn import Turn
from bot.whom import local_time, recipients
from flows.alerting import AlertRule
from flows.batch import Batch

OFF_DUTY = ("in_charge", "supervisor")  # who is let sleep in the quiet hours
MOST_WORD = 80  # characters of a word with an answer: it is sent on in a text
MOST_ENDED = 12  # closed alerts that a facility still knows of: more end in no ten minutes


def raise_alert(
    turn: Turn,
    rule_id: str,
    matter: str,
    batch: Batch | None = None,
    *,
    by: str = "",
    already: tuple[Person, ...] = (),
    facts: Mapping[str, str] | None = None,
) -> None:
    """Something happened that falls under *rule_id*. The same *matter* is one alert, counted.

    *already*: who was told of it in other words in this turn. Practice raises nothing.
    """
    rule = turn.rules.alerts.rule(rule_id)
    if rule is None or (batch and batch.practice):
        return
    open_one = find(turn, rule_id, matter)
    if open_one:
        keep(turn, replace(open_one, count=open_one.count + 1, last=turn.now))
        return
    alert = Alert(
        id=_next_code(turn), facility=turn.unit.site.id, rule=rule_id, matter=matter,
        at=turn.now, last=turn.now, facts=facts or {}, batch=batch.id if batch else "", by=by,
    )  # fmt: skip
    tally = turn.unit.tally
    turn.unit = replace(turn.unit, tally=replace(tally, alerts=tally.alerts + 1))
    for person in already:
        alert = alert.with_line(AlertLine(turn.now, person.id, "told"))
    advance(turn, alert, rule)


def find(turn: Turn, rule_id: str, matter: str) -> Alert | None:
    """The open alert of this matter, or None."""
    alerts = turn.unit.alerts.values()
    return next((a for a in alerts if (a.rule, a.matter) == (rule_id, matter)), None)


def _next_code(turn: Turn) -> str:
    turn.unit = replace(turn.unit, serial=turn.unit.serial + 1)
    return f"{turn.unit.site.id}-{turn.unit.serial}"


def keep(turn: Turn, alert: Alert) -> None:
    """Keep *alert* with its timer, or let a closed one go; the store hears of either."""
    if alert.closed:
        alert = replace(alert, due=None, waiting=False)
        turn.unit = turn.unit.drop_alert(alert.id)
        ended = Ended(alert.id, alert.rule, turn.now, alert.state, alert.told)
        known = [e for e in turn.unit.watch.ended if e.id != alert.id]
        last = (*known, ended)[-MOST_ENDED:]
        turn.unit = replace(turn.unit, watch=replace(turn.unit.watch, ended=last))
    else:
        turn.unit = turn.unit.put_alert(alert)
    timer = SetTimer(alert.id, alert.due) if alert.due else ClearTimer(alert.id)
    turn.effects = [
        e for e in turn.effects if not (isinstance(e, Raised) and e.alert.id == alert.id)
    ]
    turn.effects += [timer, Raised(turn.unit.site.district, alert)]


# ---- told, step by step --------------------------------------------------------------------


def came_up(turn: Turn, alert: Alert) -> None:
    """The timer of *alert*: the next step, unless it was answered or the timer came early."""
    rule = turn.rules.alerts.rule(alert.rule)
    if alert.due and turn.now < alert.due:
        turn.effects.append(SetTimer(alert.id, alert.due))
    elif rule is None or alert.state != "open":
        keep(turn, replace(alert, due=None, waiting=False))
    elif alert.waiting:
        wake(turn)
    else:
        _all_due(turn)


def _all_due(turn: Turn) -> None:
    """Every alert whose next step is due: what is due together is told together."""
    for alert in tuple(turn.unit.alerts.values()):
        rule = turn.rules.alerts.rule(alert.rule)
        due = alert.due is not None and alert.due <= turn.now
        if rule and due and alert.state == "open" and not alert.waiting:
            advance(turn, alert, rule, forced=True)


def wake(turn: Turn) -> None:
    """The quiet hours are over: each person hears in one text all that waited for her.

    Supervisors hear it from their own unit, together with what waited at other facilities.
    """
    heard: dict[str, list[Alert]] = {}
    people: dict[str, Person] = {}
    for alert in tuple(turn.unit.alerts.values()):
        rule = turn.rules.alerts.rule(alert.rule)
        if not rule or not alert.waiting or not alert.due or alert.due > turn.now:
            continue
        alert, new = _morning_steps(turn, alert, rule)  # noqa: PLW2901
        for person in new:
            people[person.id] = person
            if person.role != "supervisor":
                heard.setdefault(person.id, []).append(alert)
        _next_timer(turn, alert, rule)
    for person_id, alerts in heard.items():
        many = len(alerts) > 1
        text = digest_prompt(alerts) if many else told_prompt(turn, alerts[0], people[person_id])
        _send(turn, alerts[0], people[person_id], text)


def _morning_steps(
    turn: Turn, alert: Alert, rule: AlertRule
) -> tuple[Alert, tuple[Person, ...]]:  # fmt: skip
    """*alert* after the step that waited and those that follow at once, and who heard of it."""
    heard: list[Person] = []
    alert = replace(alert, waiting=False)
    while alert.step + 1 < len(rule.steps):
        step = rule.steps[alert.step + 1]
        if heard and step.after_minutes:
            break
        alert = replace(alert, step=alert.step + 1)
        found = recipients(turn.unit, step.to, alert.by, turn.now, loud=rule.breaks_silence)
        for person in found:
            if person.id not in alert.told:
                heard.append(person)
                alert = alert.with_line(AlertLine(turn.now, person.id, "told"))
    return alert, tuple(heard)


def _next_timer(turn: Turn, alert: Alert, rule: AlertRule) -> None:
    if alert.step + 1 < len(rule.steps):
        later = timedelta(minutes=rule.steps[alert.step + 1].after_minutes)
        keep(turn, replace(alert, due=turn.now + later))
    else:
        keep(turn, replace(alert, due=None))


def advance(turn: Turn, alert: Alert, rule: AlertRule, *, forced: bool = False) -> None:
    """Take every step that is due, then set the timer of the next one.

    A step at which nobody can be told is no step. *forced*: the first one's time is up, or
    somebody passed the matter on.
    """
    last, waited = alert.at if alert.step < 0 else turn.now, forced
    while alert.step + 1 < len(rule.steps):
        step = rule.steps[alert.step + 1]
        due = last + timedelta(minutes=step.after_minutes)
        if not waited and due > turn.now:
            keep(turn, replace(alert, due=due))
            return
        people = recipients(
            turn.unit, step.to, alert.by, turn.now, worked=_worked(turn, alert),
            loud=rule.breaks_silence,
        )  # fmt: skip
        new = tuple(p for p in people if p.id not in alert.told)
        if new and step.to in OFF_DUTY and _must_wait(turn, rule):
            keep(turn, replace(alert, due=morning(turn), waiting=True))
            return
        alert = replace(_tell(turn, alert, new), step=alert.step + 1)
        waited, last = waited and not new, turn.now
    if not alert.told:
        alert = _tell(turn, alert, turn.above())
    keep(turn, replace(alert, due=None, waiting=False))


def _worked(turn: Turn, alert: Alert) -> frozenset[str]:
    batch = turn.unit.batches.get(alert.batch)
    return frozenset(e.by for e in batch.log if e.by) if batch else frozenset()


def _must_wait(turn: Turn, rule: AlertRule) -> bool:
    """Whether those off duty are let sleep; a matter of the morning waits for it at any hour."""
    quiet = turn.rules.alerts.quiet(local_time(turn.unit.site, turn.now))
    return rule.level == "morning" or (rule.level == "soon" and quiet)


def morning(turn: Turn) -> datetime:
    """When the quiet hours end next."""
    zone = ZoneInfo(turn.unit.site.zone)
    local = turn.now.astimezone(zone)
    ends = datetime.combine(local.date(), turn.rules.alerts.quiet_until, zone)
    if ends <= local:
        ends = datetime.combine(
            local.date() + timedelta(days=1), turn.rules.alerts.quiet_until, zone
        )
    return ends.astimezone(turn.now.tzinfo)


def _tell(turn: Turn, alert: Alert, people: tuple[Person, ...]) -> Alert:
    for person in people:
        _send(turn, alert, person, told_prompt(turn, alert, person))
        alert = alert.with_line(AlertLine(turn.now, person.id, "told"))
    return alert


def _send(turn: Turn, alert: Alert, person: Person, text: Prompt) -> None:
    """An SMS whose receipt leads back to *alert*."""
    batch = turn.unit.batches.get(alert.batch)
    hastened = bool(batch and batch.hasten != 1)
    turn.effects.append(Say(person.phone, text, "alert", alert.id, hastened=hastened))


def not_delivered(turn: Turn, alert: Alert) -> None:
    """The newest text about *alert* did not arrive: it goes further at once."""
    rule = turn.rules.alerts.rule(alert.rule)
    if rule and alert.state == "open":
        advance(turn, alert, rule, forced=True)


# ---- answered -------------------------------------------------------------------------------

STATES: dict[str, AlertState] = {"seen": "seen", "taken": "taken", "solved": "solved"}


def answered(turn: Turn, alert: Alert, letter: Letter) -> None:
    """Somebody answered: here, or from the district by letter. The newest answer stands."""
    line = AlertLine(turn.now, letter.by, letter.kind, letter.word[:MOST_WORD])  # type: ignore[arg-type]
    alert = alert.with_line(line)
    if letter.kind in STATES:
        alert = replace(alert, state=STATES[letter.kind], due=None, waiting=False)
        if letter.kind != "seen":
            _say_to(turn, _whose(turn, alert), alert, letter)
    elif letter.kind == "asked":
        alert = replace(alert, state="taken", due=None, waiting=False)
        _say_to(turn, _whose(turn, alert), alert, letter)
    elif letter.kind == "replied":
        asked = [line.by for line in alert.history if line.what == "asked"]
        people = [turn.unit.site.by_id(i) for i in dict.fromkeys(asked)]
        _say_to(turn, [p for p in people if p], alert, letter)
    if letter.kind == "solved":
        _settle(turn, alert)
    rule = turn.rules.alerts.rule(alert.rule)
    if letter.kind == "passed" and rule:
        _pass_on(turn, replace(alert, state="open"), rule, letter)
    else:
        keep(turn, alert)


def settled_key(rule_id: str, matter: str) -> str:
    """The name of a matter among those that were called solved."""
    return f"{rule_id} {matter}"


def _settle(turn: Turn, alert: Alert) -> None:
    """What lasts although somebody called it solved is an alert again the next morning."""
    watch = turn.unit.watch
    settled = {**watch.settled, settled_key(alert.rule, alert.matter): morning(turn)}
    turn.unit = replace(turn.unit, watch=replace(watch, settled=settled))


def _pass_on(turn: Turn, alert: Alert, rule: AlertRule, letter: Letter) -> None:
    """To the next who was not told; where nobody is left, everybody who was hears it again."""
    if letter.by not in alert.told:  # she knows it by now: the next is somebody else
        alert = alert.with_line(AlertLine(turn.now, letter.by, "told"))
    before = len(alert.told)
    held = alert
    advance(turn, alert, rule, forced=True)
    now = turn.unit.alerts.get(held.id, held)
    if len(now.told) > before or now.waiting:
        return
    again = [turn.unit.site.by_id(i) for i in now.told if i != letter.by]
    if not again:
        now = now.with_line(AlertLine(turn.now, "", "nobody"))
    _say_to(turn, [p for p in again if p], now, letter)
    keep(turn, now)


def _whose(turn: Turn, alert: Alert) -> list[Person]:
    """Who at the facility is spoken to about it: whose matter it is, and those in charge."""
    own = turn.unit.site.by_id(alert.by)
    chiefs = [p for p in turn.unit.site.people if p.role == "in_charge"]
    return list({p.id: p for p in ([own] if own else chiefs)}.values())


def _say_to(turn: Turn, people: list[Person], alert: Alert, letter: Letter) -> None:
    for person in people:
        if person.id != letter.by and not turn.unit.talk(person.phone).absent(turn.now):
            _send(turn, alert, person, answer_prompt(turn, alert, letter))


def over(turn: Turn, alert: Alert) -> None:
    """The matter itself is no more: nobody needs to answer it."""
    keep(turn, alert.with_line(AlertLine(turn.now, "", "over"), state="over"))
