"""One talk of each method on a real Redis, real RQ queues and PostgreSQL: the finished batch with
its whole log is in the store exactly once."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import psycopg
import pytest

from bot.effects import Push
from flows.release import required
from tests.bot.store_stand import demo_register
from tests.conftest import Connect, FakeClock, _wipe
from tests.phone import World
from tests.talkplay import TALKS, Player

pytestmark = pytest.mark.real

LOCAL = "postgresql://postgres@127.0.0.1:5432/test"
TALKED = {
    "chlorine_sms_two_sets": ["BAG-1", "SUC-1"],
    "boiling_sms_two_sets": ["BAG-1", "SUC-1"],
    "steaming_ussd": ["SUC-1"],
    "autoclave_ussd": ["BAG-5", "SUC-5"],
}


@pytest.fixture
def database() -> Iterator[str]:
    """The address of a PostgreSQL database that lives as long as the test."""
    server = os.environ.get("SOAKBELL_TEST_STORE_URL", LOCAL)
    try:
        connection = psycopg.connect(server, autocommit=True, connect_timeout=3)
    except psycopg.OperationalError:
        if "SOAKBELL_TEST_STORE_URL" in os.environ:
            raise
        pytest.skip("no PostgreSQL answers here")
    name = f"soakbell_{uuid4().hex}"
    with connection:
        connection.execute(f"CREATE DATABASE {name}".encode())
        yield urlsplit(server)._replace(path=f"/{name}").geturl()
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


@pytest.fixture
def world(database: str, real_redis: Connect, clock: FakeClock, tmp_path: Path) -> Iterator[World]:
    with real_redis() as redis:
        _wipe(redis)
        with World(demo_register(), clock, tmp_path, redis, STORE_URL=database) as made:
            yield made
        _wipe(redis)


@pytest.mark.parametrize("name", sorted(TALKED))
def test_a_finished_batch_is_in_the_store_exactly_once(name: str, world: World) -> None:
    Player(world).play(TALKS / f"{name}.txt")

    (listed,) = world.api("batches")["batches"]
    assert listed["outcome"] == "released"
    assert world.api("batches?outcome=open")["batches"] == []
    _whole(world, world.api(f"batches/{listed['id']}")["log"])
    _counted(world, TALKED[name])


def test_the_same_record_again_changes_nothing(world: World) -> None:
    Player(world).play(TALKS / "boiling_sms_two_sets.txt")
    batch, unit = world.batch(), next(u for u in world.units() if u.site.id == "LOWF")
    states = tuple(unit.state_of(s.id) for s in batch.sets)
    before = world.api(f"batches/{batch.id}")

    world.parts.store.record([Push(batch, states), Push(batch, states)])
    world.same_sms()

    assert world.api(f"batches/{batch.id}") == before
    _counted(world, ["BAG-1", "SUC-1"])


def _whole(world: World, log: list[dict[str, Any]]) -> None:
    """Every line is there, and every mark that a release needs, once and in its order."""
    batch = world.batch()
    assert [entry["n"] for entry in log] == list(range(len(batch.log)))
    assert (log[0]["kind"], log[-1]["kind"]) == ("opened", "closed")
    assert [e["mark"] for e in log if e["kind"] == "rang"] == ["bell"]
    made = [(e["mark"], e["set_id"]) for e in log if e["kind"] == "answered" and e["mark"]]
    assert made == required(batch)


def _counted(world: World, ids: list[str]) -> None:
    ready = world.api("sets?condition=READY")["sets"]
    assert [row["id"] for row in ready] == ids
    (total,) = world.api("counts")["counts"]
    assert (total["batches"], total["sets"], total["aside"]) == (1, len(ids), 0)
    assert total["segments"] == world.segments_sent()
