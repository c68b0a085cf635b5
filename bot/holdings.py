"""Which sets are here: NEW puts one in the list, RETIRE takes one out.

A new set is USED, whatever was known of one of its name before. A retired one stays in every
record of what was done with it, and from its last word on it is not READY.
"""

from __future__ import annotations

import re

from bot.amend import Amend
from bot.amends import ask_register, chief_only, is_chief
from bot.effects import Prompt, Shown
from bot.events import Letter
from bot.model import SetState
from bot.rules import after
from bot.showing import held, open_screen, say_alone
from bot.turn import Turn

# As the register takes it, and not a number: that would be taken for an answer.
_SET_ID = re.compile(r"(?=.*[A-Z])[A-Z0-9][A-Z0-9-]{0,7}")
SHOWN = 12  # characters of something that is no set's name


def new(turn: Turn) -> bool:
    """The command word, with a set's name and perhaps its model."""
    if not chief_only(turn):
        return True
    set_id, _, model = after(turn.words).upper().partition(" ")
    language = turn.person.language if turn.person else "en"
    if not set_id:
        say_alone(turn, Prompt("new.how"))
    elif not _SET_ID.fullmatch(set_id) or turn.rules.command(language, set_id):
        say_alone(turn, Prompt("new.bad", {"set": set_id[:SHOWN]}))
    elif set_id in {s.id for s in turn.unit.site.sets}:
        say_alone(turn, Prompt("new.known", {"set": set_id}))
    elif model.strip() in turn.unit.site.models:
        _put_in(turn, set_id, model.strip())
    elif turn.unit.site.models:
        open_screen(turn, "new_set", (set_id, *_offered(turn)))
    else:
        say_alone(turn, Prompt("new.none"))
    return True


def _offered(turn: Turn) -> tuple[str, ...]:
    """The models to pick from, those that are here already first."""
    here = {s.model for s in turn.unit.site.sets}
    return tuple(sorted(turn.unit.site.models, key=lambda m: (m not in here, m)))


def answer_new(turn: Turn, text: str) -> bool:
    """A digit of the list of models, or the name of one."""
    set_id, *models = turn.talk.choices or ("",)
    model = text.strip().upper()
    if text.isascii() and text.isdecimal() and 1 <= int(text) <= len(models):
        model = models[int(text) - 1]
    if not set_id or model not in turn.unit.site.models or not is_chief(turn):
        return False
    _put_in(turn, set_id, model)
    return True


def _put_in(turn: Turn, set_id: str, model: str) -> None:
    ask_register(turn, "new_set", set_id, value=model)
    say_alone(turn, Prompt("new.taken", {"set": set_id, "model": model}))


def put_in(turn: Turn, amend: Amend, letter: Letter) -> None:  # noqa: ARG001
    """It is in the register: USED since now, also where one of its name was READY once."""
    if amend.about in {s.id for s in turn.unit.site.sets} and not held(turn, amend.about):
        turn.put_set(SetState(amend.about, "USED"))
        turn.unused.add(amend.about)


def retire(turn: Turn) -> bool:
    """The command word, with a set's name: asks once more."""
    if not chief_only(turn):
        return True
    set_id = after(turn.words).upper().strip(".")
    if not set_id:
        say_alone(turn, Prompt("retire.how"))
    elif set_id not in {s.id for s in turn.unit.site.sets}:
        say_alone(turn, Prompt("retire.unknown", {"set": set_id[:SHOWN]}))
    elif not _in_batch(turn, set_id):
        open_screen(turn, "retire", (set_id,))
    return True


def _in_batch(turn: Turn, set_id: str) -> bool:
    """Whether somebody has it in hand; says so."""
    batch = held(turn, set_id)
    if batch:
        holder = turn.unit.site.by_id(batch.holder)
        values: dict[str, Shown] = {"set": set_id, "name": holder.name if holder else "?"}
        say_alone(turn, Prompt("retire.batch", values))
    return batch is not None


def answer_retire(turn: Turn, text: str) -> bool:
    """1: it is used no more, and READY no more from this moment."""
    if text != "1" or not is_chief(turn) or len(turn.talk.choices) != 1:
        return False
    set_id = turn.talk.choices[0]
    if not _in_batch(turn, set_id):
        ask_register(turn, "retire", set_id)
        turn.put_set(SetState(set_id, "SET ASIDE"))
        turn.unused.add(set_id)
        say_alone(turn, Prompt("retire.taken", {"set": set_id}))
    return True


COMMANDS = {"new": new, "retire": retire}
ANSWERS = {"new_set": answer_new, "retire": answer_retire}
