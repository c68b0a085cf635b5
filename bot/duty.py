"""On leave, and when somebody works: AWAY, BACK, SHIFT."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from bot.amends import ask_register
from bot.effects import Day, Prompt, Say
from bot.rows_shift import shift as read_shift
from bot.rules import after
from bot.showing import back as leave
from bot.showing import mine, say_alone, show
from bot.turn import Turn
from flows.batch import short

MOST_AWAY = 366  # days; whoever is away for longer leaves the register

_DATE = re.compile(r"(\d{1,2})[./-](\d{1,2})")
_HOURS = re.compile(r"(\d{1,2})[:.]?(\d\d)\s*(?:-|TO)?\s*(\d{1,2})[:.]?(\d\d)", re.I)


def away(turn: Turn) -> bool:
    """The command word, with a number of days or a date: no texts until then."""
    until = _until(turn, after(turn.words).upper())
    held = mine(turn)
    if held:
        names = [s.id for i in held for s in turn.unit.batches[i].remaining]
        say_alone(turn, Prompt("away.batch", {"sets": short(names)}))
    elif until is None:
        say_alone(turn, Prompt("away.how"))
    else:
        turn.put_talk(away_until=until)
        say_alone(turn, Prompt("away.taken", {"until": Day(until)}))
    return True


def _until(turn: Turn, text: str) -> datetime | None:
    """The morning on which she is back: so many days from today, or of that date."""
    today, number = turn.today(), text.removesuffix("DAYS").removesuffix("DAY").strip()
    if number.isascii() and number.isdecimal() and len(number) <= len(str(MOST_AWAY)):
        days = int(number)
    else:  # a date says so, or has a stroke in it: 3.5 alone may be days
        dated = text.startswith("UNTIL") or "/" in text
        named = _date(text.removeprefix("UNTIL").strip(), today) if dated else None
        days = (named - today).days if named else 0
    if not 1 <= days <= MOST_AWAY:
        return None
    zone = ZoneInfo(turn.unit.site.zone)
    morning = datetime.combine(today + timedelta(days=days), time(0), zone)
    return morning.astimezone(turn.now.tzinfo)


def _date(text: str, today: date) -> date | None:
    """The next day that is `24/12`: day and month, as nobody here writes it the other way round."""
    found = _DATE.fullmatch(text)
    for year in (today.year, today.year + 1):
        try:
            day = date(year, int(found[2]), int(found[1])) if found else None
        except ValueError:  # 29/2 may be of next year
            continue
        if day and day > today:
            return day
    return None


def back(turn: Turn) -> bool:
    """The command word: she is at work again."""
    if turn.talk.away_until:
        turn.put_talk(away_until=None)
        show(turn, Prompt("note.back"))
    else:
        leave(turn)
    return True


def at_work_again(turn: Turn) -> None:
    """Whoever has a batch in hand is not on leave: else nobody would ring her."""
    until = turn.talk.away_until
    if turn.person and until and turn.now < until and mine(turn):
        turn.put_talk(away_until=None)
        turn.effects.append(Say(turn.person.phone, Prompt("away.ended")))


def shift(turn: Turn) -> bool:
    """The command word, with hours or NONE: who is at work hears of things first."""
    if turn.person is None:
        return False
    hours = _hours(after(turn.words).upper())
    if hours is None:
        say_alone(turn, Prompt("shift.how", {"shift": _shown(turn.person.shift)}))
    else:
        ask_register(turn, "shift", turn.person.id, value=hours)
        say_alone(turn, Prompt("shift.taken", {"shift": _shown(hours)}))
    return True


def _shown(hours: str) -> Prompt | str:
    return hours or Prompt("shift.none")


def _hours(text: str) -> str | None:
    """`0700-1900`, `7:00-19:00` as the register writes it; "" for NONE; None for anything else."""
    if text.strip(".") == "NONE":
        return ""
    found = _HOURS.fullmatch(text)
    if not found:
        return None
    try:
        return read_shift(f"{found[1]:0>2}:{found[2]}-{found[3]:0>2}:{found[4]}")
    except ValueError:
        return None


COMMANDS = {"away": away, "back": back, "shift": shift}
