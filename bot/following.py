"""What follows an answer to a batch: who is told, what is asked next, how it ends."""

from __future__ import annotations

from bot.answering import Answered
from bot.asking import explain, started, title
from bot.effects import Day, Prompt, Shown
from bot.exposures import seconds_left
from bot.recall import recall
from bot.showing import LISTED, main_screen, mine
from bot.telling import tell, tell_habits
from bot.turn import Turn
from flows.batch import Batch, short


def after_answer(turn: Turn, before: Batch, done: Answered) -> None:
    """Keep what *done* made of the batch *before*, tell whoever must know, and answer."""
    side = turn.book(before).stage(before).phase == "side"
    stage = done.at or (before.detour if side and before.detour else before.stage)
    after = tell(turn, done.batch, done.tells, stage)
    tell_habits(turn, before, after, done)
    if {"indicator", "cycle"} & set(done.tells):
        after = recall(turn, after)
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
        talk = turn.talk
        turn.reply(explain(after, book, talk.pace, stepwise=talk.stepwise), batch=after)
    elif done.how == "early" and done.note:
        turn.reply(done.note, end=True, batch=after)
    elif done.how == "unclear" and turn.talk.tries >= 3:
        turn.reply(Prompt("unclear.third", {"title": title(stage)}), batch=after)
    elif done.how == "unclear" and turn.talk.tries == 2:
        values = {"title": title(stage)}
        again = Prompt("unclear.number", values) if number else Prompt("unclear.second", values)
        turn.reply(again, batch=after)
    elif _just_started(turn, before, after) and done.note is None:
        turn.reply(started(after, book), end=True, batch=after)
    else:
        turn.ask(after, done.note)


def _just_started(turn: Turn, before: Batch, after: Batch) -> bool:
    stage = turn.book(after).stage(after)
    running = seconds_left(after, turn.book(after).protocol, turn.said()) > 0
    return stage.kind == "wait" and running and after.due != before.due


def _closed(turn: Turn, batch: Batch) -> None:
    """Say how a batch ended. No digit after it answers a question that was not shown again."""
    rest = mine(turn)
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
