"""The command words: what each does, whatever the person is at."""

from __future__ import annotations

from bot import (
    asked,
    checking,
    counts_asked,
    dangers,
    duty,
    enrolling,
    holdings,
    roles,
    sharing,
    spares,
    supervising,
)
from bot.answering import PROBLEM, problem
from bot.asking import minutes_left
from bot.effects import Prompt, Shown
from bot.following import after_answer
from bot.late import late
from bot.mixing import mix
from bot.screens import practise, set_pace
from bot.showing import (
    colleagues,
    main_screen,
    open_screen,
    others_batches,
    ready_sets,
    show,
    status,
    used_sets,
)
from bot.spores import spores
from bot.turn import Turn

# What is about the register: who works here, when, and which sets there are.
REGISTER_COMMANDS = {
    **enrolling.COMMANDS, **duty.COMMANDS, **holdings.COMMANDS, **roles.COMMANDS,
}  # fmt: skip


def _status(turn: Turn) -> bool:
    status(turn)
    return True


def _main(turn: Turn) -> bool:
    main_screen(turn)
    return True


def _hand(turn: Turn) -> bool:
    if turn.batch() is None:
        show(turn, Prompt("none.hand"))
    else:
        open_screen(turn, "people", colleagues(turn))
    return True


def _take(turn: Turn) -> bool:
    open_screen(turn, "batches", others_batches(turn))
    return True


def _practise(turn: Turn) -> bool:
    practise(turn)
    return True


def _guided(turn: Turn) -> bool:
    set_pace(turn, "guided")
    return True


def _brief(turn: Turn) -> bool:
    set_pace(turn, "brief")
    return True


def _trouble(turn: Turn) -> bool:
    batch = turn.batch()
    if batch is None or turn.talk.screen:
        return False
    after_answer(turn, batch, problem(batch, turn.book(batch), turn.said(PROBLEM)))
    return True


def _left(turn: Turn) -> bool:
    batch = turn.batch()
    if batch is None or batch.due is None:
        return _status(turn)
    left = minutes_left(batch, turn.book(batch), turn.said())
    values: dict[str, Shown] = {"left": max(left, 0), "sets": batch.names}
    turn.reply(Prompt("wait.left", values), end=True, batch=batch)
    return True


def _opened(turn: Turn) -> bool:
    open_screen(turn, "opened", ready_sets(turn))
    return True


def _used(turn: Turn) -> bool:
    open_screen(turn, "sets", used_sets(turn))
    return True


COMMANDS = {
    "status": _status,
    "menu": _main,
    "hand": _hand,
    "take": _take,
    "practise": _practise,
    "guided": _guided,
    "brief": _brief,
    "problem": _trouble,
    **dangers.COMMANDS,
    **asked.COMMANDS,
    **checking.COMMANDS,
    **supervising.COMMANDS,
    **counts_asked.COMMANDS,
    "left": _left,
    "used": _used,
    "opened": _opened,
    "spores": spores,
    "mix": mix,
    "late": late,
    **REGISTER_COMMANDS,
    **spares.COMMANDS,
    **sharing.COMMANDS,
}
