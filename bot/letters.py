"""What one unit hears from another: a supervisor's answer, or that she is not to be told."""

from __future__ import annotations

from dataclasses import replace

from bot.alert import AlertLine
from bot.alerting import answered, keep
from bot.model import Letter
from bot.overview import ANSWERS
from bot.turn import Turn


def read(turn: Turn, letter: Letter) -> None:
    """Take *letter*. One about an alert that is closed by now changes nothing."""
    alert = turn.unit.alerts.get(letter.about)
    if letter.kind in ANSWERS and alert:
        answered(turn, alert, letter)
    elif letter.kind == "told" and alert and letter.by not in alert.told:
        keep(turn, alert.with_line(AlertLine(turn.now, letter.by, "told")))
    elif letter.kind in ("quiet", "stopped", "started"):
        _absent(turn, letter)


def _absent(turn: Turn, letter: Letter) -> None:
    """Keep in this unit what a supervisor asked for in hers: turns here cannot read it there."""
    person = turn.unit.site.by_id(letter.by)
    if person is None:
        return
    talk = turn.unit.talk(person.phone)
    if letter.kind == "quiet":
        talk = replace(talk, quiet_until=letter.until)
    else:
        talk = replace(talk, stopped=letter.kind == "stopped")
    turn.unit = turn.unit.put_talk(talk)
