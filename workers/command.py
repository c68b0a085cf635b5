"""The commands that start processes, and the `soakbell` program itself."""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
import tempfile
import threading
import webbrowser
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from gunicorn.app.base import BaseApplication
from waitress.server import create_server

import bot.cli
from bot.cli import GOOD, USAGE, Command
from bot.config import Config, demo_config, from_env
from bot.past import Life, plant, records
from bot.register import Register
from bot.register_files import read_register
from bot.rows_stock import as_if_new
from bot.scribe import Scribe
from bot.store import BatchFilter
from bot.web import create_app
from bot.wiring import Parts, announce, build, connect
from workers import __main__ as processes
from workers.embedded import Embedded

CALM_AT = ("LOWF", "HIGH")  # where the README lets its reader take a phone
DEMO_DAYS = 91  # three months
DEMO_BOTTLE_AGE = timedelta(days=14)  # of the newest bottle in its cupboard
DEMO_REGISTER = Path(bot.cli.__file__).parent / "demo"


def main(argv: Sequence[str] | None = None) -> int:
    """The `soakbell` program."""
    return bot.cli.main(argv, COMMANDS)


# ---- demo -----------------------------------------------------------------------------------


def _add_demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", type=int, default=8080)
    parser.add_argument("--speed", type=float, default=1.0, help="how many times faster soaks run")
    parser.add_argument("--data", type=Path, help="folder for the store; default: a temporary one")
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser")
    parser.add_argument(
        "--past", type=int, default=DEMO_DAYS, help="days of an invented past, 0 for none"
    )
    parser.add_argument("--seed", type=int, default=1, help="another number, another past")


def _demo(words: argparse.Namespace) -> int:
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s")
    with tempfile.TemporaryDirectory(prefix="soakbell-") as temporary:
        data = words.data or Path(temporary)
        data.mkdir(parents=True, exist_ok=True)
        config = demo_config(words.port, data, words.speed)
        return run_demo(config, words.port, words.no_browser, words.past, words.seed)


def demo_register(parts: Parts) -> Register:
    """The invented register; or that of a store which was kept, with whom was let in by text."""
    kept = parts.store.load_register()
    register = kept if kept.facilities else read_register(DEMO_REGISTER, None)
    newest = parts.service.clock().date() - DEMO_BOTTLE_AGE
    return replace(register, stock=as_if_new(register.stock, newest))


def run_demo(
    config: Config, port: int, no_browser: bool, past_days: int = 0, seed: int = 1
) -> int:  # fmt: skip
    """Everything in this process until a signal: web, sweep, workers, the demo's own gateway."""
    redis = connect(config)
    parts = build(config, redis)
    register = demo_register(parts)
    announce(parts, register)
    embedded = Embedded(
        parts.service, lambda: redis, parts.service.clock, config.sweep_tick_ms / 1000
    )
    app = create_app(config, parts)
    try:
        server = create_server(app, host="127.0.0.1", port=port, threads=8)
    except OSError:
        print(f"port {port} is taken; try --port {port + 1}", file=sys.stderr)
        return USAGE
    if past_days > 0 and not parts.store.batches(BatchFilter(limit=1)).rows:
        print(f"making {past_days} days of an invented past ...", flush=True)
        make_past(parts, register, past_days, seed)
    embedded.start()
    _stop_on_signal()
    print(_welcome(config, port), flush=True)
    if not no_browser:
        threading.Thread(target=webbrowser.open, args=(f"http://127.0.0.1:{port}/handset",)).start()
    try:
        server.run()
    except (KeyboardInterrupt, SystemExit):
        pass
    finally:
        server.close()
        app.extensions["soakbell_receipts"].close()
        embedded.stop()
        parts.store.close()
    return GOOD


def make_past(parts: Parts, register: Register, days: int, seed: int) -> None:
    """Let the district live through *days* that end now, into the store and the conversations."""
    service, now = parts.service, parts.service.clock()
    scribe = Scribe(service.render, service.count_parts)
    rules = replace(parts.rules, hasten=1.0)
    life = Life(register.sites(), rules, scribe, now - timedelta(days=days), now, seed, CALM_AT)
    past = life.live()
    parts.store.record(records(past))
    plant(parts.redis, past)


def _stop_on_signal() -> None:
    def stop(*_: object) -> None:
        raise SystemExit(0)

    signal.signal(signal.SIGTERM, stop)


def _welcome(config: Config, port: int) -> str:
    lines = [
        "Soakbell demonstration, on invented data. Nothing is kept in Redis when it stops.",
        f"  handset   http://127.0.0.1:{port}/handset",
        f"  gateway   http://127.0.0.1:{port}/version1/messaging   hooks: /hooks/demo/...",
        f"  desk      http://127.0.0.1:{port}/desk                 user: desk   password: demo",
        f"  API       http://127.0.0.1:{port}/api/v1/batches       token: demo",
    ]
    if config.hasten != 1:
        lines.append(f"  exposures run {config.hasten:g} times faster here: not for use")
    return "\n".join([*lines, "Ctrl-C ends it."])


# ---- serve, work, sweep ---------------------------------------------------------------------


def _add_serve(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--bind", default="127.0.0.1:8000")
    parser.add_argument("--workers", type=int, default=(os.cpu_count() or 1) * 2 + 1)


class _Server(BaseApplication):  # type: ignore[misc]
    """gunicorn with sync workers; each builds its own parts after the fork."""

    def __init__(self, config: Config, options: dict[str, object]) -> None:
        self._config, self._options = config, options
        super().__init__()

    def load_config(self) -> None:
        for name, value in self._options.items():
            self.cfg.set(name, value)

    def load(self) -> object:
        return create_app(self._config, build(self._config))


def _serve(words: argparse.Namespace) -> int:
    config = from_env(os.environ)
    build(config).store.close()  # a wrong setting stops the start here, once, and says why
    _Server(config, {"bind": words.bind, "workers": words.workers, "accesslog": None}).run()
    return GOOD


def _add_work(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--queues", default="", help="names by commas, first served first")
    parser.add_argument("--burst", action="store_true", help="end when the queues are empty")


def _work(words: argparse.Namespace) -> int:
    more = ["--queues", words.queues] if words.queues else []
    return processes.main(["run", *more, *(["--burst"] if words.burst else [])])


def _sweep(_words: argparse.Namespace) -> int:
    return processes.main(["sweep"])


COMMANDS = (
    Command("demo", "the whole job in one process, on invented data",
            "soakbell demo --speed 60", _add_demo, _demo),
    Command("serve", "the web side in production", "soakbell serve --bind 127.0.0.1:8000",
            _add_serve, _serve),
    Command("work", "ring, deliver and push: RQ jobs", "soakbell work", _add_work, _work),
    Command("sweep", "hand what is due to the queues", "soakbell sweep",
            lambda _parser: None, _sweep),
)  # fmt: skip

if __name__ == "__main__":
    sys.exit(main())
