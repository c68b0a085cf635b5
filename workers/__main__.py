"""`python -m workers run` works off the queues; `python -m workers sweep` fills them.

Run at least one of each; more of either, on any host, only make it faster. With two runs, give
one of them `--queues sb-deliver`, so that a slow gateway never holds up a bell.
"""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
import threading
from collections.abc import Sequence

from redis import Redis
from rq import SimpleWorker

from bot.clock import utc_now
from bot.config import Config, from_env
from bot.errors import ConfigError
from bot.wiring import build
from workers import jobs
from workers.reporting import start_reports
from workers.sweep import QUEUES, run_sweep

# Low, so that a job of a worker that was killed is looked after within a minute or so.
MAINTENANCE_SECONDS = 60
WORKER_SECONDS = 75


def main(argv: Sequence[str] | None = None) -> int:
    """Exit 0 when told to stop, 2 on a wrong setting or usage."""
    words = _parser().parse_args(argv)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    try:
        config = from_env(os.environ)
        if words.command == "run":
            run(config, words.queues.split(","), burst=words.burst)
        else:
            sweep(config)
    except ConfigError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def run(config: Config, names: Sequence[str], *, burst: bool = False) -> None:
    """Work off the queues *names*, in that order, until a signal; *burst*: until all are empty."""
    parts = build(config)
    jobs.use(parts.service)
    if not burst:
        start_reports(config, parts, threading.Event())
    worker = SimpleWorker(
        list(names),
        connection=Redis.from_url(config.redis_url),
        serializer="json",
        maintenance_interval=MAINTENANCE_SECONDS,
        worker_ttl=WORKER_SECONDS,
    )
    worker.log_job_description = False
    worker.work(burst=burst, logging_level="WARNING")


def sweep(config: Config) -> None:
    """Sweep until a signal."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    run_sweep(Redis.from_url(config.redis_url), utc_now, stop, config.sweep_tick_ms / 1000)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m workers", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    work = commands.add_parser("run", help="work off the queues")
    work.add_argument(
        "--queues", default=",".join(QUEUES), help="names by commas, first served first"
    )
    work.add_argument("--burst", action="store_true", help="end when the queues are empty")
    commands.add_parser("sweep", help="hand what is due to the queues")
    return parser


if __name__ == "__main__":
    sys.exit(main())
