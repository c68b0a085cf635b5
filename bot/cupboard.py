"""What a facility has to mix with: whether a bottle can be believed, how strong it may still be.

One rule for the conversation, which mixes by it, and for the sheets, which are printed.
"""

from __future__ import annotations

from datetime import date
from math import floor

from bot.site import Bottle, Site
from flows.protocol import Protocol
from flows.shelf import left

MOST_BOTTLES = 5  # of one facility: as many as the text that offers them has room for
FADING = ("bleach", "chlorinated lime")  # even in the dark and the dry


def lacking(site: Site) -> tuple[str, ...]:
    """What the register does not say of *site* though a recipe needs it."""
    has = {"stock": site.stock, "bucket": site.soak_ml > 0, "measures": site.measures}
    return tuple(name for name, there in has.items() if not there)


def fades(bottle: Bottle) -> bool:
    """Whether it loses strength as it stands."""
    return bottle.stock.form == "liquid" or bottle.stock.product in FADING


def doubtful(bottle: Bottle, protocol: Protocol, today: date) -> bool:
    """Whether *bottle* wants a test before it is used: it is too old, too warm, or nobody knows.

    *today* is the facility's day. A bottle that is opened tomorrow is one that nobody knows.
    """
    if not fades(bottle):
        return False
    days = _days(bottle, today)
    if days is None or bottle.celsius is None:
        return True
    within = days <= protocol["chlorine.test_after_days"]
    return not (within and bottle.celsius <= protocol["chlorine.test_above_c"])


def faded(bottle: Bottle, protocol: Protocol, today: date) -> float | None:
    """% that *bottle* may be down to, never above its label; None where nobody can say."""
    days = _days(bottle, today)
    if bottle.stock.form != "liquid" or days is None or bottle.celsius is None:
        return None
    percent = float(bottle.stock.percent_each())
    try:
        found = left(
            percent,
            days,
            bottle.celsius,
            test_after_days=protocol["chlorine.test_after_days"],
            test_above_celsius=protocol["chlorine.test_above_c"],
        )
    except ValueError:
        return None
    shown = found.shown_percent
    return None if shown == "unknown" else min(shown, percent)


def shown_percent(percent: float, target: float) -> str:
    """A mix's strength to two decimals, never above what it is; no less than *target*."""
    return f"{max(floor(round(percent * 100, 6)) / 100, target):g}"


def _days(bottle: Bottle, today: date) -> int | None:
    """For how many days it has been open; None where nobody knows."""
    days = (today - bottle.opened).days if bottle.opened else -1
    return days if days >= 0 else None
