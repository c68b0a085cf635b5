"""What becomes of a set is the same in the conversations and in the store, batch or no batch."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import fakeredis
import pytest

from bot.catalogues import load_catalogues
from bot.effects import Conditions, Push, SetTimer
from bot.events import Heard, Rang
from bot.machine import step
from bot.model import SetState, Unit
from bot.wiring import load_rules
from bot.wording import Wording
from tests.bot.release_stand import BAG, OUT, held, release_bag, texts, told
from tests.bot.store_stand import demo_register
from tests.conftest import Connect, FakeClock
from tests.phone import World, settings


@pytest.fixture
def world(
    connect: Connect, clock: FakeClock, tmp_path: Path, request: pytest.FixtureRequest
) -> Iterator[World]:
    """The whole application on embedded Redis and SQLite, then on real Redis and PostgreSQL."""
    redis = connect()
    real = not isinstance(redis, fakeredis.FakeRedis)
    more: dict[str, Any] = {}
    if real:
        more = {"STORE_URL": str(request.getfixturevalue("schema"))}
    with World(demo_register(), clock, tmp_path, redis, **more) as made:
        yield made


def fail_load(world: World) -> None:
    """SUC-5 goes through the same load, and its indicator did not change."""
    texts(world, "Tumaini", "SUC-5", *BAG)
    world.passes(timedelta(minutes=30))
    texts(world, "Tumaini", *OUT[:2], "2")


def test_an_opened_set_is_used_everywhere(world: World) -> None:
    release_bag(world)

    texts(world, "Tumaini", "OPENED BAG-5")

    assert told(world) == ("USED", "USED")
    assert world.parts.service.pushes.depth() == 0


def test_an_opened_set_is_used_everywhere_though_the_clock_was_set_back(
    world: World, clock: FakeClock
) -> None:
    release_bag(world)

    clock.now -= timedelta(hours=2)
    texts(world, "Tumaini", "OPENED BAG-5")
    clock.now += timedelta(hours=3)  # set right again; all that waits is sent
    world.settle()

    assert told(world) == ("USED", "USED")


def test_a_set_called_back_with_its_load_is_used_everywhere(world: World) -> None:
    release_bag(world)

    fail_load(world)

    assert told(world) == ("USED", "USED")
    assert told(world, "SUC-5") == ("IN PROCESS", "IN PROCESS")


def test_a_batch_begun_by_mistake_and_cancelled_leaves_the_set_ready_everywhere(
    world: World,
) -> None:
    release_bag(world)
    before = held(world)

    texts(world, "Imani", "BAG-5")
    assert told(world) == ("IN PROCESS", "IN PROCESS")
    texts(world, "Imani", "0", "2")

    assert world.batch().outcome == "cancelled"
    assert told(world) == ("READY", "READY")
    after = held(world)
    assert (after.batch, after.expires_at) == (before.batch, before.expires_at)
    world.passes(timedelta(days=7))
    assert told(world) == ("EXPIRED", "EXPIRED")


def test_twice_begun_by_mistake_is_as_good_as_once(world: World) -> None:
    release_bag(world)

    texts(world, "Imani", "BAG-5", "0", "2", "BAG-5", "0", "2")
    assert told(world) == ("READY", "READY")

    texts(world, "Imani", "OPENED BAG-5", "BAG-5", "0", "2")
    assert told(world) == ("USED", "USED")


def test_cancelling_does_not_make_a_set_ready_from_a_load_that_failed_meanwhile(
    world: World,
) -> None:
    release_bag(world)
    texts(world, "Imani", "BAG-5")

    fail_load(world)
    texts(world, "Imani", "0", "2")

    assert told(world) == ("USED", "USED")


def test_cancelling_makes_a_set_ready_again_when_another_load_failed(world: World) -> None:
    release_bag(world)
    texts(world, "Imani", "BAG-5")

    texts(world, "Tumaini", "SUC-5", *BAG[:7], "42", *BAG[8:])
    world.passes(timedelta(minutes=30))
    texts(world, "Tumaini", *OUT[:2], "2")
    texts(world, "Imani", "0", "2")

    assert told(world) == ("READY", "READY")


# ---- whatever is said ----------------------------------------------------------------------------

WORDS = ("1", "1", "1", "1", "0", "2", "3", "4", "7", "8", "41", "122 130 31", "BAG-5", "SUC-5",
         "BAG-5 SUC-5", "OPENED BAG-5", "OPENED SUC-5", "TAKE", "(bell)", "(hour)", "(back)")


@pytest.mark.parametrize("seed", range(12))
def test_every_changed_condition_is_promised_to_the_store_and_is_newer(
    seed: int, tmp_path: Path
) -> None:
    config = settings("http://127.0.0.1:9", tmp_path)
    turn = partial(step, rules=load_rules(config, Wording(load_catalogues())))
    dice = random.Random(seed)  # noqa: S311 (no secret)
    site = next(s for s in demo_register().sites() if s.id == "HIGH")
    unit, now, changed = Unit(site), datetime(2025, 3, 3, 8, 0, tzinfo=UTC), 0
    for set_id in ("BAG-5", "SUC-5"):
        unit = unit.put_set(SetState(set_id, "READY", now, now + timedelta(days=7), "A", "41"))
    rings: dict[str, datetime] = {}
    for n in range(400):
        word = dice.choice(WORDS)
        now += timedelta(hours=1) * ((word == "(hour)") - (word == "(back)"))
        now += timedelta(seconds=20)
        phone = dice.choice(("+12025550105", "+12025550105", "+12025550106"))
        event = (Rang(str(n), dice.choice(sorted(rings)), now) if word == "(bell)" and rings
                 else Heard(str(n), phone, "sms", word, now))
        after, effects = turn(unit, event)
        rings |= {e.batch_id: e.due for e in effects if isinstance(e, SetTimer)}
        sent = [(s, e.batch.id) for e in effects if isinstance(e, Push) for s in e.sets]
        sent += [(s, s.batch) for e in effects if isinstance(e, Conditions) for s in e.states]
        for set_id, state in after.sets.items():
            old = unit.state_of(set_id)
            if state != old:
                changed += 1
                # READY is taken only from the batch that proves it, or alone.
                assert any(s == state and (s.condition != "READY" or b == s.batch)
                           for s, b in sent)
                assert state.since is not None
                assert old.since is None or state.since > old.since
        unit = after
    assert changed > 5
