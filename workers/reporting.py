"""The monthly reports, in a thread of their own: nothing that rings or delivers waits for them.

Every worker process looks; the store sees to it that one of them sends.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from bot.config import Config
from bot.report_sender import sender_of
from bot.wiring import Parts

LOOK_SECONDS = 600.0  # between two looks: a report is of a month

log = logging.getLogger(__name__)


def start_reports(config: Config, parts: Parts, stop: threading.Event) -> threading.Thread | None:
    """Begin to look, where the settings name anybody to send to. It ends with the process: what
    was not taken by then is sent by another."""
    sender = sender_of(config, parts)
    if sender is None:
        return None
    thread = threading.Thread(target=run_reports, args=(sender.look, stop), name="reports",
                              daemon=True)  # fmt: skip
    thread.start()
    return thread


def run_reports(look: Callable[[], object], stop: threading.Event,
                seconds: float = LOOK_SECONDS) -> None:  # fmt: skip
    """Look every so many *seconds* until *stop*, whatever a look comes to."""
    while not stop.is_set():
        try:
            look()
        except Exception as error:
            log.warning("the reports could not be looked at: %s", type(error).__name__)
        stop.wait(seconds)
