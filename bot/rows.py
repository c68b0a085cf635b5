"""Reads the register's CSV files: what is wrong is collected, row by row, never raised."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import phonenumbers

T = TypeVar("T")

_ID = re.compile(r"[A-Z0-9][A-Z0-9-]{0,11}")
_WORD = re.compile(r"[A-Za-z0-9._-]{1,40}")
_LANGUAGE = re.compile(r"[a-z]{2,3}")
NAME_CHARACTERS = 40  # a name shares one text of 160 units with the instruction
SET_ID_CHARACTERS = 8  # several set ids stand in one text


@dataclass(frozen=True, slots=True)
class Row:
    """One row: *cells* by column, stripped. *line* is where the row ends in the file."""

    file: str
    line: int
    cells: Mapping[str, str]


@dataclass(slots=True)
class Reader:
    """Collects *problems*, one sentence each with file and line. None holds a phone number."""

    problems: list[str] = field(default_factory=list)

    def say(self, row: Row, reason: str) -> None:
        """Note what is wrong with *row*."""
        self.problems.append(f"{row.file} line {row.line}: {reason}")

    def take(self, row: Row, column: str, parse: Callable[[str], T], default: T) -> T:
        """The cell as *parse* reads it; if it cannot (ValueError), a problem and *default*."""
        try:
            return parse(row.cells[column])
        except ValueError as exc:
            self.say(row, f"{column}: {exc}")
            return default

    def known(self, row: Row, column: str, wanted: str, ids: Collection[str]) -> None:
        """*wanted* must be among *ids*. An unreadable id was already reported."""
        if wanted and wanted not in ids:
            self.say(row, f"{column}: there is no {wanted} in the register")

    def rows(
        self, path: Path, columns: tuple[str, ...], optional: tuple[str, ...] = ()
    ) -> list[Row]:
        """The rows of the file at *path*, which must have these *columns*, each once, and may have
        the *optional* ones: their cells are empty where it has not."""
        try:
            with path.open(encoding="utf-8-sig", newline="") as file:
                table = csv.reader(file, strict=True)
                header = [cell.strip() for cell in next(table, [])]
                absent = tuple(c for c in optional if c not in header)
                if self._header_is_wrong(path.name, header, (*columns, *optional), absent):
                    return []
                lines = [(table.line_num, cells) for cells in table if any(map(str.strip, cells))]
        except (OSError, UnicodeDecodeError, csv.Error) as exc:
            self.problems.append(f"{path.name}: cannot be read ({_why(exc)})")
            return []
        found = (self._row(path.name, line, header, cells) for line, cells in lines)
        empty = dict.fromkeys(absent, "")
        return [replace(row, cells={**empty, **row.cells}) for row in found if row]

    def _header_is_wrong(
        self, file: str, header: list[str], columns: tuple[str, ...], absent: tuple[str, ...]
    ) -> bool:
        missing = [c for c in columns if c not in header and c not in absent]
        unknown = [c for c in header if c not in columns]
        twice = sorted({c for c in header if header.count(c) > 1 and c in columns})
        for what, names in (("missing", missing), ("unknown", unknown), ("repeated", twice)):
            if names:
                self.problems.append(f"{file} line 1: {what} column(s): {', '.join(names)}")
        return bool(missing or unknown or twice)

    def _row(self, file: str, line: int, header: list[str], cells: list[str]) -> Row | None:
        row = Row(file, line, {c: v.strip() for c, v in zip(header, cells, strict=False)})
        if len(cells) == len(header):
            return row
        self.say(row, f"{len(cells)} cells where the header has {len(header)}")
        return None


def _why(exc: Exception) -> str:
    if isinstance(exc, UnicodeDecodeError):
        return f"byte {exc.start} is not UTF-8"
    if isinstance(exc, OSError):
        return exc.strerror or "input or output error"
    return str(exc)


def an_id(text: str) -> str:
    """An id in upper case: letters, digits and hyphens, at most 12."""
    if not _ID.fullmatch(text.upper()):
        raise ValueError("an id is 1 to 12 letters A-Z, digits or hyphens, not first a hyphen")
    return text.upper()


def a_set_id(text: str) -> str:
    """An id short enough for a text."""
    found = an_id(text)
    if len(found) > SET_ID_CHARACTERS:
        raise ValueError(f"a set id has at most {SET_ID_CHARACTERS} characters")
    return found


def a_name(text: str) -> str:
    """A name that fits a text and a page."""
    if not text or len(text) > NAME_CHARACTERS or not text.isprintable():
        raise ValueError(f"a name has 1 to {NAME_CHARACTERS} printable characters")
    return text


def an_altitude(text: str) -> float:
    """Metres above the sea, -500 to 9000."""
    try:
        metres = float(text)
    except ValueError:
        raise ValueError("an altitude is a number of metres") from None
    if not -500 <= metres <= 9000:  # the lowest shores and the highest dwellings, with room
        raise ValueError("an altitude is between -500 and 9000 metres")
    return metres


def a_zone(text: str) -> str:
    """The name of a time zone in the tz database."""
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise ValueError("no such time zone") from None
    return text


def a_language(text: str) -> str:
    """A language code; English where none is given."""
    if text and not _LANGUAGE.fullmatch(text):
        raise ValueError("a language is 2 or 3 lower-case letters")
    return text or "en"


def a_protocol(text: str) -> str:
    """The name of a protocol; the default one where none is given."""
    if text and not _WORD.fullmatch(text):
        raise ValueError("a protocol's name is one plain word")
    return text or "default"


def pieces(text: str) -> tuple[tuple[str, int], ...]:
    """`bag:1 mask:2` as names and counts, each at least one."""
    return tuple(_piece(word) for word in text.split()) or _no_pieces()


def _no_pieces() -> tuple[tuple[str, int], ...]:
    raise ValueError("a model has at least one piece, such as bag:1")


def _piece(word: str) -> tuple[str, int]:
    name, colon, count = word.partition(":")
    if not (colon and _WORD.fullmatch(name) and count.isdecimal() and 1 <= int(count) <= 99):
        raise ValueError("a piece is written name:count, with a count from 1 to 99")
    return name, int(count)


def a_phone(region: str | None) -> Callable[[str], str]:
    """A parser of phones to E.164. *region* (two letters) reads numbers without a plus sign."""

    def parse(text: str) -> str:
        try:
            number = phonenumbers.parse(text, region)
        except phonenumbers.NumberParseException:
            raise ValueError("not a phone number") from None
        if not phonenumbers.is_valid_number(number):
            raise ValueError("not a valid phone number")
        return phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)

    return parse


def one_of(*choices: str) -> Callable[[str], str]:
    """A parser that takes one of *choices* as it stands."""

    def parse(text: str) -> str:
        if text not in choices:
            raise ValueError(f"must be one of: {', '.join(c or '(empty)' for c in choices)}")
        return text

    return parse
