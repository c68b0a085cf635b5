"""The story of one batch: its log and its alerts as one time line, each exposure with what was
needed, what stands against READY, how it ended.

The log is told whole: what was taken back stays in its place and is called so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from bot.desk_line import Line, alert_lines, log_lines, taken_back
from bot.desk_said import Story, Teller, moment, span
from bot.site import Site
from bot.views import finding_prompt
from flows.batch import Batch, Entry
from flows.protocol import Protocol
from flows.release import RANK, exposed_seconds, findings

# Software limits: a page of so many lines is still below 60 KB.
MOST_LINES, FIRST_LINES = 200, 50
STARTS = {"exposure_started": "exposed", "vinegar_started": "vinegar_out"}
RUNNING, BROKEN, BACK = "still in", "broken off: does not count", "taken back: does not count"


@dataclass(frozen=True, slots=True)
class Exposure:
    """How long pieces were in, against what the protocol asks for."""

    what: str
    began: str
    ended: str
    lasted: str
    needed: str
    verdict: str


@dataclass(frozen=True, slots=True)
class BatchPage:
    """All that the page says. *facts* by name; *against*: why it is not READY."""

    id: str
    sets: str
    facts: tuple[tuple[str, str], ...]
    ending: str
    against: tuple[str, ...]
    exposures: tuple[Exposure, ...]
    lines: tuple[Line, ...]


def batch_page(
    batch: Batch, site: Site, protocol: Protocol | None, stories: Sequence[Story], teller: Teller
) -> BatchPage:
    """The page of *batch* of *site*; without its *protocol* nothing can be judged."""
    lines = [*log_lines(batch, site, teller), *alert_lines(stories, site, teller)]
    return BatchPage(
        id=batch.id, sets=", ".join(s.id for s in batch.sets),
        facts=tuple(_facts(batch, site, teller)),
        ending=_ending(batch, site, teller),
        against=_against(batch, site, protocol, teller),
        exposures=tuple(_exposures(batch, site, protocol, teller)),
        lines=_short(sorted(lines, key=lambda line: line.at)),
    )  # fmt: skip


def _short(lines: list[Line]) -> tuple[Line, ...]:
    """The beginning and the end of a time line that has no end."""
    left_out = len(lines) - MOST_LINES
    if left_out <= 0:
        return tuple(lines)
    first, last = lines[:FIRST_LINES], lines[FIRST_LINES + left_out :]
    gap = Line(last[0].at, last[0].when, "", f"{left_out} lines before this are left out here.")
    return (*first, gap, *last)


# ---- what it is --------------------------------------------------------------------------------


def _facts(batch: Batch, site: Site, teller: Teller) -> Iterator[tuple[str, str]]:
    if batch.late:
        yield "LATE ENTRY", f"told from paper afterwards{_sent(batch, site, teller)}"
    yield "Facility", f"{site.name} ({site.id})"
    begun = teller.full(batch.opened_at, site.zone)
    yield "Begun", f"{begun} by {_name(batch.opened_by, site, teller)}"
    if not batch.outcome:
        yield "In the hands of", _name(batch.holder, site, teller)
        yield "Now at", teller.stage(batch.stage)
    if batch.due and not batch.outcome:
        late = " LATE" if batch.due <= teller.now else ""
        yield "Bell", teller.moment(batch.due, site.zone) + late
    yield "Method", batch.method or "not chosen yet"
    yield "Protocol", batch.protocol
    segments = f"{batch.segments} SMS segments"
    yield "Cost so far" if not batch.outcome else "Cost", segments
    if batch.hasten != 1:
        yield "Time", f"a demonstration: it ran {batch.hasten:g} times faster"


def _sent(batch: Batch, site: Site, teller: Teller) -> str:
    """When it was sent, by the first line that says so."""
    sent = (moment(str(e.facts.get("sent", ""))) for e in batch.log)
    at = next((m for m in sent if m), None)
    return f", {teller.full(at, site.zone)}" if at else ""


def _name(by: str, site: Site, teller: Teller) -> str:
    return teller.who(site, by) or "nobody"


def _ending(batch: Batch, site: Site, teller: Teller) -> str:
    if not batch.outcome:
        return "It is still open."
    closed = teller.full(batch.closed_at, site.zone) if batch.closed_at else "at an unknown time"
    if batch.outcome != "released":
        return f"It ended {closed}: {batch.outcome}. Nothing in it became READY."
    until = f" until {teller.full(batch.expires_at, site.zone)}" if batch.expires_at else ""
    ready = ", ".join(s.id for s in batch.remaining)
    return f"It ended {closed}: released. {ready} READY{until}."


def _against(
    batch: Batch, site: Site, protocol: Protocol | None, teller: Teller
) -> tuple[str, ...]:
    if protocol is None:
        return (f"Its protocol, {batch.protocol}, is not here: nothing can be judged.",)
    found = (teller.say(finding_prompt(f), site.zone) for f in findings(batch, protocol))
    return tuple(dict.fromkeys(f"{said[:1].upper()}{said[1:].rstrip('.')}." for said in found))


# ---- exposures ---------------------------------------------------------------------------------


def _exposures(
    batch: Batch, site: Site, protocol: Protocol | None, teller: Teller
) -> Iterator[Exposure]:
    gone = taken_back(batch)
    for start in batch.log:
        if start.kind != "answered" or start.mark not in STARTS:
            continue
        what = "vinegar" if start.mark == "vinegar_started" else _method_at(batch, start)
        need = _needed(batch, start, what, protocol)
        end, how = _end(batch, start, gone)
        so_far = (teller.now - start.at).total_seconds()
        seconds = exposed_seconds(start, end) if end else so_far if how == RUNNING else None
        lasted = None if seconds is None else seconds * batch.hasten / 60
        yield Exposure(
            what=what, began=teller.moment(start.at, site.zone),
            ended=teller.moment(end.at, site.zone) if end else "",
            lasted=span(lasted) if lasted is not None else "",
            needed=span(need) if need is not None else "not known",
            verdict=how or _verdict(lasted, need),
        )  # fmt: skip


def _verdict(lasted: float | None, need: float | None) -> str:
    if lasted is None or need is None:
        return "not judged"
    return "long enough" if lasted >= need else "TOO SHORT"


def _end(
    batch: Batch, start: Entry, gone: Mapping[int, datetime]
) -> tuple[Entry | None, str]:
    """What ended the exposure that *start* began, and why it does not count ("": it may)."""
    for entry in batch.log[start.n + 1 :]:
        if entry.kind == "taken_back" and entry.voids == start.n:
            return entry, BACK
        if entry.kind == "interrupted":
            return entry, BROKEN
        if entry.kind == "again" and RANK.get(entry.mark, 0) <= RANK[start.mark]:
            return entry, BROKEN
        if entry.kind == "answered" and entry.mark == STARTS[start.mark] and entry.n not in gone:
            return entry, ""
        if entry.kind == "closed":
            return entry, "given up: does not count"
    return None, RUNNING if not batch.outcome else "no end on record"


def _latest(batch: Batch, before: Entry, mark: str, fact: str) -> str:
    """*fact* of the newest answer that made *mark* ahead of *before*."""
    made = [e for e in batch.log[: before.n] if e.kind == "answered" and e.mark == mark]
    return str(made[-1].facts.get(fact, "")) if made else ""


def _method_at(batch: Batch, start: Entry) -> str:
    return _latest(batch, start, "method", "method") or batch.method or "not known"


def _needed(
    batch: Batch, start: Entry, what: str, protocol: Protocol | None
) -> float | None:
    """The minutes that the exposure had to last, in the time of the protocol."""
    try:
        cycle = _latest(batch, start, "cycle", "cycle")
        return protocol.exposure_seconds(what, cycle) / 60 if protocol else None
    except KeyError:
        return None
