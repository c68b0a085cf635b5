"""A time told in a reply: "1 1405" where an exposure begins or ends, for a text that came late.

A start is believed no earlier than the gateway saw the text: it then counts like a plain 1 that
was not delayed, and nobody gains a minute by telling an early one. An end may be told freely within
bounds, because it can only make an exposure shorter than the arrival of its answer would.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from bot.book import Book, Said
from bot.effects import Prompt
from flows.batch import Batch, Entry
from flows.late_times import moment_at
from flows.stage import Stage

TOLD = re.compile(r"^(?:1[\s.,;]+)?([01]\d|2[0-3]):?([0-5]\d)$")
STARTS = ("exposure_started", "vinegar_started")
# Lines that nobody's hands or words made: they bound no time.
NOT_SAID = ("rang", "delivered", "undelivered", "told")
MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class Told:
    """An answer of 1 with the time that it told: *said* as it is to be kept, *note* to be said.

    *doubt*: the time cannot be right, and where an exposure ends nothing moves.
    """

    said: Said
    note: Prompt
    doubt: bool = False


def told_time(text: str) -> str:
    """The HHMM that *text* tells, or ""."""
    found = TOLD.match(text.strip())
    return found[1] + found[2] if found else ""


def takes_time(stage: Stage) -> bool:
    """Whether *stage* begins or ends an exposure, where a time may be told."""
    return stage.kind == "wait" or stage.forward.mark in STARTS


def begun_at(batch: Batch, book: Book, said: Said, clock: str) -> Told:
    """A start that was told to be at *clock*, as early as it may be believed.

    No earlier than the gateway's date of the text, the last thing said in this batch, and the
    protocol's `late.reply_minutes`; and no earlier than the running clock can follow.
    """
    moment = _newest(clock, said)
    seen = said.sent_at if said.sent_at and said.sent_at < said.at else said.at
    last, running = _last_said(batch.log, said)
    oldest = said.at - timedelta(minutes=book.protocol["late.reply_minutes"])
    start = max(m for m in (moment, seen, last, oldest) if m) if moment else said.at
    if moment is None or moment < oldest or running is None or said.tick is None:
        start = said.at
    tick = said.tick
    if tick and running is not None:
        tick = (tick[0], max(tick[1] - (said.at - start).total_seconds(), running))
    agreed = moment is not None and moment <= start < moment + MINUTE
    note = Prompt("note.timed" if agreed else "note.timed_later", {"bell": start})
    return Told(_kept(said, clock, start, tick), note, doubt=not agreed)


def ended_at(batch: Batch, book: Book, said: Said, clock: str, start: datetime) -> Told:
    """An end that was told to be at *clock*, of an exposure that began at *start*."""
    moment = _newest(clock, said)
    last, _ = _last_said(batch.log, said)
    oldest = said.at - timedelta(minutes=book.protocol["late.reply_minutes"])
    bounds = [m for m in (oldest, start, last) if m]
    if moment is None or moment < max(bounds) or moment - start < MINUTE:
        return Told(_kept(said, clock, said.at, said.tick), Prompt("wait.time"), doubt=True)
    gone = (said.at - moment).total_seconds()
    tick = (said.tick[0], said.tick[1] - gone) if said.tick else None
    return Told(_kept(said, clock, moment, tick), Prompt("note.timed_out", {"bell": moment}))


def _newest(clock: str, said: Said) -> datetime | None:
    """The last moment before *said* at which the facility's clocks showed *clock*."""
    today = said.at.astimezone(ZoneInfo(said.zone)).date()
    for day in (today, today - timedelta(days=1)):
        moment = moment_at(day, clock, said.zone, start=True)
        if moment and moment <= said.at:
            return moment
    return None


def _last_said(log: Iterable[Entry], said: Said) -> tuple[datetime | None, float | None]:
    """When the last line that somebody said arrived, and the running time then.

    The running time is None where another boot, or none, saw it: it cannot be compared.
    """
    spoken = [e for e in log if e.kind not in NOT_SAID]
    if not spoken:
        return None, None
    last = max(_arrived(e) for e in spoken)
    entry = spoken[-1]
    if not (entry.tick and said.tick and entry.tick[0] == said.tick[0]):
        return last, None
    return last, entry.tick[1] + (_arrived(entry) - entry.at).total_seconds()


def _arrived(entry: Entry) -> datetime:
    """When the words of *entry* came in, whatever time they told."""
    kept = entry.facts.get("arrived")
    return datetime.fromisoformat(kept) if isinstance(kept, str) else entry.at


def _kept(said: Said, clock: str, at: datetime, tick: tuple[str, float] | None) -> Said:
    """The answer 1 at the moment that is believed, with what was told and when it came."""
    facts = {
        **said.facts,
        "said_time": f"{clock[:2]}:{clock[2:]}",
        "arrived": said.at.isoformat(),
    }
    return replace(said, text="1", at=at, tick=tick, facts=facts)
