"""Every indicator a second way: from facts, by what its sentence takes and leaves out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

from bot.effects import Gap
from bot.store import CountFilter
from flows.indicators import EXPECTED, MEASURES, Indicator
from flows.statistics import minute_bin
from tests.bot.lived_district import ENDS, REGISTER, ZONES, lived
from tests.bot.second_count import Fact, added, chosen, facts, nearest_rank
from tests.bot.second_expected import Expected

EVERY = (date(2026, 3, 1), date(2026, 5, 31))
PLACES = frozenset({"district", "facility", "month"})  # by what months are owed

Key = tuple[str, ...]
Times = Mapping[str, Sequence[float]]
Numbers = tuple[int | None, int | None, float | None]


@cache
def ended() -> list[Fact]:
    """What the totals hold: a gap that lasts is in none."""
    docs = [d for d in lived().newest() if not isinstance(d, Gap) or d.until]
    return facts(docs, ZONES, ENDS)


@cache
def known() -> list[Fact]:
    """The same with the gaps that last, of the facilities that somebody still looks after."""
    docs = [d for d in lived().newest() if not isinstance(d, Gap) or d.facility in ZONES]
    return facts(docs, ZONES, ENDS)


@cache
def expected() -> Expected:
    return Expected(REGISTER, known(), ENDS)


@cache
def observed() -> list[Fact]:
    return list(expected().observed())


@dataclass(frozen=True, slots=True)
class Asked:
    """A question, and what of it is needed for the second answer."""

    by: tuple[str, ...]
    since: date | None
    until: date | None
    only: Mapping[str, tuple[str, ...]]

    @property
    def wanted(self) -> CountFilter:
        district, facility, method = (
            self.only.get(name, ()) for name in ("district", "facility", "method"))
        return CountFilter(by=self.by, since=self.since, until=self.until, district=district,
                           facility=facility, method=method)

    @property
    def of_places(self) -> bool:
        return "method" not in self.by and "method" not in self.only

    def among(self, found: Sequence[Fact]) -> list[Fact]:
        return chosen(found, self.since, self.until, self.only)


def of_facilities(asked: Asked, found: Sequence[Fact]) -> list[Fact]:
    return [f for f in asked.among(found) if f.facility or "facility" not in asked.by]


def sums_of(asked: Asked) -> dict[tuple[str, ...], Counter[str]]:
    """Of places with what lasts and the time heard of; of methods what the totals hold."""
    if not asked.of_places:
        return added(asked.among(ended()), asked.by)
    return added(asked.among([*known(), *observed()]), asked.by)


def months_owed(asked: Asked) -> dict[tuple[str, ...], tuple[int, int]]:
    """Months in which anything came, and all of them, by group; none by day, week or method."""
    owed: dict[tuple[str, ...], tuple[int, int]] = {}
    if not set(asked.by) <= PLACES or not asked.of_places:
        return owed
    since, until = asked.since or EVERY[0], asked.until or EVERY[1]
    for place in REGISTER.facilities:
        if (place.district in asked.only.get("district", (place.district,))
                and place.id in asked.only.get("facility", (place.id,))):
            came = expected().came(place, since, until)
            for month in expected().owed(place, since, until):
                told = {"district": place.district, "facility": place.id, "month": month}
                key = tuple(told[b] for b in asked.by)
                got, due = owed.get(key, (0, 0))
                owed[key] = got + (month in came), due + 1
    return owed


def measures_of(asked: Asked, sums: Counter[str],
              owed: tuple[int, int] | None) -> dict[str, int | None]:
    measures: dict[str, int | None] = {name: sums[name] for name in MEASURES}
    measures |= dict.fromkeys(EXPECTED)
    if asked.of_places:
        measures["observed_minutes"] = sums["observed_minutes"]
        measures["reports"], measures["reports_due"] = owed or (None, None)
    return measures


def share_told(one: Indicator, measures: Mapping[str, int | None]) -> Numbers:
    top = _over(one.numerator, measures)
    if not one.denominator:
        return top, None, top
    bottom = _over(one.denominator, measures)
    if top is None or bottom is None:
        return None, None, None
    return top, bottom, top / bottom if bottom else None


def _over(names: Sequence[str], measures: Mapping[str, int | None]) -> int | None:
    total = 0
    for name in names:
        number = measures[name.lstrip("-")]
        if number is None:
            return None
        total += -number if name.startswith("-") else number
    return total


def time_told(one: Indicator, times: Times | None) -> Numbers:
    """Nearest rank on the times themselves; then its bin."""
    if times is None:
        return None, None, None
    minutes = times.get(one.span, ())
    value = nearest_rank(minutes, one.share)
    edge = None if value is None else minute_bin(value)
    return edge, len(minutes), edge


def times_of(asked: Asked) -> dict[tuple[str, ...], dict[str, list[float]]] | None:
    """All times by group and name, in the whole months asked for; None where there is none."""
    begin, end = _whole_months(asked)
    if {"week", "day"} & set(asked.by) or begin > end:
        return None
    told: dict[tuple[str, ...], dict[str, list[float]]] = {}
    for fact in chosen(ended(), begin, end, asked.only):
        if fact.kind == "span":
            key = tuple(fact.told(b) for b in asked.by)
            told.setdefault(key, {}).setdefault(fact.name, []).extend([fact.minutes] * fact.n)
    return told


def _whole_months(asked: Asked) -> tuple[date, date]:
    begin, end = asked.since or EVERY[0], asked.until or EVERY[1]
    while begin.day != 1:
        begin += timedelta(days=1)
    while (end + timedelta(days=1)).day != 1:
        end -= timedelta(days=1)
    return begin, end
