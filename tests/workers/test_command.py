"""The `soakbell` program: the demonstration as people start it, and starts that are refused."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
import requests

from bot import cli
from bot.gateway import open_session
from tests.bot.service_stand import SECRETS
from workers import command

ROOT = Path(__file__).resolve().parent.parent.parent
NEEMA = "+12025550101"
PATIENCE = 30.0  # seconds; only a broken program uses them up


def bare() -> dict[str, str]:
    """The environment without any setting of Soakbell's."""
    return {k: v for k, v in os.environ.items() if not k.startswith("SOAKBELL_")}


def free_port() -> int:
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@dataclass
class Demo:
    """A demonstration that runs in a process of its own."""

    process: subprocess.Popen[str]
    port: int
    welcome: list[str]
    web: requests.Session

    def get(self, path: str, **query: str) -> requests.Response:
        return self.web.get(f"http://127.0.0.1:{self.port}{path}", params=query, timeout=PATIENCE)

    def post(self, path: str, **form: str) -> requests.Response:
        return self.web.post(f"http://127.0.0.1:{self.port}{path}", data=form, timeout=PATIENCE)

    def says(self, text: str, message: str) -> None:
        form = {"to": "50000", "text": text, "date": "", "id": message, "linkId": ""}
        answer = self.post("/hooks/demo/sms", **form, **{"from": NEEMA})
        assert (answer.status_code, answer.text) == (200, "")

    def hears(self, count: int) -> list[str]:
        """The phone's messages, once there are *count*: a sweep and a delivery take a moment."""
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            found = [m["text"] for m in self.get("/handset/inbox.json", phone=NEEMA).json()]
            if len(found) >= count:
                return found
            threading.Event().wait(0.05)
        raise AssertionError(f"{count} messages did not come: {found}")

    def ends(self, number: int) -> int:
        """Send a signal, and return how the process ended."""
        self.process.send_signal(number)
        return self.process.wait(PATIENCE)


Start = Callable[..., Demo]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Starts demonstrations, and ends those that a test left."""
    started: list[subprocess.Popen[str]] = []

    def run(*options: str) -> Demo:
        port = free_port()
        words = ["demo", "--port", str(port), "--data", str(tmp_path / "kept"), "--no-browser"]
        words += [] if "--past" in options else ["--past", "0"]
        process = subprocess.Popen(
            [sys.executable, "-m", "workers.command", *words, *options],
            cwd=ROOT,
            env=bare(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        assert process.stdout
        welcome: list[str] = []
        while not welcome or not welcome[-1].startswith("Ctrl-C"):
            line = process.stdout.readline()
            assert line, process.stderr.read() if process.stderr else ""
            welcome.append(line.rstrip())
        web = open_session()
        return Demo(process, port, welcome, web)

    yield run
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate()


def test_the_demonstration_answers_and_ends_on_a_signal(start: Start, tmp_path: Path) -> None:
    demo = start()
    assert demo.get("/readyz").status_code == 200

    demo.says("BAG-1", "m1")
    [first] = demo.hears(1)
    assert "BAG-1: gloves, apron" in first
    demo.says("1", "m2")
    assert demo.hears(2)[1].startswith("WIPE")

    demo.web.close()
    assert demo.ends(signal.SIGTERM) == 0
    assert demo.process.stderr
    assert demo.process.stderr.read() == ""
    assert (tmp_path / "kept" / "soakbell.db").exists()


def test_ctrl_c_ends_it_too(start: Start) -> None:
    demo = start()
    demo.get("/healthz")
    demo.web.close()

    assert demo.ends(signal.SIGINT) == 0


def test_the_welcome_says_where_everything_is_and_what_is_not_kept(start: Start) -> None:
    demo = start("--speed", "60")
    said = "\n".join(demo.welcome)

    for path in ("/handset", "/version1/messaging", "/api/v1/batches"):
        assert f"http://127.0.0.1:{demo.port}{path}" in said
    assert "invented data" in said
    assert "60 times faster here: not for use" in said
    demo.web.close()


def test_the_demonstration_opens_on_its_past_and_the_phone_of_the_readme_is_free(
    start: Start,
) -> None:
    demo = start("--past", "14", "--seed", "3")
    demo.web.headers["Authorization"] = "Bearer demo"
    batches = demo.get("/api/v1/batches", limit="1000").json()["batches"]
    assert len(batches) > 30
    assert {b["outcome"] for b in batches} >= {"released"}

    demo.says("BAG-1", "m1")
    assert "BAG-1: gloves, apron" in demo.hears(1)[0]


def test_a_hastened_demonstration_says_so_in_its_messages_and_rings(start: Start) -> None:
    """Vinegar takes ten minutes by the protocol, at the greatest speed a sixth of a second."""
    demo = start("--speed", "3600")

    for n, text in enumerate(["BAG-1", *"11111", "2", "1"], start=1):
        demo.says(text, f"m{n}")
        demo.hears(n)
    texts = demo.hears(9)

    assert texts[0].startswith("DEMO ")
    assert "BAG-1: gloves" in texts[0]
    # On a busy machine the bell and its reminder come as one: "Still waiting. BELL ...".
    last = texts[-1]
    assert last.startswith("DEMO ")
    assert "BELL BAG-1: vinegar time is over" in last
    demo.web.close()
    assert demo.ends(signal.SIGTERM) == 0


def run(*words: str, **settings: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "workers.command", *words],
        cwd=ROOT,
        env=bare() | settings,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )


def test_a_port_that_is_taken_ends_with_2_and_says_what_to_do(tmp_path: Path) -> None:
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = run("demo", "--port", str(port), "--data", str(tmp_path), "--no-browser")

    assert done.returncode == 2
    assert done.stderr == f"port {port} is taken; try --port {port + 1}\n"
    assert done.stdout == ""


@pytest.mark.parametrize("speed", ["0", "0.5", "3601", "nan"])
def test_a_speed_that_makes_no_sense_ends_with_2(speed: str) -> None:
    done = run("demo", "--speed", speed, "--no-browser")

    assert done.returncode == 2
    assert "HASTEN must be a number" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", ["serve", "work", "sweep"])
def test_a_production_start_without_its_secrets_refuses_and_names_them(name: str) -> None:
    done = run(name)

    assert done.returncode == 2
    for setting in SECRETS:
        assert setting in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", ["serve", "work", "sweep"])
def test_a_production_start_may_not_hasten(name: str, tmp_path: Path) -> None:
    own = {**SECRETS, "SOAKBELL_DATA": str(tmp_path), "SOAKBELL_HASTEN": "60"}

    done = run(name, **own)

    assert done.returncode == 2
    assert "only a demonstration may set it" in done.stderr


def test_serve_answers_and_ends_on_a_signal(tmp_path: Path) -> None:
    port = free_port()
    settings = {**SECRETS, "SOAKBELL_DATA": str(tmp_path)}
    words = ["serve", "--bind", f"127.0.0.1:{port}", "--workers", "1"]
    with (
        subprocess.Popen(
            [sys.executable, "-m", "workers.command", *words],
            cwd=ROOT,
            env=bare() | settings,
            stderr=subprocess.PIPE,
        ) as server,
        open_session() as web,
    ):
        until, answer = time.monotonic() + PATIENCE, None
        while answer is None and time.monotonic() < until:
            try:
                answer = web.get(f"http://127.0.0.1:{port}/readyz", timeout=PATIENCE)
            except requests.ConnectionError:
                threading.Event().wait(0.05)
        server.send_signal(signal.SIGTERM)
        assert server.wait(PATIENCE) == 0

    assert answer is not None
    assert answer.status_code == 503  # its Redis is a port where nothing listens


def test_the_program_has_every_command() -> None:
    names = [c.name for c in (*cli.COMMANDS, *command.COMMANDS)]

    assert len(set(names)) == len(names)
    assert {"demo", "serve", "work", "sweep"} <= set(names)


def test_main_is_the_program_that_the_distribution_installs(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert command.main(["check"]) == 0
    assert "nothing wrong" in capsys.readouterr().out
