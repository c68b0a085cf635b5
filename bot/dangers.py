"""Somebody is hurt: first aid at once, those above told, and whether blood was seen to asked after.

Nothing here touches a batch but for a line in its log: its clock runs on, and no digit that is
meant for a danger answers it. A danger is real in a practice batch too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from bot.alerting import raise_alert
from bot.asking import framed
from bot.effects import Day, Prompt, Shown
from bot.model import Reminder
from bot.showing import clock, show
from bot.site import Person
from bot.turn import Turn

# What each digit of the danger screen stands for.
KINDS = {
    "1": "eye",
    "2": "skin",
    "3": "fumes",
    "4": "swallowed",
    "5": "needle",
    "6": "burn",
    "7": "blood",
}
BLOOD = ("needle", "blood")  # after these an infection can be prevented, for some hours
# Words about one accident come within minutes of each other; the same word later is another one.
SAME = timedelta(minutes=10)


def danger(turn: Turn) -> bool:
    """The word that does not say what happened: first aid for all, and which it is."""
    if not _same(turn):
        name = turn.person.name if turn.person else "?"
        _begin(turn)
        _alert(turn, Prompt("danger.tell", {"site": turn.unit.site.id, "name": name}))
    turn.put_talk(screen="danger", choices=(), practice=False, tries=0)
    show(turn)
    return True


def named(kind: str) -> Callable[[Turn], bool]:
    """The command word that says what happened."""

    def command(turn: Turn) -> bool:
        _happened(turn, kind)
        return True

    return command


def answer_danger(turn: Turn, text: str) -> bool:
    """Which danger it was."""
    kind = KINDS.get(text.strip(" .)"))
    if kind:
        _happened(turn, kind)
    return kind is not None


def still_asked(turn: Turn, text: str) -> bool:
    """Which danger it was, where a bell came between the question and its answer."""
    return _same(turn) and not turn.talk.dangers and answer_danger(turn, text)


def answer_after(_turn: Turn, _text: str) -> bool:
    """After first aid no digit does anything: one sent twice would answer the batch's question."""
    return False


def _happened(turn: Turn, kind: str) -> None:
    """First aid for *kind*; those above hear of each kind once."""
    if not _same(turn):
        _begin(turn)
    if kind not in turn.talk.dangers:
        turn.put_talk(dangers=(*turn.talk.dangers, kind))
        _alert(turn, _report(turn, kind))
        if kind in BLOOD and sum(k in BLOOD for k in turn.talk.dangers) == 1:
            _ask_later(turn, kind)  # once for one accident, whatever it is called
    screen = "danger_when" if kind in BLOOD else "danger_after"
    turn.put_talk(screen=screen, choices=(), practice=False, tries=0)
    rules = turn.rules.protocol_for(turn.unit.site)
    values: dict[str, Shown] = {
        "minutes": f"{rules['danger.rinse_minutes']:g}",
        "until": Day(_deadline(turn, turn.now)),
        "clock": clock(turn),
    }
    turn.reply(framed(Prompt(f"danger.{kind}", values), "foot.screen"))


def _report(turn: Turn, kind: str) -> Prompt:
    values: dict[str, Shown] = {
        "site": turn.unit.site.id,
        "name": turn.person.name if turn.person else "?",
        "kind": Prompt(f"danger.kind.{kind}"),
        "until": Day(_deadline(turn, turn.now)),
    }
    return Prompt("danger.tell_blood" if kind in BLOOD else "danger.tell_kind", values)


def _same(turn: Turn) -> bool:
    """Whether this is still about the accident that the same person told of minutes ago."""
    told = turn.talk.danger_at
    return told is not None and timedelta(0) <= turn.now - told <= SAME


def _begin(turn: Turn) -> None:
    """A new accident. The batch keeps that there was a danger, never which: that is the
    person's own matter."""
    turn.put_talk(danger_at=turn.now, dangers=())
    batch = turn.batch()
    if batch and not batch.practice:
        turn.keep(batch, turn.note(batch, "danger"), push=True)


# ---- who hears of it --------------------------------------------------------------------------


def _alert(turn: Turn, prompt: Prompt) -> None:
    site = turn.unit.site
    above = [p for p in (*site.supervisors, *site.people) if p.role != "nurse"]
    reached = _tell(turn, above, turn.person, prompt)
    began = turn.talk.danger_at or turn.now
    by = turn.person.id if turn.person else ""
    # In words of its own already; the alert is what stays open until somebody answers.
    raise_alert(turn, "danger", f"{by} {began.isoformat()}", by=by, already=reached)


def _chiefs(turn: Turn, about: Person, prompt: Prompt) -> None:
    """Tell those in charge here, else the supervisors: few need to know."""
    site = turn.unit.site
    chiefs = [p for p in site.people if p.role == "in_charge" and p != about]
    _tell(turn, chiefs or list(site.supervisors), about, prompt, anyone=False)


def _tell(
    turn: Turn, people: list[Person], about: Person | None, prompt: Prompt, *, anyone: bool = True
) -> tuple[Person, ...]:
    """Send to all of *people*, or to anyone here if none can be reached. Returns who was."""
    for group in (people, turn.unit.site.people if anyone else turn.unit.site.supervisors):
        reached = {
            p.id: p for p in group if p != about and not turn.unit.talk(p.phone).stopped
        }
        for person in reached.values():
            turn.say_plain(person, prompt)
        if reached:
            return tuple(reached.values())
    return ()


# ---- blood: asked after until the hours are past --------------------------------------------


def _hours(turn: Turn, key: str) -> timedelta:
    return timedelta(hours=turn.rules.protocol_for(turn.unit.site)[f"danger.{key}_hours"])


def _deadline(turn: Turn, at: datetime) -> datetime:
    """Until when an infection can be prevented after blood at *at*."""
    return at + _hours(turn, "blood")


def _next(turn: Turn, at: datetime) -> datetime:
    """When blood at *at* is asked after next; the last time is when the hours are past."""
    every = _hours(turn, "ask_after")
    times = (turn.now - at) // every + 1
    return min(at + max(times, 1) * every, _deadline(turn, at))


def _ask_later(turn: Turn, kind: str) -> None:
    me = turn.person.id if turn.person else ""
    reminder_id = turn.next_id("blood")
    facts = {"kind": kind, "asked": "0"}
    due = _next(turn, turn.now)
    turn.remind(Reminder(reminder_id, "blood", me, turn.now, due, facts))


def answer_when(turn: Turn, text: str) -> bool:
    """How many hours ago it was, in two digits or three: a digit sent twice is no number of hours.

    The hours count from then; past them it is still to be reported.
    """
    if not (text.isascii() and text.isdecimal() and len(text) in (2, 3)):
        return False
    at = turn.now - timedelta(hours=int(text))
    turn.put_talk(screen="danger_after", tries=0)
    known = _mine(turn)
    if not known:
        show(turn)
        return True
    reminder = replace(known[-1], at=at, due=_next(turn, at))
    values = _about(turn, reminder)
    past = turn.now >= _deadline(turn, at)
    if past:
        turn.forget(reminder)
    else:
        turn.remind(reminder)
    if past or int(text):
        kind = reminder.facts["kind"]
        values["kind"] = Prompt(f"danger.kind.{kind}")
        _alert(turn, Prompt("danger.tell_past" if past else "danger.tell_blood", values))
    turn.reply(framed(Prompt("danger.past" if past else "danger.by", values), "foot.screen"))
    return True


def _mine(turn: Turn) -> list[Reminder]:
    """What this person is asked after, the newest report last."""
    me = turn.person.id if turn.person else ""
    mine = [r for r in turn.unit.reminders.values() if r.kind == "blood" and r.by == me]
    return sorted(mine, key=lambda r: int(r.id.rpartition("-")[2]))


def seen(turn: Turn) -> bool:
    """The word that a clinician saw to it: nothing more is asked."""
    reminders = _mine(turn)
    for reminder in reminders:
        turn.forget(reminder)
        if turn.person and int(reminder.facts.get("asked", "0")) > 1:
            # Those in charge heard that there was no answer.
            _chiefs(turn, turn.person, Prompt("danger.tell_seen", _about(turn, reminder)))
    turn.reply(Prompt("danger.seen" if reminders else "danger.none"), end=True)
    return True


def ask_after(turn: Turn, reminder: Reminder) -> None:
    """Ask whether a clinician saw to it; when the hours are past, say so and to whom it may help.

    The answer is a word: a digit that comes days later would answer the batch of that day.
    """
    person = turn.unit.site.by_id(reminder.by)
    if person is None:  # she left the register: nobody is there to be asked
        turn.forget(reminder)
        return
    values = _about(turn, reminder)
    asked = int(reminder.facts.get("asked", "0"))
    past = turn.now >= _deadline(turn, reminder.at)
    stopped = turn.unit.talk(person.phone).stopped
    if not stopped:
        turn.say_plain(person, Prompt("danger.past" if past else "danger.ask_after", values))
    if past:
        turn.forget(reminder)
        _chiefs(turn, person, Prompt("danger.tell_past", values))
        return
    if asked or stopped:
        _chiefs(turn, person, Prompt("danger.tell_asked", values))
    facts = {**reminder.facts, "asked": str(asked + 1)}
    turn.remind(replace(reminder, due=_next(turn, reminder.at), facts=facts))


def _about(turn: Turn, reminder: Reminder) -> dict[str, Shown]:
    person = turn.unit.site.by_id(reminder.by)
    return {
        "site": turn.unit.site.id,
        "name": person.name if person else "?",
        "since": Day(reminder.at),
        "until": Day(_deadline(turn, reminder.at)),
        "hours": f"{_hours(turn, 'blood') / timedelta(hours=1):g}",
    }


COMMANDS: dict[str, Callable[[Turn], bool]] = {
    "danger": danger,
    "seen": seen,
    **{kind: named(kind) for kind in ("fumes", "swallowed", "needle", "burn", "blood")},
}
ANSWERS: dict[str, Callable[[Turn, str], bool]] = {
    "danger": answer_danger,
    "danger_when": answer_when,
    "danger_after": answer_after,
}
