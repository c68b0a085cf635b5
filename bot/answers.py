"""What a person answers to an alert, where she is: at its facility at once, from above by letter.

Also how long she wants silence. What an answer does to an alert, `bot.alerting` says.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from bot.alert import Alert
from bot.alert_words import what
from bot.alerting import answered, morning
from bot.effects import Day, Post, Prompt, Shown
from bot.events import Letter
from bot.model import Reminder
from bot.overview import name_of
from bot.replies import span_minutes, word_kept
from bot.showing import say_alone, show
from bot.turn import Turn
from flows.supervision import MOST_QUIET_HOURS


def give(turn: Turn, alert: Alert, kind: str, words: str = "") -> None:
    """This person's answer to *alert*: kept, told on, and said back to her in words.

    The same answer twice is one.
    """
    word = word_kept(words)
    done = f"alert.done.{kind}"
    if _given(turn, alert, kind, word):
        done = "alert.done.known"
    elif alert.id in turn.unit.alerts:
        answered(turn, alert, _letter(turn, kind, alert.id, word))
    else:
        turn.effects.append(Post(alert.facility, _letter(turn, kind, alert.id, word)))
    values: dict[str, Shown] = {"code": alert.id, "what": what(alert), "site": alert.facility}
    finish(turn, Prompt(done, values), alert.id)


def _given(turn: Turn, alert: Alert, kind: str, word: str) -> bool:
    """Whether the last thing said of *alert* was this very answer."""
    last = next((e for e in reversed(alert.history) if e.what != "told"), None)
    me = turn.person.id if turn.person else ""
    return last is not None and (last.by, last.what, last.word) == (me, kind, word)


def _letter(turn: Turn, kind: str, about: str = "", word: str = "") -> Letter:
    me = turn.person
    by, name = (me.id, me.name) if me else ("", "")
    return Letter("", turn.now, kind, by, name, about, word)


def finish(turn: Turn, note: Prompt, about: str = "") -> None:
    """Say what was done, to which alert. No digit after it answers an alert, or a batch."""
    if not turn.unit.site.watches:
        say_alone(turn, note)
        return
    turn.put_talk(screen="answered", about=about, page=0, choices=(), tries=0)
    show(turn, note)


def last_word(turn: Turn, alert: Alert) -> str:
    """Who spoke of it last, by first name; "" where nobody did."""
    by = next((e.by for e in reversed(alert.history) if e.what != "told" and e.by), "")
    return name_of(turn, alert.facility, by)


def tell_facilities(turn: Turn, kind: str, until: datetime | None = None) -> None:
    """What a supervisor wants of texts, to each facility: turns there cannot read it here."""
    me = turn.person
    if me is None:
        return
    letter = Letter("", turn.now, kind, me.id, me.name, until=until)
    turn.effects += [Post(facility, letter) for facility in sorted(turn.unit.board)]


def quiet(turn: Turn, span: str) -> bool:
    """No alerts for *span* ("3H", "90M", "MORNING", "OFF"), danger excepted; False for no span."""
    me = turn.person
    until = _until(turn, span)
    if me is None or (until is None and span.upper() != "OFF"):
        return False
    turn.put_talk(quiet_until=until)
    reminder = Reminder(f"quiet-{me.id}", "quiet", me.id, turn.now, until or turn.now)
    if until:
        turn.remind(reminder)
    elif reminder.id in turn.unit.reminders:
        turn.forget(reminder)
    tell_facilities(turn, "quiet", until)
    finish(turn, Prompt("quiet.until", {"until": Day(until)}) if until else Prompt("quiet.off"))
    return True


def _until(turn: Turn, span: str) -> datetime | None:
    if span.upper() == "MORNING":
        return morning(turn)
    minutes = span_minutes(span)
    if minutes is None or not 0 < minutes <= MOST_QUIET_HOURS * 60:
        return None
    return turn.now + timedelta(minutes=minutes)
