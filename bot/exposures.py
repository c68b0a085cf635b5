"""The clock of a batch, read from its log: what runs, how long still, when it rings."""

from __future__ import annotations

from datetime import datetime, timedelta

from bot.book import Said
from flows.batch import Batch, Entry
from flows.protocol import Protocol
from flows.release import exposed_seconds, marks


def running(batch: Batch, protocol: Protocol) -> tuple[Entry, float] | None:
    """The start of the exposure that runs and how many seconds it must last, or None."""
    standing = marks(batch.log)
    start = standing.get(("exposure_started", ""))
    if start and ("exposed", "") not in standing and batch.method:
        cycle = standing.get(("cycle", ""))
        try:
            need = protocol.exposure_seconds(
                batch.method, str(cycle.facts.get("cycle", "")) if cycle else "", batch.hasten
            )
        except KeyError:
            return None
        return start, need
    start = standing.get(("vinegar_started", ""))
    if start and ("vinegar_out", "") not in standing:
        return start, protocol.exposure_seconds("vinegar", hasten=batch.hasten)
    return None


def seconds_left(batch: Batch, protocol: Protocol, said: Said) -> float:
    """How long the running exposure must still last, by the stricter of the two clocks."""
    clock = running(batch, protocol)
    if clock is None:
        return 0.0
    start, need = clock
    end = Entry(n=-1, at=said.at, kind="answered", tick=said.tick)
    return need - exposed_seconds(start, end)


def next_ring(batch: Batch, protocol: Protocol) -> datetime | None:
    """When this batch must ring next, or None: the bell, the reminders, then the over-soak."""
    rings = ring_times(batch, protocol)
    return rings[batch.bells][0] if batch.bells < len(rings) else None


def ring_times(batch: Batch, protocol: Protocol) -> list[tuple[datetime, str]]:
    """Every ring of the running exposure with its kind: bell, remind or late."""
    if batch.due is None:
        return []
    clock = running(batch, protocol)
    later = [
        (batch.due + timedelta(seconds=m * 60 / batch.hasten), "remind")
        for m in protocol.remind_after_minutes
    ]
    most = protocol.max_seconds(batch.method, batch.hasten) if batch.method else None
    if clock and most is not None:
        later.append((clock[0].at + timedelta(seconds=most), "late"))
    return [(batch.due, "bell"), *sorted(later)]


def too_long(batch: Batch, protocol: Protocol, now: datetime) -> bool:
    """Whether the pieces have been in longer than the protocol's maximum."""
    clock, most = running(batch, protocol), None
    if batch.method:
        most = protocol.max_seconds(batch.method, batch.hasten)
    return bool(clock and most is not None and (now - clock[0].at).total_seconds() > most)
