"""Every talk in tests/talks, played against the whole application in one process."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from flows.alerting import RULES
from tests.bot.store_stand import demo_register
from tests.conftest import FakeClock
from tests.phone import World
from tests.talkplay import TALKS, Player, register_of, watched

NAMES = sorted(path.stem for path in TALKS.glob("*.txt"))


@pytest.mark.parametrize("name", NAMES)
def test_a_talk_goes_as_it_is_written(name: str, clock: FakeClock, tmp_path: Path) -> None:
    path = TALKS / f"{name}.txt"
    register = register_of(path, demo_register())
    with World(register, clock, tmp_path, watched=watched(path)) as world:
        Player(world).play(path)


def played(text: str, clock: FakeClock, tmp_path: Path) -> None:
    talk = tmp_path / "talk.txt"
    talk.write_text(text, "utf-8")
    with World(demo_register(), clock, tmp_path) as world:
        Player(world).play(talk)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("Neema texts: BAG-1", "does not tell of"),
        ("Neema dials", "does not tell of"),
        ("Neema texts: BAG-1\nNeema texts: 1", "has not read all"),
        ("Neema texts: BAG-1\nNeema hears: wipe", "another text"),
        ("Neema texts: BAG-1\nNeema hears: ready ... gloves", "another text"),
        ("Neema texts: BAG-1\nNeema hears nothing", "something came"),
        ("Neema hears: gloves", "nothing came"),
        ("Neema reads on", "nothing came"),
        ("Neema dials\nscreen ends: LOWF", "CON"),
        ("Neema dials\nscreen: LOWF\nNeema hangs up\nNeema answers: 1", "no open session"),
        ("set BAG-1 is READY", "known as USED"),
        ("batch is released", "no such batch"),
        ("Neema sings", "no such line"),
        ("Asha texts: 1", "has no Asha"),
    ],
)
def test_a_talk_that_is_not_so_fails(text: str, why: str, clock: FakeClock, tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match=why):
        played(text, clock, tmp_path)


def test_copies_of_an_sms_that_come_at_once_count_once(clock: FakeClock, tmp_path: Path) -> None:
    with World(demo_register(), clock, tmp_path) as world:
        neema = world.phones["Neema"]
        world.texts(neema, "BAG-1")
        world.texts(neema, "1")
        before = len(world.batch().log)
        world.last_sms |= {"id": "sms-copied"}

        with ThreadPoolExecutor(8) as pool:
            answers = list(pool.map(lambda _: world.posts("sms", world.last_sms), range(8)))
        world.settle()

        assert [a.status_code for a in answers] == [200] * 8
        assert len(world.batch().log) == before + 1
        assert len(world.inbox(neema)) == 3


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_of_the_alerts_has_its_talk_from_the_event_to_the_answer(rule: str) -> None:
    path = TALKS / f"alert_{rule}.txt"
    lines = path.read_text("utf-8").splitlines()
    assert watched(path)
    assert any(" hears: " in line for line in lines)
    said = [n for n, line in enumerate(lines) if re.match(r"(Juma|Salome|Imani) texts: ", line)]
    assert said
    assert said[-1] > len(lines) // 2, "nobody answers it at its end"
