"""What tests of the store and of the API stand on: batches with logs, and a plain recount."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from bot.alert import Alert, AlertLine
from bot.effects import Raised
from bot.model import SetState
from bot.register import Register
from bot.register_files import read_register
from bot.store import Record, Store
from flows.batch import Batch, BatchSet, Entry, Outcome

OpenStore = Callable[..., Store]

DEMO = Path(__file__).parents[1] / "register"
START = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)


def demo_register() -> Register:
    return read_register(DEMO, None)


def batch(batch_id: str = "LOWF-1", *, entries: int = 3, **values: Any) -> Batch:
    """An open chlorine batch of two sets at LOWF with a log of *entries* lines."""
    first = Batch(
        id=batch_id, facility="LOWF", district="TAM", altitude_m=300.0,
        facility_methods=("chlorine", "boiling"), protocol="default-1", flow="reprocess-1",
        opened_at=START, opened_by="P1", holder="P1", stage="soak", method="chlorine", segments=4,
        sets=(BatchSet("BAG-1", "BAG-SIL", "bag", 7, ("chlorine",)),
              BatchSet("SUC-1", "SUC-SIL", "suction", 3, ("chlorine",))),
    )
    lines = tuple(
        Entry(n, START + timedelta(minutes=n), "answered", "soak", "P1", "sms", "1", "washed")
        for n in range(entries)
    )
    return replace(first, log=lines, **values)


def closed(
    batch_id: str = "LOWF-1",
    outcome: Outcome = "released",
    at: datetime = START + timedelta(hours=1),
    **values: Any,
) -> Batch:
    """The same, over at *at*, with one line more than `batch` gives."""
    values = {"entries": 4, "outcome": outcome, "closed_at": at, "stage": "", **values}
    return batch(batch_id, **values)


def ready(of: Batch, set_id: str = "BAG-1", days: int = 7) -> SetState:
    """READY since the batch closed, for *days*."""
    since = of.closed_at or START
    return SetState(set_id, "READY", since, since + timedelta(days=days), of.id)


def record(of: Batch, *states: SetState) -> Record:
    return Record(of, states)


def alert(alert_id: str = "LOWF-9", **values: Any) -> Alert:
    """An open alert about the batch LOWF-1, of which one person was told."""
    told = AlertLine(START + timedelta(minutes=5), "P2", "told")
    first = Alert(
        id=alert_id, facility="LOWF", rule="still", matter="LOWF-1", at=START, last=START,
        facts={"sets": "BAG-1", "step": "rinse"}, batch="LOWF-1", by="P1", step=0,
        history=(told,),
    )
    return replace(first, **values)


def raised(of: Alert, district: str = "TAM") -> Raised:
    return Raised(district, of)


def recount(listed: Sequence[dict[str, Any]], *by: str) -> dict[tuple[str, ...], tuple[int, int]]:
    """Batches and sets of closed batches, counted one by one from a list of batches."""
    found: Counter[tuple[str, ...]] = Counter()
    sets: Counter[tuple[str, ...]] = Counter()
    for row in listed:
        if row["outcome"]:
            day = row["closed_at"].astimezone(ZoneInfo(row["zone"])).date().isoformat()
            told = {**row, "day": day, "month": day[:7]}
            key = tuple(told[name] for name in by)
            found[key] += 1
            sets[key] += len(row["sets"])
    return {key: (found[key], sets[key]) for key in found}
