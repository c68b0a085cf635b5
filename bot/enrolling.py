"""Letting a phone in by a code: ADD for somebody new, NUMBER for a new phone, JOIN with the code.

Whoever is in charge gives the code; the phone that sends it is the one. Nothing is so before the
register says so: its answer is a letter, and only then are both told.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Literal

from bot.amend import CODE_HOURS, Amend, Invite
from bot.amends import ask_register, chief_only, is_chief, named, refused, role_words, tell
from bot.asking import numbered
from bot.effects import Day, Prompt, Say, Shown
from bot.events import Letter
from bot.model import Talk
from bot.rules import after
from bot.showing import LISTED, open_screen, say_alone
from bot.site import Person, number_of
from bot.turn import Turn

MOST_INVITES = 20  # open at one facility: more than anybody enrols in two days
MOST_NAME = 40  # as the register takes it
Role = Literal["nurse", "in_charge"]
# How roles are written at the end of ADD. Whoever cleans is a nurse to this bot.
ROLES: dict[str, Role] = {
    "NURSE": "nurse", "MIDWIFE": "nurse", "AIDE": "nurse",
    "IN_CHARGE": "in_charge", "IN-CHARGE": "in_charge", "INCHARGE": "in_charge",
}  # fmt: skip


# ---- giving a code ---------------------------------------------------------------------------


def add(turn: Turn) -> bool:
    """The command word, with a name and perhaps a role: a code for somebody new."""
    if turn.unit.site.watches or not chief_only(turn):
        return not turn.unit.site.watches
    name, role = _name_and_role(after(turn.words))
    if not 0 < len(name) <= MOST_NAME or not name.isprintable() or not name[0].isalpha():
        say_alone(turn, Prompt("add.how"))
    elif name.casefold() in (p.name.casefold() for p in turn.unit.site.people):
        say_alone(turn, Prompt("add.known", {"name": name}))
    else:
        _give(turn, "add.code", name, role)
    return True


def _name_and_role(text: str) -> tuple[str, Role]:
    words = text.replace("in charge", "in-charge").replace("IN CHARGE", "IN-CHARGE").split()
    role = ROLES.get(words[-1].upper()) if len(words) > 1 else None
    name = " ".join(words[:-1] if role else words)
    return name.title() if name.isupper() or name.islower() else name, role or "nurse"


def number(turn: Turn) -> bool:
    """The command word, with a name or a list to pick from: a code for somebody's new phone."""
    if not chief_only(turn):
        return True
    person = named(turn, after(turn.words))
    others = _others(turn)
    if person in others:
        _for_number(turn, person)
    elif others:
        open_screen(turn, "number", tuple(p.id for p in others))
    else:
        say_alone(turn, Prompt("none.people"))
    return True


def _others(turn: Turn) -> list[Person]:
    site = turn.unit.site
    people = site.supervisors if site.watches else site.people
    return [p for p in people if p != turn.person]


def answer_number(turn: Turn, text: str) -> bool:
    """A digit of the list: whose phone is a new one."""
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= len(turn.talk.choices)):
        return False
    person = turn.unit.site.by_id(turn.talk.choices[int(text) - 1])
    if person is None or not is_chief(turn):
        return False
    _for_number(turn, person)
    return True


def of_a_colleague(turn: Turn, text: str) -> bool:
    """A supervisor's words about another one's phone: the word, or a digit of the list after it."""
    language = turn.person.language if turn.person else "en"
    if turn.rules.command(language, text) == "number":
        return number(turn)
    return turn.talk.screen == "number" and answer_number(turn, text)


def _for_number(turn: Turn, person: Person | None) -> None:
    if person:
        _give(turn, "number.code", person.name, "nurse", person.id)


def _give(turn: Turn, key: str, name: str, role: Role, about: str = "") -> None:
    """Give a code, in the place of one for the same person that was not used."""
    for old in tuple(turn.unit.invites.values()):
        same = (old.about, old.name.casefold()) == (about, name.casefold())
        if not old.amend and (same or old.until <= turn.now):
            turn.unit = turn.unit.drop_invite(old.code)
    if len(turn.unit.invites) >= MOST_INVITES or not turn.draw:
        say_alone(turn, Prompt("add.many"))
        return
    until = turn.now + timedelta(hours=CODE_HOURS)
    by = turn.person.id if turn.person else ""
    turn.unit = turn.unit.put_invite(Invite(turn.draw, by, until, name, role, about))
    values: dict[str, Shown] = {"name": name, "code": turn.draw, "until": Day(until)}
    say_alone(turn, Prompt(key, {**values, "role": role_words(role)}))


# ---- using it --------------------------------------------------------------------------------


def join_known(turn: Turn) -> bool:
    """The command word from a phone that is somebody's: a code is for one that is nobody's."""
    say_alone(turn, Prompt("join.here"))
    return True


def join(turn: Turn, phone: str) -> None:
    """A phone that nobody here has sends a code. Sent again, it is answered again."""
    invite = turn.unit.invites.get(turn.rules.joining(turn.words))
    if invite is None or not _good(turn, invite, phone):
        turn.reply(Prompt("join.wrong"), end=True)
        return
    if not invite.amend:
        person = turn.unit.site.by_id(invite.about)
        amend = ask_register(
            turn, "number" if invite.about else "enrol", invite.about, by=invite.by,
            name=invite.name, phone=phone, value=invite.role if not invite.about else "",
            old=person.phone if person else "",
        )  # fmt: skip
        turn.unit = turn.unit.put_invite(replace(invite, phone=phone, amend=amend.id))
    values: dict[str, Shown] = {"name": invite.name, "site": turn.unit.site.id}
    turn.reply(Prompt("join.taken", values), end=True)


def _good(turn: Turn, invite: Invite, phone: str) -> bool:
    """Not too late, nobody else's, and given by somebody who is still in charge."""
    mine = invite.phone in ("", phone)
    return mine and (bool(invite.amend) or turn.now < invite.until) and is_chief(turn, invite.by)


# ---- what the register says ------------------------------------------------------------------


def enrolled(turn: Turn, amend: Amend, letter: Letter) -> None:
    """She is in the register: told what this number is, and asked how she wants to be asked."""
    _used_up(turn, amend)
    person = turn.unit.site.by_id(letter.word)
    if person is None or number_of(person.phone) != amend.phone:
        return  # the register has moved on since
    languages = tuple(turn.rules.commands)[:LISTED]
    several = len(languages) > 1
    talk = Talk(person.phone, screen="language" if several else "pace")
    turn.unit = turn.unit.put_talk(replace(talk, choices=languages if several else ()))
    values: dict[str, Shown] = {"name": person.name, "site": turn.unit.site.id}
    if several:
        values["options"] = numbered([turn.rules.languages.get(c, c) for c in languages])
    key = "join.language" if several else "join.welcome"
    turn.effects.append(Say(person.phone, Prompt(key, values), "ask"))
    role = role_words(amend.value)
    tell(turn, turn.unit.site.by_id(amend.by),
         Prompt("add.done", {"name": person.name, "role": role}))  # fmt: skip


def answer_language(turn: Turn, text: str) -> bool:
    """A digit of the list: she reads this language from now on."""
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= len(turn.talk.choices)):
        return False
    if turn.person:
        language = turn.talk.choices[int(text) - 1]
        ask_register(turn, "language", turn.person.id, value=language)
    open_screen(turn, "pace")
    return True


def renumbered(turn: Turn, amend: Amend, letter: Letter) -> None:
    """She has another phone: her talk and her batches go with her, and nothing is answered by a
    digit that was meant for the old one."""
    _used_up(turn, amend)
    person = turn.unit.site.by_id(letter.word)
    if person is None or number_of(person.phone) != amend.phone:
        return
    held = tuple(b.id for b in turn.unit.batches.values() if b.holder == person.id)[:LISTED]
    before = turn.unit.talk(amend.old)
    talk = replace(
        before, phone=person.phone, screen="choose" if held else "home", choices=held,
        ussd_session="", ussd_text="", heard_at=None, stopped=False, stepwise=False,
    )  # fmt: skip
    turn.unit = turn.unit.drop_talk(amend.old).put_talk(talk)
    values: dict[str, Shown] = {"name": person.name}
    turn.effects.append(Say(person.phone, Prompt("number.done", values)))
    tell(turn, turn.unit.site.by_id(amend.by), Prompt("number.told", values))


def not_joined(turn: Turn, amend: Amend, why: str) -> None:
    """The phone cannot be taken: the code is good for another one until its time is over."""
    for invite in tuple(turn.unit.invites.values()):
        if invite.amend == amend.id:
            turn.unit = turn.unit.put_invite(replace(invite, phone="", amend=""))
    if turn.unit.site.person(amend.phone) is None:
        turn.effects.append(Say(amend.phone, Prompt("join.refused")))
    refused(turn, amend, why)


def _used_up(turn: Turn, amend: Amend) -> None:
    for invite in tuple(turn.unit.invites.values()):
        if invite.amend == amend.id:
            turn.unit = turn.unit.drop_invite(invite.code)


COMMANDS = {"add": add, "number": number, "join": join_known}
ANSWERS = {"number": answer_number, "language": answer_language}
