"""Spare parts: SPARES says what is missing, RECEIVED that it is there."""

from __future__ import annotations

from bot.alert import Alert
from bot.alerting import answered, raise_alert
from bot.effects import Prompt
from bot.events import Letter
from bot.replies import is_word, word_kept
from bot.rules import after
from bot.showing import say_alone
from bot.turn import Turn

MOST_SPARES = 60  # characters: with code, name and how to answer it must fit one text
RULE = "supplies"


def spares(turn: Turn) -> bool:
    """The command word, with what is missing: an alert, open until it is there."""
    words = word_kept(after(turn.words))[:MOST_SPARES].rstrip()
    if not is_word(words):
        say_alone(turn, Prompt("spares.how"))
        return True
    me = turn.person.id if turn.person else ""
    matter = f"spares {words.casefold()}"
    raise_alert(turn, RULE, matter, by=me, facts={"spares": words})
    alert = next((a for a in _open(turn) if a.matter == matter), None)
    key = "spares.taken" if alert else "spares.nobody"
    say_alone(turn, Prompt(key, {"code": alert.id if alert else "", "spares": words}))
    return True


def _open(turn: Turn) -> list[Alert]:
    return [a for a in turn.unit.alerts.values() if a.rule == RULE]


def received(turn: Turn) -> bool:
    """The command word, with the code of such an alert; alone where there is only one."""
    code, waiting = after(turn.words).upper().strip("."), _open(turn)
    found = [a for a in waiting if a.id == code or (not code and len(waiting) == 1)]
    if not found or turn.person is None:
        key = "received.unknown" if code else "received.how"
        say_alone(turn, Prompt(key, {"code": code[:MOST_CODE]}))
        return True
    letter = Letter("", turn.now, "solved", turn.person.id, turn.person.name, found[0].id,
                    "received")  # fmt: skip
    answered(turn, found[0], letter)
    say_alone(turn, Prompt("received.done", {"code": found[0].id}))
    return True


MOST_CODE = 20  # of what is said back: longer than any code
COMMANDS = {"spares": spares, "received": received}
