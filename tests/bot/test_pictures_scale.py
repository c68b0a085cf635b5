"""Axes: round ends and ticks, and labels that keep their distance."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.pictures_frame import beside
from bot.pictures_scale import CLOCK, TICKS, Hatch, apart, hatching, round_ends, ticks
from bot.pictures_words import clean, duration, named, opening, percent, several

NUMBERS = st.floats(0, 1e6).map(lambda value: round(value, 6))


@settings(max_examples=60, derandomize=True, database=None)
@given(NUMBERS, NUMBERS)
def test_the_ends_of_an_axis_hold_everything_and_have_a_few_ticks(one: float, other: float) -> None:
    low, high = sorted((one, other))
    foot, head = round_ends(low, high)

    assert foot < head
    assert 0 <= foot <= low + 1e-6
    assert head >= high - 1e-6
    assert 2 <= len(ticks(foot, head)) <= TICKS + 3


def test_minutes_have_ticks_at_whole_and_half_hours() -> None:
    assert [duration(tick) for tick in ticks(*round_ends(61, 149, CLOCK), CLOCK)] == [
        "1 h", "1 h 30 min", "2 h", "2 h 30 min",
    ]  # fmt: skip


@settings(max_examples=60, derandomize=True, database=None)
@given(st.lists(st.floats(0, 1).map(lambda value: round(value, 3)), max_size=10))
def test_labels_keep_their_distance_and_order_within_the_ends(wanted: list[float]) -> None:
    placed = apart(wanted, (0, 1), 0.1)
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])

    assert len(placed) == len(wanted)
    assert all(-1e-9 <= at <= 1 + 1e-9 for at in placed)
    assert all(placed[b] - placed[a] > 0.1 - 1e-9 for a, b in pairwise(order))


def test_labels_with_room_stay_where_they_are() -> None:
    assert apart([0.9, 0.1, 0.5], (0, 1), 0.1) == [0.9, 0.1, 0.5]


@settings(max_examples=60, derandomize=True, database=None)
@given(st.floats(0, 300), st.floats(0, 300), st.floats(0, 300), st.floats(1, 60))
def test_the_strokes_of_a_hatch_fill_their_box_and_nothing_else(
    left: float, top: float, width: float, height: float
) -> None:
    """A box of 20 px or more is never left empty: it would pass for a white one."""
    hatches: tuple[Hatch, ...] = ("/", "-", "x")
    for hatch in hatches:
        strokes = hatching((left, top, width, height), hatch)
        for x, y in (point for stroke in strokes for point in stroke):
            assert left - 1e-6 <= x <= left + width + 1e-6
            assert top - 1e-6 <= y <= top + height + 1e-6
        assert strokes or min(width, height) < 20
    assert hatching((left, top, width, height), "") == []


@pytest.mark.parametrize(("x", "side"), [(10, "left"), (300, "right"), (160, "center")])
def test_a_text_goes_where_there_is_room_for_it(x: float, side: str) -> None:
    assert beside(x, "owned and needed: 4, under 0.1 %") == side


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0, "0 %"), (0.00001, "under 0.1 %"), (0.034, "3.4 %"), (0.314, "31 %"), (0.97, "97 %"),
        (0.9995, "over 99.9 %"), (1, "100 %"),
    ],
)  # fmt: skip
def test_a_share_that_is_not_quite_none_or_all_never_reads_so(share: float, words: str) -> None:
    assert percent(share) == words


@pytest.mark.parametrize(
    ("minutes", "words"),
    [(0, "0 min"), (59.6, "1 h"), (135.2, "2 h 15 min"), (4320, "3 days"), (4400, "3 days 1 h")],
)
def test_minutes_are_told_in_hours_and_minutes(minutes: float, words: str) -> None:
    assert duration(minutes) == words


def test_names_are_cleaned_cut_and_kept_from_turning_a_sentence_round() -> None:
    assert clean("a\x00\n b\u202e", 60) == "a b"
    assert clean("abcdef", 4) == "abc\u2026"
    assert named("\u0645") == "\u2068\u0645\u2069"
    assert opening("sets \x07 lost") == "Sets lost"
    assert [several([]), several(["a"]), several(["a", "b", "c"])] == ["", "a", "a, b and c"]
