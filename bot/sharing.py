"""A phone that several people of one facility share: who is speaking is asked, and kept.

On the facility's page each of them has a line of her own, the phone with her id after it: her talk,
her batch, her leave are hers alone, and a text to her line goes to the phone, her name in front.
Who speaks is kept beside them, under the phone with nothing after it. She is asked for at the
start, after half an hour without a word, by WHO, and whenever a text went to one of the others: the
next digit may be the answer to that one.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from bot import dangers
from bot.asking import numbered
from bot.effects import Prompt, Say
from bot.events import Heard, Receipt
from bot.model import Talk
from bot.showing import LISTED, mine, say_alone, show
from bot.site import LINE, Person, number_of
from bot.turn import Turn

# After so long without a word the phone may be in other hands: about one step of the work.
SILENT = timedelta(minutes=30)
WHO = "who"
KEPT = ("pace", "language")  # what somebody new is asked first


def who(turn: Turn) -> bool:
    """The command word, on a phone that is one person's."""
    name = turn.person.name if turn.person else "?"
    say_alone(turn, Prompt("who.one", {"name": name}))
    return True


def settle(turn: Turn) -> None:
    """Talks under the lines that the register has now: a phone came to be shared, or is no more."""
    for person in turn.unit.site.people:
        bare = number_of(person.phone)
        own = f"{bare}{LINE}{person.id}"
        before = turn.unit.talks.get(bare)
        if person.phone == own and own not in turn.unit.talks and before:
            # Whose it was nobody knows any more; her batches are found by who holds them.
            new = Talk(own, screen="home", pace=before.pace, stopped=before.stopped)
            turn.unit = turn.unit.put_talk(new)
        elif person.phone == bare and own in turn.unit.talks:
            moved = replace(turn.unit.talks[own], phone=bare)
            for phone in [p for p in turn.unit.talks if number_of(p) == bare]:
                turn.unit = turn.unit.drop_talk(phone)
            turn.unit = turn.unit.put_talk(moved)


def on_line(turn: Turn, event: Heard, *, at_once: bool) -> Heard | None:
    """What was said, on the line of whoever said it; None if she was asked who she is, or said so.

    *at_once*: it must not wait for that. Somebody is hurt, or the carrier acts on it too.
    """
    people = turn.unit.site.sharers(event.phone)
    if not people:
        return event
    desk = _desk(turn, event.phone)
    command = next((c for i in turn.rules.commands if (c := turn.rules.command(i, event.text))), "")
    now = next((p for p in people if p.id == desk.about), None)
    long_ago = desk.shown_at is None or event.at - desk.shown_at >= SILENT
    if at_once or command in dangers.COMMANDS:
        now = now or people[0]
    elif desk.screen == WHO and (person := _picked(desk, people, event.text)):
        _became(turn, event, person)
        return None
    elif command == WHO or now is None or long_ago or desk.screen == WHO:
        _ask(turn, desk, people)
        return None
    turn.unit = turn.unit.put_talk(replace(desk, about=now.id, shown_at=event.at, screen=""))
    return replace(event, phone=now.phone)


def _desk(turn: Turn, phone: str) -> Talk:
    return turn.unit.talk(f"{number_of(phone)}{LINE}")


def _picked(desk: Talk, people: tuple[Person, ...], text: str) -> Person | None:
    digit = text.strip()
    if not (digit.isascii() and digit.isdecimal() and 1 <= int(digit) <= len(desk.choices)):
        return None
    return next((p for p in people if p.id == desk.choices[int(digit) - 1]), None)


def _ask(turn: Turn, desk: Talk, people: tuple[Person, ...]) -> None:
    shown = people[:LISTED]
    ids = tuple(p.id for p in shown)
    turn.unit = turn.unit.put_talk(replace(desk, about="", screen=WHO, choices=ids))
    turn.reply(Prompt("who.is_this", {"options": numbered([p.name for p in shown])}))


def _became(turn: Turn, event: Heard, person: Person) -> None:
    """She speaks from now on, and sees where she stands: nothing was answered yet."""
    desk = _desk(turn, event.phone)
    turn.unit = turn.unit.put_talk(
        replace(desk, about=person.id, shown_at=event.at, screen="", choices=())
    )
    turn.person, turn.talk = person, turn.unit.talk(person.phone)
    held = mine(turn)[:LISTED]
    if turn.talk.screen not in KEPT:
        turn.put_talk(screen="choose" if held else "home", choices=held)
    turn.put_talk(ussd_session=event.session, ussd_text=event.session_text)
    show(turn, Prompt("note.who", {"name": person.name}))


def whose_receipt(turn: Turn, event: Receipt) -> Receipt:
    """A receipt of a shared phone, on the line of whoever it was about."""
    people = turn.unit.site.sharers(event.phone)
    batch = turn.unit.batches.get(event.batch_id)
    holder = next((p for p in people if batch and p.id == batch.holder), None)
    return replace(event, phone=(holder or people[0]).phone) if people else event


def ask_again(turn: Turn) -> None:
    """A text goes to somebody who is not speaking: whose the next word is must be asked."""
    for said in turn.effects:
        if isinstance(said, Say) and LINE in said.phone:
            desk = _desk(turn, said.phone)
            speaks = turn.unit.site.by_id(desk.about)
            if speaks and speaks.phone != said.phone:
                turn.unit = turn.unit.put_talk(replace(desk, about="", screen=""))


def all_stop(turn: Turn) -> None:
    """What somebody told the carrier is so for everybody on her phone."""
    phone = turn.person.phone if turn.person else ""
    for person in turn.unit.site.sharers(number_of(phone)):
        talk = replace(turn.unit.talk(person.phone), stopped=turn.talk.stopped)
        turn.unit = turn.unit.put_talk(talk)


COMMANDS = {WHO: who}
