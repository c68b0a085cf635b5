"""The command word LATE: a batch that was done by the paper log while nothing went through.

One text brings it in, or a form with one answer a screen. Nothing is kept before the person has
seen what was understood and said that it is right; a batch against which anything stands is not
kept at all. What is kept went through the same rules as every batch (`bot.late_replay`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime

from bot.custody import MOST_SETS
from bot.effects import Day, Prompt, Shown
from bot.late_replay import Refused, replay
from bot.late_words import (
    FORM,
    KEEP,
    boxes_asked,
    cycles,
    lacking,
    not_done,
    packed,
    shown_parts,
    slip,
    uncounted,
    unpacked,
)
from bot.recall import recall_told
from bot.showing import LISTED, held, say_alone, show, used_sets
from bot.turn import Turn
from flows.batch import Batch, short
from flows.late import PACKS, read_late
from flows.late_entry import LateEntry, Slip, boxes
from flows.late_times import place

Parts = dict[str, str]


def late(turn: Turn) -> bool:
    """The command word, with the whole entry behind it or alone."""
    batch = turn.batch()
    if batch and batch.practice:
        say_alone(turn, Prompt("none.late"))
        return True
    parts, slips = _read(turn)
    if slips:
        say_alone(turn, slip(slips[0]))
        return True
    parts["sent"] = _written(turn).isoformat()
    _go_on(turn, parts, note=len(parts) > 1)
    return True


def _read(turn: Turn) -> tuple[Parts, list[Slip]]:
    """What the words after LATE say, in the person's language or in English."""
    language = turn.person.language if turn.person else "en"
    known = turn.rules.late_words
    words = {**known.get("en", {}), **known.get(language, {})}
    first = re.split(r"[\s,.:]+", turn.words.strip(), maxsplit=1)
    text = first[1] if len(first) > 1 and turn.rules.command(language, first[0]) == "late" else ""
    return read_late(text, words, {s.id for s in turn.unit.site.sets})


def _written(turn: Turn) -> datetime:
    """When the text was written: the gateway's date of it, unless that lies in the future."""
    sent = turn.sent_at
    return sent if sent and sent < turn.now else turn.now


def _go_on(turn: Turn, parts: Parts, *, note: bool = False) -> None:
    """Ask for the next part that is missing; with all of them, show what was understood."""
    lacks = lacking(turn, parts)
    if lacks and not not_done(parts):
        if lacks[0] == "sets":
            parts["offer"] = " ".join(used_sets(turn)[:LISTED])
        turn.put_talk(screen=FORM, choices=packed(parts), practice=False)
        names: dict[str, Shown] = {f"n{n}": Prompt(f"late.part.{p}") for n, p in enumerate(lacks)}
        show(turn, Prompt("late.lacks", {"what": Prompt("parts", names)}) if note else None)
        return
    done = _tried(turn, parts)
    if isinstance(done, Prompt):
        say_alone(turn, done)
        return
    entry, batch = done
    turn.put_talk(screen=KEEP, choices=packed({**parts, **shown_parts(entry)}), practice=False)
    too_long = any(e.facts.get("too_long") for e in batch.log)
    show(turn, Prompt("note.late") if too_long else None)


def _tried(turn: Turn, parts: Mapping[str, str]) -> tuple[LateEntry, Batch] | Prompt:
    """The entry and the batch it makes, or why it cannot be kept."""
    if left := not_done(parts):
        if parts.get("method") == "autoclave" and "indicator" in left:
            recall_told(turn, parts.get("load", "").lstrip("0"))
        marks: dict[str, Shown] = {f"m{n}": Prompt(f"mark.{m}") for n, m in enumerate(left)}
        why = Prompt("finding.missing", {"what": Prompt("parts", marks)})
        return Prompt("late.refused", {"why": why})
    if len(parts["sets"].split()) > MOST_SETS:
        return Prompt("late.wrong", {"why": Prompt("note.too_many", {"most": MOST_SETS})})
    sent = datetime.fromisoformat(parts["sent"])
    protocol = turn.rules.protocol_for(turn.unit.site)
    entry = place(parts, protocol, turn.unit.site.zone, sent, turn.now)
    if isinstance(entry, Slip):
        return slip(entry)
    for set_id in entry.sets:
        other = held(turn, set_id)
        if other:
            holder = turn.unit.site.by_id(other.holder)
            names: dict[str, Shown] = {"set": set_id, "name": holder.name if holder else "?"}
            return Prompt("late.refused", {"why": Prompt("note.held", names)})
    batch = replay(turn, entry, sent)
    if isinstance(batch, Refused):
        if batch.load:  # what else was in it is not sterile either
            recall_told(turn, batch.load)
        return Prompt("late.refused", {"why": batch.why})
    return _touched(turn, entry, batch) or (entry, batch)


def _touched(turn: Turn, entry: LateEntry, batch: Batch) -> Prompt | None:
    """Why the sets, or the machine, cannot be as *entry* left them; None if they can."""
    for set_id in entry.sets:
        state = turn.unit.state_of(set_id)
        if state.since is None or state.since <= entry.began:
            continue
        if state.condition == "READY" and state.expires_at == batch.expires_at:
            return Prompt("late.here", {"set": set_id})
        return Prompt("late.touched", {"set": set_id, "since": Day(state.since)})
    if batch.expires_at and batch.expires_at <= turn.now:
        return Prompt("late.refused", {"why": Prompt("late.why.expired")})
    cleared = turn.unit.spores.cleared_at
    if entry.method == "autoclave" and cleared and entry.into < cleared:
        return Prompt("late.refused", {"why": Prompt("late.why.spores")})
    return None


def answer_keep(turn: Turn, text: str) -> bool:
    """1 what was understood is right: keep it. 2 it is not: nothing is kept."""
    if text == "2":
        say_alone(turn, Prompt("late.dropped"))
    if text != "1":
        return text == "2"
    done = _tried(turn, unpacked(turn.talk.choices))
    if isinstance(done, Prompt):
        say_alone(turn, done)
        return True
    _, batch = done
    turn.unit = replace(turn.unit, serial=turn.unit.serial + 1)
    turn.keep(None, batch, push=True)
    turn.put_talk(last=batch.id)
    names: dict[str, Shown] = {"sets": short([s.id for s in batch.sets])}
    if batch.expires_at:
        names["until"] = Day(batch.expires_at)
    say_alone(turn, Prompt("late.kept", names))
    return True


# ---- the form -----------------------------------------------------------------------------------


def answer_form(turn: Turn, text: str) -> bool:
    """The answer to the part that is asked for now."""
    parts = unpacked(turn.talk.choices)
    lacks = lacking(turn, parts)
    if not lacks:
        return False
    handler = FORM_ANSWERS.get(lacks[0], _words)
    after = handler(turn, parts, lacks[0], text)
    if after is None:
        return False
    _go_on(turn, {**after, "sent": _written(turn).isoformat()})
    return True


def _digits(text: str, most: int) -> list[int]:
    """The numbers 1 to *most* behind one or several digits, each once; none if anything else."""
    digits = text.replace(" ", "").replace(",", "")
    plain = digits.isascii() and digits.isdecimal() and len(set(digits)) == len(digits)
    numbers = [int(d) for d in digits] if plain else []
    return numbers if all(1 <= n <= most for n in numbers) else []


def _sets(_turn: Turn, parts: Parts, _part: str, text: str) -> Parts | None:
    offer = parts.get("offer", "").split()
    picked = [offer[n - 1] for n in _digits(text, len(offer))]
    return {**parts, "sets": " ".join(picked)} if picked else None


def _method(turn: Turn, parts: Parts, _part: str, text: str) -> Parts | None:
    methods = turn.unit.site.methods
    picked = _digits(text, len(methods))
    return {**parts, "method": methods[picked[0] - 1]} if len(picked) == 1 else None


def _cycle(turn: Turn, parts: Parts, _part: str, text: str) -> Parts | None:
    picked = _digits(text, len(cycles(turn)))
    return {**parts, "cycle": str(picked[0])} if len(picked) == 1 else None


def _judged(_turn: Turn, parts: Parts, part: str, text: str) -> Parts | None:
    said = {"1": "good", "2": "bad"}.get(text)
    return {**parts, part: said} if said else None


def _pack(_turn: Turn, parts: Parts, _part: str, text: str) -> Parts | None:
    said = next((pack for pack, digit in PACKS.items() if digit == text), None)
    return {**parts, "pack": said} if said else None


def _boxes(_turn: Turn, parts: Parts, _part: str, text: str) -> Parts | None:
    """1 all that are listed are ticked; else the digits of those that are not."""
    asked = boxes_asked(parts)
    picked = _digits(text, len(asked) + 1)
    if not picked or (1 in picked and len(picked) > 1):
        return None
    if picked != [1]:
        return {**parts, "undone": " ".join(asked[n - 2] for n in picked)}
    ticked = int(parts.get("ticked", "0")) + len(asked)
    every = len(boxes(parts.get("method", ""), vinegar="vinegar_in" in parts))
    return {**parts, "ticked": str(ticked), **({"done": "all"} if ticked >= every else {})}


def _counts(turn: Turn, parts: Parts, part: str, text: str) -> Parts | None:
    """The pieces of the next set, or of all that are left."""
    told = _words(turn, {}, part, text)
    numbers = told["counts"].split() if told else []
    if len(numbers) not in (1, len(uncounted(parts))):
        return None
    return {**parts, "counts": " ".join([*parts.get("counts", "").split(), *numbers])}


def _words(_turn: Turn, parts: Parts, part: str, text: str) -> Parts | None:
    """A time or a number, read as if its word stood before it."""
    told, slips = read_late(f"{part} {text}", {part.upper(): part}, ())
    # A strength names its method too.
    alone = part in told and set(told) <= {part, "method"} and not slips
    return {**parts, part: told[part]} if alone else None


def step_back(turn: Turn) -> bool:
    """Take the last part back and ask for it again; False where none was told."""
    parts = unpacked(turn.talk.choices)
    told = [p for p in parts if p not in ("sent", "offer")]
    if not told:
        return False
    parts.pop(told[-1])
    _go_on(turn, parts)
    return True


FORM_ANSWERS: dict[str, Callable[[Turn, Parts, str, str], Parts | None]] = {
    "sets": _sets,
    "method": _method,
    "cycle": _cycle,
    **dict.fromkeys(("fresh", "indicator", "cooled", "test"), _judged),
    "pack": _pack,
    "done": _boxes,
    "counts": _counts,
}
ANSWERS = {FORM: answer_form, KEEP: answer_keep}
