"""A district of which everything can be counted by hand, what a report of it says, and the words
that a PDF shows.

March 2025: LOWF ended 12 batches (a step missed in 8), HIGH 8, F00 7 (missed in 1), F01 6; F02 said
nothing. February: LOWF 4 (missed in 1).
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from bot.register import Register
from bot.report_found import Reports
from bot.report_parts import Block, Drawn, Listed, Report, Table
from bot.store import Store
from flows.batch import Batch, Entry
from tests.bot.district_stand import wide_register
from tests.bot.store_stand import closed, record
from tests.nurse import ALERTS, WORDING, rules_of

MARCH, FEBRUARY = date(2025, 3, 1), date(2025, 2, 1)
APRIL_3 = datetime(2025, 4, 3, 8, 0, tzinfo=UTC)
ENDED = {"LOWF": (12, 8), "HIGH": (8, 0), "F00": (7, 1), "F01": (6, 0)}
BEFORE = {"LOWF": (4, 1)}


def register(name: str = "") -> Register:
    """The five facilities; *name* is that of F00."""
    found = wide_register(3, 1)
    named = (replace(f, name=name) if name and f.id == "F00" else f for f in found.facilities)
    return replace(found, facilities=tuple(named))


def ended(facility: str, n: int, at: datetime, *, missed: bool) -> Batch:
    """A batch that ended an hour after *at*; its soak was broken off if a step was *missed*."""
    done = closed(f"{facility}-{at:%m}-{n}", facility=facility, opened_at=at,
                  at=at + timedelta(hours=1))  # fmt: skip
    cut = Entry(len(done.log), at, "interrupted", "soak", "P1", mark="exposure_started")
    return done.with_entry(cut) if missed else done


def fill(store: Store, name: str = "") -> None:
    """The store of the district."""
    store.migrate()
    store.save_register(register(name))
    for month, counts in ((3, ENDED), (2, BEFORE)):
        for facility, (number, missed) in counts.items():
            store.record([
                record(ended(facility, n, datetime(2025, month, 2 + n, 8, tzinfo=UTC),
                             missed=n < missed)) for n in range(number)
            ])  # fmt: skip


def reports(store: Store, now: datetime = APRIL_3) -> Reports:
    return Reports(store, rules_of(alerts=ALERTS), WORDING, lambda: now)


# ---- what a report says ------------------------------------------------------------------------


def said(report: Report) -> str:
    """Every word of *report*, with the numbers and the letters of its pictures."""
    parts = [report.title, *report.summary, report.caution]
    for section in report.sections:
        parts += [section.title, *(words for block in section.blocks for words in _words(block))]
    return "\n".join(parts)


def _words(block: Block) -> Iterator[str]:
    if isinstance(block, str):
        yield block
    elif isinstance(block, Listed):
        yield from block.items
    elif isinstance(block, Table):
        yield from (" | ".join(row) for row in block.rows)
    elif isinstance(block, Drawn):
        yield from (block.picture.sentence, block.note, block.picture.svg.decode())
        yield from (" | ".join(row.cells) for row in block.picture.rows)


def table(report: Report, caption: str) -> dict[str, tuple[str, ...]]:
    """The rows of a table by the first line of their first cell."""
    tables = (b for s in report.sections for b in s.blocks if isinstance(b, Table))
    found = next(t for t in tables if t.caption == caption)
    return {row[0].split("\n")[0]: row[1:] for row in found.rows}


# ---- a reader of PDFs --------------------------------------------------------------------------

_SHOWN = re.compile(rb"/(F\d+) [\d.]+ Tf|\(((?:[^()\\]|\\.)*)\) Tj|\[((?:[^\]\\]|\\.)*)\] TJ", re.S)
_PIECE = re.compile(rb"\(((?:[^()\\]|\\.)*)\)", re.S)
_ESCAPED = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}


class Pdf:
    """A PDF as far as a reader of plain text needs it: its pages in order, and the words that each
    one shows, by the maps to Unicode that it brings for whoever searches or copies."""

    def __init__(self, raw: bytes) -> None:
        assert raw.startswith(b"%PDF-")
        assert raw.rstrip().endswith(b"%%EOF")
        found = re.findall(rb"(?m)^(\d+) 0 obj\n(.*?)\nendobj", raw, re.S)
        self._objects = {int(number): body for number, body in found}

    @property
    def pages(self) -> list[str]:
        """The words of each page."""
        tree = next(o for o in self._objects.values() if b"/Type /Pages" in o)
        kids = re.search(rb"/Kids \[(.*?)\]", tree, re.S)
        assert kids
        return [self._page(int(n)) for n in re.findall(rb"(\d+) 0 R", kids[1])]

    def _page(self, number: int) -> str:
        page = self._objects[number]
        fonts = {name: self._letters(int(n)) for name, n in re.findall(
            rb"/(F\d+) (\d+) 0 R", self._objects[_reference(page, b"Resources")])}  # fmt: skip
        letters, lines = dict[bytes, str](), []
        for font, one, several in _SHOWN.findall(self._stream(_reference(page, b"Contents"))):
            if font:
                letters = fonts[font]
                continue
            codes = b"".join(map(_plain, _PIECE.findall(several) if several else [one]))
            lines.append("".join(letters[codes[i:i + 2]] for i in range(0, len(codes), 2)))
        return " ".join("".join(f"{line} " for line in lines).split())

    def _letters(self, font: int) -> dict[bytes, str]:
        told = self._stream(_reference(self._objects[font], b"ToUnicode")).decode()
        pairs = re.findall(r"<([0-9A-Fa-f]{4})> <([0-9A-Fa-f]+)>\s*\n", told)
        return {bytes.fromhex(code): bytes.fromhex(to).decode("utf-16-be") for code, to in pairs}

    def _stream(self, number: int) -> bytes:
        head, _, rest = self._objects[number].partition(b"stream\n")
        body = rest.rpartition(b"\nendstream")[0]
        return zlib.decompress(body) if b"/FlateDecode" in head else body


def _reference(body: bytes, name: bytes) -> int:
    found = re.search(rb"/" + name + rb" (\d+) 0 R", body)
    assert found, name
    return int(found[1])


def _plain(escaped: bytes) -> bytes:
    return re.sub(rb"\\(.)", lambda m: _ESCAPED.get(m[1], m[1]), escaped, flags=re.S)
