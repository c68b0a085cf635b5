"""Pictures of a series: the run chart and the control chart, with what the rules found in them.

Neither judges: `flows.run_charts` and `flows.statistics` do, and what they name is marked here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from bot.pictures_frame import (
    GREY,
    LETTER,
    LINE,
    WIDTH,
    Field,
    Picture,
    Row,
    beside,
    nothing,
    picture,
)
from bot.pictures_scale import CLOCK, EVEN, apart, round_ends, ticks
from bot.pictures_words import count, duration, named, opening, percent, several
from flows.run_charts import RunChart, Signal
from flows.statistics import PChart

DRAWN = 120  # points at most, the latest; the table has all of them
FEW = 10  # points from which the rules say something: flows/run_charts.py
NAMED = 3  # points beyond their limits, and runs, that the sentence names
RIGHT, PLOT, LANE = 82, 150, 20  # px

_COLUMNS = ("When", "Count", "Of", "Share", "Limits", "Signal")
_RUN_COLUMNS = ("When", "Value", "Signal")
_CALM = "No rule of the chart is broken: the ups and downs are no larger than chance makes them."


@dataclass(frozen=True, slots=True)
class Point:
    """*count* of *size* at one time; *link* leads to the batches behind it, or is ""."""

    label: str
    count: int
    size: int
    link: str = ""


@dataclass(frozen=True, slots=True)
class Value:
    """A value at one time; None is a gap."""

    label: str
    value: float | None
    link: str = ""


@dataclass(frozen=True, slots=True)
class _Series:
    """What both charts draw. Low and high are empty for a run chart."""

    values: list[float | None]
    labels: list[str]
    centre: float
    signals: tuple[Signal, ...]
    say: Callable[[float], str]
    middle: str  # what the centre is called
    low: list[float | None] = field(default_factory=list)
    high: list[float | None] = field(default_factory=list)
    steps: Sequence[float] = EVEN

    def last(self, most: int) -> _Series:
        """Only the latest *most* points, and the signals that reach into them."""
        gone = max(len(self.values) - most, 0)
        moved = (Signal(s.rule, max(s.first - gone, 0), s.last - gone) for s in self.signals)
        return replace(
            self, values=self.values[gone:], labels=self.labels[gone:], low=self.low[gone:],
            high=self.high[gone:], signals=tuple(signal for signal in moved if signal.last >= 0),
        )  # fmt: skip

    def ends(self) -> tuple[float, float]:
        """Round values below and above all that is drawn."""
        drawn = (*self.values, *self.low, *self.high, self.centre)
        known = [value for value in drawn if value is not None]
        return round_ends(min(known), max(known), self.steps)

    def left(self) -> float:
        """How many px the words at the left need."""
        return 12 + LETTER * max(len(self.say(tick)) for tick in ticks(*self.ends(), self.steps))

    def across(self, index: float) -> float:
        """Where a point lies, in px from the left."""
        left = self.left()
        return left + (WIDTH - left - RIGHT) * ((index + 0.5) / len(self.values))

    def marked(self, signal: Signal) -> list[int]:
        """The points that *signal* is about: few crossings are about the line and mark none."""
        if signal.rule == "few crossings":
            return []
        known = [i for i in range(signal.first, signal.last + 1) if self.values[i] is not None]
        if signal.rule in {"shift", "longest run"}:  # a point on the line is no part of a run
            return [i for i in known if self.values[i] != self.centre]
        return known


def control_chart(name: str, title: str, what: str, points: Sequence[Point],
                  chart: PChart) -> Picture:  # fmt: skip
    """The p-chart of *points*, as `flows.statistics.p_chart` judged them.

    *what* says what is counted of what, such as "batches with a step missed, of all that ended".
    Raises ValueError if *chart* is not of these points.
    """
    _alike(points, chart.points)
    if chart.centre is None:
        return nothing(name, title, _COLUMNS)
    series = _Series(
        [p.value if p else None for p in chart.points], [p.label for p in points], chart.centre,
        chart.signals, percent, "in all",
        [p.low if p else None for p in chart.points],
        [p.high if p else None for p in chart.points],
    )  # fmt: skip
    done, of = sum(p.count for p in points), sum(p.size for p in points)
    lead = f"{opening(what)}: {percent(chart.centre)} in all ({done} of {of})."
    rows = [
        Row((p.label, str(p.count), str(p.size), percent(at.value) if at else "",
             f"{percent(at.low)} to {percent(at.high)}" if at else "", _rules(series, i)), p.link)
        for i, (p, at) in enumerate(zip(points, chart.points, strict=True))
    ]  # fmt: skip
    return _charted(name, title, what, f"{lead} {_found(series)}", (_COLUMNS, rows), series)


def run_chart(name: str, title: str, what: str, values: Sequence[Value], chart: RunChart,
              say: Callable[[float], str] = percent) -> Picture:  # fmt: skip
    """The run chart of *values*, as `flows.run_charts.run_chart` judged them around their median.

    *say* puts a value into words: `percent` for shares, `duration` for minutes, or another.
    Raises ValueError if a signal lies outside these values.
    """
    if any(signal.last >= len(values) for signal in chart.signals):
        raise ValueError("The signals of a run chart lie among its values.")
    if chart.centre is None:
        return nothing(name, title, _RUN_COLUMNS)
    series = _Series([v.value for v in values], [v.label for v in values], chart.centre,
                     chart.signals, say, "median",
                     steps=CLOCK if say is duration else EVEN)  # fmt: skip
    lead = f"{opening(what)}: the median is {say(chart.centre)}."
    rows = [Row((v.label, "" if v.value is None else say(v.value), _rules(series, i)), v.link)
            for i, v in enumerate(values)]  # fmt: skip
    return _charted(name, title, what, f"{lead} {_found(series)}", (_RUN_COLUMNS, rows), series)


def _alike(points: Sequence[Point], judged: Sequence[object]) -> None:
    if len(points) != len(judged):
        raise ValueError(f"The chart is of {len(judged)} points, not of these {len(points)}.")


def _rules(series: _Series, index: int) -> str:
    return ", ".join(dict.fromkeys(s.rule for s in series.signals if index in series.marked(s)))


def _found(series: _Series) -> str:
    """What to look at, rule by rule, in sentences."""
    left_out = len(series.values) - DRAWN
    said = [f"The picture shows the latest {DRAWN} points."] if left_out > 0 else []
    if sum(value is not None for value in series.values) < FEW:
        said.append(f"With fewer than {FEW} points the rules say little.")
    if not series.signals:
        return " ".join([_CALM, *said])
    beyond = [s.first for s in series.signals if s.rule == "beyond the limits"]
    runs = [_told(series, s) for s in series.signals if s.rule != "beyond the limits"]
    first = [_beyond(series, beyond)] if beyond else []
    if len(runs) > NAMED:
        runs[NAMED:] = [f"The table names {len(runs) - NAMED} more."]
    look = ["Look at the filled marks."] if any(map(series.marked, series.signals)) else []
    return " ".join([*look, *first, *runs, *said])


def _beyond(series: _Series, found: list[int]) -> str:
    names = [f"{named(series.labels[i])} ({series.say(series.values[i] or 0)})"
             for i in found[:NAMED]]  # fmt: skip
    more = [f"{len(found) - NAMED} more"] if len(found) > NAMED else []
    return f"Beyond the limits: {several(names + more)}."


def _told(series: _Series, signal: Signal) -> str:
    where = f"{named(series.labels[signal.first])} to {named(series.labels[signal.last])}"
    start = series.values[signal.first] or 0
    if signal.rule == "few crossings":
        return (f"Few crossings, {where}: the line in the middle is crossed more seldom than by "
                "chance, so the level changed.")  # fmt: skip
    if signal.rule == "trend":
        way = "rising" if (series.values[signal.last] or 0) > start else "falling"
        return f"Trend, {where}: {way} without a break."
    side = "above" if start > series.centre else "below"
    points = count(len(series.marked(signal)), "point", "points")
    return f"{signal.rule.capitalize()}, {where}: {points} in a row {side} the line in the middle."


def _charted(name: str, title: str, what: str, sentence: str,
             table: tuple[tuple[str, ...], list[Row]], whole: _Series) -> Picture:  # fmt: skip
    series = whole.last(DRAWN)
    rules = list(dict.fromkeys(signal.rule for signal in series.signals))
    top = LINE + 8 + LANE * len(rules)

    def paint(sheet: Field) -> None:
        sheet.write(0, LINE - 3, what, 52)
        _lines(_plot(sheet, series, top), series)
        for lane, rule in enumerate(rules):
            found = [s for s in series.signals if s.rule == rule]
            _lane(sheet, LINE + 6 + LANE * lane, rule, found, series)
        _below(sheet, top + PLOT + LINE + 4, series)

    return picture(name, title, sentence, table, top + PLOT + LINE + 12, paint)


def _plot(sheet: Field, series: _Series, top: float) -> Field:
    ends, left = series.ends(), series.left()
    across = (-0.5, len(series.values) - 0.5)
    plot = sheet.field((left, top, WIDTH - left - RIGHT, PLOT), across, ends)
    plot.scale(ticks(*ends, series.steps), series.say)
    whole = f"{series.middle} {series.say(series.centre)}"
    at_end = [(series.centre, whole if len(whole) <= 13 else series.middle)]
    for limits, word in ((series.low, "low limit"), (series.high, "high limit")):
        at_end += [(value, word) for value in limits if value is not None][-1:]
    heights = apart([y for y, _ in at_end], ends, 13 / PLOT)
    for y, (_, word) in zip(heights, at_end, strict=True):
        plot.write(len(series.values) - 0.5, y, word, 14, move=(4, -4))
    return plot


def _lines(plot: Field, series: _Series) -> None:
    end = len(series.values) - 0.5
    plot.line([-0.5, end], [series.centre] * 2, width=1.2, shade=GREY)
    for limits in (series.low, series.high):
        for run in _unbroken(limits):
            plot.line(*_stepped(run), style="--", width=0.9)
    marked = {i for signal in series.signals for i in series.marked(signal)}
    known = [(i, v) for i, v in enumerate(series.values) if v is not None]
    plot.line(*_both(known))
    size = 5 if len(known) <= 40 else 3
    plot.marks(*_both([p for p in known if p[0] not in marked]), "o", "point", size=size)
    plot.marks(*_both([p for p in known if p[0] in marked]), "s", "signal", size=size + 2,
                filled=True)  # fmt: skip


def _both(points: Sequence[tuple[float, float]]) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def _unbroken(limits: list[float | None]) -> list[list[tuple[int, float]]]:
    known = [(i, v) for i, v in enumerate(limits) if v is not None]
    runs = groupby(enumerate(known), key=lambda pair: pair[1][0] - pair[0])
    return [[point for _, point in run] for _, run in runs]


def _stepped(run: list[tuple[int, float]]) -> tuple[list[float], list[float]]:
    """Level for the width of each point, since each has limits of its own."""
    return _both([(i + side, v) for i, v in run for side in (-0.5, 0.5)])


def _lane(sheet: Field, top: float, rule: str, signals: list[Signal], series: _Series) -> None:
    """The name of a rule over brackets, one from the first to the last point of each signal."""
    half = (series.across(1) - series.across(0)) / 2 - 0.8
    foot = top + LANE - 6
    ends = [(series.across(s.first) - half, series.across(s.last) + half) for s in signals]
    for left, right in ends:
        sheet.line([left, left, right, right], [foot + 4, foot, foot, foot + 4], width=1.2)
    side = beside(ends[0][0], rule)
    sheet.write(ends[0][0] if side == "left" else ends[-1][1], foot - 3, rule, 20, at=side)


def _below(sheet: Field, foot: float, series: _Series) -> None:
    """As many labels as have room, the first and the last always."""
    labels, last = series.labels, len(series.labels) - 1
    room = max(min(len(label), 10) for label in labels) * LETTER + 8
    stride = math.ceil(room / (series.across(1) - series.across(0)))
    for i in sorted({*range(0, last - stride + 1, stride), 0, last}):
        sheet.write(series.across(i), foot, labels[i], 10, at="center")
