"""What one document adds to the running totals: pure functions of a row of the store.

A tally says how much is added where. The totals move by the tally of the row that is written less
the tally of the row that it replaces, so they always equal the sum over all rows; the same
functions make the recount. VERSION changes with whatever is counted differently, and makes the next
start count anew.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import msgspec

from bot.alert import Alert
from bot.misses import Miss, misses
from bot.site import DISTRICT
from bot.steps import steps
from flows.batch import Batch
from flows.indicators import ON_TIME_MINUTES
from flows.release import marks
from flows.statistics import minute_bin

VERSION = "2"

Row = Mapping[str, Any]


class Place(NamedTuple):
    """Where something is counted. *table* is measures, reasons, spans or hours; *what*, *stage*,
    *reason* and *bin* are its own keys, empty where it has none."""

    table: str
    day: str
    district: str
    facility: str
    method: str = ""
    what: str = ""
    stage: str = ""
    reason: str = ""
    bin: int = 0


Tally = Counter[tuple[Place, str]]
"""How much is added, by place and measure; the measure of all tables but `measures` is `n`."""


def local_day(moment: datetime, zone: str) -> str:
    """The date at *moment* in *zone*, as YYYY-MM-DD."""
    return moment.astimezone(ZoneInfo(zone)).date().isoformat()


class _Book:
    """A tally in the making, of one row."""

    def __init__(self, row: Row, facility: str) -> None:
        self.tally: Tally = Counter()
        self._zone, self._district, self._facility = row["zone"], row["district"], facility

    def measures(self, at: datetime, method: str, found: Mapping[str, int]) -> None:
        place = self._place("measures", at, method=method)
        for name, n in found.items():
            if n:
                self.tally[place, name] += n

    def add(self, table: str, at: datetime, **keys: Any) -> None:
        self.tally[self._place(table, at, **keys), "n"] += 1

    def minutes(self, table: str, at: datetime, minutes: int, **keys: Any) -> None:
        if minutes:
            self.tally[self._place(table, at, **keys), "n"] += minutes

    def _place(self, table: str, at: datetime, **keys: Any) -> Place:
        return Place(table, local_day(at, self._zone), self._district, self._facility, **keys)


# ---- batches -------------------------------------------------------------------------------


class Told(NamedTuple):
    """What a batch's log tells, worked out once: the steps missed, the times in minutes."""

    misses: tuple[Miss, ...]
    spans: Mapping[str, float]


def told_by(batch: Batch) -> Told:
    return Told(misses(batch), spans(batch))


def of_batch(row: Row) -> Tally:
    """What a row of `batches` adds."""
    batch = msgspec.json.decode(row["doc"], type=Batch)
    return of_known(row, batch, told_by(batch))


def of_known(row: Row, batch: Batch, told: Told) -> Tally:
    """What a row of `batches` adds, where *batch*, its document, is known already."""
    book, method = _Book(row, batch.facility), batch.method
    kinds = Counter(s.kind for s in batch.sets)
    book.measures(batch.opened_at, method, {
        "started": 1, "sets_begun": len(batch.sets), "bags_begun": kinds["bag"],
        "suctions_begun": kinds["suction"], "unfinished": int(not batch.outcome),
    })  # fmt: skip
    if batch.closed_at is None:
        return book.tally
    missed = {"missed": int(bool(told.misses))}
    book.measures(batch.closed_at, method, _closed(row, batch, told.spans) | missed)
    for stage, reason in told.misses:
        book.add("reasons", batch.closed_at, method=method, what="missed", stage=stage,
                 reason=reason)
    for what, minutes in told.spans.items():
        book.add("spans", batch.closed_at, method=method, what=what, bin=minute_bin(minutes))
    return book.tally


def _closed(row: Row, batch: Batch, times: Mapping[str, float]) -> dict[str, int]:
    gone = Counter(s.aside for s in batch.sets)
    released, aside = batch.outcome == "released", row["aside_count"]
    cancelled = batch.outcome == "cancelled"
    timed = times.get("use_to_ready")
    return {
        "batches": 1, "released": int(released), "set_aside": int(batch.outcome == "set aside"),
        "cancelled": int(cancelled), "sets": len(batch.sets), "aside": aside,
        "sets_ready": len(batch.sets) - aside if released else 0,
        "segments": batch.segments, "late": int(batch.late and not cancelled),
        "timed": int(timed is not None), "timed_minutes": int(timed or 0),
        "pieces_missing": gone["missing"], "pieces_damaged": gone["damaged"], **steps(batch),
    }  # fmt: skip


def spans(batch: Batch) -> dict[str, float]:
    """The times of a batch in minutes, those it has. One told from paper has none."""
    if batch.late or batch.closed_at is None:
        return {}
    wiped = marks(batch.log).get(("wiped", ""))
    found: dict[str, float] = {}
    if wiped:
        found["use_to_wipe"] = _minutes(batch.opened_at, wiped.at)
    if batch.outcome == "released":
        found["use_to_ready"] = _minutes(batch.opened_at, batch.closed_at)
    return found


def derived(told: Told) -> dict[str, Any]:
    """What a row of `batches` tells of its log besides the totals."""
    return {"missed": "".join(f" {stage}:{reason} " for stage, reason in told.misses),
            "use_to_wipe": told.spans.get("use_to_wipe"),
            "use_to_ready": told.spans.get("use_to_ready")}


def _minutes(since: datetime, until: datetime) -> float:
    return (until - since).total_seconds() / 60


# ---- alerts, checks, messages --------------------------------------------------------------

# What stops an alert from going on to the next person; who passes it on does not answer it.
ANSWERS = frozenset({"seen", "taken", "solved", "asked"})
NO_SETS = "-"  # what a failed spore test shows where nothing was called back


def of_alert(row: Row) -> Tally:
    """What a row of `alerts` adds."""
    alert: Alert = msgspec.json.decode(row["doc"], type=Alert)
    book = _Book(row, alert.facility)
    answered = next((line.at for line in alert.history if line.what in ANSWERS and line.by), None)
    book.measures(alert.at, "", {
        "alerts": 1, "alerts_answered": int(answered is not None),
        "alerts_over": int(alert.state == "over" and answered is None),
        "recalls": int(alert.rule == "recall" and alert.facts.get("sets") != NO_SETS),
    })  # fmt: skip
    book.add("reasons", alert.at, what="alert", reason=alert.rule)
    if answered:
        book.add("spans", alert.at, what="alert_to_answer",
                 bin=minute_bin(_minutes(alert.at, answered)))
    return book.tally


def of_check(row: Row) -> Tally:
    """What a row of `checks` adds. Of one that nobody finished only that it was due: the next one
    asks for the same time once more."""
    book = _Book(row, row["facility"])
    due = row["slot"] is not None
    said, births, helped = (
        row[name] if row["done"] else None for name in ("uses_said", "births", "helped"))
    book.measures(row["moment"], "", {
        "checks_due": int(due), "checks_done": int(due and row["done"]),
        "checks_on_time": int(due and row["done"] and row["late_minutes"] <= ON_TIME_MINUTES),
        "uses_asked": int(said is not None), "uses_said": said or 0,
        "uses_counted": row["uses_counted"] if said is not None else 0,
        "births": births or 0, "helped": helped or 0,
    })  # fmt: skip
    return book.tally


def of_message(row: Row) -> Tally:
    """What a row of `messages` adds. A text from the page of a district is of no one facility."""
    own = row["site"] == f"{DISTRICT}{row['district']}"
    book = _Book(row, "" if own else row["site"])
    state = row["state"]
    book.measures(row["at"], "", {
        "messages": 1, "message_segments": row["segments"],
        "messages_sent": int(row["sent_at"] is not None),
        "messages_delivered": int(state == "delivered"),
        "messages_lost": int(state in ("refused", "failed", "let go")),
    })  # fmt: skip
    return book.tally


# ---- gaps and solutions --------------------------------------------------------------------


def of_gap(row: Row) -> Tally:
    """What a row of `gaps` adds: its minutes, day by day and hour by hour of the week. One that
    lasts adds nothing yet; whoever asks adds it up to the moment of asking."""
    book = _Book(row, row["facility"])
    if row["until"] is None:
        return book.tally
    for start, minutes in hours(row["since"], row["until"], row["zone"]):
        book.measures(start, "", {"empty_minutes": minutes})
        book.minutes("hours", start, minutes, what=row["kind"], bin=_hour(start, row["zone"]))
    return book.tally


def hours(since: datetime, until: datetime, zone: str) -> Iterator[tuple[datetime, int]]:
    """The whole minutes from *since* to *until*, by hours of the clock in *zone* in which they lie:
    the first moment of each part, and its minutes."""
    place = ZoneInfo(zone)
    at = _whole(since.astimezone(place))
    end = _whole(until.astimezone(place))
    at, end = at.astimezone(UTC), end.astimezone(UTC)
    while at < end:
        turn = at + timedelta(minutes=60 - at.astimezone(place).minute)
        stop = min(turn, end)
        yield at, int((stop - at).total_seconds() // 60)
        at = stop


def _whole(moment: datetime) -> datetime:
    return moment.replace(second=0, microsecond=0)


def _hour(moment: datetime, zone: str) -> int:
    local = moment.astimezone(ZoneInfo(zone))
    return local.weekday() * 24 + local.hour


def of_mix(row: Row) -> Tally:
    """What a row of `mixes` adds."""
    book = _Book(row, row["facility"])
    book.measures(row["at"], "", {"mixed": 1, "outlived": int(row["ended"] == "outlived")})
    return book.tally


BY_TABLE: Mapping[str, Callable[[Row], Tally]] = {
    "batches": of_batch, "alerts": of_alert, "checks": of_check, "messages": of_message,
    "gaps": of_gap, "mixes": of_mix,
}  # fmt: skip


def moved(tally: Callable[[Row], Tally], before: Iterable[Row], after: Iterable[Row]) -> Tally:
    """What the rows *after* add less what the rows *before* did; nothing that comes to 0."""
    change: Tally = Counter()
    for row in after:
        change.update(tally(row))
    for row in before:
        change.subtract(tally(row))
    return Counter({key: n for key, n in change.items() if n})
