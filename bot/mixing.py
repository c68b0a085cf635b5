"""The command word MIX: from stock to a labelled solution, and the bell when it is over.

Its screens lie over a batch and leave it where it is. The label is a screen of its own, so that
the 1 that says "made" can never answer the batch's question, which is shown after it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime

from bot.alerting import raise_alert
from bot.asking import framed
from bot.cupboard import shown_percent
from bot.effects import Day, Prompt, Shown
from bot.mixed import facts_of, outlived, replaced, told
from bot.model import Reminder
from bot.recipe_words import grams, recipe_values
from bot.recipes import Recipe, chosen, recipe, settle, tag
from bot.showing import back, show
from bot.site import Person
from bot.turn import Turn
from flows.strengths import MOST_LIQUID_PERCENT


def mix(turn: Turn) -> bool:
    """The command word: from which stock?"""
    _go(turn, "mix")
    return True


def answer_mix(turn: Turn, text: str) -> bool:
    """A digit of the list of stock."""
    shown = turn.talk.choices
    if not (text.isascii() and text.isdecimal() and 1 <= int(text[:3]) <= len(shown)):
        return False
    _go(turn, "mixed", (shown[int(text[:3]) - 1],))
    return True


def answer_doubted(turn: Turn, text: str) -> bool:
    """1 a strip was used, 2 other stock. Nothing here takes the label's word."""
    if text == "1":
        _go(turn, "strip", turn.talk.choices[:1])
    elif text == "2":
        _go(turn, "mix")
    return text in ("1", "2")


def answer_strip(turn: Turn, text: str) -> bool:
    """What the strip shows of the stock, in %."""
    percent = _percent(text)
    if percent is None:
        return False
    _go(turn, "mixed", (*turn.talk.choices[:1], f"{percent!r}"))
    return True


def answer_other(turn: Turn, text: str) -> bool:
    """1 other stock; where nothing can be mixed, the reason once more."""
    if text == "1":
        _go(turn, "mix")
    return text == "1"


def answer_mixed(turn: Turn, text: str) -> bool:
    """1 it is made, now: the label, and a bell when it is over."""
    if text != "1":
        return False
    settle(turn)  # a recipe that does not hold any more is not what she was to make
    bottle = chosen(turn) if turn.talk.screen == "mixed" else None
    found = recipe(turn, bottle) if bottle else None
    if isinstance(found, Recipe):
        _made(turn, found)
    show(turn)
    return True


def answer_labelled(turn: Turn, text: str) -> bool:
    """1 the label is written: on to where she was."""
    if text == "1":
        back(turn)
    return text == "1"


def explain_mix(turn: Turn) -> None:
    """Why the recipe is what it is: the arithmetic in words."""
    settle(turn)
    bottle = chosen(turn) if turn.talk.screen == "mixed" else None
    found = recipe(turn, bottle) if bottle else None
    if not isinstance(found, Recipe):
        show(turn)
        return
    volume = turn.unit.site.soak_ml
    values: dict[str, Shown] = {
        **recipe_values(found),
        "volume": f"{volume:g}",
        "grams": f"{grams(found, volume):g}",
    }
    turn.reply(framed(Prompt("mix.help", values), "foot.screen"))


def _go(turn: Turn, screen: str, choices: tuple[str, ...] = ()) -> None:
    turn.put_talk(screen=screen, choices=choices, practice=False)
    show(turn)


def _percent(text: str) -> float | None:
    """A strength as it is written, with a point or a comma; None for what no bleach can be."""
    try:
        value = float(text.strip().rstrip("%").replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) and 0 < value <= MOST_LIQUID_PERCENT else None


def _made(turn: Turn, found: Recipe) -> None:
    """Put the label on the screen, and a reminder among the facility's unless it is practice."""
    made = tag(turn, found)
    percent = shown_percent(made.percent, found.target)
    more = "warn" if made.warn_at else "stand" if "let_stand" in found.made.cautions else ""
    warn = (made.warn_at or made.made_at).isoformat()
    moments = (made.made_at.isoformat(), made.discard_at.isoformat())
    turn.put_talk(screen="labelled", choices=(percent, *moments, more, warn))
    batch = turn.batch()
    if batch and batch.practice:
        return
    replaced(turn)
    facts = {"percent": percent, "over": made.discard_at.isoformat(), **facts_of(turn, found)}
    due = made.warn_at or made.discard_at
    by = turn.person.id if turn.person else ""
    reminder = Reminder(turn.next_id("solution"), "solution", by, made.made_at, due, facts)
    turn.remind(reminder)
    told(turn, reminder)


# ---- the bell of a solution ---------------------------------------------------------------------


def solution_over(turn: Turn, reminder: Reminder) -> None:
    """A solution is over, or in doubt before that: whoever made it and the in-charge hear it."""
    over = datetime.fromisoformat(reminder.facts["over"])
    maker = turn.unit.site.by_id(reminder.by)
    values: dict[str, Shown] = {
        "site": turn.unit.site.id,
        "made": Day(reminder.at),
        "name": maker.name if maker else "?",
        "percent": reminder.facts["percent"],
    }
    doubtful = turn.now < over
    prompt = Prompt("mix.doubtful" if doubtful else "mix.over", values)
    for person in _concerned(turn, maker):
        turn.say_plain(person, prompt)
    if doubtful:
        turn.remind(replace(reminder, due=over))
        return
    for batch in turn.unit.batches.values():
        if batch.method == "chlorine" and batch.due:  # perhaps in this very solution
            raise_alert(
                turn, "solution", batch.id, batch, by=batch.holder, facts={"sets": batch.names}
            )
    outlived(turn, reminder)
    turn.forget(reminder)


def _concerned(turn: Turn, maker: Person | None) -> tuple[Person, ...]:
    """The maker and those in charge who take texts; where there is nobody, those above."""
    chiefs = [p for p in turn.unit.site.people if p.role == "in_charge"]
    people = {p.id: p for p in (*([maker] if maker else []), *chiefs)}
    found = tuple(p for p in people.values() if not turn.unit.talk(p.phone).stopped)
    return found or turn.above()

