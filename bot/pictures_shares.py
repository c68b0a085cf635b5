"""Pictures of what batches are made of: their methods month by month, and where they stop."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from bot.pictures_frame import (
    BLACK,
    GREY,
    LETTER,
    LINE,
    PALE,
    WHITE,
    WIDTH,
    Box,
    Field,
    Picture,
    Row,
    nothing,
    picture,
)
from bot.pictures_scale import Hatch, hatching
from bot.pictures_words import count, named, percent, several

MONTHS = 24  # drawn at most, the latest; the table has all of them
FILLINGS: tuple[tuple[str, Hatch], ...] = (
    (GREY, ""), (WHITE, "/"), (PALE, ""), (WHITE, "-"), (BLACK, ""), (WHITE, "x"), (WHITE, ""),
)  # fmt: skip
OTHER = "other"  # what all methods beyond the fillings are called together
LABEL, NUMBER = 62, 46  # px left and right of a month's bar
STAGE = 30  # px that a stage takes

_STAGE_COLUMNS = ("Stage", "Reached", "Of all", "Stopped before it")


@dataclass(frozen=True, slots=True)
class Month:
    """How many batches by each method in one month, or in another stretch of time."""

    label: str
    counts: Mapping[str, int]
    link: str = ""


@dataclass(frozen=True, slots=True)
class Stage:
    """How many batches reached a stage; *link* leads to those that stopped before it, or is ""."""

    name: str
    reached: int
    link: str = ""


def methods(name: str, title: str, months: Sequence[Month]) -> Picture:
    """The share of each method month by month, with how many batches there were.

    Raises ValueError for a count below 0.
    """
    if any(number < 0 for month in months for number in month.counts.values()):
        raise ValueError("There cannot be fewer batches than none.")
    totals: dict[str, int] = {}
    for month in months:
        for method, number in month.counts.items():
            totals[method] = totals.get(method, 0) + number
    order = sorted((m for m in totals if totals[m]), key=lambda m: (-totals[m], m))
    columns = ("When", *order, "All")
    if not order:
        return nothing(name, title, columns)
    rows = [Row((m.label, *(str(m.counts.get(o, 0)) for o in order), str(sum(m.counts.values()))),
                m.link) for m in months]  # fmt: skip
    drawn, shown = _drawn(months[-MONTHS:], order)
    key = _key_lines(shown)

    def paint(sheet: Field) -> None:
        for at, line in enumerate(key):
            _key(sheet, LINE * 1.3 * (at + 1) - 4, line, shown)
        for at, month in enumerate(drawn):
            _month(sheet, LINE * 1.3 * (len(key) + at) + 6, month, shown)

    height = LINE * 1.3 * (len(key) + len(drawn)) + 12
    return picture(name, title, _mixed(months, order, totals), (columns, rows), height, paint)


def _drawn(months: Sequence[Month], order: Sequence[str]) -> tuple[Sequence[Month], Sequence[str]]:
    """*months* and methods as drawn: where there are more methods than fillings, some together."""
    if len(order) <= len(FILLINGS):
        return months, order
    shown = order[: len(FILLINGS) - 1]
    kept = [{m: month.counts.get(m, 0) for m in shown} for month in months]
    rest = [sum(month.counts.values()) - sum(some.values())
            for month, some in zip(months, kept, strict=True)]  # fmt: skip
    drawn = [Month(month.label, some | {OTHER: number})
             for month, some, number in zip(months, kept, rest, strict=True)]  # fmt: skip
    return drawn, [*shown, OTHER]


def _mixed(months: Sequence[Month], order: Sequence[str], totals: Mapping[str, int]) -> str:
    """All months together, and the method whose share changed most from the first to the last."""
    everything = sum(totals.values())
    parts = [f"{named(m)} {percent(totals[m] / everything)} ({totals[m]})" for m in order]
    sentence = f"Of {count(everything, 'batch', 'batches')}: {several(parts)}."
    first, last = (next(m for m in way if sum(m.counts.values())) for way in (months, months[::-1]))
    changes = {m: _share(last, m) - _share(first, m) for m in order}
    most = max(order, key=lambda m: abs(changes[m]))
    if not changes[most]:
        return sentence
    return (f"{sentence} From {named(first.label)} to {named(last.label)} {named(most)} went from "
            f"{percent(_share(first, most))} of {sum(first.counts.values())} to "
            f"{percent(_share(last, most))} of {sum(last.counts.values())}.")  # fmt: skip


def _share(month: Month, method: str) -> float:
    return month.counts.get(method, 0) / sum(month.counts.values())


def _key_lines(shown: Sequence[str]) -> list[list[str]]:
    """Which methods stand in which line of the key above the bars."""
    lines: list[list[str]] = [[]]
    at = 0.0
    for method in shown:
        wide = _key_width(method)
        if at + wide > WIDTH and lines[-1]:
            lines, at = [*lines, []], 0.0
        lines[-1].append(method)
        at += wide
    return lines


def _key_width(method: str) -> float:
    return 24 + (min(len(method), 24) + 1) * LETTER


def _key(sheet: Field, foot: float, line: Sequence[str], shown: Sequence[str]) -> None:
    at = 1.0
    for method in line:
        fill, hatch = FILLINGS[shown.index(method)]
        _block(sheet, (at, foot - 10, 18, 10), fill, hatch, "key")
        sheet.write(at + 22, foot, method, 24)
        at += _key_width(method)


def _month(sheet: Field, top: float, month: Month, shown: Sequence[str]) -> None:
    size = sum(month.counts.values())
    sheet.write(LABEL - 5, top + 12, month.label, 9, at="right")
    sheet.write(WIDTH, top + 12, f"of {size}" if size else "none", 8, at="right")
    left = float(LABEL)
    for method, (fill, hatch) in zip(shown, FILLINGS, strict=False):
        width = (WIDTH - LABEL - NUMBER) * month.counts.get(method, 0) / max(size, 1)
        if width:
            _block(sheet, (left, top, width, 14), fill, hatch, "share")
            left += width


def _block(sheet: Field, box: Box, fill: str, hatch: Hatch, kind: str) -> None:
    """Strokes and not a pattern of the svg's, which the printed report could not show."""
    sheet.bar(*box, fill=fill, kind=kind)
    strokes = hatching(box, hatch)
    if strokes:
        gap = (math.nan, math.nan)
        points = [point for stroke in strokes for point in (*stroke, gap)]
        sheet.line([x for x, _ in points], [y for _, y in points], width=0.8)


def stages(name: str, title: str, stages_: Sequence[Stage]) -> Picture:
    """How many batches reached each of *stages_*, the first being all that were begun."""
    begun = stages_[0].reached if stages_ else 0
    if not begun:
        return nothing(name, title, _STAGE_COLUMNS)
    lost = [0, *(max(a.reached - b.reached, 0) for a, b in pairwise(stages_))]
    rows = [Row((s.name, str(s.reached), percent(s.reached / begun), str(gone)), s.link)
            for s, gone in zip(stages_, lost, strict=True)]  # fmt: skip
    most = max(s.reached for s in stages_)

    def paint(sheet: Field) -> None:
        for at, (stage, gone) in enumerate(zip(stages_, lost, strict=True)):
            _stage(sheet, STAGE * at, stage, gone, most, worst=bool(gone) and gone == max(lost))

    return picture(name, title, _stopped(stages_, lost), (_STAGE_COLUMNS, rows),
                   STAGE * len(stages_) + 4, paint)  # fmt: skip


def _stopped(stages_: Sequence[Stage], lost: Sequence[int]) -> str:
    first, last = stages_[0], stages_[-1]
    sentence = (f"Of {count(first.reached, 'batch', 'batches')} at {named(first.name)}, "
                f"{last.reached} reached {named(last.name)}.")  # fmt: skip
    if not any(lost):
        return f"{sentence} None stopped on the way."
    worst = [i for i, gone in enumerate(lost) if gone == max(lost)]
    places = [f"between {named(stages_[i - 1].name)} and {named(stages_[i].name)}" for i in worst]
    each = " each" if len(worst) > 1 else ""
    return f"{sentence} Most stop {several(places)}: {max(lost)}{each}."


def _stage(sheet: Field, top: float, stage: Stage, gone: int, most: int, *, worst: bool) -> None:
    sheet.write(1, top + 11, stage.name, 34, bold=worst)
    if gone:
        sheet.write(WIDTH - 1, top + 11, f"{gone} stopped before", 20, at="right", bold=worst)
    wide = (WIDTH - 44) * stage.reached / most
    sheet.bar(1, top + 15, wide, 10, fill=PALE, kind="stage")
    sheet.write(wide + 5, top + 24, str(stage.reached), 9)
