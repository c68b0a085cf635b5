"""The risk curve: with how many sets a birth finds none READY, and how often."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bot.pictures_frame import GREY, LINE, WIDTH, Field, Picture, Row, beside, nothing, picture
from bot.pictures_scale import ticks
from bot.pictures_words import count, percent

LEFT, RIGHT, PLOT = 42, 12, 160  # px

_COLUMNS = ("Sets", "Chance to find none READY", "Which")


@dataclass(frozen=True, slots=True)
class Risk:
    """The chance, 0 to 1, that none of so many sets is READY when one is needed."""

    sets: int
    chance: float


def risk_curve(name: str, title: str, risks: Sequence[Risk], owned: int, needed: int,
               accepted: float, word: str = "owned") -> Picture:  # fmt: skip
    """The curve of *risks*, with the sets *owned* and those *needed* for the risk *accepted*.

    *word* is what the first are called where they are not all that are owned.

    Raises ValueError if the curve leaves either of them out.
    """
    if not risks:
        return nothing(name, title, _COLUMNS)
    chances = {risk.sets: risk.chance for risk in sorted(risks, key=lambda risk: risk.sets)}
    if not {owned, needed} <= set(chances):
        raise ValueError("The curve must have the number of sets owned and the number needed.")
    rows = [Row((str(sets), percent(chance), _mark(sets, owned, needed, word)))
            for sets, chance in chances.items()]  # fmt: skip

    def paint(sheet: Field) -> None:
        sheet.write(0, LINE - 3, "chance that a birth finds no READY set", 52)
        _paint(sheet, chances, owned, needed, word)

    sentence = _found(chances, owned, needed, accepted, word)
    return picture(name, title, sentence, (_COLUMNS, rows), PLOT + 3 * LINE + 16, paint)


def _mark(sets: int, owned: int, needed: int, word: str) -> str:
    return " and ".join(w for w, at in ((word, owned), ("needed", needed)) if at == sets)


def _found(chances: dict[int, float], owned: int, needed: int, accepted: float,
           word: str) -> str:  # fmt: skip
    has = (f"With the {count(owned, 'set', 'sets')} {word}, {percent(chances[owned])} of the"
           " births that need one find none READY")  # fmt: skip
    limit = f"within the {percent(accepted)} that is accepted"
    if owned < needed:
        wants = f"{needed} would bring it to {percent(chances[needed])}, {limit}"
        return f"{has}; {wants}: {needed - owned} more."
    spare = f", {owned - needed} more than needed" if owned > needed else ""
    return f"{has}: that is {limit}{spare}."


def _paint(sheet: Field, chances: dict[int, float], owned: int, needed: int,
           word: str) -> None:  # fmt: skip
    first, last = min(chances), max(chances)
    across = (first - 0.5, last + 0.5)
    plot = sheet.field((LEFT, LINE + 8, WIDTH - LEFT - RIGHT, PLOT), across, (0, 1))
    plot.scale(ticks(0, 1), percent)
    for tick in ticks(first, max(last, first + 1)):
        if tick.is_integer() and first <= tick <= last:
            plot.write(tick, 0, f"{tick:.0f}", 6, at="center", move=(0, -LINE - 1))
    sheet.write((LEFT + WIDTH - RIGHT) / 2, PLOT + 3 * LINE + 10, "sets", 10, at="center")
    plot.line(list(chances), list(chances.values()), shade=GREY)
    others = {s: c for s, c in chances.items() if s not in {owned, needed}}
    plot.marks(list(others), list(others.values()), "o", "point", size=4)
    for name, sets, shape in (("needed", needed, "D"), ("owned", owned, "s")):
        plot.marks([sets], [chances[sets]], shape, name, size=7, filled=name == "owned")
    marks = {sets: f"{_mark(sets, owned, needed, word)}: {sets}, {percent(chances[sets])}"
             for sets in (owned, needed)}  # fmt: skip
    _labels(plot, chances, marks, across)


def _labels(plot: Field, chances: dict[int, float], marks: dict[int, str],
            across: tuple[float, float]) -> None:  # fmt: skip
    """Words above each mark, on a line down to it; the left ones lower, so that both have room."""
    for height, sets in zip((0.66, 0.86)[-len(marks):], sorted(marks), strict=True):
        foot = max(height, chances[sets] + 0.06)
        plot.line([sets, sets], [chances[sets], foot], style=":", width=1)
        x = LEFT + (WIDTH - LEFT - RIGHT) * (sets - across[0]) / (across[1] - across[0])
        plot.write(sets, foot, marks[sets], 40, at=beside(x, marks[sets]), move=(0, 3), over=True)
