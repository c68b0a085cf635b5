"""Raw batches for whoever counts differently: what happened and when, and nobody who did it.

Left out are holder, opener, every person's id, typed words and all facts of a log. Read through a
cursor of the database a page at a time, so that any number of batches needs the memory of one page.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Literal, NamedTuple

import msgspec
from sqlalchemy import ColumnElement, Connection, func, select

from bot.plain import plain
from bot.tables import batches
from bot.tally import local_day
from flows.batch import Batch, Entry, effective

PAGE = 500  # batches read at a time
A_DAY = timedelta(days=1)  # no zone's day begins further from UTC's

Kind = Literal["text", "time", "day", "whole", "number", "yes"]

# What a column holds. Times are UTC; days are the facility's own; minutes from the report of a use.
BATCHES: Mapping[str, Kind] = {
    "batch": "text", "facility": "text", "district": "text", "zone": "text", "altitude_m": "number",
    "opened_at": "time", "opened_day": "day", "closed_at": "time", "closed_day": "day",
    "expires_at": "time", "method": "text", "outcome": "text", "protocol": "text", "flow": "text",
    "sets": "text", "set_count": "whole", "aside_count": "whole", "missed": "text",
    "segments": "whole", "late": "yes", "hasten": "number", "use_to_wipe": "number",
    "use_to_ready": "number", "steps": "whole",
}  # fmt: skip
# One row an entry of a log: `seconds` since the batch was opened; `stands` is false where it was
# taken back, by the entry that `voids` it.
STEPS: Mapping[str, Kind] = {
    "batch": "text", "n": "whole", "at": "time", "seconds": "number", "kind": "text",
    "stage": "text", "mark": "text", "set_id": "text", "voids": "whole", "stands": "yes",
}  # fmt: skip

_KEPT = ("doc", "zone", "aside_count", "missed", "use_to_wipe", "use_to_ready")

Row = dict[str, Any]

# Words of the graph are made of these; whatever else stands in their place may be anything.
_WORD = re.compile(r"[a-z][a-z_ ]{0,39}")
_MISS = re.compile(r"[a-z_]{1,40}:[a-z_]{1,40}")
_PHONE = re.compile(r"\+\d{6,}|\d{9,}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Batches opened on the facilities' own days *since* to *until*, both included (None: no end),
    in each *district* (empty: all)."""

    since: date | None = None
    until: date | None = None
    district: tuple[str, ...] = ()


class Page(NamedTuple):
    """Some batches and all their steps, in order; *read* is how many batches were looked at."""

    batches: list[Row]
    steps: list[Row]
    read: int


def how_many(connection: Connection, wanted: Wanted) -> int:
    """How many batches there are to look at: those of *wanted*, and a day more at its ends."""
    query = select(func.count()).select_from(batches).where(*_conditions(wanted))
    return connection.scalar(query) or 0


def pages(connection: Connection, wanted: Wanted) -> Iterator[Page]:
    """The batches of *wanted*, those that were opened first first."""
    query = select(*(batches.c[name] for name in _KEPT)).where(*_conditions(wanted))
    query = query.order_by(batches.c.opened_at, batches.c.id)
    found = connection.execute(query, execution_options={"yield_per": PAGE})
    for part in found.partitions(PAGE):
        told = [(row, msgspec.json.decode(row.doc, type=Batch)) for row in part]
        kept = [(row, b) for row, b in told if _opened_within(b, row.zone, wanted)]
        yield Page([batch_row(b, row) for row, b in kept],
                   [step for _, b in kept for step in step_rows(b)], len(told))


def _conditions(wanted: Wanted) -> Iterable[ColumnElement[bool]]:
    midnight = datetime.min.time()
    if wanted.since:
        yield batches.c.opened_at >= datetime.combine(wanted.since, midnight, UTC) - A_DAY
    if wanted.until:
        yield batches.c.opened_at < datetime.combine(wanted.until, midnight, UTC) + 2 * A_DAY
    if wanted.district:
        yield batches.c.district.in_(wanted.district)


def _opened_within(batch: Batch, zone: str, wanted: Wanted) -> bool:
    day = date.fromisoformat(local_day(batch.opened_at, zone))
    return (wanted.since or date.min) <= day <= (wanted.until or date.max)


# ---- rows (pure) ------------------------------------------------------------------------------


def batch_row(batch: Batch, kept: Any) -> Row:
    """One batch as BATCHES has it; *kept* is what its row of the store tells besides."""
    zone = kept.zone
    return {
        "batch": _text(batch.id), "facility": _text(batch.facility),
        "district": _text(batch.district), "zone": zone, "altitude_m": batch.altitude_m,
        "opened_at": batch.opened_at, "opened_day": _day(batch.opened_at, zone),
        "closed_at": batch.closed_at, "closed_day": _day(batch.closed_at, zone),
        "expires_at": batch.expires_at, "method": batch.method, "outcome": batch.outcome,
        "protocol": _text(batch.protocol), "flow": _text(batch.flow),
        "sets": _text(" ".join(s.id for s in batch.sets)), "set_count": len(batch.sets),
        "aside_count": kept.aside_count,
        "missed": " ".join(m for m in kept.missed.split() if _MISS.fullmatch(m)),
        "segments": batch.segments, "late": batch.late, "hasten": batch.hasten,
        "use_to_wipe": kept.use_to_wipe, "use_to_ready": kept.use_to_ready,
        "steps": len(batch.log),
    }  # fmt: skip


def step_rows(batch: Batch) -> Iterator[Row]:
    """The log of *batch* as STEPS has it, in order."""
    stands = {e.n for e in effective(batch.log)}
    sets = {s.id for s in batch.sets}
    people = {batch.opened_by, batch.holder, *(e.by for e in batch.log)}
    for entry in batch.log:
        yield {
            "batch": _text(batch.id), "n": entry.n, "at": entry.at,
            "seconds": (entry.at - batch.opened_at).total_seconds(), "kind": entry.kind,
            "stage": _word(entry.stage), "mark": _mark(entry, people),
            "set_id": _text(entry.set_id) if entry.set_id in sets else "",
            "voids": entry.voids, "stands": entry.n in stands,
        }  # fmt: skip


def _mark(entry: Entry, people: set[str]) -> str:
    """What was put on record. A batch handed over has a person's id in its place."""
    hidden = entry.kind == "handed" or entry.mark in people
    return "" if hidden else _word(entry.mark)


def _word(text: str) -> str:
    return text if _WORD.fullmatch(text) else ""


def _text(text: str) -> str:
    """An id, harmless; whatever could be dialled is none."""
    return _PHONE.sub("(phone)", plain(text))


def _day(moment: datetime | None, zone: str) -> date | None:
    return date.fromisoformat(local_day(moment, zone)) if moment else None
