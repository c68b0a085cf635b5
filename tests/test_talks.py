"""Every talk in tests/talks, played against the whole application in one process."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bot.store_stand import demo_register
from tests.conftest import FakeClock
from tests.phone import World
from tests.talkplay import TALKS, Player

NAMES = sorted(path.stem for path in TALKS.glob("*.txt"))


@pytest.mark.parametrize("name", NAMES)
def test_a_talk_goes_as_it_is_written(name: str, clock: FakeClock, tmp_path: Path) -> None:
    with World(demo_register(), clock, tmp_path) as world:
        Player(world).play(TALKS / f"{name}.txt")
