"""Counts and definitions as rows of JSON, CSV and workbooks, and what those rows are: pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from bot.count_queries import DIMENSIONS, MISSED, CountFilter
from bot.figures import Counted, days_of
from flows.indicators import EXPECTED, INDICATORS, MEASURES, SPANS, Indicator

Json = dict[str, Any]
Row = dict[str, Any]

PARTS = ("numerator", "denominator", "value")
OF_REASONS = ("n", "batches", "cancelled")
SHOWN = (*MEASURES, *EXPECTED)
DEFINED = ("kind", "id", "name", "sentence", "numerator", "denominator", "span", "percentile",
           "left_out", "why", "unit", "better")  # fmt: skip


def tells_reasons(wanted: CountFilter) -> bool:
    """Whether steps missed, or rules of alerts, are asked for: not indicators."""
    return bool(set(wanted.by) & set(MISSED) or wanted.stage or wanted.reason)


def columns(wanted: CountFilter) -> tuple[str, ...]:
    """The columns of a flat table of the rows of *wanted*, the same however many there are."""
    first = (*wanted.by, "since", "until")
    if tells_reasons(wanted):
        return (*first, *OF_REASONS, "suppressed")
    return (*first, *SHOWN, "suppressed", *(f"{one.id}.{part}" for one in INDICATORS
                                            for part in PARTS))


def row_of(group: Counted, by: Sequence[str]) -> Row:
    """One row: its dimensions, its days, every measure, and `indicators` by id."""
    figures = {i: {part: getattr(f, part) for part in (*PARTS, "suppressed")}
               for i, f in group.indicators.items()}
    return {**{name: group.keys[name] for name in by}, "since": group.since, "until": group.until,
            **group.measures,
            "suppressed": [name for name in MEASURES if group.measures[name] is None],
            "indicators": figures}


def flat(row: Row) -> Row:
    """A row of `row_of` with each part of an indicator in a column of its own."""
    parts = {f"{i}.{part}": f[part] for i, f in row["indicators"].items() for part in PARTS}
    return {name: value for name, value in row.items() if name != "indicators"} | parts


def reason_rows(
    rows: Iterable[Mapping[str, Any]], groups: Sequence[Counted], wanted: CountFilter
) -> list[Row]:
    """*rows* of stages and reasons with their days, and with the batches of *groups*, which are
    the figures of the same question without stages and reasons."""
    of = {tuple(sorted(g.keys.items())): g.measures for g in groups}
    within = replace(wanted, since=wanted.since or min((g.since for g in groups), default=None),
                     until=wanted.until or max((g.until for g in groups), default=None))
    nothing = dict.fromkeys(OF_REASONS, 0)
    found = []
    for row in rows:
        keys = {name: row[name] for name in wanted.by if name not in MISSED}
        known = of.get(tuple(sorted(keys.items())), nothing)
        since, until = days_of(keys, within)
        told: Row = {**{name: row[name] for name in wanted.by}, "since": since, "until": until,
                     "n": row["n"], "batches": known["batches"], "cancelled": known["cancelled"]}
        hidden = [name for name in OF_REASONS if told[name] is None]
        found.append({**told, "suppressed": hidden})
    return found


# ---- definitions -----------------------------------------------------------------------------


def definitions() -> list[Row]:
    """Every indicator, then every measure and span that they are made of."""
    names = {**MEASURES, **EXPECTED}
    empty: Row = {**dict.fromkeys(DEFINED, ""), "numerator": [], "denominator": [],
                  "percentile": None}
    others = [empty | {"kind": kind, "id": i, "sentence": sentence}
              for kind, some in (("measure", names), ("span", SPANS))
              for i, sentence in some.items()]
    return [*map(_defined, INDICATORS), *others]


def _defined(one: Indicator) -> Row:
    return {"kind": "indicator", "id": one.id, "name": one.name, "sentence": one.sentence,
            "numerator": list(one.numerator), "denominator": list(one.denominator),
            "span": one.span, "percentile": round(one.share * 100) if one.span else None,
            "left_out": one.left_out, "why": one.why, "unit": one.unit, "better": one.better}


# ---- what the rows are -----------------------------------------------------------------------

_TEXT: Json = {"type": "string"}
_TEXTS: Json = {"type": "array", "items": _TEXT}
_DAY: Json = {"type": "string", "format": "date"}
_NUMBER: Json = {"type": ["number", "null"]}
_COUNT: Json = {"type": ["integer", "null"]}
_FIGURE: Json = {
    "type": "object", "required": [*PARTS, "suppressed"], "additionalProperties": False,
    "properties": {**dict.fromkeys(PARTS, _NUMBER), "suppressed": {"type": "boolean"}},
}  # fmt: skip


def count_row() -> Json:
    """The schema of a row of counts: the dimensions that were asked for, and one or the other kind
    of numbers. Null is what is too small to be told (then in `suppressed`), or not known."""
    figures = {"type": "object", "required": [one.id for one in INDICATORS],
               "additionalProperties": _FIGURE}
    whole = dict.fromkeys(SHOWN, _COUNT) | {"indicators": figures}
    return {"anyOf": [_row(whole), _row(dict.fromkeys(OF_REASONS, _COUNT))]}


def _row(numbers: Mapping[str, Json]) -> Json:
    always = {"since": _DAY, "until": _DAY, **numbers, "suppressed": _TEXTS}
    return {"type": "object", "properties": dict.fromkeys(DIMENSIONS, _TEXT) | always,
            "required": list(always), "additionalProperties": False}


def answer() -> Json:
    """The schemas of what stands beside the rows."""
    day = {"type": ["string", "null"], "format": "date"}
    return {"expected": {"type": "integer", "minimum": 0}, "silent": _TEXTS, "from": day,
            "to": day, "suppressed_below": {"type": "integer", "minimum": 0}}


def definition_row() -> Json:
    """The schema of a row of the definitions."""
    kinds = dict.fromkeys(DEFINED, _TEXT) | {
        "numerator": _TEXTS, "denominator": _TEXTS, "percentile": _COUNT}
    return {"type": "object", "properties": kinds, "required": list(DEFINED),
            "additionalProperties": False}
