"""What an answer does to the batch it answers: accepted, too early, or not understood."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from bot.asking import asks_of, choices, minutes_left, page_shown
from bot.book import Book, Said, write
from bot.effects import Prompt
from bot.exposures import running, seconds_left, too_long
from bot.model import Pace
from bot.progress import set_aside, set_asked, take, undo
from bot.said_time import begun_at, ended_at, takes_time, told_time
from flows.batch import Batch
from flows.judge import JUDGES, read
from flows.stage import MENU, Option, Stage

PROBLEM, BACK, HELP = "8", "0", "9"
# A machine that answers a machine must not fill the log.
MISUNDERSTOOD_KEPT = 3
DIGIT = re.compile(r"^([0-9])[.)]?$")


@dataclass(frozen=True, slots=True)
class Answered:
    """What came of an answer.

    *how* is moved, early, unclear, help or menu. *note* is a word about it. *tells* are reasons
    for which someone above is told, *at* the stage of a page that gave them. *stepwise* asks for
    one step at a time from here.
    """

    batch: Batch
    how: str
    note: Prompt | None = None
    tells: tuple[str, ...] = ()
    at: str = ""
    stepwise: bool = False


def answer(batch: Batch, book: Book, said: Said, pace: Pace, *, stepwise: bool) -> Answered:
    """The batch after the words of *said*; the same batch where they mean nothing here."""
    stage = book.stage(batch)
    words = said.text.strip()
    page = page_shown(batch, book, pace, stepwise=stepwise)
    if page and page.pace == "brief" and words == PROBLEM:
        return Answered(batch, "moved", stepwise=True)
    if words in (BACK, HELP) or (words == PROBLEM and stage.kind != "number"):
        return _everywhere(batch, book, stage, replace(said, text=words))
    if page:
        asks = asks_of(batch, book, page)
        tokens = words.split()
        if (asks and len(tokens) == len(asks)) or (not asks and words == "1"):
            done = _answer_page(batch, book, page.stages, tokens, said)
            return done or _unclear(batch, said)
        if page.pace == "brief":
            # Not all is well, or not all was sent: go through it one step at a time.
            return Answered(batch, "moved", stepwise=True)
    return _answer_stage(batch, book, stage, replace(said, text=words))


def problem(batch: Batch, book: Book, said: Said) -> Answered:
    """The problem word, which also works where a number is asked."""
    return _everywhere(batch, book, book.stage(batch), replace(said, text=PROBLEM))


def _everywhere(batch: Batch, book: Book, stage: Stage, said: Said) -> Answered:
    if said.text == HELP:
        return Answered(batch, "help")
    if said.text == BACK:
        after = undo(batch, book, said)
        if after is batch:
            return Answered(batch, "moved", note=Prompt("note.not_yours"))
        stopped = batch.due is not None and after.due is None
        return Answered(after, "moved", note=Prompt("note.stopped") if stopped else None)
    side = book.flow.trouble.get(stage.phase)
    if side is None:
        return _unclear(batch, said)
    return Answered(take(batch, book, Option(side), said), "moved")


def _answer_page(
    batch: Batch, book: Book, names: tuple[str, ...], tokens: list[str], said: Said
) -> Answered | None:
    """Every stage of a page answered at once; None if a number in it cannot be read."""
    left, tells, at = list(tokens), list[str](), ""
    while batch.stage in names and not batch.outcome:
        stage = book.stage(batch)
        asked = stage.kind in ("number", "pick")
        if asked and not left:
            break
        word = left.pop(0) if asked else "1"
        done = _answer_stage(batch, book, stage, replace(said, text=word))
        if done.how != "moved":
            return None
        tells += done.tells
        at = stage.id if done.tells else at
        went = done.batch.stage
        batch = done.batch
        if went in names and names.index(went) < names.index(stage.id):
            break  # a reading sent the batch back: ask, do not assume
    return Answered(batch, "moved", tells=tuple(tells), at=at)


def _answer_stage(batch: Batch, book: Book, stage: Stage, said: Said) -> Answered:
    if stage.kind == "number":
        return _number(batch, book, stage, said)
    clock = told_time(said.text)
    if clock and takes_time(stage):
        return _timed(batch, book, stage, said, clock)
    digit = DIGIT.match(said.text)
    if digit and stage.kind == "pick":
        return _pick(batch, book, stage, replace(said, text=digit[1]))
    option = stage.options.get(digit[1]) if digit else None
    if digit is None or option is None:
        return _unclear(batch, said)
    said = replace(said, text=digit[1])
    if stage.kind == "wait" and digit[1] == "1":
        return _take_out(batch, book, option, said)
    how = "menu" if option.to == MENU else "moved"
    # Whoever breaks an exposure off is told that it begins again, whole.
    broken = Prompt("note.whole") if stage.kind == "wait" and option.again else None
    return Answered(take(batch, book, option, said), how, note=broken, tells=_tells(option))


def _timed(batch: Batch, book: Book, stage: Stage, said: Said, clock: str) -> Answered:
    """A 1 that tells when it really was."""
    if stage.kind != "wait":
        told = begun_at(batch, book, said, clock)
        return Answered(take(batch, book, stage.forward, told.said), "moved", note=told.note)
    exposure = running(batch, book.protocol)
    if exposure is None:
        return _unclear(batch, said)
    told = ended_at(batch, book, said, clock, exposure[0].at)
    if seconds_left(batch, book.protocol, said) > 0:
        return _take_out(batch, book, stage.forward, replace(said, text="1"))
    if told.doubt:
        batch = write(batch, told.said, "refused", mark="time")
        return Answered(batch, "early", note=told.note)
    if seconds_left(batch, book.protocol, told.said) > 0:
        # Out before the time was over, by her own word: that cannot count, whatever it is now.
        early = stage.options.get("3") or stage.options["2"]
        out = replace(told.said, at=said.at, tick=said.tick)
        note = Prompt("note.out_early")
        return Answered(take(batch, book, early, out), "moved", note=note, tells=_tells(early))
    done = _take_out(batch, book, stage.forward, told.said)
    return done if done.note else replace(done, note=told.note)


def _take_out(batch: Batch, book: Book, option: Option, said: Said) -> Answered:
    left = seconds_left(batch, book.protocol, said)
    if left > 0:
        minutes = minutes_left(batch, book, said)
        batch = write(batch, said, "refused", mark="early", facts={"minutes_left": minutes})
        return Answered(batch, "early", note=Prompt("wait.early", {"left": minutes}))
    late = too_long(batch, book.protocol, said.at)
    batch = take(batch, book, option, said, {"too_long": True} if late else None)
    return Answered(batch, "moved", note=Prompt("note.late") if late else None)


def _number(batch: Batch, book: Book, stage: Stage, said: Said) -> Answered:
    if stage.reading is None:
        return _unclear(batch, said)
    value = read(said.text, stage.reading)
    if value is None:
        return _unclear(batch, said)
    asked = set_asked(batch, stage)
    counted = next((s for s in batch.remaining if s.id == asked), None)
    option = stage.options[JUDGES[stage.judge](value, batch, counted, book.protocol)]
    # Only the number itself is kept, never the words around it.
    said = replace(said, text=f"{value:g}")
    return Answered(
        take(batch, book, option, said, {"value": value}), "moved", tells=_tells(option)
    )


def _pick(batch: Batch, book: Book, stage: Stage, said: Said) -> Answered:
    ids = choices(batch, book, stage)
    n = int(said.text)
    if not 1 <= n <= len(ids):
        return _unclear(batch, said)
    picked = ids[n - 1]
    if stage.source == "remaining":
        return Answered(set_aside(batch, book, picked, said), "moved")
    fact = "method" if stage.source == "methods" else "cycle"
    return Answered(take(batch, book, stage.forward, said, {fact: picked}), "moved")


def _unclear(batch: Batch, said: Said) -> Answered:
    note = Prompt("note.unclear")
    if all(e.kind == "misunderstood" for e in batch.log[-MISUNDERSTOOD_KEPT:]):
        return Answered(batch, "unclear", note=note)
    kept = replace(said, text=f"({len(said.text)} characters)")
    return Answered(write(batch, kept, "misunderstood"), "unclear", note=note)


def _tells(option: Option) -> tuple[str, ...]:
    return (option.tell,) if option.tell else ()
