"""The funnel of facilities: who stands out and who does not, in place of a league table.

A place is judged by `flows.statistics.funnel_place`, whose limits are exact; the curves that are
drawn are the smooth ones of `funnel_curve`, and near a curve the two may differ by one case.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bot.pictures_frame import GREY, LINE, PALE, WIDTH, Field, Picture, Row, Style, nothing, picture
from bot.pictures_scale import apart, round_ends, ticks
from bot.pictures_words import count, named, opening, percent, several
from flows.statistics import ALARM_LEVEL, ALERT_LEVEL, Place, funnel_curve, funnel_place

LEFT, RIGHT, PLOT = 42, 82, 190  # px
CURVE = 48  # places of a curve that are worked out
NAMED = 8  # facilities outside that are named in the picture and the sentence, the furthest first
_LETTERS = 16  # of a name in the picture

_COLUMNS = ("Facility", "Count", "Of", "Share", "Where it stands")
_LEVELS = {"alert": f"{100 * ALERT_LEVEL:g} %", "alarm": f"{100 * ALARM_LEVEL:g} %"}
_SHAPES = {"inside": "o", "alert": "s", "alarm": "D"}


@dataclass(frozen=True, slots=True)
class Facility:
    """*count* of *size* at one facility; *link* leads to what is behind it, or is ""."""

    name: str
    count: int
    size: int
    link: str = ""


@dataclass(frozen=True, slots=True)
class _Standing:
    facility: Facility
    place: Place

    @property
    def share(self) -> float:
        return self.facility.count / self.facility.size

    def words(self) -> str:
        if self.place.level == "inside":
            return "within the limits"
        return f"{self.place.side} the {_LEVELS[self.place.level]} limits"


def funnel(name: str, title: str, what: str, facilities: Sequence[Facility],
           target: float) -> Picture:  # fmt: skip
    """The funnel of *facilities* around *target*, the share that is wanted or the one of all.

    *what* says what is counted of what. A facility with no case is in the table only.
    Raises ValueError for a count that cannot be, or a target outside 0 to 1.
    """
    standings = [_Standing(f, funnel_place(f.count, f.size, target)) for f in facilities if f.size]
    if not standings:
        return nothing(name, title, _COLUMNS)
    outside = [s for s in standings if s.place.level != "inside"]
    outside.sort(key=lambda s: (s.place.level != "alarm", -abs(s.share - target)))
    told = {id(s.facility): s for s in standings}
    rows = [_row(f, told.get(id(f))) for f in sorted(facilities, key=lambda f: f.name)]
    lead = f"{opening(what)}, target {percent(target)}."

    def paint(sheet: Field) -> None:
        sheet.write(0, LINE - 3, what, 52)
        _paint(sheet, standings, outside[:NAMED], target)

    return picture(name, title, f"{lead} {_found(standings, outside)}", (_COLUMNS, rows),
                   PLOT + 3 * LINE + 16, paint)  # fmt: skip


def _row(facility: Facility, standing: _Standing | None) -> Row:
    share, words = (percent(standing.share), standing.words()) if standing else ("", "no case")
    return Row((facility.name, str(facility.count), str(facility.size), share, words),
               facility.link)  # fmt: skip


def _found(standings: Sequence[_Standing], outside: Sequence[_Standing]) -> str:
    all_of_them = count(len(standings), "facility", "facilities")
    if not outside:
        return (f"None of {all_of_them} stands out: their differences are no larger than chance "
                "makes them.")  # fmt: skip
    names = [f"{named(s.facility.name)} ({s.words()}, {percent(s.share)}, "
             f"{s.facility.count} of {s.facility.size})" for s in outside[:NAMED]]  # fmt: skip
    if len(outside) > NAMED:
        names.append(f"{len(outside) - NAMED} more")
    by_chance = len(standings) * (1 - ALERT_LEVEL)
    caution = (f" By chance alone about {by_chance:.0f} of so many would lie beyond the "
               f"{_LEVELS['alert']} limits." if by_chance >= 1 else "")  # fmt: skip
    return f"Look at the filled marks, {len(outside)} of {all_of_them}: {several(names)}.{caution}"


def _paint(sheet: Field, standings: Sequence[_Standing], outside: Sequence[_Standing],
           target: float) -> None:  # fmt: skip
    most = max(s.facility.size for s in standings)
    ends = _ends(standings, target)
    plot = sheet.field((LEFT, LINE + 8, WIDTH - LEFT - RIGHT, PLOT), (0, most * 1.04), ends)
    plot.scale(ticks(*ends), percent)
    for tick in ticks(0, most):
        if float(tick).is_integer():
            plot.write(tick, ends[0], f"{tick:.0f}", 9, at="center", move=(0, -LINE - 2))
    sheet.write((LEFT + WIDTH - RIGHT) / 2, PLOT + 3 * LINE + 10, "cases at the facility", 40,
                at="center")  # fmt: skip
    plot.line([0, most * 1.04], [target, target], width=1.2, shade=GREY)
    at_end = [(target, f"target {percent(target)}")]
    styles: tuple[tuple[float, Style], ...] = ((ALERT_LEVEL, "--"), (ALARM_LEVEL, "-"))
    for level, style in styles:
        at_end += _curves(plot, target, level, style, most, ends)
    heights = apart([y for y, _ in at_end], ends, 13 / PLOT)
    for y, (_, word) in zip(heights, at_end, strict=True):
        plot.write(most * 1.04, y, word, 14, move=(4, -4))
    _points(plot, standings, outside, most, ends)


def _ends(standings: Sequence[_Standing], target: float) -> tuple[float, float]:
    """All shares, and the wider curves as they are at half the largest size."""
    middle = max(max(s.facility.size for s in standings) // 2, 1)
    curves = funnel_curve(target, middle, ALARM_LEVEL)
    shares = [s.share for s in standings]
    return round_ends(min(*shares, *curves), max(*shares, *curves))


def _curves(plot: Field, target: float, level: float, style: Style, most: int,
            ends: tuple[float, float]) -> list[tuple[float, str]]:  # fmt: skip
    """Draws both limits of *level* as far as they are seen; where they end, and a word."""
    sizes = sorted({max(round(most * (k / CURVE) ** 2), 1) for k in range(1, CURVE + 1)})
    at_end = []
    for side in (0, 1):
        curve = [(n, funnel_curve(target, n, level)[side]) for n in sizes]
        seen = [(n, y) for n, y in curve if ends[0] <= y <= ends[1] and 0 < y < 1]
        if seen:
            plot.line([n for n, _ in seen], [y for _, y in seen], style=style, width=0.9)
            at_end.append((seen[-1][1], f"{100 * level:g} %"))
    return at_end


def _points(plot: Field, standings: Sequence[_Standing], outside: Sequence[_Standing], most: int,
            ends: tuple[float, float]) -> None:  # fmt: skip
    for level, shape in _SHAPES.items():
        found = [s for s in standings if s.place.level == level]
        plot.marks([s.facility.size for s in found], [s.share for s in found], shape, level,
                   size=5 if level == "inside" else 6.5, filled=level != "inside")  # fmt: skip
    heights = apart([s.share for s in outside], ends, 12 / PLOT)
    for standing, y in zip(outside, heights, strict=True):
        x = standing.facility.size
        right = x > most / 2
        if abs(y - standing.share) > 6 / PLOT * (ends[1] - ends[0]):
            plot.line([x, x], [standing.share, y], width=0.6, shade=PALE)
        plot.write(x, y, standing.facility.name, _LETTERS,
                   move=(-7 if right else 7, -4), over=True,
                   at="right" if right else "left")  # fmt: skip
