"""Fixtures: a store on each engine with the demonstration's register; who asks commands."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest

from bot.store import Store
from tests.bot.store_stand import OpenStore, demo_register
from tests.bot.trade_stand import Ask

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
