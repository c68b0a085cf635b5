"""The distribution of a time, with its median and its 90th percentile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bot.pictures_frame import (
    LINE,
    PALE,
    WHITE,
    WIDTH,
    Field,
    Picture,
    Row,
    Style,
    beside,
    nothing,
    picture,
)
from bot.pictures_scale import round_ends, ticks
from bot.pictures_words import duration, opening, percent
from flows.statistics import bin_width, percentile

LEFT, PLOT = 34, 130  # px
BARS = 16  # of one width; what took longer stands together in one more
BAR_MINUTES = (5, 15, 30, 60, 120, 240, 1440, 2880)  # each made of whole bins of flows.statistics

_COLUMNS = ("From", "To below", "Count", "Share so far")


@dataclass(frozen=True, slots=True)
class _Bar:
    start: int
    end: int | None  # None: all that took longer
    number: int


def turnaround(name: str, title: str, what: str, bins: Mapping[int, int]) -> Picture:
    """The distribution of *bins*, {lower edge in minutes: how many} as `flows.statistics` bins.

    Median and 90th percentile are those of `percentile`. Raises ValueError for an edge at which no
    bin begins, or a bin with fewer than none.
    """
    widths = {edge: bin_width(edge) for edge in bins}
    median, ninetieth = percentile(bins, 0.5), percentile(bins, 0.9)
    if median is None or ninetieth is None:
        return nothing(name, title, _COLUMNS)
    bars, total = _bars(bins, ninetieth), sum(bins.values())
    width = widths[ninetieth]
    within = f": nine of ten took less than {duration(ninetieth + width)}" if width else ""
    longer = bars[-1].number
    tail = f" {longer} took {duration(bars[-1].start)} or longer." if longer else ""
    sentence = (f"{opening(what)}, {total} in all: the median is {duration(median)}, "
                f"the 90th percentile {duration(ninetieth)}{within}.{tail}")  # fmt: skip

    def paint(sheet: Field) -> None:
        sheet.write(0, LINE - 3, what, 52)
        _paint(sheet, bars, median, ninetieth)

    rows = _rows(bars, total)
    return picture(name, title, sentence, (_COLUMNS, rows), PLOT + 5 * LINE + 6, paint)


def _bars(bins: Mapping[int, int], ninetieth: int) -> list[_Bar]:
    """BARS of one width, wide enough that the 90th percentile lies at three quarters of them."""
    width = next((w for w in BAR_MINUTES if ninetieth < w * BARS * 3 / 4), BAR_MINUTES[-1])
    starts = range(0, width * BARS, width)
    bars = [_Bar(s, s + width, sum(n for edge, n in bins.items() if s <= edge < s + width))
            for s in starts]  # fmt: skip
    longer = sum(number for edge, number in bins.items() if edge >= width * BARS)
    return [*bars, _Bar(width * BARS, None, longer)]


def _rows(bars: Sequence[_Bar], total: int) -> list[Row]:
    rows, so_far = [], 0
    for bar in bars:
        so_far += bar.number
        end = "" if bar.end is None else duration(bar.end)
        rows.append(Row((duration(bar.start), end, str(bar.number), percent(so_far / total))))
    return rows


def _paint(sheet: Field, bars: Sequence[_Bar], median: int, ninetieth: int) -> None:
    width = bars[1].start
    across = (0.0, width * (BARS + 1.4))
    ends = (0.0, round_ends(0, max(bar.number for bar in bars))[1])
    plot = sheet.field((LEFT, 3 * LINE + 6, WIDTH - LEFT - 8, PLOT), across, ends)
    plot.scale([t for t in ticks(*ends) if float(t).is_integer()], lambda tick: f"{tick:.0f}")
    for bar in bars:
        left = bar.start if bar.end else bar.start + width * 0.4
        if bar.number:
            fill = PALE if bar.end else WHITE
            plot.bar(left, 0, width, bar.number, fill=fill, kind="bar")
    for k in range(0, BARS, 4):
        plot.write(k * width, 0, duration(k * width), 10, at="center" if k else "left",
                   move=(0, -LINE))  # fmt: skip
    plot.write(across[1], 0, "longer", 10, at="right", move=(0, -LINE))
    lines: tuple[tuple[int, str, int, Style], ...]
    lines = ((median, "median", 0, "-"), (ninetieth, "90th percentile", 1, "--"))
    for edge, word, line, style in lines:
        at = min(edge, width * BARS + width // 2)
        plot.line([at, at], [0, ends[1]], style=style, width=1.6)
        said = f"{word} {duration(edge)}"
        x = LEFT + (WIDTH - LEFT - 8) * at / across[1]
        plot.write(at, ends[1], said, 40, move=(0, 7 + LINE * (1 - line)), over=True,
                   at=beside(x, said))  # fmt: skip
