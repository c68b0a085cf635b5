"""The pure step: (unit, event) -> (unit after it, effects). No clock, no network, no store.

A person's words go, in this order: the carrier's reserved words, a new USSD session, a late
message, command words, the code of an alert, set names, the screen she is at, the batch that has
the word. A supervisor's words about alerts and facilities go to `bot.supervising`.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from bot import dangers, morning, sharing, supervising
from bot.answering import BACK, HELP, PROBLEM, answer
from bot.answers import tell_facilities
from bot.bells import receipt, ring
from bot.commands import COMMANDS, REGISTER_COMMANDS
from bot.custody import begin, opened
from bot.duty import at_work_again
from bot.effects import Prompt, Step
from bot.enrolling import join, of_a_colleague
from bot.events import NEWEST_ONLY, Event, Heard, Letter, Rang, Receipt
from bot.following import after_answer
from bot.letters import read
from bot.model import Unit
from bot.paging import more
from bot.progress import with_clock
from bot.rules import Rules
from bot.screens import REGISTER_ANSWERS, answer_screen, explain_screen, leave_screen
from bot.showing import LISTED, main_screen, mine, show
from bot.site import Person
from bot.turn import Turn
from bot.watching import look

# Words that carriers act on themselves (a widely copied short-code handbook; see the README).
CARRIER_STOP = frozenset({"STOP", "STOPALL", "END", "CANCEL", "QUIT", "UNSUBSCRIBE"})
CARRIER_START = frozenset({"START", "UNSTOP", "YES"})
# The gateway dates an SMS by its own clock, in whole seconds; we date a USSD answer by ours.
CLOCKS_APART = timedelta(minutes=1)
CARRIER_INFO = frozenset({"HELP", "INFO"})


def step(unit: Unit, event: Event, rules: Rules) -> Step:
    """What *event* does to *unit*. The same arguments always give the same result."""
    turn = Turn(unit, rules, event.at)
    if isinstance(event, Heard):
        turn.tick, turn.via, turn.words = event.tick, event.channel, event.text
        sharing.settle(turn)
        carriers = event.text.strip().upper() in CARRIER_STOP | CARRIER_START | CARRIER_INFO
        said = sharing.on_line(turn, event, at_once=carriers)
        if said is None:
            return _done(turn, unit, event)
        event = said
        person = unit.site.person(event.phone)
        if person is None:
            if rules.joining(event.text):
                join(turn, event.phone)
            return Step(turn.unit, tuple(turn.effects))
        _slow_down(turn)
        turn.person, turn.talk, turn.draw = person, turn.unit.talk(event.phone), event.draw
        turn.sent_at = event.sent_at
        _hear(turn, event, person)
        at_work_again(turn)
        if carriers:
            sharing.all_stop(turn)
    elif isinstance(event, Rang):
        turn.tick = event.tick
        _slow_down(turn)
        ring(turn, event)
    elif isinstance(event, Receipt):
        turn.via = "receipt"
        receipt(turn, sharing.whose_receipt(turn, event))
    elif isinstance(event, Letter):
        turn.via = "letter"
        read(turn, event)
    return _done(turn, unit, event)


def _done(turn: Turn, unit: Unit, event: Event) -> Step:
    look(turn, unit, event)
    morning.look(turn, event)
    sharing.ask_again(turn)
    turn.promise_conditions(unit)
    return Step(turn.unit, tuple(turn.effects))


def _slow_down(turn: Turn) -> None:
    """No exposure is shorter than the rules in force make it: a batch of a demonstration, met in
    service, runs on in real time."""
    for batch in tuple(turn.unit.batches.values()):
        if batch.hasten > turn.rules.hasten and not batch.practice:
            slow = replace(batch, hasten=turn.rules.hasten, due=None)
            turn.keep(batch, with_clock(slow, turn.book(batch)))


def _hear(turn: Turn, event: Heard, person: Person) -> None:
    _forget_lost_batch(turn)
    site = turn.unit.site
    if not site.sets and not site.watches and not _without_sets(turn, event.text):
        if turn.talk.screen in dangers.ANSWERS:
            turn.put_talk(screen="" if turn.batch() else "home")
        turn.reply(Prompt("supervisor", {"name": person.name}), end=True)
    elif event.channel == "ussd":
        _dialled(turn, event)
    elif not _carrier(turn, event.text):
        _texted(turn, event)
    if site.watches:
        turn.put_talk(shown_at=turn.now)


def _without_sets(turn: Turn, text: str) -> bool:
    """Whether it is answered where there are no sets too: somebody is hurt, or it is about who
    works there and about the first set."""
    word = turn.rules.command(turn.person.language if turn.person else "en", text)
    at = turn.talk.screen in {**dangers.ANSWERS, **REGISTER_ANSWERS} and text.strip() != BACK
    return at or word in {**dangers.COMMANDS, **REGISTER_COMMANDS}


def _forget_lost_batch(turn: Turn) -> None:
    """A batch that closed or that another took has no more claim on this person's words."""
    rest = mine(turn)
    if rest and turn.batch() is None and turn.talk.screen in ("", "home", "menu", "people"):
        turn.put_talk(batch=rest[0], screen="choose", choices=rest[:LISTED])
        return
    if turn.talk.batch and turn.batch() is None:
        screen = "" if turn.talk.screen in ("menu", "people") else turn.talk.screen
        turn.put_talk(batch="", screen=screen)


def _carrier(turn: Turn, text: str) -> bool:
    word = text.strip().upper()
    if word in CARRIER_STOP:
        turn.put_talk(stopped=True)
        tell_facilities(turn, "stopped")
        above = bool(turn.unit.site.watches)
        turn.reply(Prompt("carrier.stopped_above" if above else "carrier.stopped"), end=True)
    elif word in CARRIER_START:
        turn.put_talk(stopped=False)
        tell_facilities(turn, "started")
        show(turn, Prompt("carrier.started"))
    elif word in CARRIER_INFO:
        turn.reply(Prompt("carrier.info"), end=True)
    else:
        return False
    return True


def _dialled(turn: Turn, event: Heard) -> None:
    """One request of a USSD session. The first always shows where the person stands.

    An answer counts only if it follows what was answered before in the same session: whatever
    comes after a gap is not an answer to the screen that this person sees.
    """
    talk, text = turn.talk, event.session_text
    first = event.session != talk.ussd_session
    expected = f"{talk.ussd_text}*" if talk.ussd_text else ""
    newest_only = text.startswith(NEWEST_ONLY)
    follows = text != talk.ussd_text and (newest_only or text.startswith(expected))
    # A late request must not turn the session back, or the repeat of a later one were an answer.
    late = not first and (not text or expected.startswith(f"{text}*"))
    if not late:
        turn.put_talk(ussd_session=event.session, ussd_text=text)
    if first and turn.unit.site.watches:
        supervising.resume(turn)
    if first or not follows:
        show(turn)
        return
    turn.put_talk(heard_at=event.at - CLOCKS_APART)
    _understand(turn, (event.text if newest_only else text[len(expected) :]).strip())


def _texted(turn: Turn, event: Heard) -> None:
    sent, last = event.sent_at, turn.talk.heard_at
    if sent and sent > event.at:
        sent = None  # no clock can be right about the future: what came, came now
    language = turn.person.language if turn.person else "en"
    if sent and last and sent < last and not turn.rules.command(language, event.text):
        # Written before her last answer: it cannot answer what was asked after that.
        show(turn, Prompt("note.older"))
        return
    # A USSD screen that is still open shows an older question: no answer to it counts any more.
    turn.put_talk(heard_at=sent or last, ussd_session="")
    _understand(turn, event.text.strip())


def _understand(turn: Turn, text: str) -> None:
    if supervising.asked_for(turn, text):
        return
    if turn.unit.site.watches:
        if not of_a_colleague(turn, text):
            supervising.understand(turn, text)
        return
    command = turn.rules.command(turn.person.language if turn.person else "en", text)
    sets = _named_sets(turn, text)
    if command and COMMANDS[command](turn):
        return
    if supervising.by_code(turn, text) or supervising.by_quiet(turn, text):
        return
    if sets and sets[0] == "opened":
        opened(turn, sets[1:])
    elif sets:
        begin(turn, sets[1:])
    elif turn.talk.screen:
        _on_screen(turn, text)
    else:
        _in_batch(turn, text)


def _named_sets(turn: Turn, text: str) -> list[str]:
    """["used", ids...] or ["opened", ids...] where the text is nothing but names of sets here."""
    words = text.upper().replace("+", " ").replace(",", " ").split()
    language = turn.person.language if turn.person else "en"
    what = turn.rules.command(language, words[0]) if words else ""
    names = words[1:] if what in ("used", "opened") else words
    ids = {s.id for s in turn.unit.site.sets}
    if not names or not set(names) <= ids:
        return []
    return ["opened" if what == "opened" else "used", *dict.fromkeys(names)]


def _on_screen(turn: Turn, text: str) -> None:
    if text == BACK:
        leave_screen(turn)
    elif text == HELP:
        explain_screen(turn)
    elif text == PROBLEM:
        if not more(turn):
            main_screen(turn)
    else:
        answer_screen(turn, text)


def _in_batch(turn: Turn, text: str) -> None:
    batch = turn.batch()
    if batch is None:
        show(turn)
        return
    book = turn.book(batch)
    done = answer(batch, book, turn.said(text), turn.talk.pace, stepwise=turn.talk.stepwise)
    after_answer(turn, batch, done)
