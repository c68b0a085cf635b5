"""The pure step: (unit, event) -> (unit after it, effects). No clock, no network, no store.

A person's words go, in this order: the carrier's reserved words, a new USSD session, a late
message, command words, set names, the screen she is at, the batch that has the word.
"""

from __future__ import annotations

from dataclasses import replace

from bot.answering import BACK, HELP, PROBLEM, Answered, answer, problem
from bot.asking import framed, minutes_left, started, title
from bot.bells import receipt, ring
from bot.model import (
    NEWEST_ONLY,
    Day,
    Event,
    Heard,
    Person,
    Prompt,
    Rang,
    Receipt,
    Shown,
    Step,
    Unit,
)
from bot.progress import go, seconds_left, with_clock, write
from bot.rules import Rules
from bot.screens import (
    LISTED,
    answer_screen,
    back,
    begin,
    colleagues,
    main_screen,
    open_screen,
    opened,
    others_batches,
    practise,
    ready_sets,
    set_pace,
    show,
    status,
    used_sets,
)
from bot.turn import Turn, load_of, was_ready
from flows.batch import Batch, short
from flows.release import marks
from flows.stage import EARLIEST

# Words that carriers act on themselves (a widely copied short-code handbook; see the README).
CARRIER_STOP = frozenset({"STOP", "STOPALL", "END", "CANCEL", "QUIT", "UNSUBSCRIBE"})
CARRIER_START = frozenset({"START", "UNSTOP", "YES"})
CARRIER_INFO = frozenset({"HELP", "INFO"})


def step(unit: Unit, event: Event, rules: Rules) -> Step:
    """What *event* does to *unit*. The same arguments always give the same result."""
    turn = Turn(unit, rules, event.at)
    if isinstance(event, Heard):
        person = unit.site.person(event.phone)
        if person is None:
            return Step(unit, ())
        _slow_down(turn)
        turn.person, turn.talk = person, unit.talk(event.phone)
        turn.tick, turn.via = event.tick, event.channel
        _hear(turn, event, person)
    elif isinstance(event, Rang):
        turn.tick = event.tick
        _slow_down(turn)
        ring(turn, event)
    elif isinstance(event, Receipt):
        turn.via = "receipt"
        receipt(turn, event)
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
    if not turn.unit.site.sets:
        turn.reply(Prompt("supervisor", {"name": person.name}), end=True)
    elif event.channel == "ussd":
        _dialled(turn, event)
    elif not _carrier(turn, event.text):
        _texted(turn, event)


def _forget_lost_batch(turn: Turn) -> None:
    """A batch that closed or that another took has no more claim on this person's words."""
    if turn.talk.batch and turn.batch() is None:
        screen = "" if turn.talk.screen in ("menu", "people") else turn.talk.screen
        turn.put_talk(batch="", screen=screen)


def _carrier(turn: Turn, text: str) -> bool:
    word = text.strip().upper()
    if word in CARRIER_STOP:
        turn.put_talk(stopped=True)
        turn.reply(Prompt("carrier.stopped"), end=True)
    elif word in CARRIER_START:
        turn.put_talk(stopped=False)
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
    if first or not follows:
        show(turn)
        return
    turn.put_talk(heard_at=event.at)
    _understand(turn, (event.text if newest_only else text[len(expected) :]).strip())


def _texted(turn: Turn, event: Heard) -> None:
    sent, last = event.sent_at, turn.talk.heard_at
    if sent and last and sent < last:
        # Written before her last answer: it cannot answer what was asked after that.
        show(turn, Prompt("note.older"))
        return
    # A USSD screen that is still open shows an older question: no answer to it counts any more.
    turn.put_talk(heard_at=sent or last, ussd_session="")
    _understand(turn, event.text.strip())


def _understand(turn: Turn, text: str) -> None:
    command = turn.rules.command(turn.person.language if turn.person else "en", text)
    sets = _named_sets(turn, text)
    if command and COMMANDS[command](turn):
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
        back(turn)
    elif text == HELP:
        turn.reply(Prompt("help.screen"))
    elif text == PROBLEM:
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
    _after_answer(turn, batch, done)


def _after_answer(turn: Turn, before: Batch, done: Answered) -> None:
    side = turn.book(before).stage(before).phase == "side"
    stage = before.detour if side and before.detour else before.stage
    after = turn.tell(done.batch, done.tells, stage)
    if {"indicator", "cycle"} & set(done.tells):
        after = _recall(turn, after)
    told = len(after.log) > len(done.batch.log)
    if after is not before:
        turn.keep(before, after, push=told)
    _keep_pace(turn, before, after, done)
    if after.outcome:
        _closed(turn, after)
    elif done.how == "menu":
        main_screen(turn)
    else:
        _answer_back(turn, before, after, done)


def _keep_pace(turn: Turn, before: Batch, after: Batch, done: Answered) -> None:
    """One step at a time lasts until the page that asked for it is behind."""
    tries = turn.talk.tries + 1 if done.how == "unclear" else 0
    stepwise = done.stepwise or turn.talk.stepwise
    if stepwise and not done.stepwise and before.stage != after.stage:
        page = turn.book(after).flow.page("brief", after.stage)
        stepwise = page is None or page.pace != "brief"
    if (tries, stepwise) != (turn.talk.tries, turn.talk.stepwise):
        turn.put_talk(tries=tries, stepwise=stepwise)


def _answer_back(turn: Turn, before: Batch, after: Batch, done: Answered) -> None:
    book = turn.book(after)
    stage = book.stage(after)
    number = stage.kind == "number"
    if done.how == "help":
        text = Prompt(f"{stage.id}.help")
        turn.reply(framed(text, "foot.number" if number else "foot"), batch=after)
    elif done.how == "early" and done.note:
        turn.reply(done.note, end=True, batch=after)
    elif done.how == "unclear" and turn.talk.tries >= 3:
        turn.reply(Prompt("unclear.third", {"title": title(stage)}), batch=after)
    elif done.how == "unclear" and turn.talk.tries == 2:
        values = {"title": title(stage)}
        again = Prompt("unclear.number", values) if number else Prompt("unclear.second", values)
        turn.reply(again, batch=after)
    elif _just_started(turn, before, after):
        turn.reply(started(after, book), end=True, batch=after)
    else:
        turn.ask(after, done.note)


def _just_started(turn: Turn, before: Batch, after: Batch) -> bool:
    stage = turn.book(after).stage(after)
    running = seconds_left(after, turn.book(after).protocol, turn.said()) > 0
    return stage.kind == "wait" and running and after.due != before.due


def _closed(turn: Turn, batch: Batch) -> None:
    """Say how a batch ended. No digit after it answers a question that was not shown again."""
    mine = turn.person.id if turn.person else ""
    rest = tuple(b.id for b in turn.unit.batches.values() if b.holder == mine)
    turn.put_talk(
        batch=rest[0] if rest else "",
        screen="choose" if rest else "",
        stepwise=False,
        choices=rest[:LISTED],
        last=batch.id,
    )
    gone = [s.id for s in batch.sets if s.aside]
    values: dict[str, Shown] = {"sets": batch.names, "aside": short(gone)}
    if batch.expires_at:
        values["until"] = Day(batch.expires_at)
    turn.reply(Prompt(_ending(batch, some_aside=bool(gone)), values), end=True, batch=batch)


def _ending(batch: Batch, *, some_aside: bool) -> str:
    if batch.outcome == "cancelled":
        return "closed.cancelled"
    if batch.outcome == "set aside":
        return "closed.aside"
    if batch.practice:
        return "closed.practised"
    return "closed.ready_aside" if some_aside else "closed.ready"


def _recall(turn: Turn, batch: Batch) -> Batch:
    """Every other set READY from the same autoclave load is USED again, and those above know."""
    load = load_of(batch)
    if batch.practice or not load:
        return batch
    called = [
        s
        for s in turn.unit.sets.values()
        if s.condition == "READY" and s.load == load and s.batch != batch.id
    ]
    for state in called:
        turn.put_set(replace(state, condition="USED", expires_at=None, load=""))
    for state in tuple(turn.unit.sets.values()):
        # Begun again by mistake, perhaps: cancelling must not make it READY from this load.
        under = turn.unit.batches.get(state.batch)
        was = was_ready(under, state.id) if under and state.condition == "IN PROCESS" else None
        if was and was.load == load:
            turn.put_set(replace(state, load=load))
    names = [s.id for s in called] + _load_again(turn, batch, load)
    if names:
        for person in (*turn.above(), *turn.unit.site.people):
            values = {"site": turn.unit.site.id, "sets": "+".join(names), "load": load}
            prompt = Prompt("recall", values)
            turn.say(person, prompt, "alert", batch)
    return batch


def _load_again(turn: Turn, failed: Batch, load: str) -> list[str]:
    """Send every other open batch of the load that *failed* back to its loading: their sets."""
    names: list[str] = []
    for batch in tuple(turn.unit.batches.values()):
        loaded = ("loaded", "") in marks(batch.log) and load_of(batch) == load
        if batch.id == failed.id or batch.practice or not loaded:
            continue
        # As an interruption, which nobody can take back.
        after = write(batch, turn.said(), "interrupted", mark="loaded")
        turn.keep(batch, go(after, turn.book(batch), EARLIEST, turn.said()))
        names += [s.id for s in batch.remaining]
        holder = turn.unit.site.by_id(batch.holder)
        if holder and turn.unit.talk(holder.phone).batch == batch.id:
            # Her next digit was meant for another question: it chooses the batch first.
            talk = replace(turn.unit.talk(holder.phone), screen="choose", choices=(batch.id,))
            turn.unit = turn.unit.put_talk(talk)
    return names


# ---- command words --------------------------------------------------------------------------


def _status(turn: Turn) -> bool:
    status(turn)
    return True


def _main(turn: Turn) -> bool:
    main_screen(turn)
    return True


def _hand(turn: Turn) -> bool:
    if turn.batch() is None:
        show(turn, Prompt("none.hand"))
    else:
        open_screen(turn, "people", colleagues(turn))
    return True


def _take(turn: Turn) -> bool:
    open_screen(turn, "batches", others_batches(turn))
    return True


def _practise(turn: Turn) -> bool:
    practise(turn)
    return True


def _guided(turn: Turn) -> bool:
    set_pace(turn, "guided")
    return True


def _brief(turn: Turn) -> bool:
    set_pace(turn, "brief")
    return True


def _trouble(turn: Turn) -> bool:
    batch = turn.batch()
    if batch is None or turn.talk.screen:
        return False
    _after_answer(turn, batch, problem(batch, turn.book(batch), turn.said(PROBLEM)))
    return True


def _danger(turn: Turn) -> bool:
    """First aid at once; those above are told; the batch and its clock stay where they are."""
    batch = turn.batch()
    site = turn.unit.site
    name = turn.person.name if turn.person else "?"
    turn.reply(Prompt("danger"), end=True)
    people = {p.id: p for p in (*site.supervisors, *site.people) if p.role != "nurse"}
    for person in people.values():
        if person != turn.person:
            values = {"site": site.id, "name": name}
            turn.say_plain(person, Prompt("danger.tell", values))
    if batch and not batch.practice:
        kept = turn.note(batch, "danger")
        turn.keep(batch, kept, push=True)
    return True


def _left(turn: Turn) -> bool:
    batch = turn.batch()
    if batch is None or batch.due is None:
        return _status(turn)
    left = minutes_left(batch, turn.book(batch), turn.said())
    values: dict[str, Shown] = {"left": max(left, 0), "sets": batch.names}
    turn.reply(Prompt("wait.left", values), end=True, batch=batch)
    return True


def _opened(turn: Turn) -> bool:
    open_screen(turn, "opened", ready_sets(turn))
    return True


def _used(turn: Turn) -> bool:
    open_screen(turn, "sets", used_sets(turn))
    return True


COMMANDS = {
    "status": _status,
    "menu": _main,
    "hand": _hand,
    "take": _take,
    "practise": _practise,
    "guided": _guided,
    "brief": _brief,
    "problem": _trouble,
    "danger": _danger,
    "left": _left,
    "used": _used,
    "opened": _opened,
}
