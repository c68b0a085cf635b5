"""CSV that a spreadsheet may open, line by line."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.formats import csv_lines, csv_text
from bot.plain import FORMULA_STARTS, plain
from tests.bot.hostile import HOSTILE, NAMES


def read(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline=""), strict=True))


def written(value: object) -> str:
    """*value* as the cell that is read again from a file in UTF-8."""
    (header, (cell,)) = read(csv_text([{"value": value}]).encode().decode())
    assert header == ["value"]
    return cell


@pytest.mark.parametrize("text", HOSTILE, ids=NAMES)
def test_a_hostile_text_is_no_formula_and_is_seen_whole(text: str) -> None:
    assert written(text).removeprefix("'") == plain(text).removeprefix("'")
    assert not written(text).startswith(FORMULA_STARTS)


@pytest.mark.parametrize("text", HOSTILE, ids=NAMES)
def test_a_hostile_name_of_a_column_is_no_formula(text: str) -> None:
    ((header,),) = read("".join(csv_lines([text], [])).encode().decode())

    assert header.removeprefix("'") == plain(text).removeprefix("'")
    assert not header.startswith(FORMULA_STARTS)


@given(st.text())
def test_any_text_fits_a_file_and_is_no_formula(text: str) -> None:
    assert not written(text).startswith(FORMULA_STARTS)


def test_a_text_of_forty_thousand_characters_is_whole() -> None:
    assert written("x" * 40_000) == "x" * 40_000


def test_numbers_stay_numbers_and_times_are_of_iso_8601() -> None:
    row = {"n": -1, "r": -0.5, "yes": True, "none": None, "day": date(2026, 11, 1),
           "time": datetime(2026, 11, 1, 9, tzinfo=UTC), "list": ["=a", "b"]}  # fmt: skip

    assert read(csv_text([row]))[1] == [
        "-1", "-0.5", "True", "", "2026-11-01", "2026-11-01T09:00:00+00:00", "'=a b"]


def test_an_empty_table_has_its_header() -> None:
    assert list(csv_lines(["id", "since"], [])) == ["id,since\r\n"]
    assert csv_text([]) == ""


def test_each_line_is_there_before_the_next_row_is_asked_for() -> None:
    asked = []

    def rows() -> Iterator[dict[str, int]]:
        for number in range(3):
            asked.append(number)
            yield {"n": number}

    lines = csv_lines(["n"], rows())

    assert [(line, list(asked)) for line in lines] == [
        ("n\r\n", []), ("0\r\n", [0]), ("1\r\n", [0, 1]), ("2\r\n", [0, 1, 2])]


def test_the_lines_together_are_the_text() -> None:
    rows = [{"a": 1, "b": "x,\n"}, {"a": 2, "b": '"'}]

    assert "".join(csv_lines(["a", "b"], rows)) == csv_text(rows)
    assert read(csv_text(rows)) == [["a", "b"], ["1", "x,\n"], ["2", '"']]


def test_a_row_with_less_has_an_empty_cell_and_one_with_more_is_refused() -> None:
    assert list(csv_lines(["a", "b"], [{"b": 1}]))[1] == ",1\r\n"
    with pytest.raises(ValueError, match="c"):
        list(csv_lines(["a"], [{"a": 1, "c": 2}]))
