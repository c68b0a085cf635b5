"""The picture of the stage graph is the graph: nothing left out, nothing made up."""

from __future__ import annotations

import re

from bot.catalogues import load_catalogues
from bot.draw import mermaid, mermaid_screens
from flows.reprocess import REPROCESS
from flows.stage import SPECIAL
from flows.supervision import SCREENS

ENGLISH = load_catalogues()["en"]
PICTURE = mermaid(REPROCESS, lambda stage: ENGLISH[f"{stage}.title"])
LINES = PICTURE.splitlines()
ARROW = re.compile(r'^  (\w+) (-->|-\.->)\|"([^"]*)"\| (\w+)')


def arrows() -> set[tuple[str, str, str]]:
    """Every arrow: from, label, to."""
    return {(m[1], m[3], m[4]) for line in LINES if (m := ARROW.match(line))}


def nodes() -> dict[str, str]:
    """Every box with the name in it."""
    found = (re.match(r'^  (\w+)\W+"([^"]*)"', line) for line in LINES if not ARROW.match(line))
    return {m[1]: m[2] for m in found if m}


def test_every_stage_is_a_box_with_its_name_and_a_sign_where_it_is_critical() -> None:
    boxes = nodes()

    for stage in REPROCESS.stages.values():
        critical = any(o.mark for o in stage.options.values())
        assert boxes[stage.id] == ENGLISH[f"{stage.id}.title"] + (" !" if critical else "")


def test_every_answer_is_an_arrow() -> None:
    drawn = arrows()

    for stage in REPROCESS.stages.values():
        for digit, option in stage.options.items():
            if option.to not in SPECIAL:
                assert (stage.id, digit, option.to) in drawn
            elif option.to == "@method":
                for method, first in REPROCESS.methods.items():
                    assert (stage.id, method, first) in drawn
            else:
                labels = {label.split(":")[0] for at, label, _ in drawn if at == stage.id}
                assert digit in labels, (stage.id, digit)


def test_every_problem_key_is_a_dotted_arrow() -> None:
    dotted = {m[1] for line in LINES if (m := ARROW.match(line)) and m[2] == "-.->"}

    assert dotted == {s.id for s in REPROCESS.stages.values() if s.phase in REPROCESS.trouble}


def test_every_arrow_starts_and_ends_at_a_box() -> None:
    boxes = nodes()

    for at, label, to in arrows():
        assert at in boxes
        assert to in boxes or to in {f"{at}_redo", f"{at}_back"}, (at, label, to)


def test_the_picture_is_mermaid_text_of_its_own_lines() -> None:
    assert LINES[0] == "flowchart TD"
    assert PICTURE.endswith("\n")
    assert "" not in LINES
    assert len(set(LINES)) == len(LINES)


# ---- the supervisor's screens ------------------------------------------------------------------

SCREEN_ARROW = re.compile(r'^  (\w+) (-->|-\.->)\|"([^"]*)"\| (\w+)')
DRAWN = {(m[1], m[3], m[4]) for line in mermaid_screens(SCREENS).splitlines()
         if (m := SCREEN_ARROW.match(line))}  # fmt: skip


def test_every_screen_is_a_box_and_every_answer_an_arrow() -> None:
    lines = mermaid_screens(SCREENS).splitlines()
    boxes = {m[1] for line in lines if (m := re.match(r'^  (\w+)\W+"', line))}

    assert set(SCREENS) <= boxes
    for screen in SCREENS.values():
        for digit, choice in screen.choices.items():
            labels = [label for at, label, to in DRAWN if (at, to) == (screen.id, choice.to)]
            assert any(label.split()[0] == digit for label in labels), (screen.id, digit)


def test_what_an_answer_does_stands_at_its_arrow() -> None:
    assert ("alert", "2 taken", "answered") in DRAWN
    assert ("alert_why", "words: solved", "answered") in DRAWN
    assert ("alerts", "a row", "alert") in DRAWN
    assert ("silence", "1 quiet 1H", "answered") in DRAWN
    assert ("alert_ask", "0", "alert") in DRAWN
