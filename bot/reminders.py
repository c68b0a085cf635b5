"""What is said at its time though no batch carries it: each kind of reminder has its speaker."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bot.dangers import ask_after
from bot.effects import SetTimer
from bot.mixing import solution_over
from bot.model import Reminder
from bot.morning import quiet_over
from bot.turn import Turn

SPEAKERS: Mapping[str, Callable[[Turn, Reminder], None]] = {
    "solution": solution_over,
    "blood": ask_after,
    "quiet": quiet_over,
}


def speak(turn: Turn, reminder: Reminder) -> None:
    """The timer of *reminder* came up: too early is set again, else its speaker has the word."""
    speaker = SPEAKERS.get(reminder.kind)
    if turn.now < reminder.due:
        turn.effects.append(SetTimer(reminder.id, reminder.due))
    elif speaker is None:  # of a kind that this version does not know: it cannot ring for ever
        turn.forget(reminder)
    else:
        speaker(turn, reminder)
