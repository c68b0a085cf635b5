"""Showing where a person stands: her screen, her batch, the lists she picks from."""

from __future__ import annotations

from datetime import datetime

from bot.asking import framed, minutes_left, numbered, title
from bot.check_words import screen_values
from bot.effects import Day, Prompt, Shown
from bot.late_words import values as late_values
from bot.paging import overlaid, show_overlaid
from bot.paging import settle as settle_overlaid
from bot.recipe_words import values as mix_values
from bot.recipes import settle
from bot.turn import Turn
from flows.batch import Batch, short

# The digits 1 to 7 pick from a list; 8, 9 and 0 mean problem, help and back everywhere.
LISTED = 7
# Screens whose first choice is what they are about; a list, if there is one, comes after it.
HEADED = ("new_set", "retire", "role", "remove")


CONDITIONS = ("READY", "IN PROCESS", "USED", "SET ASIDE", "EXPIRED")


def show(turn: Turn, note: Prompt | None = None, *, end: bool = False) -> None:
    """Show where the person stands: her screen, her batch's question, or the main screen."""
    note = settle_overlaid(turn) or note
    if overlaid(turn):
        show_overlaid(turn, note, end=end)
        return
    batch = turn.batch()
    if turn.talk.screen and not (turn.talk.screen == "home" and batch):
        _show_screen(turn, note, end=end)
    elif batch:
        if turn.talk.screen:
            turn.put_talk(screen="")
        turn.ask(batch, note, end=end)
    else:
        turn.put_talk(screen="home", batch="")
        _show_screen(turn, note, end=end)


def _show_screen(turn: Turn, note: Prompt | None, *, end: bool) -> None:
    settle(turn)
    if note is None and turn.talk.screen == "home":
        note = turn.training(turn.rules.protocol_for(turn.unit.site))
    prompt = Prompt(f"screen.{turn.talk.screen}", _values(turn))
    text = framed(prompt, "foot.screen")
    turn.reply(Prompt("noted", {"note": note, "ask": text}) if note else text, end=end)


def _values(turn: Turn) -> dict[str, Shown]:
    batch = turn.batch()
    choices = turn.talk.choices[turn.talk.screen in HEADED :]
    labels: list[Prompt | str] = [_label(turn, c) for c in choices]
    values: dict[str, Shown] = {
        "site": turn.unit.site.id,
        "options": numbered(labels),
        "sets": batch.names if batch else "",
        "clock": clock(turn),
    }
    if turn.talk.screen in HEADED and turn.talk.choices:
        head = turn.talk.choices[0]
        person = turn.unit.site.by_id(head)
        values |= {"set": head, "name": person.name if person else head}
    if turn.talk.screen == "choose" and len(labels) == 2:
        values |= {"first": labels[0], "second": labels[1]}
    checked = screen_values(turn.unit, turn.talk.screen, turn.talk.choices, turn.now)
    return {**values, **mix_values(turn), **checked, **late_values(turn)}


def clock(turn: Turn) -> Prompt | str:
    """That the exposure of her batch goes on, and how long; or that it is over; else ""."""
    batch = turn.batch()
    if batch is None or batch.due is None:
        return ""
    left = minutes_left(batch, turn.book(batch), turn.said())
    return Prompt("clock.left", {"left": left}) if left > 0 else Prompt("clock.over")


def _label(turn: Turn, choice: str) -> Prompt | str:
    if turn.talk.screen in ("new_set", "language"):
        return turn.rules.languages.get(choice, choice)
    batch = turn.unit.batches.get(choice)
    if batch and turn.person and batch.holder != turn.person.id:
        holder = turn.unit.site.by_id(batch.holder)
        return Prompt("batch.of", {"sets": batch.names, "name": holder.name if holder else "?"})
    if batch:
        return batch.names
    person = turn.unit.site.by_id(choice)
    return person.name if person else choice


def open_screen(turn: Turn, screen: str, choices: tuple[str, ...] = (), **more: object) -> None:
    """Go to *screen*; an empty list of choices says so and stays."""
    if screen in ("sets", "batches", "people", "opened") and not choices:
        show(turn, Prompt(f"none.{screen}"))
        return
    turn.put_talk(**{"screen": screen, "choices": choices[:LISTED], "practice": False, **more})
    show(turn)


def say_alone(turn: Turn, text: Prompt) -> None:
    """Say *text* and ask nothing. Her next digit shows where she stands: it was meant for no
    question of the batch, and for no line of a main screen that was not shown."""
    batch = turn.batch()
    turn.put_talk(screen="choose" if batch else "", choices=(batch.id,) if batch else ())
    turn.reply(framed(text, "foot.screen"))


def main_screen(turn: Turn) -> None:
    """The main screen: with a batch under way it is about that batch."""
    turn.put_talk(screen="menu" if turn.batch() else "home", choices=(), practice=False)
    show(turn)


def back(turn: Turn) -> None:
    """Leave a screen: to the batch if there is one, else to the main screen."""
    screen = "" if turn.batch() else "home"
    turn.put_talk(screen=screen, choices=(), practice=False)
    show(turn)


def used_sets(turn: Turn) -> tuple[str, ...]:
    """The sets that may begin a batch: those that no open batch holds, worst condition first."""
    order = ("USED", "EXPIRED", "READY", "SET ASIDE", "IN PROCESS")
    free = [s.id for s in turn.unit.site.sets if not held(turn, s.id)]
    condition = {i: turn.unit.state_of(i).now(turn.now) for i in free}
    return tuple(sorted(free, key=lambda i: (order.index(condition[i]), i)))


def held(turn: Turn, set_id: str) -> Batch | None:
    """The open batch that a set is in, or None."""
    state = turn.unit.state_of(set_id)
    return turn.unit.batches.get(state.batch)


def mine(turn: Turn) -> tuple[str, ...]:
    """Every open batch that this person holds."""
    me = turn.person.id if turn.person else ""
    return tuple(b.id for b in turn.unit.batches.values() if b.holder == me)


def others_batches(turn: Turn) -> tuple[str, ...]:
    """Every open batch here that does not have this person's word now."""
    me = turn.person.id if turn.person else ""
    return tuple(
        b.id
        for b in turn.unit.batches.values()
        if b.id != turn.talk.batch and (b.holder == me or not b.practice)
    )


def colleagues(turn: Turn) -> tuple[str, ...]:
    """Everyone else who works here and takes texts."""
    others = (p for p in turn.unit.site.people if p != turn.person)
    return tuple(p.id for p in others if not turn.unit.talk(p.phone).absent(turn.now))


def ready_sets(turn: Turn) -> tuple[str, ...]:
    """The sets that are READY now."""
    states = (turn.unit.state_of(s.id) for s in turn.unit.site.sets)
    return tuple(s.id for s in states if s.now(turn.now) == "READY")


def unclear(turn: Turn) -> None:
    """Ask again. A first word at the main screen is a greeting, not a mistake."""
    greeted = turn.talk.screen == "home" and turn.talk.tries == 0
    turn.put_talk(tries=turn.talk.tries + 1)
    show(turn, None if greeted else Prompt("note.unclear"))


def status(turn: Turn) -> None:
    """What is ready, in process, used, set aside or expired here, in one text."""
    groups: dict[str, list[str]] = {}
    expiries: list[datetime] = []
    for card in turn.unit.site.sets:
        state = turn.unit.state_of(card.id)
        groups.setdefault(state.now(turn.now), []).append(card.id)
        if state.now(turn.now) == "READY" and state.expires_at:
            expiries.append(state.expires_at)
    parts: dict[str, Shown] = {}
    for condition in CONDITIONS:
        if ids := groups.get(condition):
            values: dict[str, Shown] = {"sets": short(ids)}
            if condition == "READY" and expiries:
                values["until"] = Day(min(expiries))
            parts[condition] = Prompt(f"status.{condition.lower().replace(' ', '_')}", values)
    if not groups.get("READY"):
        parts["none"] = Prompt("status.none_ready")
    batch = turn.batch()
    if batch:
        parts["now"] = Prompt("status.now", {"step": title(turn.book(batch).stage(batch))})
    turn.put_talk(screen="", choices=())
    turn.reply(Prompt("parts", parts), end=True)
