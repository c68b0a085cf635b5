"""What `soakbell counts` prints: tables that keep to the width, definitions, who was silent."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Any, TextIO

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bot.count_queries import CountFilter
from bot.figure import Figure
from bot.figures import Counted, Counts
from bot.plain import plain
from bot.totals import Drift
from flows.indicators import EXPECTED, MEASURES, SPANS, Indicator

NOTHING, UNKNOWN = "-", "?"  # nothing to divide by; not known of what was asked
NOTES = {NOTHING: f"{NOTHING} there was nothing to count it of",
         UNKNOWN: f"{UNKNOWN} not known by such a split"}  # fmt: skip
TIMES_NOTE = "Times are told of the whole months within these days only."
MOST_NAMED = 40  # silent facilities; the rest as a number

Rows = Sequence[dict[str, Any]]


class Told:
    """One table and the *notes* that stand under it."""

    def __init__(self, columns: Sequence[str], right: Sequence[str] = ()) -> None:
        self.columns, self.right = columns, right
        self.rows: list[Sequence[str]] = []
        self.notes: list[str] = []
        self.sections: set[int] = set()


def print_table(table: Told, out: TextIO) -> None:
    """Print *table* on *out* as wide as that is (80 where it is no terminal), nothing cut off."""
    console = Console(file=out, highlight=False, soft_wrap=False)
    if not table.rows:
        print("nothing counted", file=out)
        return
    edge = box.SIMPLE if console.is_terminal else None
    shown = Table(box=edge, pad_edge=False, header_style="bold")
    for name in table.columns:
        side = "right" if name in table.right else "left"
        shown.add_column(name, justify=side, overflow="fold")  # type: ignore[arg-type]
    for n, row in enumerate(table.rows):
        shown.add_row(*(Text(plain(cell)) for cell in row), end_section=n in table.sections)
    console.print(shown)
    for note in table.notes:
        print(note, file=out)


# ---- indicators -------------------------------------------------------------------------------


def whole_months(wanted: CountFilter) -> bool:
    """Whether the days asked for are whole months: times are kept by the month."""
    since, until = wanted.since, wanted.until
    return (since is None or since.day == 1) and (
        until is None or (until + timedelta(days=1)).day == 1)


def figure_rows(groups: Iterable[Counted], indicators: Sequence[Indicator]) -> list[dict[str, Any]]:
    """One plain row for each group and indicator; what is not known is None, never 0."""
    return [
        {**group.keys, "since": group.since, "until": group.until, "indicator": one.id,
         "numerator": figure.numerator, "denominator": figure.denominator, "value": figure.value,
         "unit": one.unit}
        for group in groups for one in indicators for figure in (group.indicators[one.id],)
    ]  # fmt: skip


def figure_table(groups: Sequence[Counted], indicators: Sequence[Indicator]) -> Told:
    """The same to be read."""
    keys = list(groups[0].keys) if groups else []
    table = Told((*keys, "indicator", "value", "of"), ("value", "of"))
    for group in groups:
        for one in indicators:
            figure = group.indicators[one.id]
            table.rows.append((*group.keys.values(), one.name, shown(one, figure),
                               told_of(one, figure)))
        table.sections.add(len(table.rows) - 1)
    cells = {cell for row in table.rows for cell in row}
    table.notes = [note for sign, note in NOTES.items() if sign in cells]
    return table


def shown(one: Indicator, figure: Figure) -> str:
    """A value as a person reads it: `93.1 %`, `85 min`, `3`, or a sign of NOTES."""
    if figure.value is None:
        known = figure.denominator is not None
        return NOTHING if known else UNKNOWN
    if one.unit == "share":
        return f"{figure.value:.1%}".replace("%", " %")
    if one.unit == "minutes":
        return f"{figure.value:.0f} min"
    return f"{figure.value:.2f}" if one.unit == "per" else f"{figure.value:g}"


def told_of(one: Indicator, figure: Figure) -> str:
    """What a value is made from: `27 of 29`, `31 times`, or nothing for a plain count."""
    if one.span and figure.denominator is not None:
        return f"{figure.denominator} times"
    if not one.denominator:
        return ""
    top, bottom = (UNKNOWN if n is None else str(n)
                   for n in (figure.numerator, figure.denominator))
    unit = " min" if one.denominator[0].endswith("_minutes") else ""
    return f"{top} of {bottom}{unit}"


# ---- steps that were missed -------------------------------------------------------------------


def missed_rows(rows: Rows, by: Sequence[str]) -> list[dict[str, Any]]:
    """How often steps were missed (*n*), of how many batches (*of*: ended, not begun by mistake)"""
    return [{**{name: row[name] for name in by}, "n": row["n"],
             "of": row["batches"] - row["cancelled"]} for row in rows]


def missed_table(rows: Rows, by: Sequence[str]) -> Told:
    """The same to be read, with what comes on a hundred batches."""
    table = Told((*by, "missed", "of batches", "on each 100"),
                   ("missed", "of batches", "on each 100"))
    for row in missed_rows(rows, by):
        share = f"{row['n'] * 100 / row['of']:.1f}" if row["of"] else NOTHING
        table.rows.append((*(str(row[name]) for name in by), str(row["n"]), str(row["of"]), share))
    return table


# ---- the rest ---------------------------------------------------------------------------------


def silence(found: Counts, unknown: Sequence[str]) -> str:
    """Which facilities did not report, so that their silence is not taken for a zero."""
    lines = [f"not in the register: {', '.join(map(plain, unknown))}"] if unknown else []
    every, gone = len(found.expected), found.silent
    if not every:
        return "\n".join([*lines, "the register has no facility here"])
    if not gone:
        return "\n".join([*lines, f"all {every} facilities reported" if every > 1
                          else "the one facility reported"])
    more = f" and {len(gone) - MOST_NAMED} more" if len(gone) > MOST_NAMED else ""
    named = ", ".join(gone[:MOST_NAMED]) + more
    return "\n".join([*lines, f"{len(gone)} of {every} facilities did not report: {named}"])


def drift_table(found: Sequence[Drift]) -> Told:
    """Each total that differs: where it stands, what is kept and what was counted."""
    table = Told(("table", "key", "measure", "kept", "counted"), ("kept", "counted"))
    table.rows = [(one.table, " ".join(f"{k}={v}" for k, v in one.key.items() if v != ""),
                   one.measure, str(one.kept), str(one.counted)) for one in found]
    return table


def defined(one: Indicator) -> dict[str, Any]:
    """An indicator as plain facts, its measures in words."""
    return {"id": one.id, "name": one.name, "sentence": one.sentence,
            "numerator": _measures(one.numerator) or SPANS.get(one.span, ""),
            "denominator": _measures(one.denominator), "left_out": one.left_out, "why": one.why,
            "unit": one.unit, "better": one.better}  # fmt: skip


def definition_lines(one: Indicator) -> list[str]:
    """An indicator on a few lines."""
    told = defined(one)
    lines = [f"{one.id}: {one.name}", f"  {one.sentence}", f"  counted: {told['numerator']}"]
    lines += [f"  of: {told['denominator']}"] if one.denominator else []
    return [*lines, f"  left out: {one.left_out}", f"  why: {one.why}"]


def _measures(names: Sequence[str]) -> str:
    words = {**MEASURES, **EXPECTED}
    parts = [f"{'less ' if n.startswith('-') else ''}{words[n.removeprefix('-')]}" for n in names]
    return "; ".join(parts)
