"""The indicators as a table: what each means, what it came to, of what, and what it leaves out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bot.figure import Figure
from bot.figures import Counts
from bot.pictures_words import duration, percent
from flows.indicators import EXPECTED, INDICATORS, MEASURES, Indicator

BETTER: Mapping[str, str] = {
    "more": "More is better.", "less": "Less is better.", "": "Neither way is better by itself.",
}  # fmt: skip
BY_MONTHS = "Told for whole months only: choose days that hold one."
NOT_HERE = "Not told by method."


@dataclass(frozen=True, slots=True)
class Defined:
    """One indicator in words: its *value* and what it is made from, or why there is none."""

    id: str
    name: str
    sentence: str
    value: str
    made_from: str
    of_what: str
    left_out: str
    why: str


def defined(found: Counts) -> list[Defined]:
    """Every indicator with its value in the one group of *found*, in their own order."""
    figures = found.groups[0].indicators if found.groups else {}
    return [_defined(one, figures.get(one.id)) for one in INDICATORS]


def _defined(one: Indicator, figure: Figure | None) -> Defined:
    value, made_from = _value(one, figure)
    return Defined(
        one.id, one.name, one.sentence, value, made_from, _of_what(one), one.left_out,
        f"{one.why} {BETTER[one.better]}",
    )  # fmt: skip


def _value(one: Indicator, figure: Figure | None) -> tuple[str, str]:
    """The value, and the numbers behind it or why there is none."""
    if figure is None:
        return "none", "nothing is counted"
    if one.span:
        return _time(figure)
    top, bottom = figure.numerator, figure.denominator
    if top is None:
        return "none", NOT_HERE
    if not one.denominator:
        return str(top), "counted, of nothing else"
    known = _number(bottom) if bottom is not None else "nothing known"
    value = "none" if figure.value is None else _said(one, figure.value)
    return value, f"{_number(top)} of {known}"


def _time(figure: Figure) -> tuple[str, str]:
    if figure.value is None:
        return "none", BY_MONTHS
    return duration(figure.value), f"of {figure.denominator} times"


def _said(one: Indicator, value: float) -> str:
    return f"{value:.2f} each" if one.unit == "per" else percent(value)


def _number(number: int) -> str:
    return f"{number:,}".replace(",", "\N{NO-BREAK SPACE}")


def _of_what(one: Indicator) -> str:
    """Numerator and denominator in words."""
    if one.span:
        return "Made from times, in bins that grow with them."
    if not one.denominator:
        return f"Counted: {_sum(one.numerator)}."
    return f"Numerator: {_sum(one.numerator)}. Denominator: {_sum(one.denominator)}."


def _sum(names: tuple[str, ...]) -> str:
    words = ""
    for name in names:
        told = {**MEASURES, **EXPECTED}[name.removeprefix("-")]
        sign = ", less " if name.startswith("-") else " and "
        words += f"{sign if words else ''}{told}"
    return words
