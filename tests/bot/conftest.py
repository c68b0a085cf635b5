"""Fixtures: a store on each engine with the demonstration's register; the desk, in service and on a
district at work; who asks commands."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import fakeredis
import psycopg
import pytest
from flask import Flask
from flask.testing import FlaskClient

from bot.accounts import AccountRole
from bot.config import Config
from bot.passwords import quick
from bot.store import Store
from bot.web import create_app
from bot.wiring import Parts, announce, build, connect
from tests.bot.desk_stand import PASSWORD, As, log_in, make_account
from tests.bot.district_stand import desk_app, watched_world
from tests.bot.service_stand import on_fake_redis
from tests.bot.store_stand import OpenStore, demo_register
from tests.bot.trade_stand import Ask
from tests.conftest import FakeClock
from tests.phone import World

LOCAL = "postgresql://postgres@127.0.0.1:5432/test"
POSTGRES = os.environ.get("SOAKBELL_TEST_STORE_URL", LOCAL)

@pytest.fixture
def schema() -> Iterator[str]:
    """The address of a PostgreSQL schema that lives as long as the test."""
    try:
        connection = psycopg.connect(POSTGRES, autocommit=True, connect_timeout=3)
    except psycopg.OperationalError:
        if "SOAKBELL_TEST_STORE_URL" in os.environ:
            raise
        pytest.skip("no PostgreSQL answers here")
    name = f"soakbell_{uuid4().hex}"
    with connection:
        connection.execute(f"CREATE SCHEMA {name}".encode())
        yield f"{POSTGRES}{'&' if '?' in POSTGRES else '?'}options=-csearch_path%3D{name}"
        connection.execute(f"DROP SCHEMA {name} CASCADE".encode())


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.real)])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.db'}"
    return str(request.getfixturevalue("schema"))


@pytest.fixture
def open_store(store_url: str) -> Iterator[OpenStore]:
    """Opens stores on one database; closes them after the test."""
    stores: list[Store] = []

    def open_one(**options: Any) -> Store:
        stores.append(Store(store_url, **options))
        return stores[-1]

    yield open_one
    for store in stores:
        store.close()


@pytest.fixture
def store(open_store: OpenStore) -> Store:
    found = open_store()
    found.migrate()
    found.save_register(demo_register())
    return found


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Ask:
    """Asks the commands of the trade without any setting of the machine."""
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    return Ask(capsys)


# ---- the desk in service -------------------------------------------------------------------------


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return on_fake_redis(tmp_path)


@pytest.fixture
def parts(config: Config, clock: FakeClock) -> Iterator[Parts]:
    made = build(config, connect(config), clock, quick())
    announce(made, demo_register())
    yield made
    made.store.close()


@pytest.fixture
def log_in_as(config: Config, parts: Parts) -> As:
    """Makes an account of a role at a place and logs it in; *more* tells a second one apart."""
    app = create_app(config, parts)

    def enter(role: AccountRole, place: str = "*", more: str = "") -> FlaskClient:
        name = f"{role}.{place}{more}".lower().replace("*", "all").replace("_", "-")
        make_account(parts, name, role, place)
        client = app.test_client()
        log_in(client, name, PASSWORD)
        return client

    return enter


# ---- the desk on a district at work --------------------------------------------------------------


@pytest.fixture
def redis_server() -> fakeredis.FakeServer:
    """What the world's Redis is a client of; `connected = False` and it is gone."""
    return fakeredis.FakeServer(server_type="redis", version=(7, 0, 0))


@pytest.fixture
def world(
    clock: FakeClock, tmp_path: Path, redis_server: fakeredis.FakeServer
) -> Iterator[World]:
    with watched_world(clock, tmp_path, fakeredis.FakeRedis(server=redis_server)) as made:
        yield made


@pytest.fixture
def app(world: World, tmp_path: Path) -> Iterator[Flask]:
    with desk_app(world.parts, tmp_path) as made:
        yield made
