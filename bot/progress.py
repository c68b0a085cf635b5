"""How one batch moves: pure functions of (batch, answer, now). Nothing here knows of phones.

Every rule that moves a batch along its graph is in this file; `flows.release` alone decides READY.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from bot.book import Book, Said, write
from bot.exposures import ring_times, running, seconds_left
from flows.batch import Batch, EntryKind, Outcome, Value, effective
from flows.release import findings, gas_risk, marks, missing, solution_stale
from flows.stage import (
    CANCEL,
    EARLIEST,
    MENU,
    METHOD,
    NO_METHOD,
    NOT_READY,
    RELEASE,
    RETURN,
    UNDO,
    Option,
    Stage,
)

ALL_SETS = "*"


def set_asked(batch: Batch, stage: Stage) -> str:
    """Which set a repeated stage asks about now, or "" where all are done or it asks about all."""
    if not stage.each:
        return ""
    standing = marks(batch.log)
    for candidate in batch.remaining:
        wanted = stage.each in ("set", candidate.kind)
        if wanted and (stage_mark(stage), candidate.id) not in standing:
            return candidate.id
    return ""


def stage_mark(stage: Stage) -> str:
    """The mark that a stage makes, or ""."""
    return next((o.mark for o in stage.options.values() if o.mark), "")


def take(
    batch: Batch,
    book: Book,
    option: Option,
    said: Said,
    facts: dict[str, Value] | None = None,
) -> Batch:
    """Answer the present stage with *option* and go where it leads."""
    stage = book.stage(batch)
    if option.mark == "exposure_started" and solution_stale(batch, book.protocol, said.at):
        # Called fresh, then left standing: a soak in it would only be refused at the end.
        option = Option(EARLIEST, again="solution_fresh")
    kept: dict[str, Value] = dict(facts or {})
    if stage.phase == "side" or (option.to in book.flow.stages and _is_side(book, option.to)):
        kept["side"] = True
    if batch.detour:
        kept["detour"] = batch.detour
    if batch.aside_of:
        kept["aside_of"] = batch.aside_of
    if option.tell:
        kept["reason"] = option.tell
    asked = set_asked(batch, stage)
    batch = write(batch, said, "answered", mark=option.mark, set_id=asked, facts=kept)
    if option.again:
        # A wait that is broken off is said so in the log; any other repeat is just a repeat.
        kind: EntryKind = "interrupted" if stage.kind == "wait" else "again"
        batch = write(batch, said, kind, mark=option.again)
    if option.to == "aside" and option.tell:
        batch = replace(batch, aside_of=option.tell)
    # A repeated stage stays until every set has had its turn.
    more = stage.each and option.mark and set_asked(batch, stage)
    return go(settled(batch), book, stage.id if more else option.to, said)


def _is_side(book: Book, stage_id: str) -> bool:
    return book.flow.stages[stage_id].phase == "side"


def settled(batch: Batch) -> Batch:
    """The batch with its method as the log has it."""
    chosen = marks(batch.log).get(("method", ""))
    return replace(batch, method=str(chosen.facts.get("method", "")) if chosen else "")


def go(batch: Batch, book: Book, to: str, said: Said) -> Batch:
    """Move to a stage or to one of the special places, and settle the clock."""
    if to == EARLIEST:
        to = earliest(batch, book)
    elif to in (RETURN, MENU):
        to = batch.detour or earliest(batch, book)
    elif to == METHOD:
        to = book.flow.methods.get(batch.method, NO_METHOD)
    if to == RELEASE:
        return release(batch, book, said)
    if to == CANCEL:
        return close(batch, said, "cancelled")
    return with_clock(_enter(batch, book, to, said), book)


def _enter(batch: Batch, book: Book, to: str, said: Said) -> Batch:
    stage = book.flow.stages[to]
    if (stage.phase == "disinfect" or stage.source == "methods") and gas_risk(batch.log):
        stage = book.flow.stages[book.flow.maker("vinegar_rinsed", "")]
    if stage.source == "methods" and not book.protocol.methods_for(batch):
        stage = book.flow.stages[NO_METHOD]
    if stage.phase == "side":
        here = book.flow.stages.get(batch.stage)
        detour = batch.stage if here and here.phase != "side" else batch.detour
        return replace(batch, stage=stage.id, detour=detour)
    batch = replace(batch, stage=stage.id, detour="", aside_of="")
    if stage.each and not set_asked(batch, stage):
        return go(batch, book, stage.options.get("ok", stage.forward).to, said)
    return batch


def earliest(batch: Batch, book: Book) -> str:
    """The stage that makes the first mark still missing; the release decision if none is."""
    lacking = missing(batch)
    if not lacking:
        return RELEASE
    mark = lacking[0][0]
    if mark == "exposed" and running(batch, book.protocol) is None:
        mark = "exposure_started"
    return book.flow.maker(mark, batch.method)


def with_clock(batch: Batch, book: Book) -> Batch:
    """The batch with *due* as its log has it."""
    clock = running(batch, book.protocol)
    if clock is None:
        return replace(batch, due=None, bells=0)
    start, need = clock
    due = start.at + timedelta(seconds=need)
    return batch if batch.due and batch.due >= due else replace(batch, due=due, bells=0)


def rang(batch: Batch, book: Book, said: Said) -> tuple[Batch, str]:
    """The batch after its timer came up, and what rang: bell, remind, late, or "" if not due."""
    left = seconds_left(batch, book.protocol, said)
    if batch.due and left > 0 and batch.bells == 0:
        due = max(batch.due, said.at + timedelta(seconds=left))
        return replace(batch, due=due), ""
    rings = ring_times(batch, book.protocol)
    if batch.bells >= len(rings) or said.at < rings[batch.bells][0]:
        return batch, ""
    kind = rings[batch.bells][1]
    # A late sweep rings once for all that is due, with the newest of it.
    count = sum(1 for when, _ in rings if when <= said.at)
    kind = rings[count - 1][1] if count > batch.bells else kind
    batch = replace(write(batch, said, "rang", mark=kind), bells=count)
    here = book.stage(batch)
    if here.phase == "side" and batch.detour and book.flow.stages[batch.detour].kind == "wait":
        # The bell calls back from a side question: the pieces must come out now.
        batch = replace(batch, stage=batch.detour, detour="", aside_of="")
    return batch, kind


def undo(batch: Batch, book: Book, said: Said) -> Batch:
    """Take the last answer back and stand where it was asked. The log keeps both.

    Back on the path, side questions that are behind count as part of the answer before them. What
    was answered before a hand-over is not the new holder's to take back: then nothing changes. With
    no answer to take back, ask whether the batch was begun by mistake.
    """
    handed = max((e.n for e in batch.log if e.kind == "handed"), default=-1)
    aside = book.stage(batch).phase == "side"
    answers = [
        e
        for e in effective(batch.log)
        if e.kind == "answered" and e.n > handed and (aside or not e.facts.get("side"))
    ]
    if not answers:
        return batch if handed >= 0 else _enter(batch, book, UNDO, said)
    last = answers[-1]
    for entry in effective(batch.log):
        if entry.n >= last.n and entry.kind in ("answered", "again", "aside"):
            batch = write(batch, said, "taken_back", mark=entry.mark, voids=entry.n)
    gone = {e.set_id: str(e.facts["reason"]) for e in effective(batch.log) if e.kind == "aside"}
    batch = replace(
        batch,
        sets=tuple(replace(s, aside=gone.get(s.id, "")) for s in batch.sets),
        stage=last.stage,
        detour=str(last.facts.get("detour", "")),
        aside_of=str(last.facts.get("aside_of", "")),
        due=None,
    )
    batch = with_clock(settled(batch), book)
    if book.stage(batch).kind == "wait" and running(batch, book.protocol) is None:
        # The exposure was interrupted, and that stands: it begins again.
        return _enter(batch, book, earliest(batch, book), said)
    return batch


def set_aside(batch: Batch, book: Book, set_id: str, said: Said) -> Batch:
    """Take one set, or all of them, out of the batch; close it if none is left."""
    reason = batch.aside_of or "given_up"
    batch = write(
        batch,
        said,
        "answered",
        facts={"detour": batch.detour, "aside_of": batch.aside_of, "side": True},
    )
    for leaving in batch.remaining:
        if set_id in (leaving.id, ALL_SETS):
            batch = write(batch, said, "aside", set_id=leaving.id, facts={"reason": reason})
            batch = replace(
                batch,
                sets=tuple(
                    replace(s, aside=reason) if s.id == leaving.id else s for s in batch.sets
                ),
            )
    if not batch.remaining:
        return close(batch, said, "set aside")
    return go(batch, book, EARLIEST, said)


def release(batch: Batch, book: Book, said: Said) -> Batch:
    """Close the batch as released if nothing stands against it; else say what does."""
    against = findings(batch, book.protocol)
    batch = write(
        batch,
        said,
        "checked",
        mark="refused" if against else "clean",
        set_id=against[0].set_id if against else "",
        facts={
            "against": " ".join(f.code for f in against),
            "first_mark": against[0].mark if against else "",
        },
    )
    if against:
        batch = write(batch, said, "again", mark=against[0].mark)
        return with_clock(_enter(settled(batch), book, NOT_READY, said), book)
    stored = marks(batch.log)["stored", ""]
    packing = "wrapped" if stored.said == "2" else "container"
    life = timedelta(days=book.protocol[f"storage.{packing}_days"])
    return replace(close(batch, said, "released"), expires_at=stored.at + life)


def close(batch: Batch, said: Said, outcome: Outcome) -> Batch:
    """The batch, over: *outcome* is released, set aside or cancelled."""
    batch = write(batch, said, "closed", mark=outcome)
    return replace(
        batch,
        outcome=outcome,
        closed_at=said.at,
        due=None,
        bells=0,
        detour="",
    )
