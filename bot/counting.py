"""What a supervisor who asked for counts is told: the figures of her district from the store, four
weeks against the four before."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from bot.count_queries import CountFilter
from bot.effects import CountsAsked, Post
from bot.events import Letter
from bot.figures import Counts
from bot.store import Store

SPAN = timedelta(days=28)
A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Counting:
    """Answers what is asked of *store* at the moment of *clock*. StoreDown: try again later."""

    store: Store
    clock: Callable[[], datetime]

    def __call__(self, asked: CountsAsked) -> Iterator[Post]:
        """One letter, with the same id however often the same is asked: it is read once."""
        now = self.clock()
        facts = district_facts(self.store, asked.district, now)
        yield Post(asked.site_id,
                   Letter(f"counts:{asked.id}", now, "counted", asked.by, facts=facts))


def district_facts(store: Store, district: str, now: datetime) -> dict[str, int]:
    """The counts of *district* in the 28 days that end today, and as `before_...` in the 28 days
    before. What nobody reported, and what has nothing to be a part of, is left out."""
    until = last_day(store, now, district)
    found: dict[str, int] = {}
    for which, last in (("", until), ("before_", until - SPAN)):
        wanted = CountFilter(since=last - SPAN + A_DAY, until=last, district=(district,))
        told = _facts(store.figures(wanted, now))
        found |= {which + name: n for name, n in told.items()}
    return found


def last_day(store: Store, now: datetime, district: str = "") -> date:
    """The last day that has begun at any facility of *district* (or of the register)."""
    zones = {row["zone"] for row in store.facilities(district)} or {"UTC"}
    return max(now.astimezone(ZoneInfo(zone)).date() for zone in zones)


def _facts(counts: Counts) -> dict[str, int]:
    found = {"silent": len(counts.silent), "all": len(counts.expected)}
    if len(counts.silent) == len(counts.expected):
        return found  # nobody reported: there is nothing that could be zero
    [group] = counts.groups
    figures = group.indicators
    of_batches = {"ended": figures["released"].denominator, "ready": figures["released"].numerator}
    missed, checks, empty = (figures[name] for name in ("missed", "checks", "empty"))
    told = {
        **of_batches,
        "missed": missed.numerator if missed.denominator else None,
        "done": checks.numerator if checks.denominator else None,
        "due": checks.denominator or None,
        "empty_minutes": empty.numerator if empty.denominator else None,
    }
    return found | {name: n for name, n in told.items() if n is not None}
