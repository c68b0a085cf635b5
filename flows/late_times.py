"""When it was: the times of a late entry, put on their days. Where two readings are possible, the
one that believes less is taken, or the person is asked for the day."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from flows.late_entry import JUDGED, NUMBERS, LateEntry, Parts, Slip, undone
from flows.protocol import Protocol

ORDER = ("vinegar_in", "vinegar_out", "in", "out", "stored")
# Where the clocks are set back an hour comes twice: an exposure is then counted by its later start
# and its earlier end.
STARTS = ("vinegar_in", "in")
# A clock of 24 hours cannot tell whether 2130 after 2152 is a slip or the next day. Half a day
# after the time before is where that begins; then the days are asked for, and no exposure is so
# long.
MOST_GAP = timedelta(hours=12)
# A date far ahead is one of the year before; one just ahead is a slip.
AHEAD = timedelta(days=183)


@dataclass(frozen=True, slots=True)
class _Told:
    """One time as it was told: *clock* as HHMM, *day* or None."""

    part: str
    clock: str
    day: date | None


def place(
    parts: Parts, protocol: Protocol, zone: str, sent: datetime, now: datetime
) -> LateEntry | Slip:
    """The whole entry (nothing of *parts* is missing), or what is wrong with its times.

    *sent* is when it was written: the newest day on which no time lies after that is meant. *now*
    is when it is to be kept, which decides whether it is too old.
    """
    told = _told(parts, sent.astimezone(ZoneInfo(zone)).date())
    if isinstance(told, Slip):
        return told
    moments = _placed(told, zone, sent, int(protocol["late.most_hours"] // 24) + 2)
    if isinstance(moments, Slip):
        return moments
    first = min(moments.values())
    if now - first > timedelta(hours=protocol["late.most_hours"]):
        return Slip("old", f"{protocol['late.most_hours']:g}")
    least = timedelta(minutes=protocol["late.after_minutes"])
    if moments["stored"] - moments["out"] < least:
        return Slip("quick", f"{protocol['late.after_minutes']:g}")
    began = first - timedelta(minutes=protocol["late.before_minutes"])
    return _entry(parts, moments, began)


def _entry(parts: Parts, moments: Mapping[str, datetime], began: datetime) -> LateEntry:
    vinegar = None
    if "vinegar_in" in moments:
        vinegar = (moments["vinegar_in"], moments["vinegar_out"])
    return LateEntry(
        sets=tuple(parts["sets"].split()),
        method=parts["method"],
        began=began,
        into=moments["in"],
        out=moments["out"],
        stored=moments["stored"],
        pack=parts["pack"],
        counts=tuple(parts["counts"].split()),
        vinegar=vinegar,
        readings={name: parts[name] for name in NUMBERS if name in parts},
        good={mark: parts.get(part) == "good" for mark, part in JUDGED.items()},
        undone=tuple(undone(parts)),
    )


def _told(parts: Parts, today: date) -> list[_Told] | Slip:
    """Each time that was told, in the order of work, with its day where one was said."""
    found: list[_Told] = []
    for part in (p for p in ORDER if p in parts):
        *days, clock = parts[part].split()
        day = read_day(days[0], today) if days else None
        if days and day is None:
            return Slip("day", days[0])
        found.append(_Told(part, clock, day))
    if "day" in parts:
        day = read_day(parts["day"], today)
        if day is None:
            return Slip("day", parts["day"])
        if found[0].day not in (None, day):
            return Slip("days", parts["day"])
        found[0] = _Told(found[0].part, found[0].clock, day)
    return found


def read_day(text: str, today: date) -> date | None:
    """The day that *text* names ("today", "yesterday", 24/11 or 2411), or None if there is none.

    The day comes before the month. A year is not said: it is the one that is nearest.
    """
    if text in ("today", "yesterday"):
        return today - timedelta(days=text == "yesterday")
    found = re.fullmatch(r"(\d{1,2})[/-](\d{1,2})|(\d{2})(\d{2})", text)
    if not found:
        return None
    day, month = int(found[1] or found[3]), int(found[2] or found[4])
    try:
        day_of_year = date(today.year, month, day)
        if day_of_year - today > AHEAD:
            return date(today.year - 1, month, day)
    except ValueError:
        return None
    return day_of_year


def _placed(
    told: list[_Told], zone: str, sent: datetime, most_days: int
) -> dict[str, datetime] | Slip:
    """The moments of *told*, on the newest day on which none lies after *sent*."""
    today = sent.astimezone(ZoneInfo(zone)).date()
    first = told[0].day
    # A later time with a day of its own says which day the first was; else nothing does, and a
    # reading that cannot be is no reason to try an older day.
    tells = any(t.day for t in told[1:])
    days = [first] if first else [today - timedelta(days=n) for n in range(most_days)]
    slip = Slip("future", told[-1].clock)
    for day in days:
        moments = _on(told, day, zone)
        if isinstance(moments, Slip):
            slip = moments
            if not tells:
                break
            continue
        late = next((t for t in told if moments[t.part] > sent), None)
        if late is None:
            return moments
        slip = Slip("future", late.clock)
    return slip


def _on(told: list[_Told], day: date, zone: str) -> dict[str, datetime] | Slip:
    """The moments of *told* if the first was on *day*: each the first such time after the last."""
    moments: dict[str, datetime] = {}
    before: _Told | None = None
    for t in told:
        last = moments[before.part] if before else None
        moment = moment_at(t.day or day, t.clock, zone, start=t.part in STARTS)
        if moment and last and t.day is None and moment < last:
            moment = moment_at(day + timedelta(days=1), t.clock, zone, start=t.part in STARTS)
        if moment is None:
            return Slip("no_clock", t.clock)
        if before and last:
            # Only what was stored may be days away, and only where both days were told.
            far = t.part != "stored" or t.day is None or told[0].day is None
            if moment < last or (far and moment - last > MOST_GAP):
                return Slip("order", t.clock, before.clock)
        moments[t.part] = moment
        day, before = moment.astimezone(ZoneInfo(zone)).date(), t
    return moments


def moment_at(day: date, clock: str, zone: str, *, start: bool) -> datetime | None:
    """The moment (UTC) when clocks in *zone* show *clock* (HHMM) on *day*; None if they never do.

    Of an hour that comes twice, *start* takes the later and an end the earlier.
    """
    local = datetime(
        day.year, day.month, day.day, int(clock[:2]), int(clock[2:]),
        tzinfo=ZoneInfo(zone), fold=int(start),
    )  # fmt: skip
    moment = local.astimezone(UTC)
    shown = moment.astimezone(ZoneInfo(zone))
    return moment if shown.replace(tzinfo=None) == local.replace(tzinfo=None) else None
