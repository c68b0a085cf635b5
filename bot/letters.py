"""What one unit hears from another: a supervisor's answer, or that she is not to be told;
and what register and store answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bot import remade
from bot.alert import AlertLine
from bot.alerting import answered, keep
from bot.amend import Amend
from bot.amends import refused
from bot.counts_asked import counted
from bot.enrolling import enrolled, not_joined, renumbered
from bot.events import Letter
from bot.holdings import put_in
from bot.overview import ANSWERS
from bot.roles import removed
from bot.turn import Turn

# What is done where the register took an amendment; for the others nothing is left to do.
AMENDED: dict[str, Callable[[Turn, Amend, Letter], None]] = {
    "enrol": enrolled,
    "number": renumbered,
    "new_set": put_in,
    "remove": removed,
}


def read(turn: Turn, letter: Letter) -> None:
    """Take *letter*. One about an alert that is closed by now changes nothing."""
    alert = turn.unit.alerts.get(letter.about)
    if letter.kind in ANSWERS and alert:
        answered(turn, alert, letter)
    elif letter.kind == "told" and alert and letter.by not in alert.told:
        keep(turn, alert.with_line(AlertLine(turn.now, letter.by, "told")))
    elif letter.kind in ("quiet", "stopped", "started"):
        _absent(turn, letter)
    elif letter.kind == "remade":
        remade.told(turn, letter)
    elif letter.kind == "counted":
        counted(turn, letter)
    elif letter.kind in ("amended", "refused"):
        _register_said(turn, letter)


def _register_said(turn: Turn, letter: Letter) -> None:
    """The register's answer to what was asked of it here. One heard before changes nothing."""
    amend = turn.unit.amends.get(letter.about)
    if amend is None:
        return
    turn.unit = turn.unit.drop_amend(amend.id)
    if letter.kind == "amended" and amend.kind in AMENDED:
        AMENDED[amend.kind](turn, amend, letter)
    elif letter.kind == "refused" and amend.kind in ("enrol", "number"):
        not_joined(turn, amend, letter.word)
    elif letter.kind == "refused":
        refused(turn, amend, letter.word)


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
