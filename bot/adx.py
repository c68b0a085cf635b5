"""Figures as an IHE ADX message (Aggregate Data Exchange, QRPH, 2015/2017).

What a message may hold is read from the profile's normative stylesheet, which makes the schema of
messages from a data structure: at least one group, in each at least one dataValue, whose `value`
is a decimal number that must be there; any further attribute on each of the three. So there is no
"null": a figure too small to leave its facility is left out (a `value` of 0 with an annotation
would be counted as nothing by whoever does not read it), and the `comment` of its group, and of
the message, says how many were.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import groupby
from xml.etree import ElementTree as ET

from bot.figure import Figure
from bot.plain import plain

NAMESPACE = "urn:ihe:qrph:adx:2015"

# Attributes that a split may not be named like: they are the figure itself.
_TAKEN = {"dataElement", "value", "xmlns"}
_ATTRIBUTE = re.compile(r"[A-Za-z][A-Za-z0-9_]*")  # an NCName, and an SDMX concept's id

Element = Mapping[str, str]


def adx(figures: Iterable[Figure], *, exported: datetime, data_set: str) -> bytes:
    """The message, UTF-8. Its order depends on what is said only, not on the order of *figures*.

    Groups go by place and period. Raises ValueError where no number is left to send (there is no
    empty message), where two figures would be the same dataValue, and where *exported* has no zone.
    """
    everything = sorted(figures, key=_order)
    message = ET.Element("adx", {"xmlns": NAMESPACE, "exported": _moment(exported)})
    _comment(message, everything)
    for _, members in groupby(everything, key=_place_and_period):
        _group(message, list(members), plain(data_set))
    if not len(message):
        raise ValueError("no number is left to send: all are too small to leave their facility")
    ET.indent(message, " ")
    written: bytes = ET.tostring(message, encoding="utf-8", xml_declaration=True)
    return written


def period(since: date, until: date) -> str:
    """The days from *since* to *until*, both included, as ISO 8601 start and duration.

    Whole months are months (P1M, P3M), twelve of them a year; all else, an ISO week too, is days.
    Raises ValueError where *until* is before *since*.
    """
    if until < since:
        raise ValueError(f"a period ends on {until}, before it begins on {since}")
    return f"{since.isoformat()}/P{_months(since, until) or f'{(until - since).days + 1}D'}"


def code(text: str) -> str:
    """*text* as an SDMX code, such as CYCLES_COMPLETE: upper case, nothing but letters of ASCII,
    digits and underscores."""
    return re.sub(r"[^A-Z0-9_]", "_", text.strip().upper()) or "UNKNOWN"


def _months(since: date, until: date) -> str:
    """How many whole months or years, as 3M or 1Y; "" where it is none."""
    try:
        after = until + timedelta(days=1)
    except OverflowError:
        return ""
    if (since.day, after.day) != (1, 1):
        return ""
    months = (after.year - since.year) * 12 + after.month - since.month
    return f"{months}M" if months % 12 else f"{months // 12}Y"


def _moment(when: datetime) -> str:
    if when.utcoffset() is None:
        raise ValueError("the time of an export needs a zone")
    return when.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _place_and_period(figure: Figure) -> tuple[str, date, date]:
    return figure.place, figure.since, figure.until


def _order(figure: Figure) -> tuple[object, ...]:
    return (*_place_and_period(figure), figure.indicator, sorted(figure.dims.items()))


def _comment(element: ET.Element, figures: list[Figure]) -> None:
    """Says on *element* how many of *figures* are left out, if any."""
    if left_out := sum(f.suppressed for f in figures):
        element.set("comment", f"Left out, too small to leave the facility: {left_out}")


def _group(message: ET.Element, figures: list[Figure], data_set: str) -> None:
    """Appends the group of *figures*, one place in one period, unless it would be empty."""
    place, since, until = _place_and_period(figures[0])
    group = ET.Element("group", {"orgUnit": plain(place), "period": period(since, until),
                                 "dataSet": data_set})  # fmt: skip
    _comment(group, figures)
    seen = set()
    for attributes in (a for f in figures for a in _values(f)):
        same = tuple((k, v) for k, v in attributes.items() if k != "value")
        if same in seen:
            raise ValueError(f"two figures of {place} would be the same dataValue: {dict(same)}")
        seen.add(same)
        ET.SubElement(group, "dataValue", dict(attributes))
    if len(group):
        message.append(group)


def _values(figure: Figure) -> Iterator[Element]:
    """The dataValues of one figure: two where it has a denominator, none where it says nothing."""
    if figure.suppressed:
        return
    name, split = code(figure.indicator), _split(figure.dims)
    numbers: dict[str, int | float | None] = {name: figure.numerator}
    if figure.denominator is not None:
        numbers = {f"{name}_NUM": figure.numerator, f"{name}_DEN": figure.denominator}
    elif figure.numerator is None:
        numbers = {name: figure.value}
    for element, number in numbers.items():
        if number is not None:
            yield {"dataElement": element, "value": _decimal(number), **split}


def _split(dims: Mapping[str, str]) -> dict[str, str]:
    """The attributes that say what a figure is a part of."""
    for name in dims:
        if name in _TAKEN or not _ATTRIBUTE.fullmatch(name):
            raise ValueError(f"{name!r} cannot be the name of an attribute")
    return {name: code(value) for name, value in sorted(dims.items())}


def _decimal(number: float) -> str:
    """*number* as xs:decimal, which knows no exponent."""
    return format(Decimal(repr(number)), "f")
