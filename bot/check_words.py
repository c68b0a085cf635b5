"""What is said of the shift check: on its screens, and when it is done."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from bot.effects import Day, Prompt, Shown
from bot.model import Unit
from flows.readiness import ALL, ONE, QUESTIONS, Reckoning

A_DAY = timedelta(hours=20)  # within it a time of day can be meant of no other day


def shown_time(moment: datetime, now: datetime) -> Shown:
    """*moment* as a time of day, or with its date where that could be of another day."""
    return moment if abs(now - moment) < A_DAY else Day(moment)


def since(unit: Unit, now: datetime) -> datetime:
    """From when on uses are counted: the last reckoning, or when anybody looked first."""
    return unit.check.done_at or unit.check.since or unit.watch.since or now


def screen_values(
    unit: Unit, screen: str, choices: tuple[str, ...], now: datetime
) -> Mapping[str, Shown]:
    """What the holes of a screen of the check are filled with; nothing for other screens."""
    if screen not in QUESTIONS:
        return {}
    values: dict[str, Shown] = {"start": shown_time(since(unit, now), now)}
    if screen == ONE and choices:
        values["set"] = choices[0]
    if screen == ALL:  # each by its name, however little room there is: 1 speaks for all of them
        values["names"] = Prompt("parts", {f"set{n}": name for n, name in enumerate(choices)})
    return values


def done_prompt(ready: int, uses: Reckoning | None, start: Shown) -> Prompt:
    """The end: how many sets are READY, and the uses as reckoned since *start*, with their gap."""
    parts: dict[str, Shown] = {"done": Prompt("check.done", {"count": ready})}
    if uses:
        values: dict[str, Shown] = {
            "uses": uses.reported, "counted": uses.counted, "gap": abs(uses.gap), "start": start,
        }  # fmt: skip
        if uses.gap > 0:
            parts["uses"] = Prompt("check.not_counted", values)
        elif uses.gap < 0:
            parts["uses"] = Prompt("check.not_reported", values)
        else:
            parts["uses"] = Prompt("check.agreed" if uses.reported else "check.zero", values)
    return Prompt("parts", parts)
