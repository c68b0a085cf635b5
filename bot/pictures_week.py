"""Readiness through the week: how much of each hour at least one set was READY."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean

from bot.pictures_frame import LINE, WHITE, WIDTH, Field, Picture, Row, nothing, picture
from bot.pictures_words import named, percent

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
HOURS = 24
LEFT, CELL = 42, 15  # px
WIDE = (WIDTH - LEFT - 1) / len(DAYS)
DARKEST = 0.45  # the grey of an hour in which none was ever READY; 1 is white

Share = float | None
Week = Sequence[Sequence[Share]]  # 7 days from Monday, 24 hours each; None where nothing is known


def week(name: str, title: str, kind: str, shares: Week) -> Picture:
    """The share of time, hour by hour, with at least one READY set of *kind* (bag and mask, ...).

    Each hour of the grid has its number, in percent; where it was not all of the time, the cell
    is the greyer the less. Raises ValueError for another shape, or a share outside 0 to 1.
    """
    _check(shares)
    columns = ("Hour", *DAYS)
    known = [(share, day, hour) for day, hours in enumerate(shares)
             for hour, share in enumerate(hours) if share is not None]  # fmt: skip
    if not known:
        return nothing(name, title, columns)
    rows = [Row((_hour(hour), *(_words(day[hour]) for day in shares))) for hour in range(HOURS)]

    def paint(sheet: Field) -> None:
        sheet.write(0, LINE - 3, f"% of time with a READY {kind}", 52)
        for day, word in enumerate(DAYS):
            sheet.write(LEFT + WIDE * (day + 0.5), 2 * LINE, word[:3], 3, at="center")
        for hour in range(HOURS):
            sheet.write(LEFT - 5, _foot(hour), _hour(hour), 5, at="right")
        _cells(sheet, shares)

    height = 2 * LINE + 5 + CELL * HOURS + 2
    return picture(name, title, _found(kind, known), (columns, rows), height, paint)


def _check(shares: Week) -> None:
    if [len(hours) for hours in shares] != [HOURS] * len(DAYS):
        raise ValueError("A week has 7 days of 24 hours.")
    if any(share is not None and not 0 <= share <= 1 for hours in shares for share in hours):
        raise ValueError("A share of time lies between 0 and 1.")


def _found(kind: str, known: Sequence[tuple[float, int, int]]) -> str:
    """How much in all, and the hour in which it is least; several hours alike are counted."""
    mean = percent(fmean(share for share, _, _ in known))
    lead = f"At least one {named(kind)} was READY {mean} of the time."
    least = min(share for share, _, _ in known)
    if least == 1:
        return f"{lead} There was no hour without one."
    lowest = [f"{DAYS[day]} {_hour(hour)}" for share, day, hour in known if share == least]
    also = f" (and {len(lowest) - 1} more as low)" if len(lowest) > 1 else ""
    return f"{lead} Look at {lowest[0]}{also}: {percent(least)}, the least of the week."


def _hour(hour: int) -> str:
    return f"{hour:02d}:00"


def _words(share: Share) -> str:
    return "" if share is None else percent(share)


def _foot(hour: int) -> float:
    return 2 * LINE + 5 + CELL * hour + 11


def _cells(sheet: Field, shares: Week) -> None:
    """Cells of one grey one after the other, then all numbers: so they take the fewest bytes."""
    places = [(day, hour) for day in range(len(DAYS)) for hour in range(HOURS)]
    greys = sorted((_grey(shares[day][hour]), day, hour) for day, hour in places)
    for grey, day, hour in (cell for cell in greys if cell[0] != WHITE):
        sheet.bar(LEFT + WIDE * day, _foot(hour) - 11, WIDE - 1, CELL - 1, fill=grey, edge="none",
                  kind="hour")  # fmt: skip
    for bold in (False, True):
        for day, hour in places:
            if _is_low(shares[day][hour]) == bold:
                sheet.write(LEFT + WIDE * (day + 0.5), _foot(hour), _number(shares[day][hour]), 3,
                            at="center", bold=bold)  # fmt: skip


def _is_low(share: Share) -> bool:
    return share is not None and share < 0.5


def _number(share: Share) -> str:
    """Whole percent; what is not all of the time is never 100, and what is some never 0."""
    if share is None:
        return "-"
    return str(round(100 * share) if share in {0, 1} else min(max(round(100 * share), 1), 99))


def _grey(share: Share) -> str:
    """In tenths, so that neighbours differ; what is not all of the time is never white."""
    if share is None or share == 1:
        return WHITE
    level = round(255 * (DARKEST + (1 - DARKEST) * min(int(share * 10) / 10, 0.95)))
    return f"#{level:02x}{level:02x}{level:02x}"
