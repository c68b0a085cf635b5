"""The sweep: leases what is due in Redis and hands it to RQ in chunks.

Any number of sweeps may run. A job that RQ loses costs the length of one lease; the sorted sets
know what is due, RQ only carries it.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from redis import Redis
from redis.exceptions import RedisError
from rq import Queue

from bot import outbox, posts, pushes, timers
from bot.outbox import Outbox
from bot.posts import Posts
from bot.pushes import Pushes
from bot.timers import Timers

log = logging.getLogger(__name__)

# A queue this long has no worker: more jobs would only pile up, and what is due waits in Redis.
FULL_QUEUE = 500

FAILURE_SECONDS = 3600  # how long RQ shows a failed job; the lease has long tried again
JOB_SECONDS = 120  # no job takes this long unless it hangs


@dataclass(frozen=True, slots=True)
class Route:
    """How one kind of due thing reaches its job: *chunk* ids at most in a job of *queue*."""

    queue: str
    job: str
    chunk: int
    lease_seconds: float


# Bells cost no waiting and go by the two hundred; messages wait for the gateway, so they are
# spread over the workers and stay well within their lease.
RING = Route("sb-ring", "workers.jobs.ring", 200, timers.LEASE_SECONDS)
DELIVER = Route("sb-deliver", "workers.jobs.deliver", 20, outbox.LEASE_SECONDS)
PUSH = Route("sb-push", "workers.jobs.push", 100, pushes.LEASE_SECONDS)
POST = Route("sb-post", "workers.jobs.post", 100, posts.LEASE_SECONDS)

ROUTES = (RING, DELIVER, POST, PUSH)
QUEUES = tuple(route.queue for route in ROUTES)

Lease = Callable[[float, int], list[str]]


def queues(redis: Redis) -> dict[str, Queue]:
    """The queues by name. JSON only: a pickle would let whoever writes to Redis run code here."""
    return {name: Queue(name, connection=redis, serializer="json") for name in QUEUES}


def sweep_once(redis: Redis, to: Mapping[str, Queue], now: datetime) -> int:
    """Lease all that is due at *now* and enqueue it; returns how many ids were handed over."""
    leases: dict[Route, Lease] = {
        RING: Timers(redis).lease,
        DELIVER: Outbox(redis).lease,
        POST: Posts(redis).lease,
        PUSH: Pushes(redis).lease,
    }
    return sum(_hand_over(r, lease, to[r.queue], now.timestamp()) for r, lease in leases.items())


def _hand_over(route: Route, lease: Lease, queue: Queue, now: float) -> int:
    handed = 0
    for _ in range(FULL_QUEUE - queue.count):
        ids = lease(now, route.chunk)
        if ids:
            _enqueue(route, queue, ids)
        handed += len(ids)
        if len(ids) < route.chunk:
            break
    return handed


def _enqueue(route: Route, queue: Queue, ids: list[str]) -> None:
    queue.enqueue(
        route.job,
        ids,
        description=f"{route.job} of {len(ids)}",  # RQ's own would show phone numbers
        ttl=int(route.lease_seconds),  # after that another job carries the same ids
        result_ttl=0,
        failure_ttl=FAILURE_SECONDS,
        job_timeout=JOB_SECONDS,
    )


def run_sweep(
    redis: Redis,
    clock: Callable[[], datetime],
    stop: threading.Event,
    tick_seconds: float = 0.25,
    handed: Callable[[], None] = lambda: None,
) -> None:
    """Sweep every *tick_seconds* until *stop*; *handed* is called after a sweep found something.

    While Redis is away it tries on: what is due will still be there.
    """
    to = queues(redis)
    while not stop.wait(tick_seconds):
        try:
            found = sweep_once(redis, to, clock())
        except RedisError as error:
            log.warning("the sweep found no Redis: %s", type(error).__name__)
            continue
        if found:
            handed()
