"""What the screens of an entry from paper say: the question of the part that is missing, and what
was understood of the whole. What is known so far lies in the talk's choices, part by part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from bot.asking import cycle_label, numbered
from bot.effects import Day, Prompt, Shown
from bot.turn import Turn
from flows.batch import short
from flows.late_entry import JUDGED, LateEntry, Slip, boxes, missing, undone
from flows.protocol import Cycle, Protocol

FORM, KEEP = "late", "late_keep"
SCREENS = (FORM, KEEP)
# A list of boxes has the digits 2 to 7: 1 says that all of them are ticked.
BOXES_AT_ONCE = 6


def unpacked(choices: Sequence[str]) -> dict[str, str]:
    """The parts that a talk keeps."""
    return {part: value for part, _, value in (c.partition("=") for c in choices)}


def packed(parts: Mapping[str, str]) -> tuple[str, ...]:
    """*parts* as a talk keeps them."""
    return tuple(f"{part}={value}" for part, value in parts.items())


def lacking(turn: Turn, parts: Mapping[str, str]) -> list[str]:
    """The parts that are still to be told, in the order in which they are asked."""
    return missing(parts, one_cycle=len(cycles(turn)) == 1)


def boxes_asked(parts: Mapping[str, str]) -> list[str]:
    """The marks whose boxes are asked about now."""
    ticked = int(parts.get("ticked", "0"))
    wanted = boxes(parts.get("method", ""), vinegar="vinegar_in" in parts)
    return wanted[ticked : ticked + BOXES_AT_ONCE]


def not_done(parts: Mapping[str, str]) -> list[str]:
    """The marks of what was said not to be done, or not to be good."""
    bad = [mark for mark, part in JUDGED.items() if parts.get(part) == "bad"]
    return [*undone(parts), *bad]


def uncounted(parts: Mapping[str, str]) -> list[str]:
    """The sets whose pieces are not told yet."""
    return parts.get("sets", "").split()[len(parts.get("counts", "").split()) :]


def values(turn: Turn) -> dict[str, Shown]:
    """What the texts of these screens name; nothing on other screens."""
    if turn.talk.screen not in SCREENS:
        return {}
    parts = unpacked(turn.talk.choices)
    if turn.talk.screen == KEEP:
        return understood(parts)
    lacks = lacking(turn, parts)
    return {"ask": question(turn, parts, lacks[0]) if lacks else ""}


def question(turn: Turn, parts: Mapping[str, str], part: str) -> Prompt:
    """What is asked for *part*."""
    left = uncounted(parts)
    return Prompt(
        f"late.form.{part}",
        {
            "options": _options(turn, parts, part),
            "hours": f"{_protocol(turn)['chlorine.solution_life_hours']:g}",
            "set": left[0] if left else "",
        },
    )


def _options(turn: Turn, parts: Mapping[str, str], part: str) -> Prompt | str:
    if part == "sets":
        return numbered(parts.get("offer", "").split())
    if part == "method":
        return numbered([Prompt(f"method.{m}") for m in turn.unit.site.methods])
    if part == "cycle":
        return numbered([cycle_label(c) for c in cycles(turn)])
    if part == "done":
        labels = [Prompt(f"mark.{m}") for m in boxes_asked(parts)]
        listed: dict[str, Shown] = {}
        for n, label in enumerate(labels, start=1):
            listed |= {f"k{n}": n + 1, f"v{n}": label}
        return Prompt("list", listed) if listed else ""
    return ""


def cycles(turn: Turn) -> list[Cycle]:
    """The rows of the autoclave's table for the machine here."""
    return list(_protocol(turn).cycles_for(turn.unit.site.autoclave))


def _protocol(turn: Turn) -> Protocol:
    return turn.rules.protocol_for(turn.unit.site)


def shown_parts(entry: LateEntry) -> dict[str, str]:
    """What the screen to confirm needs of *entry*, as a talk keeps it."""
    return {
        "at_in": entry.into.isoformat(),
        "at_out": entry.out.isoformat(),
        "at_stored": entry.stored.isoformat(),
    }


def understood(parts: Mapping[str, str]) -> dict[str, Shown]:
    """An entry as it was understood, to be confirmed."""
    moments = {
        name: datetime.fromisoformat(parts[name]) for name in ("at_in", "at_out", "at_stored")
    }
    method = parts.get("method", "")
    how = Prompt(f"method.{method}")
    if method in ("chlorine", "autoclave"):
        named: dict[str, Shown] = {
            "what": how,
            "strength": parts.get("strength", "").rstrip("%"),
            "load": parts.get("load", ""),
        }
        how = Prompt(f"late.how.{method}", named)
    return {
        "sets": short(parts.get("sets", "").split()),
        "how": how,
        "into": Day(moments["at_in"]),
        "out": moments["at_out"],
        "stored": Day(moments["at_stored"]),
    }


def slip(found: Slip) -> Prompt:
    """What is wrong with an entry, in a plain sentence."""
    what = Prompt(f"late.slip.{found.code}", {"word": found.word, "other": found.other})
    return Prompt("late.wrong", {"why": what})
