"""Fixtures for all tests: a clock that tests move, and a Redis that is fake or real."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import cast

import fakeredis
import pytest
from redis import Redis
from redis.exceptions import RedisError

pytest_plugins = ["workbench"]

Connect = Callable[[], Redis]
Everything = Callable[[], dict[bytes, object]]

LOCAL_REDIS = "redis://127.0.0.1:6379"
CLAIM = "soakbell-test-claim"


class FakeClock:
    """A wall clock that stands still until a test moves it."""

    def __init__(self) -> None:
        self.now = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def tick(self) -> tuple[str, float]:
        """The running time, in step with the wall clock."""
        return ("test-boot", self.now.timestamp())

    def passes(self, **span: float) -> datetime:
        """Let time pass, as timedelta names it (minutes=10). Returns the new now."""
        self.now += timedelta(**span)
        return self.now


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The proof first: it takes as long as all the others, which run beside it."""
    items.sort(key=lambda item: item.path.name != "test_proof.py")


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


def _claimed(url: str) -> int | None:
    """The number of a database that was empty and is now ours; None if all are in use."""
    with Redis.from_url(url, socket_connect_timeout=2) as server:
        count = int(server.config_get("databases")["databases"])
    for number in range(count - 1, 0, -1):
        with Redis.from_url(url, db=number) as redis:
            if redis.dbsize() == 0 and redis.set(CLAIM, os.getpid(), nx=True):
                return number
    return None


def _wipe(redis: Redis) -> None:
    """Empty the database, but keep it ours."""
    with redis.pipeline() as pipe:
        pipe.flushdb()
        pipe.set(CLAIM, os.getpid())
        pipe.execute()


@pytest.fixture(scope="session")
def real_redis() -> Iterator[Connect]:
    """Connects to an empty database of a real server; skips where none answers."""
    url = os.environ.get("SOAKBELL_TEST_REDIS_URL", LOCAL_REDIS)
    try:
        number = _claimed(url)
    except RedisError as error:
        pytest.skip(f"no Redis answers at the test address ({type(error).__name__})")
    if number is None:
        pytest.skip("the test Redis has no empty database")
    yield lambda: Redis.from_url(url, db=number)
    with Redis.from_url(url, db=number) as redis:
        redis.flushdb()


@pytest.fixture(params=["fake", pytest.param("real", marks=pytest.mark.real)])
def connect(request: pytest.FixtureRequest) -> Iterator[Connect]:
    """Makes clients of one empty Redis: in the process, then the same test on a real server."""
    if request.param == "fake":
        server = fakeredis.FakeServer(server_type="redis", version=(7, 0, 0))
        opened: Connect = lambda: fakeredis.FakeRedis(server=server)  # noqa: E731
    else:
        opened = request.getfixturevalue("real_redis")
    clients: list[Redis] = []

    def client() -> Redis:
        clients.append(opened())
        return clients[-1]

    if request.param == "real":
        _wipe(client())
    yield client
    if request.param == "real":
        _wipe(client())
    for each in clients:
        each.close()


@pytest.fixture
def redis(connect: Connect) -> Redis:
    """A client of the test's Redis."""
    return connect()


READERS: dict[bytes, Callable[[Redis, bytes], object]] = {
    b"string": lambda redis, key: redis.get(key),
    b"hash": lambda redis, key: redis.hgetall(key),
    b"list": lambda redis, key: redis.lrange(key, 0, -1),
    b"set": lambda redis, key: redis.smembers(key),
    b"zset": lambda redis, key: redis.zrange(key, 0, -1, withscores=True),
}


@pytest.fixture
def everything(redis: Redis) -> Everything:
    """Reads all of the test's Redis, to see that nothing changed."""

    def read() -> dict[bytes, object]:
        keys = [key for key in redis.scan_iter() if isinstance(key, bytes)]
        return {key: READERS[cast("bytes", redis.type(key))](redis, key) for key in keys}

    return read
