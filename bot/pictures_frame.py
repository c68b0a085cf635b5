"""What all pictures share: what one is, the sheet it is drawn on, and the one lock.

Matplotlib is not thread-safe and says so: whoever draws from several threads sees to a lock. So
everything of it, settings, artists and writing, happens within `draw`; pyplot is never imported.
"""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import matplotlib as mpl
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.transforms import ScaledTranslation

from bot.pictures_svg import FONT, HALO, slim
from bot.pictures_words import NOTHING, clean

WIDTH = 320  # px: the whole screen of a small phone; where there is room it is shown larger
LETTER = 6.2  # px that a letter takes, on average
LINE = 14  # px from one line of text to the next
BLACK, GREY, PALE, WHITE = "#000000", "#767676", "#d0d0d0", "#ffffff"
INCH = 72  # px, so that a point of matplotlib's is a px of ours

Box = tuple[float, float, float, float]
Ends = tuple[float, float]
Style = Literal["-", "--", ":"]
Side = Literal["left", "center", "right"]
Table = tuple[tuple[str, ...], "Sequence[Row]"]

FONTS = Path(mpl.get_data_path(), "fonts", "ttf")  # DejaVu Sans, for whoever prints letters too

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9-]*")
_ONLY_ONE_DRAWS = threading.Lock()


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a picture's numbers; *link* is our own address of what is behind it, or ""."""

    cells: tuple[str, ...]
    link: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture, what to see in it, and its numbers as a table.

    *svg* is one svg element in UTF-8 that may stand in a page as it is, with a title and a
    description; the same numbers make the same bytes. Everything else is plain text. *name* is
    a word of letters, digits and hyphens and begins the ids of the svg: unique on its page.
    """

    name: str
    title: str
    sentence: str
    svg: bytes
    columns: tuple[str, ...]
    rows: tuple[Row, ...]


class Field:
    """An area of a picture with units of its own; *box* is left, top, width and height in px.

    *across* are the values at its left and right, *up* those at its foot and its head.
    """

    def __init__(self, figure: Figure, words: list[str], box: Box, across: Ends, up: Ends) -> None:
        self._figure, self._words = figure, words
        left, top, width, height = box
        wide, high = figure.get_size_inches() * INCH
        place = (left / wide, 1 - (top + height) / high, width / wide, height / high)
        self._axes = figure.add_axes(place)
        self._axes.set_axis_off()
        self._axes.set(xlim=across, ylim=up)

    def field(self, box: Box, across: Ends, up: Ends) -> Field:
        """Another area of the same picture."""
        return Field(self._figure, self._words, box, across, up)

    def write(self, x: float, y: float, text: str, most: int, *, at: Side = "left",
              move: Ends = (0, 0), bold: bool = False, over: bool = False) -> None:  # fmt: skip
        """One line of at most *most* characters that stands on *y*; *at*: its end that is at *x*.

        *move* is in px, to the right and up; *over*: it can be read on top of lines.
        """
        self._words.append(clean(text, most))
        moved = ScaledTranslation(move[0] / INCH, move[1] / INCH, self._figure.dpi_scale_trans)
        self._axes.text(x, y, str(len(self._words) - 1), ha=at, va="baseline", color=BLACK,
                        fontsize=FONT, family="DejaVu Sans", gid=f".{HALO}" if over else None,
                        fontweight="bold" if bold else "normal", parse_math=False,
                        transform=self._axes.transData + moved)  # fmt: skip

    def line(self, xs: Sequence[float], ys: Sequence[float], *, style: Style = "-",
             width: float = 1, shade: str = BLACK) -> None:  # fmt: skip
        """A line through points."""
        self._put(Line2D(xs, ys, linestyle=style, linewidth=width, color=shade, marker="",
                         solid_capstyle="butt", dash_capstyle="butt"))  # fmt: skip

    def marks(self, xs: Sequence[float], ys: Sequence[float], shape: str, kind: str, *,
              size: float = 5, filled: bool = False) -> None:  # fmt: skip
        """A mark at each point; *kind* is their class in the svg."""
        self._put(Line2D(xs, ys, linestyle="", marker=shape, markersize=size, color=BLACK,
                         markeredgewidth=1, markerfacecolor=BLACK if filled else WHITE,
                         gid=f".{kind}"))  # fmt: skip

    def bar(self, left: float, foot: float, width: float, height: float, *, fill: str = WHITE,
            edge: str = BLACK, kind: str = "") -> None:  # fmt: skip
        """A rectangle; *kind* is its class in the svg, *edge* may be "none"."""
        self._put(Rectangle((left, foot), width, height, facecolor=fill, edgecolor=edge,
                            linewidth=0.8, gid=f".{kind}" if kind else None))  # fmt: skip

    def _put(self, artist: Artist) -> None:
        """Not cut off at the area's edge, where a mark may lie; that also saves the bytes of it."""
        self._axes.add_artist(artist)
        artist.set_clip_on(False)

    def scale(self, values: Sequence[float], say: Callable[[float], str]) -> None:
        """A pale line and words at the left for each of *values*, none in the same words twice."""
        left, right = self._axes.get_xlim()
        for said, value in {say(value): value for value in values}.items():
            self.line([left, right], [value, value], width=0.5, shade=PALE)
            self.write(left, value, said, 12, at="right", move=(-4, -4))


def beside(x: float, text: str) -> Side:
    """Which end of *text* goes to *x*, in px of the sheet, so that it lies within the sheet."""
    wide = len(text) * LETTER
    if x + wide <= WIDTH:
        return "left"
    return "right" if x >= wide else "center"


def picture(name: str, title: str, sentence: str, table: Table, height: float,
            paint: Callable[[Field], None]) -> Picture:  # fmt: skip
    """The picture that *paint* draws on a sheet *height* px high, px from its top left."""
    columns = tuple(map(clean, table[0]))
    rows = tuple(Row(tuple(map(clean, row.cells)), row.link) for row in table[1])
    svg = _draw(name, clean(title), sentence, height, paint)
    return Picture(name, clean(title), sentence, svg, columns, rows)


def nothing(name: str, title: str, columns: tuple[str, ...]) -> Picture:
    """Stands where there are no numbers, and says so."""
    def paint(sheet: Field) -> None:
        sheet.write(WIDTH / 2, 30, NOTHING, 40, at="center")

    return picture(name, title, NOTHING, (columns, ()), 50, paint)


def _draw(name: str, title: str, desc: str, height: float, paint: Callable[[Field], None]) -> bytes:
    """All of matplotlib happens in here. Raises ValueError for a name that cannot begin an id."""
    if not _NAME.fullmatch(name):
        raise ValueError(f"A picture's name is letters, digits and hyphens, not {name!r}.")
    words: list[str] = []
    with _ONLY_ONE_DRAWS, mpl.rc_context(_settings(name)):
        figure = Figure(figsize=(WIDTH / INCH, height / INCH), dpi=INCH)
        paint(Field(figure, words, (0, 0, WIDTH, height), (0, WIDTH), (height, 0)))
        written = io.StringIO()
        figure.savefig(written, format="svg", metadata={"Date": None})
    return slim(written.getvalue(), words, name, title, desc)


def _settings(name: str) -> dict[Any, Any]:
    """Ours, and matplotlib's own wherever a file of the machine says otherwise."""
    own = {key: value for key, value in mpl.rcParamsDefault.items()
           if not key.startswith("backend") and mpl.rcParams[key] != value}  # fmt: skip
    return own | {"svg.fonttype": "none", "svg.hashsalt": name, "svg.id": None}
