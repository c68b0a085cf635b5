"""Sweep and workers as threads of one process, for the demonstration.

One thread rings, hands letters over and pushes, the other sends: a slow gateway must not hold up
a bell.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import datetime

from redis import Redis
from redis.exceptions import RedisError
from rq import SimpleWorker
from rq.timeouts import TimerDeathPenalty

from workers import jobs
from workers.jobs import Worked
from workers.sweep import DELIVER, POST, PUSH, RING, run_sweep

log = logging.getLogger(__name__)

GROUPS = ((RING.queue, POST.queue, PUSH.queue), (DELIVER.queue,))
JOIN_SECONDS = 10.0


class ThreadWorker(SimpleWorker):
    """A worker that may run outside the main thread."""

    death_penalty_class = TimerDeathPenalty  # the usual one uses SIGALRM: main thread only

    def _install_signal_handlers(self) -> None:
        """Signals belong to the main thread."""

    def _set_ip_address(self, _connection: Redis) -> None:
        self.ip_address = "embedded"


def new_worker(names: tuple[str, ...], redis: Redis) -> ThreadWorker:
    """A worker for the queues *names*, in that order."""
    worker = ThreadWorker(list(names), connection=redis, serializer="json")
    worker.log_job_description = False
    return worker


class Embedded:
    """Starts and stops the threads. *connect* makes a Redis client for each of them."""

    def __init__(
        self,
        service: Worked,
        connect: Callable[[], Redis],
        clock: Callable[[], datetime],
        tick_seconds: float = 0.25,
    ) -> None:
        jobs.use(service)
        self._stop = threading.Event()
        self._bells = [threading.Event() for _ in GROUPS]
        sweep = (connect(), clock, self._stop, tick_seconds, self._wake)
        self.threads = [threading.Thread(target=run_sweep, args=sweep, name="sweep", daemon=True)]
        for bell, names in zip(self._bells, GROUPS, strict=True):
            worker = new_worker(names, connect())
            self.threads.append(
                threading.Thread(target=self._work, args=(worker, bell), name=names[0], daemon=True)
            )

    def start(self) -> None:
        """Begin to sweep and to work."""
        for thread in self.threads:
            thread.start()

    def stop(self) -> None:
        """Finish the jobs at hand and end. What was not begun stays due."""
        self._stop.set()
        self._wake()
        for thread in self.threads:
            thread.join(JOIN_SECONDS)

    def _wake(self) -> None:
        for bell in self._bells:
            bell.set()

    def _work(self, worker: ThreadWorker, bell: threading.Event) -> None:
        """Work off the queues whenever the sweep has filled them; no polling in between."""
        while bell.wait() and not self._stop.is_set():
            bell.clear()
            try:
                worker.work(burst=True, logging_level="WARNING")
            except RedisError as error:  # the leases run out, and the sweep wakes us again
                log.warning("a worker found no Redis: %s", type(error).__name__)
