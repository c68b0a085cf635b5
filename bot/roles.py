"""Who works here and as what: ROLE, REMOVE. The last in-charge stays."""

from __future__ import annotations

from bot.amend import Amend
from bot.amends import ask_register, chief_only, is_chief, named, role_words
from bot.effects import Prompt, Shown
from bot.events import Letter
from bot.rules import after
from bot.showing import LISTED, open_screen, say_alone
from bot.site import Person
from bot.turn import Turn


def role(turn: Turn) -> bool:
    """The command word, with a name or a list to pick from."""
    return _of_whom(turn, "role", [*turn.unit.site.people])


def remove(turn: Turn) -> bool:
    """The command word, with a name or a list to pick from: asks once more."""
    return _of_whom(turn, "remove", [p for p in turn.unit.site.people if p != turn.person])


def _of_whom(turn: Turn, screen: str, people: list[Person]) -> bool:
    if not chief_only(turn):
        return True
    person = named(turn, after(turn.words))
    if person in people:
        open_screen(turn, screen, (person.id,) if person else ())
    elif people:
        open_screen(turn, f"{screen}_of", tuple(p.id for p in people)[:LISTED])
    else:
        say_alone(turn, Prompt("none.people"))
    return True


def _picked(turn: Turn, text: str) -> str:
    choices = turn.talk.choices
    good = text.isascii() and text.isdecimal() and 1 <= int(text) <= len(choices)
    return choices[int(text) - 1] if good and is_chief(turn) else ""


def answer_role_of(turn: Turn, text: str) -> bool:
    """A digit of the list: whose role."""
    picked = _picked(turn, text)
    if picked:
        open_screen(turn, "role", (picked,))
    return bool(picked)


def answer_remove_of(turn: Turn, text: str) -> bool:
    """A digit of the list: who leaves."""
    picked = _picked(turn, text)
    if picked:
        open_screen(turn, "remove", (picked,))
    return bool(picked)


def _about(turn: Turn) -> Person | None:
    one = turn.talk.choices[0] if len(turn.talk.choices) == 1 else ""
    return turn.unit.site.by_id(one) if is_chief(turn) else None


def answer_role(turn: Turn, text: str) -> bool:
    """1 nurse, 2 in-charge."""
    person, value = _about(turn), {"1": "nurse", "2": "in_charge"}.get(text)
    if person is None or value is None:
        return False
    if value == "nurse" and _last_chief(turn, person):
        say_alone(turn, Prompt("amend.why.chief"))
        return True
    ask_register(turn, "role", person.id, value=value)
    values: dict[str, Shown] = {"name": person.name, "role": role_words(value)}
    say_alone(turn, Prompt("role.taken", values))
    return True


def answer_remove(turn: Turn, text: str) -> bool:
    """1: she leaves, unless she has a batch in hand or nobody else is in charge."""
    person = _about(turn)
    if person is None or text != "1":
        return False
    held = [b for b in turn.unit.batches.values() if b.holder == person.id]
    values: dict[str, Shown] = {"name": person.name}
    if held:
        say_alone(turn, Prompt("remove.batch", {**values, "sets": held[0].names}))
    elif _last_chief(turn, person):
        say_alone(turn, Prompt("amend.why.chief"))
    else:
        ask_register(turn, "remove", person.id, old=person.phone)
        say_alone(turn, Prompt("remove.taken", values))
    return True


def _last_chief(turn: Turn, person: Person) -> bool:
    return [p for p in turn.unit.site.people if p.role == "in_charge"] == [person]


def removed(turn: Turn, amend: Amend, letter: Letter) -> None:  # noqa: ARG001
    """Her talk is over. A batch that she began meanwhile rings at a colleague's."""
    if turn.unit.site.person(amend.old) is None:
        turn.unit = turn.unit.drop_talk(amend.old)


COMMANDS = {"role": role, "remove": remove}
ANSWERS = {
    "role": answer_role,
    "role_of": answer_role_of,
    "remove": answer_remove,
    "remove_of": answer_remove_of,
}
