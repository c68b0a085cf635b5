"""The screens between batches: what to do now, which set, whose batch, to whom, how fast."""

from __future__ import annotations

from collections.abc import Callable

from bot import checking, dangers, enrolling, holdings, late, roles, supervising
from bot.asked import answer_need
from bot.custody import begin, hand_over, opened, take_over
from bot.effects import Prompt
from bot.late_words import FORM
from bot.mixing import (
    answer_doubted,
    answer_labelled,
    answer_mix,
    answer_mixed,
    answer_other,
    answer_strip,
    explain_mix,
)
from bot.showing import (
    back,
    colleagues,
    open_screen,
    others_batches,
    ready_sets,
    show,
    status,
    unclear,
    used_sets,
)
from bot.spores import answer_day, answer_load, answer_spores
from bot.turn import Turn

REGISTER_ANSWERS = {**enrolling.ANSWERS, **holdings.ANSWERS, **roles.ANSWERS}


def answer_screen(turn: Turn, text: str) -> None:
    """What a digit does on the screen that is shown."""
    handler = ANSWERS.get(turn.talk.screen)
    if handler is None or not handler(turn, text):
        unclear(turn)


def explain_screen(turn: Turn) -> None:
    """What 9 says on the screen that is shown."""
    if turn.talk.screen == "mixed":
        explain_mix(turn)
    elif turn.talk.screen in supervising.ANSWERS:
        supervising.explain(turn)
    else:
        turn.reply(Prompt("help.screen"))


def leave_screen(turn: Turn) -> None:
    """What 0 does on the screen that is shown: one answer back in a form, else away from it."""
    if turn.talk.screen != FORM or not late.step_back(turn):
        back(turn)


def _home(turn: Turn, text: str) -> bool:
    actions: dict[str, Callable[[], None]] = {
        "1": lambda: open_screen(turn, "sets", used_sets(turn)),
        "2": lambda: status(turn),
        "3": lambda: open_screen(turn, "batches", others_batches(turn)),
        "4": lambda: open_screen(turn, "opened", ready_sets(turn)),
        "5": lambda: open_screen(turn, "pace"),
        "6": lambda: practise(turn),
        "7": lambda: _on_paper(turn),
    }
    return _act(actions, text)


def _on_paper(turn: Turn) -> None:
    late.late(turn)


def _menu(turn: Turn, text: str) -> bool:
    actions: dict[str, Callable[[], None]] = {
        "1": lambda: back(turn),
        "2": lambda: status(turn),
        "3": lambda: open_screen(turn, "people", colleagues(turn)),
        "4": lambda: open_screen(turn, "batches", others_batches(turn)),
        "5": lambda: open_screen(turn, "sets", used_sets(turn)),
        "6": lambda: open_screen(turn, "opened", ready_sets(turn)),
        "7": lambda: open_screen(turn, "pace"),
    }
    return _act(actions, text)


def _act(actions: dict[str, Callable[[], None]], text: str) -> bool:
    action = actions.get(text)
    if action:
        action()
    return action is not None


def practise(turn: Turn) -> None:
    """Begin a practice batch: any set, short clocks, nothing counted."""
    every = tuple(s.id for s in turn.unit.site.sets)
    open_screen(turn, "sets", every, practice=True)


def _picked(turn: Turn, text: str) -> list[str] | None:
    """The choices behind one or several digits ("1", "13", "1 3"), or None."""
    digits = text.replace(" ", "").replace(",", "")
    if not digits.isdecimal() or len(set(digits)) != len(digits):
        return None
    numbers = [int(d) for d in digits]
    if not all(1 <= n <= len(turn.talk.choices) for n in numbers):
        return None
    return [turn.talk.choices[n - 1] for n in numbers]


def _sets(turn: Turn, text: str) -> bool:
    picked = _picked(turn, text)
    if picked:
        begin(turn, picked)
    return bool(picked)


def _opened(turn: Turn, text: str) -> bool:
    picked = _picked(turn, text)
    if not picked:
        return False
    opened(turn, picked)
    return True


def _batches(turn: Turn, text: str) -> bool:
    picked = _picked(turn, text)
    batch = turn.unit.batches.get(picked[0]) if picked and len(picked) == 1 else None
    if batch is None:
        return False
    take_over(turn, batch)
    return True


def _people(turn: Turn, text: str) -> bool:
    picked, batch = _picked(turn, text), turn.batch()
    person = turn.unit.site.by_id(picked[0]) if picked and len(picked) == 1 else None
    if person is None or batch is None:
        return False
    hand_over(turn, batch, person)
    return True


def _pace(turn: Turn, text: str) -> bool:
    pace = {"1": "guided", "2": "brief"}.get(text)
    if pace:
        set_pace(turn, pace)
    return pace is not None


def set_pace(turn: Turn, pace: str) -> None:
    """From now on one step a message (guided), or several (brief)."""
    turn.put_talk(pace=pace, screen="" if turn.batch() else "home", stepwise=False)
    show(turn, Prompt(f"note.{pace}"))


def _choose(turn: Turn, text: str) -> bool:
    picked = _picked(turn, text)
    if not picked or len(picked) != 1:
        return dangers.still_asked(turn, text)
    turn.put_talk(screen="", batch=picked[0], choices=(), stepwise=False)
    chosen = turn.batch()
    show(turn, Prompt("note.chosen", {"sets": chosen.names}) if chosen else None)
    return True


ANSWERS: dict[str, Callable[[Turn, str], bool]] = {
    "home": _home,
    "menu": _menu,
    "sets": _sets,
    "opened": _opened,
    "batches": _batches,
    "people": _people,
    "pace": _pace,
    "choose": _choose,
    **dangers.ANSWERS,
    **checking.ANSWERS,
    **supervising.ANSWERS,
    "need": answer_need,
    "spores": answer_spores,
    "spores_day": answer_day,
    "spores_load": answer_load,
    "mix": answer_mix,
    "doubted": answer_doubted,
    "strip": answer_strip,
    "mixed": answer_mixed,
    "labelled": answer_labelled,
    "mix_other": answer_other,
    "mix_none": answer_other,
    **late.ANSWERS,
    **REGISTER_ANSWERS,
}
