"""Every measure a second way: from the newest documents, one by one, by the sentences of
`flows.indicators`. It knows no tables. What it gives are plain facts: so many of something, on one
local day, at one place, by one method.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from functools import cache
from zoneinfo import ZoneInfo

from bot.effects import Checked, Gap, Mixed, Push, Pushed, Raised
from bot.message import Message
from flows.batch import Batch, Entry

MINUTE = timedelta(minutes=1)
ANSWERS = ("seen", "taken", "solved", "asked")  # what stops an alert from going on to the next
LOST = ("refused", "failed", "let go")
TESTS = ("test_bag", "test_suction")
STARTS = ("exposure_started", "vinegar_started")

Zones = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Fact:
    """*n* of *name* on *day*. *kind* is measure, missed, alert or span; for a span *n* is 1 and
    *minutes* how long it was."""

    day: date
    facility: str
    district: str
    method: str
    name: str
    n: int = 1
    kind: str = "measure"
    stage: str = ""
    reason: str = ""
    minutes: float = 0

    def told(self, name: str) -> str:
        """What it is by one dimension."""
        return _times_of(self.day)[name] if name in TIMES else str(getattr(self, name))


TIMES = ("day", "week", "month")


@cache
def _times_of(day: date) -> dict[str, str]:
    year, week, _ = day.isocalendar()
    return {"day": day.isoformat(), "week": f"{year}-W{week:02}", "month": f"{day:%Y-%m}"}


def facts(docs: Iterable[Pushed], zones: Zones, now: datetime) -> list[Fact]:
    """All facts in *docs*, the newest state of each; alike ones are one. What lasts is told until
    *now*."""
    alike: Counter[Fact] = Counter()
    for doc in docs:
        for fact in _READERS[type(doc)](doc, zones, now):
            alike[replace(fact, n=1)] += fact.n
    return [replace(fact, n=n) for fact, n in alike.items() if n]


def _day(moment: datetime, facility: str, zones: Zones) -> date:
    return moment.astimezone(ZoneInfo(zones.get(facility, "UTC"))).date()


# ---- batches ---------------------------------------------------------------------------------


def _batch(push: Push, zones: Zones, _now: datetime) -> Iterator[Fact]:
    batch = push.batch
    begun = Fact(_day(batch.opened_at, batch.facility, zones), batch.facility, batch.district,
                 batch.method, "started")
    yield begun
    yield replace(begun, name="sets_begun", n=len(batch.sets))
    for kind in ("bag", "suction"):
        yield replace(begun, name=f"{kind}s_begun", n=sum(s.kind == kind for s in batch.sets))
    yield replace(begun, name="unfinished", n=int(not batch.outcome))
    if not batch.outcome or batch.closed_at is None:
        return
    ended = replace(begun, day=_day(batch.closed_at, batch.facility, zones))
    for name, n in _ended(batch).items():
        yield replace(ended, name=name, n=n)
    if batch.outcome != "cancelled":
        for stage, reason in sorted(_missed(batch)):
            yield replace(ended, name="", kind="missed", stage=stage, reason=reason)
    for name, minutes in _times(batch):
        yield replace(ended, name=name, kind="span", minutes=minutes)


def _ended(batch: Batch) -> dict[str, int]:
    gone = [s for s in batch.sets if s.aside]
    released = batch.outcome == "released"
    counted = batch.outcome != "cancelled"  # what nobody did for real has no misses
    return {
        "batches": 1,
        "released": int(released),
        "set_aside": int(batch.outcome == "set aside"),
        "cancelled": int(batch.outcome == "cancelled"),
        "timed": int(released and not batch.late),
        "timed_minutes": int((batch.closed_at - batch.opened_at) / MINUTE)
        if released and not batch.late and batch.closed_at else 0,
        "sets": len(batch.sets),
        "sets_ready": len(batch.sets) - len(gone) if released else 0,
        "aside": len(gone),
        "segments": batch.segments,
        "late": int(batch.late and counted),
        "missed": int(counted and bool(_missed(batch))),
        **_steps(batch),
    }


def _standing(batch: Batch) -> list[Entry]:
    """What was answered and never taken back."""
    gone = {e.voids for e in batch.log if e.kind == "taken_back"}
    return [e for e in batch.log if e.kind == "answered" and e.n not in gone]


def _steps(batch: Batch) -> dict[str, int]:
    standing = _standing(batch)
    tests = [e for e in standing if e.stage in TESTS and e.said in "12345"]
    dry = [e for e in standing if e.stage == "auto_cooled" and e.mark]
    begun = {e.n for e in standing if e.mark == "exposure_started"}
    broken = {_start_of(batch, e).n for e in batch.log
              if e.kind == "interrupted" and e.mark == "exposure_started"}
    return {
        "exposures": len(begun | broken),
        "cut_short": len(broken),
        "early": sum(e.kind == "refused" and e.mark == "early" and e.stage != "vinegar"
                     for e in batch.log),
        "tests": len(tests),
        "tests_failed": sum(e.said != "1" for e in tests),
        "pieces_missing": sum(s.aside == "missing" for s in batch.sets),
        "pieces_damaged": sum(s.aside == "damaged" for s in batch.sets),
        "cycles_good": len({_start_of(batch, e).n for e in dry}),
        "cycles_refused": sum(_cycle_refused(e) for e in standing),
    }


def _start_of(batch: Batch, entry: Entry) -> Entry:
    """The beginning of the exposure that *entry* is about, whether or not it was taken back."""
    return [e for e in batch.log[: entry.n] if e.mark == "exposure_started"
            and e.kind == "answered"][-1]


def _cycle_refused(entry: Entry) -> bool:
    """An answer after which the load goes in again: too weak, too short, no change, or wet."""
    if entry.stage in ("auto_indicator", "auto_cooled"):
        return entry.said in ("2", "3")
    readings = ("auto_temp", "auto_pressure", "auto_minutes")
    return entry.stage in readings and "value" in entry.facts and not entry.mark


def _missed(batch: Batch) -> set[tuple[str, str]]:
    """By stage of the path and reason. What follows an answer is of the stage of that answer."""
    gone = {e.voids for e in batch.log if e.kind == "taken_back"}
    found: set[tuple[str, str]] = set()
    last: Entry | None = None
    for entry in batch.log:
        if entry.kind == "interrupted" and entry.mark in STARTS:
            found.add((entry.stage, "shortened"))
        elif entry.kind == "refused" and entry.mark == "early":
            found.add((entry.stage, "early"))
        elif entry.kind == "checked" and entry.mark == "refused":
            found.add((entry.stage, "unproven"))
        elif entry.n not in gone and entry.kind in ("answered", "aside", "again", "interrupted"):
            last = entry if entry.kind == "answered" or last is None else last
            stage, reason = str(last.facts.get("detour") or last.stage), entry.facts.get("reason")
            if reason:
                found.add((stage, str(reason)))
            elif entry.kind == "interrupted":
                found.add((stage, "again"))
            elif entry.kind == "again" and last.n == entry.n - 1 and not last.facts.get("reason"):
                found |= {(stage, "test" if stage in TESTS else "again")} - {
                    ("test_failed", "again")}  # its test said so already
    return found


def _times(batch: Batch) -> Iterator[tuple[str, float]]:
    if batch.late or batch.closed_at is None:
        return
    wiped = [e.at for e in _standing(batch) if e.mark == "wiped"]
    if wiped:
        yield "use_to_wipe", (wiped[0] - batch.opened_at) / MINUTE
    if batch.outcome == "released":
        yield "use_to_ready", (batch.closed_at - batch.opened_at) / MINUTE


# ---- the others ------------------------------------------------------------------------------


def _alert(raised: Raised, zones: Zones, _now: datetime) -> Iterator[Fact]:
    alert = raised.alert
    one = Fact(_day(alert.at, alert.facility, zones), alert.facility, raised.district, "", "alerts")
    yield one
    answers = [line.at for line in alert.history if line.what in ANSWERS]
    yield replace(one, name="alerts_answered", n=int(bool(answers)))
    yield replace(one, name="alerts_over", n=int(alert.state == "over" and not answers))
    yield replace(one, name="recalls",
                  n=int(alert.rule == "recall" and alert.facts["sets"] != "-"))
    yield replace(one, name="", kind="alert", reason=alert.rule)
    if answers:
        yield replace(one, name="alert_to_answer", kind="span",
                      minutes=(min(answers) - alert.at) / MINUTE)


def _message(sent: Message, zones: Zones, _now: datetime) -> Iterator[Fact]:
    page = "" if sent.site == f"district-{sent.district}" else sent.site  # no facility's own
    one = Fact(_day(sent.at, sent.site, zones), page, sent.district, "", "messages")
    yield one
    yield replace(one, name="message_segments", n=sent.segments)
    yield replace(one, name="messages_sent", n=int(sent.sent_at is not None))
    yield replace(one, name="messages_delivered", n=int(sent.state == "delivered"))
    yield replace(one, name="messages_lost", n=int(sent.state in LOST))


def _check(check: Checked, zones: Zones, _now: datetime) -> Iterator[Fact]:
    moment = check.slot or check.at
    if moment is None:
        return
    one = Fact(_day(moment, check.facility, zones), check.facility, check.district, "", "")
    due = check.slot is not None
    said = check.done and check.uses_said is not None
    for name, n in {
        "checks_due": int(due),
        "checks_done": int(due and check.done),
        "checks_on_time": int(due and check.done and check.late_minutes <= 60),
        "uses_asked": int(said),
        "uses_said": check.uses_said or 0 if said else 0,
        "uses_counted": check.uses_counted if said else 0,
        "births": check.births or 0 if check.done else 0,
        "helped": check.helped or 0 if check.done else 0,
    }.items():
        yield replace(one, name=name, n=n)


def _gap(gap: Gap, zones: Zones, now: datetime) -> Iterator[Fact]:
    """Whole minutes of the clock, each on its own local day."""
    minute = _floor(gap.since)
    end = _floor(gap.until or now)
    days: Counter[date] = Counter()
    while minute < end:
        days[_day(minute, gap.facility, zones)] += 1
        minute += MINUTE
    for day, n in days.items():
        yield Fact(day, gap.facility, gap.district, "", "empty_minutes", n)


def _floor(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(second=0, microsecond=0)


def _mixed(mixed: Mixed, zones: Zones, _now: datetime) -> Iterator[Fact]:
    one = Fact(_day(mixed.at, mixed.facility, zones), mixed.facility, mixed.district, "", "mixed")
    yield one
    yield replace(one, name="outlived", n=int(mixed.ended == "outlived"))


_READERS: Mapping[type, Callable[..., Iterator[Fact]]] = {
    Push: _batch, Raised: _alert, Message: _message, Checked: _check, Gap: _gap, Mixed: _mixed,
}


# ---- adding up -------------------------------------------------------------------------------


def chosen(
    found: Iterable[Fact], since: date | None, until: date | None,
    only: Mapping[str, Sequence[str]],
) -> list[Fact]:  # fmt: skip
    """The facts of the days *since* to *until*, both included, that are one of what is asked."""
    here = [f for f in found
            if (since is None or f.day >= since) and (until is None or f.day <= until)]
    for name, wanted in only.items():
        here = [f for f in here if not wanted or f.told(name) in wanted]
    return here


def added(found: Iterable[Fact], by: Sequence[str] = ()) -> dict[tuple[str, ...], Counter[str]]:
    """The sum of each measure by each of *by*."""
    sums: dict[tuple[str, ...], Counter[str]] = {}
    for fact in found:
        if fact.kind == "measure" and fact.n:
            sums.setdefault(tuple(fact.told(b) for b in by), Counter())[fact.name] += fact.n
    return sums


def nearest_rank(minutes: Sequence[float], share: float) -> float | None:
    """The percentile of raw times: the smallest of which at least *share* are no longer."""
    ordered = sorted(minutes)
    rank = math.ceil(Fraction(str(share)) * len(ordered))
    return ordered[rank - 1] if ordered else None
