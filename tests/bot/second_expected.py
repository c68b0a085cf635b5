"""What should be there, a second way: the time that facilities were heard of, months they owe."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from bot.register import Facility, Register
from tests.bot.second_count import MINUTE, Fact

HEARD_OF = ("started", "checks_due", "empty_minutes")  # what makes a facility known
HEARD = ("started", "batches", "checks_done", "uses_asked", "mixed")  # what somebody there did
A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Expected:
    """What the register and the calendar say at *now* of the facilities that *found* tells of."""

    register: Register
    found: Sequence[Fact]
    now: datetime

    def first(self, facility: str) -> date | None:
        """The first day on which anything was heard of it."""
        days = [f.day for f in self.found if f.facility == facility and f.name in HEARD_OF and f.n]
        return min(days, default=None)

    def observed(self) -> Iterator[Fact]:
        """Its minutes day by day, as long as each day was there, for each kind of sets it has."""
        kinds = {m.id: m.kind for m in self.register.models}
        for place in self.register.facilities:
            here = {kinds[s.model] for s in self.register.sets if s.facility == place.id}
            day = self.first(place.id)
            while day and _midnight(place, day) < self.now:
                end = min(_midnight(place, day + A_DAY), self.now.replace(second=0, microsecond=0))
                minutes = int((end - _midnight(place, day)) / MINUTE) * len(here)
                yield Fact(day, place.id, place.district, "", "observed_minutes", minutes)
                day += A_DAY

    def owed(self, place: Facility, since: date, until: date) -> set[str]:
        """The months of these days, from the first in which its district was heard of."""
        mates = [f.id for f in self.register.facilities if f.district == place.district]
        day = max(since, min(first for i in mates if (first := self.first(i))))
        last = min(until, self.now.astimezone(ZoneInfo(place.zone)).date())
        return {f"{day + n * A_DAY:%Y-%m}" for n in range((last - day).days + 1)}

    def came(self, place: Facility, since: date, until: date) -> set[str]:
        """The months of these days in which anything was heard from it."""
        return {f.told("month") for f in self.found if f.facility == place.id and f.n
                and f.name in HEARD and since <= f.day <= until}


def _midnight(place: Facility, day: date) -> datetime:
    return datetime.combine(day, time(), ZoneInfo(place.zone)).astimezone(UTC)
