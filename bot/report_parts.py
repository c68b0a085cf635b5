"""What a report is made of, before anybody chose a format for it: sections of plain text, lists,
tables and pictures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from bot.pictures import Picture


@dataclass(frozen=True, slots=True)
class Listed:
    """Short texts, one below the other; *numbered* where their order says something."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells; the first cell names its row. *widths* are the shares of its columns."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture and, in *note*, what must be known to read it."""

    picture: Picture
    note: str = ""


Block = str | Listed | Table | Drawn


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """One report. *month* is its key, 2026-10; *district* "" for everything; *summary* the first
    sentences of its answers; *caution* stands on the first page and on every foot."""

    month: str
    district: str
    title: str
    made: datetime
    summary: tuple[str, ...]
    caution: str
    sections: tuple[Section, ...]

    @property
    def file_name(self) -> str:
        """What its file is called, without an ending: letters, digits and hyphens only."""
        place = "".join(c if c.isascii() and c.isalnum() else "-" for c in self.district or "all")
        return f"report-{self.month}-{place}"

    @property
    def pictures(self) -> Iterator[Drawn]:
        """All of its pictures, in order."""
        return (b for s in self.sections for b in s.blocks if isinstance(b, Drawn))
