"""The time line of one set: its conditions, each on a line of its own, and its batches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from bot.pictures_frame import BLACK, LINE, PALE, WIDTH, Field, Picture, Row, Side, nothing, picture
from bot.pictures_words import count, duration, named, percent

LEFT, LANE = 78, 22  # px
ORDER = ("READY", "IN PROCESS", "USED", "SET ASIDE", "EXPIRED")  # from good to bad
DRAWN = 150  # spans at most, the latest; the table has all of them
BATCHES = "batches"

_COLUMNS = ("What", "From", "To", "How long")


@dataclass(frozen=True, slots=True)
class Span:
    """A set was in *condition* (a word) from *start* to *end*, two aware times."""

    condition: str
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Stay:
    """A set was in a batch from *start* to *end*, two aware times; *link* leads to the batch."""

    batch: str
    start: datetime
    end: datetime
    link: str = ""


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where times lie, from the first to the last of all."""

    start: datetime
    end: datetime
    zone: tzinfo

    def x(self, at: datetime) -> float:
        return LEFT + (WIDTH - LEFT - 2) * ((at - self.start) / (self.end - self.start))

    def words(self, at: datetime) -> str:
        return f"{at.astimezone(self.zone):%Y-%m-%d %H:%M}"


def timeline(name: str, title: str, spans: Sequence[Span], stays: Sequence[Stay],
             zone: tzinfo) -> Picture:  # fmt: skip
    """The conditions of one set in order of time, and its batches, in the clock of *zone*.

    Raises ValueError for a naive time, or an end before its start.
    """
    _check((*spans, *stays))
    lasting = [span for span in sorted(spans, key=lambda s: s.start) if span.end > span.start]
    if not lasting:
        return nothing(name, title, _COLUMNS)
    scale = _Scale(lasting[-DRAWN:][0].start, max(s.end for s in lasting), zone)
    lanes = [c for c in ORDER if any(s.condition == c for s in lasting)]
    lanes += sorted({s.condition for s in lasting} - set(lanes))
    shown = [s for s in stays if s.end > scale.start and s.start < scale.end][-DRAWN:]
    height = LANE * (len(lanes) + 1) + 2 * LINE

    def paint(sheet: Field) -> None:
        for at, condition in enumerate(lanes):
            found = [s for s in lasting if s.condition == condition]
            _lane(sheet, LANE * at, condition, found, scale)
        _batches(sheet, LANE * len(lanes), shown, scale)
        _dates(sheet, height - 6, scale)

    told = [(s.start, s.end, s.condition, "") for s in lasting]
    told += [(s.start, s.end, f"batch {s.batch}", s.link) for s in stays]
    rows = [Row((what, scale.words(start), scale.words(end), _long(start, end)), link)
            for start, end, what, link in sorted(told, key=lambda one: one[0])]  # fmt: skip
    return picture(name, title, _found(lasting, stays, scale), (_COLUMNS, rows), height, paint)


def _check(times: Sequence[Span | Stay]) -> None:
    for one in times:
        if one.start.tzinfo is None or one.end.tzinfo is None:
            raise ValueError("A time line needs times with their zone.")
        if one.end < one.start:
            raise ValueError("Nothing on a time line ends before it began.")


def _long(start: datetime, end: datetime) -> str:
    return duration((end - start) / timedelta(minutes=1))


def _found(spans: Sequence[Span], stays: Sequence[Stay], scale: _Scale) -> str:
    """How much of the time it was READY, how it stands at the end, and how many batches it had."""
    known = sum((s.end - s.start for s in spans), timedelta())
    ready = sum((s.end - s.start for s in spans if s.condition == "READY"), timedelta())
    last = spans[-1]
    batches = count(len({stay.batch for stay in stays}), "batch", "batches")
    cut = f" The picture begins with the latest {DRAWN} changes." if len(spans) > DRAWN else ""
    return (f"READY {percent(ready / known)} of the time from {scale.words(spans[0].start)} to "
            f"{scale.words(scale.end)}, with {batches}. In the end {named(last.condition)}, since "
            f"{scale.words(last.start)}.{cut}")  # fmt: skip


def _lane(sheet: Field, top: float, condition: str, spans: Sequence[Span], scale: _Scale) -> None:
    """One condition: a thin line for all of the time, a block for when it was so."""
    sheet.write(LEFT - 6, top + 15, condition, 11, at="right")
    sheet.line([LEFT, WIDTH - 2], [top + 11, top + 11], width=0.6, shade=PALE)
    for span in spans:
        if span.end > scale.start:
            left = scale.x(max(span.start, scale.start))
            sheet.bar(left, top + 5, max(scale.x(span.end) - left, 0.8), 12, kind="span",
                      fill=BLACK if condition == "READY" else PALE)  # fmt: skip


def _batches(sheet: Field, top: float, stays: Sequence[Stay], scale: _Scale) -> None:
    sheet.write(LEFT - 6, top + 15, BATCHES, 11, at="right")
    for stay in stays:
        left = scale.x(max(stay.start, scale.start))
        right = max(scale.x(min(stay.end, scale.end)), left + 2)
        sheet.line([left, left, right, right], [top + 6, top + 14, top + 14, top + 6], width=1.2)


def _dates(sheet: Field, foot: float, scale: _Scale) -> None:
    """The first and the last moment, and the middle between them."""
    half = scale.start + (scale.end - scale.start) / 2
    form = "%H:%M" if scale.end - scale.start < timedelta(days=2) else "%d %b"
    if scale.end - scale.start > timedelta(days=300):
        form = "%b %Y"
    sides: tuple[tuple[datetime, Side], ...]
    sides = ((scale.start, "left"), (half, "center"), (scale.end, "right"))
    for at, side in sides:
        sheet.line([scale.x(at)] * 2, [foot - LINE - 1, foot - LINE + 3], width=0.8)
        sheet.write(scale.x(at), foot, f"{at.astimezone(scale.zone):{form}}", 10, at=side)
