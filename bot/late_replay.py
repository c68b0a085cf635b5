"""A batch from paper, answered step by step: the claims of an entry go through the very functions
that answers go through, each at the moment that is claimed, so the same rules hold.

No running time stands in such a log, so an exposure counts as long as its two times say, no longer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from bot.answering import Answered, answer
from bot.asking import choices, load_why, minutes_left, why
from bot.book import Book, Said, write
from bot.custody import new_batch
from bot.effects import Prompt
from bot.progress import set_asked
from bot.turn import Turn, load_of
from flows.batch import Batch, Value
from flows.late import PACKS
from flows.late_entry import LateEntry
from flows.stage import NO_METHOD, NOT_READY, Stage

VIA = "late"
MOST_ANSWERS = 80  # a whole batch of six sets has forty


@dataclass(frozen=True, slots=True)
class Refused:
    """Why an entry cannot be kept, in words; *load* is that of an autoclave which failed."""

    why: Prompt
    load: str = ""


def replay(turn: Turn, entry: LateEntry, sent: datetime) -> Batch | Refused:
    """The released batch that *entry* tells of, or what stands against it. Changes nothing."""
    facts: dict[str, Value] = {"late": True, "sent": sent.isoformat()}
    by = turn.person.id if turn.person else ""
    said = Said(by, VIA, "+".join(entry.sets), entry.began, facts=facts)
    # Real hours were told, so even a demonstration that hurries counts them as they are.
    batch = replace(new_batch(turn, list(entry.sets)), late=True, hasten=1.0, opened_at=entry.began)
    batch = write(
        batch,
        said,
        "opened",
        facts={"sets": batch.names, "methods": " ".join(batch.facility_methods)},
    )
    return _answered(batch, turn.book(batch), said, entry)


def _answered(batch: Batch, book: Book, said: Said, entry: LateEntry) -> Batch | Refused:
    for _ in range(MOST_ANSWERS):
        stage = book.stage(batch)
        word = _word(batch, book, stage, entry)
        if isinstance(word, Refused):
            return word
        said = replace(said, text=word, at=max(said.at, _moment(stage, entry)))
        done = answer(batch, book, said, "guided", stepwise=True)
        if done.how != "moved":
            return _not_taken(batch, book, said, done)
        batch = done.batch
        if batch.outcome == "released":
            return batch
    return Refused(Prompt("late.why.other"))


def _moment(stage: Stage, entry: LateEntry) -> datetime:
    """When the step was done, as far as the entry says; times only grow from step to step."""
    if stage.phase == "clean" and stage.source != "methods":
        return _cleaning(stage, entry)
    if stage.phase == "finish":
        return entry.stored
    after = stage.kind == "wait" or stage.phase == "side"
    return entry.out if after else entry.into


def _cleaning(stage: Stage, entry: LateEntry) -> datetime:
    marks_of_vinegar = ("vinegar_started", "vinegar_out")
    if entry.vinegar and stage.forward.mark in marks_of_vinegar:
        return entry.vinegar[marks_of_vinegar.index(stage.forward.mark)]
    return entry.began


def _word(batch: Batch, book: Book, stage: Stage, entry: LateEntry) -> str | Refused:
    """What the entry answers at *stage*."""
    if stage.kind == "number" and stage.reading:
        # One digit alone could be a key that works everywhere: 9 pieces are sent as 09.
        return _number(batch, stage, stage.reading.name, entry).rjust(2, "0")
    if stage.phase == "side" or stage.id in WRONG:
        failed = stage.id == "auto_failed"
        return Refused(_side(batch, book, stage, entry), load_of(batch) if failed else "")
    if stage.kind == "pick":
        return _pick(batch, book, stage, entry)
    mark = stage.forward.mark
    if mark in entry.undone or entry.good.get(mark) is False:
        return Refused(Prompt("finding.missing", {"what": Prompt(f"mark.{mark}")}))
    if stage.id in SECOND:
        return "1" if stage.id == "scale" and not entry.vinegar else "2"
    return PACKS.get(entry.pack, "") if mark == "stored" else "1"


def _number(batch: Batch, stage: Stage, name: str, entry: LateEntry) -> str:
    if name != "count":
        return entry.readings.get(name, "")
    asked = set_asked(batch, stage)
    return dict(zip(entry.sets, entry.counts, strict=False)).get(asked, "")


def _pick(batch: Batch, book: Book, stage: Stage, entry: LateEntry) -> str | Refused:
    offered = choices(batch, book, stage)
    if stage.source == "methods":
        if entry.method not in offered:
            return Refused(_no_method(batch, book, entry))
        return str(offered.index(entry.method) + 1)
    number = entry.readings.get("cycle", "1" if len(offered) == 1 else "")
    known = number.isdecimal() and 1 <= int(number) <= len(offered)
    return str(int(number)) if known else Refused(Prompt("finding.unknown_cycle"))


def _no_method(batch: Batch, book: Book, entry: LateEntry) -> Prompt:
    if entry.method not in batch.facility_methods:
        return Prompt("finding.method_not_here")
    barred = [s.id for s in batch.sets if entry.method not in s.methods]
    if barred:
        return Prompt("finding.method_not_allowed", {"set": barred[0]})
    high = book.protocol.values.get(f"{entry.method}.max_altitude_m", float("inf"))
    return Prompt("finding.too_high" if batch.altitude_m > high else "finding.unknown_cycle")


# Stages whose second answer belongs to a batch that went well: vinegar for the scale; a solution
# that was stronger than it need be, and used so.
SECOND = ("scale", "solution_strong")
# Where a batch goes when something was wrong, besides the side questions.
WRONG = ("solution_remake", "auto_failed", "mixed", "test_failed", "store_none")


def _side(batch: Batch, book: Book, stage: Stage, entry: LateEntry) -> Prompt:
    """What was wrong, by the stage that it led to."""
    if stage.id == "solution_remake":
        strong = _value(batch) > book.protocol["chlorine.most_percent"]
        return Prompt("late.why.strong" if strong else "finding.solution_weak")
    if stage.id == "auto_failed":
        return load_why(batch, book.protocol)
    if stage.id in ("missing", "mixed"):
        counted = next(e for e in reversed(batch.log) if e.kind == "answered")
        return Prompt("finding.count_wrong", {"set": counted.set_id or batch.names})
    if stage.id == NO_METHOD:
        return _no_method(batch, book, entry)
    return why(batch) if stage.id == NOT_READY else Prompt("late.why.other")


def _value(batch: Batch) -> float:
    answered = [e for e in batch.log if e.kind == "answered"]
    value = answered[-1].facts.get("value") if answered else None
    return float(value) if isinstance(value, int | float) else 0.0


def _not_taken(batch: Batch, book: Book, said: Said, done: Answered) -> Refused:
    if done.how == "early":
        left = minutes_left(batch, book, said)
        return Refused(Prompt("late.why.short", {"left": left}))
    return Refused(Prompt("late.why.unread", {"word": said.text[:12]}))
