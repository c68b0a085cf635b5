"""The sweep hands what is due to RQ, in chunks; RQ workers do it; threads do the same."""

from __future__ import annotations

import logging
import threading
from dataclasses import replace
from datetime import timedelta
from importlib import import_module
from typing import TYPE_CHECKING

import pytest
from redis import Redis
from redis.exceptions import ConnectionError as RedisGone
from rq import Queue

from bot.site_pages import publish
from workers import jobs
from workers.embedded import Embedded, new_worker
from workers.sweep import QUEUES, ROUTES, queues, run_sweep, sweep_once

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Connect
    from tests.workbench import Bench

NURSE, AIDE = "+12025550101", "+12025550102"


@pytest.fixture(autouse=True)
def _no_service_left() -> Iterator[None]:
    """The jobs find their service in a module; none must stay for the next test."""
    yield
    jobs._held.clear()  # noqa: SLF001


@pytest.fixture
def to(redis: Redis) -> dict[str, Queue]:
    return queues(redis)


def burst(redis: Redis, names: tuple[str, ...] = QUEUES) -> None:
    """One RQ worker works off the queues and ends."""
    new_worker(names, redis).work(burst=True, logging_level="WARNING")


def many_sites(bench: Bench, count: int) -> None:
    """*count* sites with one batch each, all due in ten minutes."""
    first = bench.unit().site
    for n in range(count):
        publish(bench.redis, [replace(first, id=f"T{n}")], {NURSE: f"T{n}"})
        bench.hears(NURSE, f"open B{n}", f"e{n}", "ussd")


def test_every_job_is_found_by_its_name() -> None:
    for route in ROUTES:
        module, _, name = route.job.rpartition(".")
        assert callable(getattr(import_module(module), name))


def test_a_job_without_a_service_says_so() -> None:
    with pytest.raises(RuntimeError, match="use"):
        jobs.ring(["S1|B1"])


def test_rq_rings_sends_and_records(bench: Bench, redis: Redis, to: dict[str, Queue]) -> None:
    jobs.use(bench.service)
    bench.hears(NURSE, "open B1", "e1")
    assert sweep_once(redis, to, bench.clock()) == 2  # an answer to send, a state to record
    burst(redis)
    assert bench.gateway.texts(NURSE) == ["opened"]
    assert next(iter(bench.store.kept)) == "B1"
    assert sweep_once(redis, to, bench.clock()) == 1  # what became of the answer is recorded
    burst(redis)
    assert sweep_once(redis, to, bench.clock.passes(minutes=10)) == 1  # the bell rings
    burst(redis)
    assert sweep_once(redis, to, bench.clock()) == 1  # and is sent
    burst(redis)
    assert bench.gateway.texts(NURSE) == ["opened", "bell"]
    assert sweep_once(redis, to, bench.clock()) == 1  # and recorded
    burst(redis)
    assert sweep_once(redis, to, bench.clock()) == 0


def test_timers_go_by_two_hundred_and_none_is_left(
    bench: Bench, redis: Redis, to: dict[str, Queue]
) -> None:
    many_sites(bench, 450)
    bench.redis.delete("sb:push:due")
    assert sweep_once(redis, to, bench.clock.passes(minutes=10)) == 450
    sizes = [len(job.args[0]) for job in to["sb-ring"].jobs]
    assert sizes == [200, 200, 50]
    jobs.use(bench.service)
    burst(redis, ("sb-ring",))
    rung = bench.service.sessions.units([f"T{n}" for n in range(450)])
    assert {b.bells for u in rung.values() if u for b in u.batches.values()} == {1}


def test_a_second_sweep_finds_nothing_that_the_first_has(
    bench: Bench, redis: Redis, connect: Connect, to: dict[str, Queue]
) -> None:
    bench.hears(NURSE, "open B1", "e1")
    now = bench.clock.passes(minutes=10)
    assert sweep_once(redis, to, now) == 3
    other = connect()
    assert sweep_once(other, queues(other), now) == 0


def test_losing_all_of_rq_loses_only_the_length_of_a_lease(
    bench: Bench, redis: Redis, to: dict[str, Queue]
) -> None:
    jobs.use(bench.service)
    bench.hears(NURSE, "open B1", "e1", "ussd")
    sweep_once(redis, to, bench.clock.passes(minutes=10))
    lost = list(redis.scan_iter("rq:*"))
    assert lost
    redis.delete(*lost)
    burst(redis)
    assert bench.unit().batches["B1"].bells == 0
    sweep_once(redis, to, bench.clock.passes(seconds=35))
    burst(redis)
    assert bench.unit().batches["B1"].bells == 1


def test_the_same_job_twice_does_its_work_once(
    bench: Bench, redis: Redis, to: dict[str, Queue]
) -> None:
    jobs.use(bench.service)
    bench.hears(NURSE, "open B1", "e1")
    sweep_once(redis, to, bench.clock.passes(minutes=10))
    for queue in to.values():
        for job in queue.jobs:
            assert job.func_name
            queue.enqueue(job.func_name, *job.args, result_ttl=0)
    burst(redis)
    assert bench.unit().batches["B1"].bells == 1
    assert bench.gateway.texts(NURSE).count("opened") == 1


def test_what_rq_shows_of_a_job_holds_no_phone(
    bench: Bench, redis: Redis, to: dict[str, Queue], caplog: pytest.LogCaptureFixture
) -> None:
    jobs.use(bench.service)
    bench.hears(NURSE, "count", "e1")
    sweep_once(redis, to, bench.clock())
    assert [job.description for job in to["sb-deliver"].jobs] == ["workers.jobs.deliver of 1"]
    with caplog.at_level(logging.DEBUG):
        burst(redis)
    assert bench.gateway.texts(NURSE) == ["counted 1"]
    assert NURSE not in caplog.text


def test_a_queue_that_nobody_works_off_does_not_grow_for_ever(
    bench: Bench, redis: Redis, to: dict[str, Queue], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("workers.sweep.FULL_QUEUE", 3)
    bench.hears(NURSE, "open B1", "e1", "ussd")
    now = bench.clock.passes(minutes=10)
    for n in range(10):
        sweep_once(redis, to, now + timedelta(minutes=n))
    assert to["sb-ring"].count == 3
    assert bench.service.timers.depth() == 1


def test_the_sweep_goes_on_when_redis_comes_back(bench: Bench, connect: Connect) -> None:
    jobs.use(bench.service)
    bench.hears(NURSE, "count", "e1")
    stop, moments = threading.Event(), [bench.clock()]

    def clock() -> object:
        if moments:
            moments.pop()
            raise RedisGone("away")
        return bench.clock()

    sweep = threading.Thread(
        target=run_sweep, args=(connect(), clock, stop, 0.001, stop.set), daemon=True
    )
    sweep.start()
    sweep.join(20)
    assert not sweep.is_alive()
    burst(bench.redis)
    assert bench.gateway.texts(NURSE) == ["counted 1"]


def test_threads_of_one_process_do_it_all_and_end(bench: Bench, connect: Connect) -> None:
    arrived = threading.Event()
    send = bench.gateway.send

    class Watched:
        """The gateway, and a sign when a bell went through it."""

        def send(self, phone: str, text: str) -> object:
            accepted = send(phone, text)
            if text.startswith("bell"):
                arrived.set()
            return accepted

    service = replace(bench.service, gateway=Watched())  # type: ignore[arg-type]
    threads = Embedded(service, connect, bench.clock, tick_seconds=0.005)
    threads.start()
    bench.hears(NURSE, "open B1", "e1")
    bench.clock.passes(minutes=10)
    assert arrived.wait(20)
    threads.stop()
    assert bench.gateway.texts(NURSE) == ["opened", "bell"]
    assert not any(t.is_alive() for t in threads.threads)


def test_a_slow_gateway_does_not_hold_up_a_bell(bench: Bench, connect: Connect) -> None:
    sending, rung, go_on = threading.Event(), threading.Event(), threading.Event()

    class Works:
        """A service whose sending waits until the test lets it go on."""

        def ring(self, *_: object) -> None:
            rung.set()

        def deliver(self, *_: object) -> None:
            sending.set()
            go_on.wait(20)

        def push(self, *_: object) -> None:
            """Nothing."""

        def post(self, *_: object) -> None:
            """Nothing."""

    bench.hears(NURSE, "open B1", "e1")
    threads = Embedded(Works(), connect, bench.clock, tick_seconds=0.005)
    threads.start()
    assert sending.wait(20)
    bench.clock.passes(minutes=10)
    assert rung.wait(20)
    go_on.set()
    threads.stop()
