"""Workbooks, read back as what they are: XML in a zip."""

from __future__ import annotations

import io
import re
import tracemalloc
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.plain import FORMULA_STARTS, plain
from bot.workbook import (
    MOST_UNITS,
    WAS_CUT,
    Table,
    cell_text,
    sheet_name,
    workbook,
    write_workbook,
)
from tests.bot.hostile import HOSTILE, NAMES

NS = {"m": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}
EPOCH = datetime(1899, 12, 30)  # noqa: DTZ001 -- a cell knows no zone


@dataclass(frozen=True)
class Cell:
    """What a spreadsheet finds in one cell: how it is marked, what it holds, its style."""

    kind: str
    text: str
    style: int


@dataclass(frozen=True)
class Book:
    names: list[str]
    sheets: list[ET.Element]
    styles: ET.Element
    files: dict[str, bytes]

    def rows(self, sheet: int = 0) -> list[list[Cell]]:
        return [[cell(c) for c in row] for row in self.sheets[sheet].iterfind(".//m:row", NS)]

    def texts(self, sheet: int = 0) -> list[list[str]]:
        return [[c.text for c in row] for row in self.rows(sheet)]

    def style(self, found: Cell) -> ET.Element:
        return self.styles.findall("m:cellXfs/m:xf", NS)[found.style]

    def number_format(self, found: Cell) -> str:
        wanted = self.style(found).attrib["numFmtId"]
        return next(f.attrib["formatCode"] for f in self.styles.iterfind(".//m:numFmt", NS)
                    if f.attrib["numFmtId"] == wanted)  # fmt: skip


def cell(element: ET.Element) -> Cell:
    """A cell, its text with `_x0007_` read as the character that it stands for (18.3.1.96)."""
    kind = element.attrib.get("t", "n")
    where = "m:is/m:t" if kind == "inlineStr" else "m:v"
    text = element.findtext(where, default="", namespaces=NS)
    if kind == "inlineStr":
        text = re.sub(r"_x([0-9A-Fa-f]{4})_", lambda m: chr(int(m[1], 16)), text)
    return Cell(kind, text, int(element.attrib.get("s", "0")))


def read(data: bytes) -> Book:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        files = {name: archive.read(name) for name in archive.namelist()}
    parsed = {n: ET.fromstring(b) for n, b in files.items() if n.endswith((".xml", ".rels"))}  # noqa: S314
    names = [s.attrib["name"] for s in parsed["xl/workbook.xml"].iterfind(".//m:sheet", NS)]
    sheets = [parsed[f"xl/worksheets/sheet{n}.xml"] for n, _ in enumerate(names, 1)]
    return Book(names, sheets, parsed["xl/styles.xml"], files)


def one(*values: Any) -> Book:
    """A workbook with one column of *values*."""
    return read(workbook({"Sheet": (["value"], [{"value": v} for v in values])}))


@pytest.fixture(scope="module")
def hostile() -> Book:
    """Every hostile text as a cell, as the name of a column and of a sheet."""
    return read(workbook({t: ([t], [{t: t}]) for t in HOSTILE}))


@pytest.mark.parametrize("number", range(len(HOSTILE)), ids=NAMES)
def test_a_hostile_text_is_a_text(hostile: Book, number: int) -> None:
    (header,), (found,) = hostile.rows(number)

    wanted = HOSTILE[number]
    assert found.kind == header.kind == "inlineStr"
    assert found.text == header.text == cell_text(wanted)
    assert found.text.rstrip() == plain(wanted).rstrip()


@pytest.mark.parametrize("number", range(len(HOSTILE)), ids=NAMES)
def test_a_formula_stays_a_text_when_somebody_edits_its_cell(hostile: Book, number: int) -> None:
    (_, (found,)) = hostile.rows(number)

    is_quoted = hostile.style(found).attrib.get("quotePrefix") == "1"
    assert is_quoted == plain(HOSTILE[number]).startswith(FORMULA_STARTS)


def test_a_workbook_of_hostile_texts_holds_no_formula_link_or_macro(hostile: Book) -> None:
    tags = {e.tag.rpartition("}")[2] for sheet in hostile.sheets for e in sheet.iter()}

    assert tags == {"worksheet", "dimension", "sheetViews", "sheetView", "pane", "selection",
                    "sheetFormatPr", "cols", "col", "sheetData", "row", "c", "is", "t",
                    "pageMargins"}  # fmt: skip
    assert not any(word in name for name in hostile.files
                   for word in ("vba", "external", "worksheets/_rels", "connection", "calcChain"))


def test_names_of_sheets_are_valid_whatever_was_asked_for(hostile: Book) -> None:
    assert len(hostile.names) == len(HOSTILE)
    hold_names(hostile.names)


def hold_names(names: list[str]) -> None:
    """What spreadsheets ask of the names of sheets."""
    assert len({n.casefold() for n in names}) == len(names)
    for name in names:
        assert 0 < len(name.encode("utf-16-le")) // 2 <= 31
        assert not set(name) & set("[]:*?/\\")
        assert name[0] != "'" != name[-1]
        assert name.casefold() != "history"


@given(st.lists(st.text(max_size=40), max_size=6))
def test_any_names_become_valid_ones(wanted: list[str]) -> None:
    names: list[str] = []
    for name in wanted:
        names.append(sheet_name(name, names))

    hold_names(names)


@pytest.mark.parametrize(("wanted", "taken", "name"), [
    ("Batches", [], "Batches"), ("Batches", ["batches"], "Batches (2)"),
    ("Batches", ["Batches", "Batches (2)"], "Batches (3)"), ("a/b[c]", [], "a_b_c_"),
    ("", [], "Sheet"), ("'''", [], "Sheet"), ("History", [], "History (2)"),
    ("x" * 40, [], "x" * 31), ("x" * 40, ["x" * 31], "x" * 27 + " (2)"),
    ("\U0001f6bc" * 20, [], "\U0001f6bc" * 15), ("two\nlines", [], "two lines"),
])  # fmt: skip
def test_the_name_of_a_sheet(wanted: str, taken: list[str], name: str) -> None:
    assert sheet_name(wanted, taken) == name


def test_a_text_too_long_for_a_cell_is_cut_and_says_so() -> None:
    book = one("x" * 40_000, "x" * MOST_UNITS, "\U0001f6bc" * 20_000, "=" + "y" * 40_000)
    long, fits, wide, formula = (row[0].text for row in book.rows()[1:])

    assert long == "x" * (MOST_UNITS - len(WAS_CUT)) + WAS_CUT
    assert fits == "x" * MOST_UNITS
    assert set(wide.removesuffix(WAS_CUT)) == {"\U0001f6bc"}
    assert wide.endswith(WAS_CUT)
    assert formula.endswith(WAS_CUT)
    assert max(len(t.encode("utf-16-le")) // 2 for t in (long, fits, wide, formula)) == MOST_UNITS


def test_a_date_is_a_date_and_a_time_a_time() -> None:
    east = timezone(timedelta(hours=3))
    book = one(date(2026, 11, 1), datetime(2026, 11, 1, 14, 5, 30, tzinfo=east))
    day, time = (row[0] for row in book.rows()[1:])

    assert (day.kind, time.kind) == ("n", "n")
    assert EPOCH + timedelta(days=float(day.text)) == datetime(2026, 11, 1)  # noqa: DTZ001
    read_time = EPOCH + timedelta(days=float(time.text))
    assert abs(read_time - datetime(2026, 11, 1, 14, 5, 30)) < timedelta(seconds=0.5)  # noqa: DTZ001
    assert book.number_format(day) == "yyyy-mm-dd"
    assert book.number_format(time) == "yyyy-mm-dd hh:mm:ss"


@pytest.mark.parametrize(("value", "kind", "text"), [
    (21, "n", "21"), (-3, "n", "-3"), (0, "n", "0"), (0.5, "n", "0.5"),
    (Decimal("2.25"), "n", "2.25"), (True, "b", "1"), (False, "b", "0"),
    (float("nan"), "inlineStr", "nan"), (float("-inf"), "inlineStr", "-inf"),
    (2**53 + 1, "inlineStr", "9007199254740993"), (date(1900, 2, 28), "inlineStr", "1900-02-28"),
    (datetime(1887, 1, 2, 3, 4, tzinfo=UTC), "inlineStr", "1887-01-02 03:04:00+00:00"),
    (["CHLORINE", "STEAM"], "inlineStr", "CHLORINE STEAM"),
], ids=str)  # fmt: skip
def test_a_value_is_a_cell_of_its_kind(value: Any, kind: str, text: str) -> None:
    (_, (found,)) = one(value).rows()

    assert (found.kind, found.text) == (kind, text)


def test_what_is_not_there_is_an_empty_cell() -> None:
    rows: Table = (["a", "b", "c"], [{"a": None, "b": "", "c": "x"}, {"c": "y"}])
    book = read(workbook({"S": rows}))

    cells = book.sheets[0].findall(".//m:c", NS)
    assert [c.attrib["r"] for c in cells] == ["A1", "B1", "C1", "C2", "C3"]


def test_the_header_is_bold_and_stays_in_sight() -> None:
    book = one("x")
    (header,), (below,) = book.rows()

    bold = [f.find("m:b", NS) is not None for f in book.styles.findall("m:fonts/m:font", NS)]
    assert bold[int(book.style(header).attrib["fontId"])]
    assert not bold[int(book.style(below).attrib["fontId"])]
    pane = book.sheets[0].find(".//m:pane", NS)
    assert pane is not None
    assert (pane.attrib["ySplit"], pane.attrib["state"]) == ("1", "frozen")


def test_an_empty_table_has_its_header_and_no_table_makes_a_workbook_too() -> None:
    assert read(workbook({"Batches": (["id", "since"], [])})).texts() == [["id", "since"]]
    assert len(read(workbook({})).names) == 1


@pytest.mark.parametrize(("rows", "sheets"), [
    (2, [["0", "1"]]), (3, [["0", "1"], ["2"]]), (5, [["0", "1"], ["2", "3"], ["4"]]),
])  # fmt: skip
def test_a_table_too_long_for_a_sheet_goes_on_in_another(
    tmp_path: Path, rows: int, sheets: list[list[str]]
) -> None:
    table: Table = (["n"], ({"n": n} for n in range(rows)))
    write_workbook(tmp_path / "w.xlsx", {"All": table, "Next": (["m"], [])}, most_rows=3)

    book = read((tmp_path / "w.xlsx").read_bytes())
    assert [book.texts(n) for n, _ in enumerate(sheets)] == [
        [["n"], *([text] for text in texts)] for texts in sheets]
    assert book.names == [*["All", "All (2)", "All (3)"][: len(sheets)], "Next"]


def test_rows_that_fail_half_way_leave_the_file_that_was_there(tmp_path: Path) -> None:
    def failing() -> Iterator[dict[str, int]]:
        yield {"n": 1}
        raise LookupError("the store is gone")

    path = tmp_path / "w.xlsx"
    path.write_bytes(b"before")
    with pytest.raises(LookupError, match="the store is gone"):
        write_workbook(path, {"All": (["n"], failing())})

    assert path.read_bytes() == b"before"
    assert [p.name for p in tmp_path.iterdir()] == ["w.xlsx"]


def test_a_finished_workbook_leaves_nothing_beside_it(tmp_path: Path) -> None:
    write_workbook(tmp_path / "w.xlsx", {"All": (["n"], [{"n": 1}])})

    assert [p.name for p in tmp_path.iterdir()] == ["w.xlsx"]


def most_memory(path: Path, rows: int) -> int:
    """The most bytes that writing *rows* rows, all of them different, took at once."""
    table: Table = (["n", "text"], ({"n": n, "text": f"row {n} " * 10} for n in range(rows)))
    tracemalloc.start()
    write_workbook(path, {"All": table})
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most


def test_a_long_table_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    """Their texts alone differ by some 800 kB."""
    most_memory(tmp_path / "first.xlsx", 1)  # what is loaded once
    short, long = (most_memory(tmp_path / f"{n}.xlsx", n) for n in (1000, 8000))

    assert long - short < 100_000


@settings(max_examples=30)
@given(st.lists(st.text(), min_size=1))
def test_any_texts_at_all_are_read_as_they_were(texts: list[str]) -> None:
    book = one(*texts)

    cells = {c.attrib["r"]: cell(c).text for c in book.sheets[0].iterfind(".//m:c", NS)}
    assert {k: v for k, v in cells.items() if k != "A1"} == {
        f"A{n}": cell_text(text) for n, text in enumerate(texts, 2) if text}
