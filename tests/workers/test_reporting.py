"""The thread of the monthly reports: it goes on whatever a look comes to, and is there only for
whoever sends any."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from bot.config import demo_config
from bot.errors import StoreDown
from bot.report_sender import sender_of
from bot.report_ways import Mail, Post
from bot.wiring import build, connect
from workers.reporting import run_reports, start_reports

if TYPE_CHECKING:
    import pytest

    from tests.conftest import FakeClock


def test_it_looks_again_whatever_went_wrong(caplog: pytest.LogCaptureFixture) -> None:
    stop = threading.Event()
    looks: list[int] = []

    def look() -> None:
        looks.append(len(looks))
        if len(looks) == 1:
            raise StoreDown("the store failed")
        if len(looks) == 2:
            raise KeyError("Neema")
        stop.set()

    run_reports(look, stop, 0)

    assert looks == [0, 1, 2]
    assert "StoreDown" in caplog.text
    assert "Neema" not in caplog.text


def test_it_is_there_for_whoever_has_somebody_to_send_to(clock: FakeClock, tmp_path: Path) -> None:
    nobody = demo_config(1, tmp_path)
    somebody = replace(nobody, report_mail_to=("juma@district.example",), report_day=5,
                       mail_url="smtp://mail.example", small_numbers=7,
                       report_post_url="https://reports.example/in")  # fmt: skip
    parts = build(nobody, connect(nobody), clock)
    stop = threading.Event()
    stop.set()

    assert start_reports(nobody, parts, stop) is None
    sender = sender_of(somebody, parts)
    thread = start_reports(somebody, parts, stop)

    assert sender
    assert [type(way) for way in sender.ways] == [Mail, Post]
    assert (sender.day, sender.least) == (5, 7)
    assert thread
    assert thread.daemon  # a process that is told to end does not wait for a mail server
    thread.join(10)
    assert not thread.is_alive()
    parts.store.close()
