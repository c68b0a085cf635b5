"""The screens between batches: what to do now, which set, whose batch, to whom, how fast."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from bot.asking import framed, numbered, title
from bot.model import Day, Person, Prompt, SetState, Shown
from bot.progress import write
from bot.turn import Turn, remembered
from flows.batch import Batch, BatchSet, Value, short

# The digits 1 to 7 pick from a list; 8, 9 and 0 mean problem, help and back everywhere.
LISTED = 7

# Their list, and "all" after it, must fit the digits 1 to 7.
MOST_SETS = 6

CONDITIONS = ("READY", "IN PROCESS", "USED", "SET ASIDE", "EXPIRED")


def show(turn: Turn, note: Prompt | None = None, *, end: bool = False) -> None:
    """Show where the person stands: her screen, her batch's question, or the main screen."""
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
    prompt = Prompt(f"screen.{turn.talk.screen}", _values(turn))
    text = framed(prompt, "foot.screen")
    turn.reply(Prompt("noted", {"note": note, "ask": text}) if note else text, end=end)


def _values(turn: Turn) -> dict[str, Shown]:
    batch = turn.batch()
    labels: list[Prompt | str] = [_label(turn, c) for c in turn.talk.choices]
    values: dict[str, Shown] = {
        "site": turn.unit.site.id,
        "options": numbered(labels),
        "sets": batch.names if batch else "",
    }
    if turn.talk.screen == "choose" and len(labels) == 2:
        values |= {"first": labels[0], "second": labels[1]}
    return values


def _label(turn: Turn, choice: str) -> Prompt | str:
    batch = turn.unit.batches.get(choice)
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


def main_screen(turn: Turn) -> None:
    """The main screen: with a batch under way it is about that batch."""
    turn.put_talk(screen="menu" if turn.batch() else "home", choices=(), practice=False)
    show(turn)


def back(turn: Turn) -> None:
    """Leave a screen: to the batch if there is one, else to the main screen."""
    screen = "" if turn.batch() else "home"
    turn.put_talk(screen=screen, choices=(), practice=False)
    show(turn)


# ---- the lists ------------------------------------------------------------------------------


def used_sets(turn: Turn) -> tuple[str, ...]:
    """The sets that may begin a batch: those that no open batch holds, worst condition first."""
    order = ("USED", "EXPIRED", "READY", "SET ASIDE", "IN PROCESS")
    free = [s.id for s in turn.unit.site.sets if not _held(turn, s.id)]
    condition = {i: turn.unit.state_of(i).now(turn.now) for i in free}
    return tuple(sorted(free, key=lambda i: (order.index(condition[i]), i)))


def _held(turn: Turn, set_id: str) -> Batch | None:
    state = turn.unit.state_of(set_id)
    return turn.unit.batches.get(state.batch)


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
    return tuple(p.id for p in others if not turn.unit.talk(p.phone).stopped)


def ready_sets(turn: Turn) -> tuple[str, ...]:
    """The sets that are READY now."""
    states = (turn.unit.state_of(s.id) for s in turn.unit.site.sets)
    return tuple(s.id for s in states if s.now(turn.now) == "READY")


# ---- answers --------------------------------------------------------------------------------


def answer_screen(turn: Turn, text: str) -> None:
    """What a digit does on the screen that is shown."""
    handler = ANSWERS.get(turn.talk.screen)
    if handler is None or not handler(turn, text):
        unclear(turn)


def unclear(turn: Turn) -> None:
    """Ask again. A first word at the main screen is a greeting, not a mistake."""
    greeted = turn.talk.screen == "home" and turn.talk.tries == 0
    turn.put_talk(tries=turn.talk.tries + 1)
    show(turn, None if greeted else Prompt("note.unclear"))


def _home(turn: Turn, text: str) -> bool:
    actions: dict[str, Callable[[], None]] = {
        "1": lambda: open_screen(turn, "sets", used_sets(turn)),
        "2": lambda: status(turn),
        "3": lambda: open_screen(turn, "batches", others_batches(turn)),
        "4": lambda: open_screen(turn, "opened", ready_sets(turn)),
        "5": lambda: open_screen(turn, "pace"),
        "6": lambda: practise(turn),
    }
    return _act(actions, text)


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


def opened(turn: Turn, set_ids: list[str]) -> None:
    """A READY set was used, opened or got wet: it is USED from now on."""
    for set_id in set_ids:
        state = turn.unit.state_of(set_id)
        if state.condition == "READY":
            turn.put_set(SetState(set_id, "USED"))
        elif state.condition == "IN PROCESS":
            # Begun by mistake, perhaps: cancelling must not make it READY with its seal broken.
            turn.put_set(replace(state, expires_at=turn.now))
    turn.put_talk(screen="" if turn.batch() else "home", choices=())
    show(turn, Prompt("note.opened", {"sets": "+".join(set_ids)}))


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
        return False
    turn.put_talk(screen="", batch=picked[0], choices=(), stepwise=False)
    show(turn, Prompt("note.chosen"))
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
}


# ---- what they lead to ----------------------------------------------------------------------


def begin(turn: Turn, set_ids: list[str]) -> None:
    """Open a batch with these sets, unless one of them is in another."""
    practice = turn.talk.practice and turn.talk.screen == "sets"
    if len(set_ids) > MOST_SETS:
        show(turn, Prompt("note.too_many", {"most": MOST_SETS}))
        return
    for set_id in set_ids:
        held = _held(turn, set_id)
        if held and not practice:
            holder = turn.unit.site.by_id(held.holder)
            values = {"set": set_id, "name": holder.name if holder else "?"}
            turn.put_talk(screen="" if turn.batch() else "home", choices=())
            show(turn, Prompt("note.held", values))
            return
    batch = _new_batch(turn, set_ids, practice=practice)
    facts: dict[str, Value] = {"sets": batch.names, "methods": " ".join(batch.facility_methods)}
    for set_id in set_ids:
        if kept := remembered(turn.unit.state_of(set_id)):
            facts[f"was {set_id}"] = kept
    batch = write(batch, turn.said("+".join(set_ids)), "opened", facts=facts)
    turn.unit = replace(turn.unit, serial=turn.unit.serial + 1)
    turn.put_talk(screen="", batch=batch.id, choices=(), practice=False, stepwise=False)
    turn.keep(None, batch, push=True)
    turn.ask(batch)


def _new_batch(turn: Turn, set_ids: list[str], *, practice: bool) -> Batch:
    site, person = turn.unit.site, turn.person
    protocol = turn.rules.protocol_for(site)
    hasten = turn.rules.hasten
    if practice:
        hasten = max(hasten, protocol["practice.hasten_factor"])
    cards = {c.id: c for c in site.sets}
    return Batch(
        id=f"{site.id}-{_stamp(turn.now)}-{turn.unit.serial + 1}",
        facility=site.id,
        district=site.district,
        altitude_m=site.altitude_m,
        facility_methods=site.methods,
        protocol=protocol.id,
        flow=turn.rules.flow.id,
        opened_at=turn.now,
        opened_by=person.id if person else "",
        holder=person.id if person else "",
        sets=tuple(
            BatchSet(c.id, c.model, c.kind, c.pieces, c.methods)
            for c in (cards[i] for i in set_ids)
        ),
        stage=turn.rules.flow.start,
        autoclave=site.autoclave,
        practice=practice,
        hasten=hasten,
    )


def _stamp(now: datetime) -> str:
    return now.strftime("%Y%m%d-%H%M%S")


def take_over(turn: Turn, batch: Batch) -> None:
    """This person holds *batch* from now on; whoever held it is told."""
    me = turn.person
    if me is None:
        return
    before = turn.unit.site.by_id(batch.holder)
    if batch.holder != me.id:
        after = write(replace(batch, holder=me.id), turn.said(), "handed", mark=me.id)
        turn.keep(batch, after)
        if before:
            _release_talk(turn, before, batch)
            values = {"name": me.name, "sets": batch.names}
            turn.say(before, Prompt("note.taken", values), "note", batch)
        batch = after
    turn.put_talk(screen="", batch=batch.id, choices=(), stepwise=False)
    turn.ask(batch)


def hand_over(turn: Turn, batch: Batch, to: Person) -> None:
    """Give *batch* to a colleague, who is asked its present question."""
    after = write(replace(batch, holder=to.id), turn.said(), "handed", mark=to.id)
    turn.keep(batch, after)
    from_name = turn.person.name if turn.person else "?"
    theirs = turn.unit.talk(to.phone)
    mine = theirs.batch in turn.unit.batches
    turn.unit = turn.unit.put_talk(
        replace(theirs, screen="choose", choices=(batch.id, theirs.batch) if mine else (batch.id,))
    )
    step = title(turn.book(after).stage(after))
    values: dict[str, Shown] = {"name": from_name, "sets": batch.names, "step": step}
    turn.say(to, Prompt("note.handed", values), "note", after)
    turn.put_talk(screen="", batch="", choices=())
    turn.reply(Prompt("handed", {"name": to.name, "sets": batch.names}), end=True)


def _release_talk(turn: Turn, person: Person, batch: Batch) -> None:
    theirs = turn.unit.talk(person.phone)
    if batch.id in (theirs.batch, *theirs.choices):
        turn.unit = turn.unit.put_talk(replace(theirs, batch="", screen="", choices=()))


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
