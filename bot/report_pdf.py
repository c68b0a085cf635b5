"""The monthly report as a PDF for A4: headings as an outline, pictures as drawings.

Its letters are those of DejaVu Sans, which comes with the library of the pictures: what the font
lacks becomes a box, and nothing breaks on it. Only the letters that occur are embedded.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any
from xml.etree import ElementTree as ET

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace

from bot.pictures_frame import FONTS
from bot.report_parts import Block, Drawn, Listed, Report, Section, Table

MARGIN = 15.0  # mm, all round
WIDE = 210.0 - 2 * MARGIN
PICTURE = 104.0  # mm: letters of a picture are then hardly larger than those beside it
FONT = "sans-serif"  # as the pictures name theirs
TEXT, SMALL, HEAD, TITLE = 9.5, 8.0, 13.0, 16.0  # points
LINE = 1.35  # of a letter's size, from one line to the next
PT = 25.4 / 72  # mm
INDENT = 6.0
UNDER_HEAD = 30.0  # mm: a heading, and something below it
CAPTION = 20.0


class _Sheet(FPDF):
    """A4 with a foot that says what the page is of, and that its numbers may be for training."""

    def __init__(self, report: Report) -> None:
        super().__init__(format="A4")
        self._report = report
        self.set_margins(MARGIN, MARGIN)
        self.set_auto_page_break(auto=True, margin=MARGIN + 8)
        self.set_title(report.title)
        self.set_lang("en")
        self.set_creator("Soakbell")
        self.set_creation_date(report.made)
        for style, file in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            self.add_font(FONT, style, FONTS / file)

    def footer(self) -> None:
        """The foot of a page."""
        self.set_y(-MARGIN - 4)
        self.set_font(FONT, size=7)
        self.multi_cell(WIDE, 3.2, f"{self._report.caution}\n{self._report.title}. Page"
                        f" {self.page_no()} of {{nb}}", align="L")  # fmt: skip


def pdf(report: Report) -> bytes:
    """*report* as a PDF; the same report makes the same bytes."""
    _quiet()
    sheet = _Sheet(report)
    sheet.add_page()
    _write(sheet, report.title, TITLE, bold=True)
    made = f"{report.made.day} {report.made:%b %Y, %H:%M} UTC"
    _write(sheet, f"Made on {made} from what was recorded by then.", SMALL)
    _write(sheet, report.caution, TEXT, bold=True, framed=True)
    _listed(sheet, Listed(report.summary))
    for section in report.sections:
        _section(sheet, section)
    return bytes(sheet.output())


def _quiet() -> None:
    """What the library lacks in a drawing (title, description) or in a font is no news to anybody,
    and what it would tell of it are letters of names."""
    logging.getLogger("fpdf").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)


def _section(sheet: _Sheet, section: Section) -> None:
    first = section.blocks[0] if section.blocks else ""
    _keep(sheet, UNDER_HEAD + (_height(first) if isinstance(first, Drawn) else 0))
    sheet.ln(3)
    sheet.start_section(section.title)
    _write(sheet, section.title, HEAD, bold=True)
    for block in section.blocks:
        _block(sheet, block)


def _keep(sheet: _Sheet, height: float) -> None:
    """The next *height* mm are on one page."""
    if sheet.will_page_break(height):
        sheet.add_page()


def _height(drawn: Drawn) -> float:
    """What a picture takes of a page, with its words, in mm."""
    drawing = ET.fromstring(drawn.picture.svg)  # noqa: S314  (made by bot.pictures alone)
    width, height = map(float, drawing.attrib["viewBox"].split()[2:])
    return PICTURE * height / width + CAPTION


def _block(sheet: _Sheet, block: Block) -> None:
    writers: Mapping[type, Callable[[_Sheet, Any], None]] = {
        str: partial(_write, size=TEXT), Listed: _listed, Table: _table, Drawn: _drawn,
    }  # fmt: skip
    writers[type(block)](sheet, block)


def _write(sheet: _Sheet, text: str, size: float, *, bold: bool = False, framed: bool = False,
           left: float = 0) -> None:  # fmt: skip
    sheet.set_font(FONT, "B" if bold else "", size)
    sheet.set_x(MARGIN + left)
    sheet.multi_cell(WIDE - left, size * PT * LINE, text, align="L",
                     border=1 if framed else 0, new_x=XPos.LMARGIN, new_y=YPos.NEXT)  # fmt: skip
    sheet.ln(1.2)


def _listed(sheet: _Sheet, listed: Listed) -> None:
    for n, item in enumerate(listed.items, 1):
        sheet.set_font(FONT, "", TEXT)
        sheet.set_x(MARGIN)
        sheet.cell(INDENT, TEXT * PT * LINE, f"{n}." if listed.numbered else "\N{BULLET}")
        _write(sheet, item, TEXT, left=INDENT)


def _table(sheet: _Sheet, table: Table) -> None:
    _write(sheet, table.caption, TEXT, bold=True)
    sheet.set_font(FONT, "", SMALL)
    with sheet.table(width=WIDE, col_widths=table.widths, line_height=SMALL * PT * LINE,
                     text_align="LEFT", padding=0.7, v_align="TOP",
                     headings_style=FontFace(emphasis="BOLD")) as grid:  # fmt: skip
        for cells in (table.columns, *table.rows):
            _row(grid, cells)
    sheet.ln(2)


def _row(grid: Any, cells: Sequence[str]) -> None:
    row = grid.row()
    for cell in cells:
        row.cell(cell)


def _drawn(sheet: _Sheet, drawn: Drawn) -> None:
    """A picture in the middle, and below it what to see in it; both on one page."""
    _keep(sheet, _height(drawn))
    sheet.ln(1)
    sheet.image(io.BytesIO(drawn.picture.svg), w=PICTURE, x=MARGIN + (WIDE - PICTURE) / 2,
                alt_text=drawn.picture.sentence)  # fmt: skip
    _write(sheet, drawn.picture.sentence, TEXT)
    if drawn.note:
        _write(sheet, drawn.note, SMALL)
