"""Pictures: sound XML that a page may hold, the same bytes each time, no meaning by colour."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from hashlib import sha256
from pathlib import Path

import pytest

from bot import pictures
from bot.pictures import Facility, Month, Picture, Risk
from flows import statistics
from tests.bot.pictures_stand import (
    ALL,
    EMPTY,
    LIGHT,
    NAMED,
    SVG,
    control,
    drawn,
    funnel,
    parsed,
    texts,
)

HOSTILE = {
    "script": "<script>alert(1)</script>",
    "entity": "A & B &lt; \"C\" 'D' ]]>",
    "control": "\x00\x07A\x1b[31m\x85",
    "long": "Mwera " * 90,
    "one word": "W" * 400,
    "right to left": "\u0645\u0633\u062a\u0634\u0641\u0649",
    "turning": "\u202eevil\u2066",
    "mathtext": r"$\frac{1}{2}$ $x",
    "surrogate": "A\ud800B",
    "no glyph": "\U0001f9ea \u1230\u12cd \u4e2d",
    "digits": "0012",
    "nothing": "",
}  # fmt: skip

each = pytest.mark.parametrize("kind", ALL)


@cache
def made(kind: str) -> Picture:
    return ALL[kind]()


@each
def test_a_picture_is_one_svg_element_that_says_what_it_shows(kind: str) -> None:
    picture = made(kind)
    root = parsed(picture)
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")

    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    assert title is not None
    assert title.text == picture.title
    assert desc is not None
    assert desc.text == picture.sentence
    assert root.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"
    assert float(root.attrib["width"]) == 320


@each
def test_a_picture_may_stand_in_a_page_that_allows_no_style_and_no_script(
    kind: str,
) -> None:
    """The desk's policy is default-src 'self': a style attribute would be left out."""
    allowed = {"svg", "title", "desc", "g", "path", "use", "text", "defs"}
    for element in parsed(made(kind)).iter():
        assert element.tag.removeprefix(SVG) in allowed
        assert "style" not in element.attrib
        assert all(not value.startswith(("http", "//")) for value in element.attrib.values())


@each
def test_every_reference_within_a_picture_leads_somewhere(kind: str) -> None:
    svg = made(kind).svg.decode()
    ids = re.findall(r' id="([^"]*)"', svg)
    wanted = re.findall(r'href="#([^"]*)"', svg)

    assert len(ids) == len(set(ids))
    assert set(wanted) <= set(ids)


@each
def test_nothing_has_a_colour_other_than_grey(kind: str) -> None:
    found = set()
    for element in parsed(made(kind)).iter():
        found |= {element.attrib[key] for key in ("fill", "stroke") if key in element.attrib}

    assert found
    for colour in found:
        if colour != "none":
            digits = re.fullmatch(r"#(\w\w?)(\w\w?)(\w\w?)", colour)
            assert digits, colour
            assert len(set(digits.groups())) == 1, colour


@each
def test_a_picture_is_light_and_has_its_numbers_as_a_table(kind: str) -> None:
    picture = made(kind)

    assert len(picture.svg) < LIGHT
    assert picture.rows
    assert {len(row.cells) for row in picture.rows} == {len(picture.columns)}


@each
def test_no_text_is_cut_off_by_the_edge(kind: str) -> None:
    for one in drawn(made(kind)):
        if one.tag == "text":
            x, wide = float(one.look["x"]), 6.2 * len(one.text)
            left = {"end": x - wide, "middle": x - wide / 2}.get(one.look.get("text-anchor", ""), x)
            assert left >= -8, one.text
            assert left + wide <= 328, one.text


def digest() -> str:
    return sha256(b"".join(make().svg for make in ALL.values())).hexdigest()


def test_the_same_numbers_make_the_same_bytes_in_every_process(tmp_path: Path) -> None:
    """Even where somebody's own settings of matplotlib lie about."""
    settings = tmp_path / "matplotlibrc"
    settings.write_text(
        "svg.fonttype: path\nlines.color: red\npath.sketch: 1, 100, 2\n"
        "axes.facecolor: red\nfont.family: serif\nfigure.facecolor: red\n"
    )
    code = f"import sys; sys.path[:0] = {sys.path!r}; from tests.bot import test_pictures as t"
    own = {"MATPLOTLIBRC": str(settings), "PYTHONHASHSEED": "7"}
    other = subprocess.run(
        [sys.executable, "-c", f"{code}; print(t.digest())"],
        check=True, capture_output=True, text=True, env=dict(os.environ) | own,
    )  # fmt: skip

    assert other.stdout.strip() == digest()
    assert made("control") == control()


def test_threads_that_draw_at_once_do_not_disturb_each_other() -> None:
    with ThreadPoolExecutor(6) as threads:
        together = list(threads.map(lambda make: make(), [*ALL.values()] * 3))

    assert together == [made(kind) for kind in ALL] * 3


@pytest.mark.parametrize("make", EMPTY.values(), ids=EMPTY.keys())
def test_without_numbers_a_picture_says_so(make: Callable[[], Picture]) -> None:
    picture = make()

    assert picture.sentence == "No numbers for this time."
    assert texts(picture) == ["No numbers for this time."]
    assert picture.rows == ()
    assert picture.columns


@pytest.mark.parametrize("make", NAMED.values(), ids=NAMED.keys())
@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_names_are_harmless(make: Callable[[str], Picture], name: str) -> None:
    picture = make(name)
    allowed = {"svg", "title", "desc", "g", "path", "use", "text", "defs"}
    elements = parsed(picture).iter()
    said = [picture.title, picture.sentence, *texts(picture),
            *(cell for row in picture.rows for cell in row.cells)]  # fmt: skip

    assert {element.tag.removeprefix(SVG) for element in elements} <= allowed
    assert len(picture.svg) < LIGHT
    assert max(map(len, texts(picture))) <= 60
    for text in said:
        assert not {unicodedata.category(c) for c in text} & {"Cc", "Cs", "Co", "Cn"}
        assert "\u202e" not in text
        assert text.count("\u2068") == text.count("\u2069")


@pytest.mark.parametrize("name", ["a & b", "$x$", "0012", "<b>", "\u0645\u0633"])
def test_a_name_is_shown_as_it_is_written(name: str) -> None:
    assert f"{name} low" in texts(funnel(name))


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: pictures.turnaround("a b", "T", "x", {5: 1}),
        lambda: pictures.turnaround("t", "T", "x", {11: 1}),
        lambda: pictures.control_chart("c", "C", "x", [], statistics.p_chart([1], [2])),
        lambda: pictures.methods("m", "M", [Month("2026-01", {"chlorine": -1})]),
        lambda: pictures.week("w", "W", "bag", [[1.0] * 24] * 6),
        lambda: pictures.week("w", "W", "bag", [[1.5] * 24] * 7),
        lambda: pictures.risk_curve("k", "K", [Risk(1, 0.5)], 1, 4, 0.01),
        lambda: pictures.funnel("f", "F", "x", [Facility("Mwera", 5, 4)], 0.9),
    ],
    ids=["name", "bin", "points", "method", "days", "share", "curve", "count"],
)
def test_numbers_that_cannot_be_are_refused(wrong: Callable[[], Picture]) -> None:
    with pytest.raises(ValueError, match=r"[a-z] .*\."):
        wrong()
