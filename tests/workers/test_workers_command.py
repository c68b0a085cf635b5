"""`python -m workers` as an operator starts it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot.outbox import Outbox, Outgoing
from workers.__main__ import main
from workers.sweep import queues, sweep_once

if TYPE_CHECKING:
    from tests.conftest import Connect, FakeClock

ROOT = Path(__file__).resolve().parent.parent.parent


def settings(url: str, data: Path) -> dict[str, str]:
    """A demonstration's settings, whose gateway is a port where nothing listens."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("SOAKBELL_")}
    own = {"DEMO": "1", "REDIS_URL": url, "DATA": str(data), "GATEWAY_URL": "http://127.0.0.1:9"}
    return kept | {f"SOAKBELL_{name}": value for name, value in own.items()}


def address(real_redis: Connect) -> str:
    with real_redis() as redis:
        place = redis.connection_pool.connection_kwargs
    return f"redis://{place['host']}:{place['port']}/{place['db']}"


def test_without_its_settings_it_says_which_and_ends_with_2(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    assert main(["sweep"]) == 2
    assert "SOAKBELL_REDIS_URL" in capsys.readouterr().err


@pytest.mark.real
def test_run_works_off_what_a_sweep_enqueued(
    real_redis: Connect, clock: FakeClock, tmp_path: Path
) -> None:
    with real_redis() as redis:
        item = Outgoing("i1", "+12025550101", "hello", "note", clock())
        Outbox(redis).put_once(item, "sb:guard", 60)
        sweep_once(redis, queues(redis), clock())
        done = subprocess.run(
            [sys.executable, "-m", "workers", "run", "--burst"],
            cwd=ROOT,
            env=settings(address(real_redis), tmp_path),
            capture_output=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()
        assert b"+1202" not in done.stdout + done.stderr
        assert redis.hget("sb:out:due:tries", "+12025550101") == b"1"  # nobody answered


@pytest.mark.real
def test_sweep_ends_on_a_signal(real_redis: Connect, clock: FakeClock, tmp_path: Path) -> None:
    with real_redis() as redis:
        item = Outgoing("i1", "+12025550101", "hello", "note", clock())
        Outbox(redis).put_once(item, "sb:guard-2", 60)
        with subprocess.Popen(
            [sys.executable, "-m", "workers", "sweep"],
            cwd=ROOT,
            env=settings(address(real_redis), tmp_path),
        ) as sweep:
            # Waits for the first job; each wait is shorter than the client's patience.
            waits = (redis.blmove("rq:queue:sb-deliver", "seen", 3) for _ in range(20))
            found = next((job for job in waits if job), None)
            sweep.send_signal(signal.SIGTERM)
            assert sweep.wait(30) == 0
        assert found
