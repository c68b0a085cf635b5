"""The two clocks of the machine. Nothing else in the bot asks what time it is."""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

Tick = tuple[str, float]

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def utc_now() -> datetime:
    """The wall clock, aware, in UTC. Somebody may set it; `tick` is the second witness."""
    return datetime.now(UTC)


def new_tick(boot_id: Path = BOOT_ID) -> Callable[[], Tick]:
    """A reader of the running time: (name of the boot, seconds since it).

    Two readings compare only when their names are equal. Where the system does not name its
    boots, the name is this process's own, so that a restart is never taken for the same run.
    """
    try:
        name = boot_id.read_text(encoding="ascii").strip()
        time.clock_gettime(time.CLOCK_BOOTTIME)
    except (OSError, AttributeError):
        own = uuid.uuid4().hex
        return lambda: (own, time.monotonic())
    # This clock runs on through a suspend of the machine; time.monotonic() would not.
    return lambda: (name, time.clock_gettime(time.CLOCK_BOOTTIME))
