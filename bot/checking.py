"""The shift check as it is spoken: each READY set, then uses, then births.

It lies over a batch and leaves it where it is. What is answered counts at once, so that a check
broken off loses nothing; a digit counts only for the check that its screen belongs to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from bot.alerting import raise_alert
from bot.check import Round
from bot.check_clock import checked, come_to, keep_check, times
from bot.check_words import done_prompt, shown_time, since
from bot.effects import Prompt
from bot.model import SetState
from bot.showing import ready_sets, say_alone, show
from bot.turn import Turn
from flows.readiness import (
    ALL,
    BIRTHS,
    BROKEN_OFF_MINUTES,
    HELPED,
    ONE,
    SIGHTS,
    USES,
    ZERO,
    Sight,
    reckon,
)

DIGITS = 2  # of a number: one digit sent twice, or meant for another question, is none
TOGETHER = 6  # sets named in one question, each by its whole name


def check(turn: Turn) -> bool:
    """The command word: the check that is due, or one between the times; goes on where it was."""
    if turn.person is None:
        return False
    come_to(turn)
    going = turn.unit.check.round
    if going is None or not _fresh(turn, going):
        due = turn.unit.check.due
        going = Round(by=turn.person.id, at=turn.now, last=turn.now, of=due)
    _put(turn, replace(going, by=turn.person.id, last=turn.now))
    batch = turn.batch()
    _ask_next(turn, Prompt("note.check_real") if batch and batch.practice else None)
    return True


def _fresh(turn: Turn, going: Round) -> bool:
    """Whether *going* is for what is due, and its last answer is not too old to go on from."""
    young = turn.now - going.last <= timedelta(minutes=BROKEN_OFF_MINUTES)
    return young and going.of == turn.unit.check.due


def _put(turn: Turn, going: Round | None) -> None:
    keep_check(turn, replace(turn.unit.check, round=going))


# ---- what is asked ---------------------------------------------------------------------------


def _ask_next(turn: Turn, note: Prompt | None = None) -> None:
    """Ask of the sets that were not seen, then of uses, then of births; else it is done."""
    going = turn.unit.check.round
    if going is None:
        return
    left = tuple(i for i in ready_sets(turn) if i not in going.answers)
    reckoned = going.of is not None or not times(turn)
    if len(left) > 1 and turn.talk.pace == "brief" and not going.singly:
        _open(turn, ALL, note, left[:TOGETHER])
    elif left:
        _open(turn, ONE, note, left[:1])
    elif reckoned and going.uses is None:
        used = turn.unit.check.counted or "used" in going.answers.values()
        none = Prompt("note.check_none") if not going.answers else None
        _open(turn, USES if used else ZERO, note or none)
    elif going.of and going.births is None:
        _open(turn, BIRTHS, note)
    elif going.of and going.births:
        _open(turn, HELPED, note)
    else:
        _done(turn, going, None)


def _open(turn: Turn, screen: str, note: Prompt | None, choices: tuple[str, ...] = ()) -> None:
    turn.put_talk(screen=screen, choices=choices, practice=False, tries=0)
    show(turn, note)


# ---- what is answered ------------------------------------------------------------------------

Answer = Callable[[Turn, Round, str], bool]


def _of_the_round(answer: Answer) -> Callable[[Turn, str], bool]:
    """*answer* for the check that this person is at; a digit for any other does nothing."""

    def answered(turn: Turn, text: str) -> bool:
        come_to(turn)
        going = turn.unit.check.round
        me = turn.person.id if turn.person else ""
        if going is None or going.by != me or not _fresh(turn, going):
            say_alone(turn, Prompt("check.over"))
            return True
        return answer(turn, replace(going, last=turn.now), text)

    return answered


def _answer_all(turn: Turn, going: Round, text: str) -> bool:
    """1 all of those named are well, 2 one by one."""
    if text == "1":
        _put(turn, _seen(turn, going, turn.talk.choices, SIGHTS["1"]))
    elif text == "2":
        _put(turn, replace(going, singly=True))
    else:
        return False
    _ask_next(turn)
    return True


def _answer_one(turn: Turn, going: Round, text: str) -> bool:
    """What the one set was found as."""
    sight = SIGHTS.get(text)
    if sight is None or not turn.talk.choices:
        return False
    set_id = turn.talk.choices[0]
    lost = sight.becomes and set_id in ready_sets(turn)
    _put(turn, _seen(turn, going, (set_id,), sight))
    _ask_next(turn, Prompt("note.check_found", {"set": set_id}) if lost else None)
    return True


def _seen(turn: Turn, going: Round, set_ids: tuple[str, ...], sight: Sight) -> Round:
    """Keep what READY sets were found as; one that is not READY by now was somebody else's."""
    answers = dict(going.answers)
    for set_id in set_ids:
        if set_id in ready_sets(turn):
            answers[set_id] = sight.what
            if sight.becomes:
                _lose(turn, set_id, sight)
    return replace(going, answers=answers)


def _lose(turn: Turn, set_id: str, sight: Sight) -> None:
    """The set is not READY any more, and somebody in charge hears of it."""
    if not sight.use:
        turn.unused.add(set_id)
    if sight.becomes:
        turn.put_set(SetState(set_id, sight.becomes))
    raise_alert(
        turn, "found", f"{set_id} {turn.now.isoformat()}",
        by=turn.person.id if turn.person else "", facts={"sets": set_id, "what": sight.what},
    )  # fmt: skip


def _answer_zero(turn: Turn, going: Round, text: str) -> bool:
    """1 yes, zero; 2 no."""
    if text == "1":
        _put(turn, replace(going, uses=0))
        _ask_next(turn)
    elif text == "2":
        _open(turn, USES, None)
    return text in ("1", "2")


def _answer_uses(turn: Turn, going: Round, text: str) -> bool:
    """How many times a set was used; none is asked again in so many words."""
    number = _number(text)
    if number is None:
        return False
    if number:
        _put(turn, replace(going, uses=number))
        _ask_next(turn)
    else:
        _put(turn, going)
        _open(turn, ZERO, None)
    return True


def _answer_births(turn: Turn, going: Round, text: str) -> bool:
    """How many births there were since the last check."""
    number = _number(text)
    if number is None:
        return False
    going = replace(going, births=number)
    _put(turn, going)
    if number:
        _ask_next(turn)
    else:
        _done(turn, going, 0)
    return True


def _answer_helped(turn: Turn, going: Round, text: str) -> bool:
    """How many of these needed a bag."""
    number = _number(text)
    if number is None:
        return False
    if number > (going.births or 0):
        show(turn, Prompt("note.check_helped", {"births": going.births or 0}))
    else:
        _done(turn, going, number)
    return True


def _number(text: str) -> int | None:
    plain = text.isascii() and text.isdecimal() and len(text) == DIGITS
    return int(text) if plain else None


def _done(turn: Turn, going: Round, helped: int | None) -> None:
    """Keep it for the store, say what came of it. The uses are reckoned anew from now on."""
    check = turn.unit.check
    turn.effects.append(checked(turn, going.of, going, helped=helped, done=True))
    uses = None
    start = shown_time(since(turn.unit, turn.now), turn.now)
    if going.uses is not None:
        uses = reckon(going.uses, helped, check.counted)
        check = replace(check, done_at=turn.now, counted=0)
    keep_check(turn, replace(check, round=None, done_slot=going.of or check.done_slot))
    say_alone(turn, done_prompt(len(ready_sets(turn)), uses, start))


COMMANDS = {"check": check}
ANSWERS: dict[str, Callable[[Turn, str], bool]] = {
    ALL: _of_the_round(_answer_all),
    ONE: _of_the_round(_answer_one),
    ZERO: _of_the_round(_answer_zero),
    USES: _of_the_round(_answer_uses),
    BIRTHS: _of_the_round(_answer_births),
    HELPED: _of_the_round(_answer_helped),
}
