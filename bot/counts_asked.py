"""COUNTS: the supervisor asks for the last four weeks of her district. A turn knows no store, so it
asks, and says what comes back by letter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from bot.effects import CountsAsked, Prompt, Say
from bot.events import Letter
from bot.showing import say_alone
from bot.turn import Turn

NOT_KNOWN = "-"
LONG = 10_000  # from here on a number is told in thousands, rounded down: a text has no more room


def ask_counts(turn: Turn) -> None:
    """Ask for the counts; they come as a text of their own."""
    if turn.person:
        turn.next_id("counts")
        site, stamp = turn.unit.site, turn.now.strftime("%Y%m%d-%H%M%S")
        ask_id = f"{site.id}-{stamp}-{turn.unit.serial}"
        turn.effects.append(CountsAsked(ask_id, site.id, site.watches, turn.person.id, turn.now))


def counted(turn: Turn, letter: Letter) -> None:
    """Say what was counted to whoever asked, unless she left or wants no more texts."""
    person = turn.unit.site.by_id(letter.by)
    if person and not turn.unit.talk(person.phone).stopped:
        turn.effects.append(Say(person.phone, counts_prompt(letter.facts)))


class _Words(NamedTuple):
    """The counts of one time as they are read."""

    ended: str
    ready: str
    missed: str
    hours: str
    checks: str
    silent: str


def counts_prompt(facts: Mapping[str, int]) -> Prompt:
    """The counts in one text; what is not among *facts* is not known, which is no zero."""
    now, before = _words(facts, ""), _words(facts, "before_")
    return Prompt("counted.answer", {
        "ended": now.ended, "before_ended": before.ended,
        "ready": now.ready, "before_ready": before.ready,
        "missed": now.missed, "before_missed": before.missed,
        "hours": now.hours, "before_hours": before.hours,
        "checks": now.checks, "before_checks": before.checks,
        "silent": now.silent, "before_silent": before.silent,
    })  # fmt: skip


def _words(facts: Mapping[str, int], which: str) -> _Words:
    def plain(name: str) -> str:
        n = facts.get(which + name)
        return NOT_KNOWN if n is None else number(n)

    return _Words(
        plain("ended"), plain("ready"), plain("missed"), _hours(facts.get(f"{which}empty_minutes")),
        _of(plain("done"), plain("due")), _of(plain("silent"), plain("all")),
    )  # fmt: skip


def number(n: int) -> str:
    """*n* in four characters up to 999999: 9999, then 10k."""
    return str(n) if n < LONG else f"{n // 1000}k"


def _of(part: str, whole: str) -> str:
    return NOT_KNOWN if NOT_KNOWN in (part, whole) else f"{part}/{whole}"


def _hours(minutes: int | None) -> str:
    """Hours to the nearest; less than one is not none."""
    if minutes is None:
        return NOT_KNOWN
    return "<1" if 0 < minutes < 60 else number((minutes + 30) // 60)


def _above_only(turn: Turn) -> bool:
    say_alone(turn, Prompt("only.above"))
    return True


# At a facility the word is known, and said whose it is.
COMMANDS = {"counts": _above_only}
