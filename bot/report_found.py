"""Finds what a monthly report is made from: counts of the month, of the one before, of each
facility, of the months that go before; pictures; what may not leave.

A report that leaves by itself is without what is too small to tell of one facility, by the same
rules as the API (`bot/count_masks.py`); one that is read at the desk has everything.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from bot.count_masks import finer, mask_of, masked
from bot.count_queries import REPORTS, CountFilter
from bot.cursors import MOST_ROWS
from bot.desk_figures import Seen, of_batches
from bot.desk_period import Scope, Wanted
from bot.desk_pictures import SHARES, Gallery
from bot.desk_said import Teller
from bot.figures import Counted, Counts
from bot.gap_queries import GapFilter
from bot.pictures import NOTHING, Facility, funnel
from bot.report import Found, report
from bot.report_parts import Drawn, Report
from bot.report_quality import Months
from bot.rules import Rules
from bot.site import Site
from bot.small_numbers import FEW
from bot.store import Store
from bot.wording import Wording
from flows.indicators import MEASURES
from flows.protocol import Protocol

EVERYTHING = "all districts"
MONTHS_BEFORE = 12  # that a facility's month is held against
WEEKS_FROM = 5  # months before, from whose first day the weeks of the control chart are drawn
FIRST = date(1990, 1, 1)  # before any batch, and before what can be reckoned with
MISSED = ("missed", "batches", "cancelled")
CHECKS = ("checks_due", "checks_done", "checks_on_time")

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Reports:
    """Makes reports from *store*; *clock* says when."""

    store: Store
    rules: Rules
    wording: Wording
    clock: Callable[[], datetime]

    def make(self, month: date, district: str = "", least: int = 0) -> Report:
        """The report of the month that begins on *month* for *district* ("": everything), without
        counts of one facility from 1 to below *least*. ValueError for a district that is not in
        the register, for a month that has not begun and one before any batch."""
        made = self.clock()
        if not FIRST <= month <= made.date() + timedelta(days=1):
            raise ValueError("that month has not begun yet, or lies before any batch")
        sites = [s for s in self.store.load_register().sites()
                 if s.methods and district in ("", s.district)]
        if not sites:
            raise ValueError("there is no such district in the register, or no facility in it")
        wanted = Wanted(month, last_of(month), district=district)
        now = min(made, end_of(month, sites))
        found = _Finder(self.store, self.rules, wanted, sites, made, now, least)
        names = {r["district"]: r["district_name"] for r in self.store.facilities(district)}
        place = f"{names[district]} ({district})" if district else EVERYTHING
        teller = Teller(self.wording, self.rules.alerts, now, named=False)
        return report(found.all(place), teller)


def last_of(month: date) -> date:
    """The last day of the month that begins on *month*."""
    return before(month, -1) - timedelta(days=1)


def before(month: date, number: int = 1) -> date:
    """The first day of the month so many months before."""
    years, rest = divmod(month.year * 12 + month.month - 1 - number, 12)
    return date(years, rest + 1, 1)


def end_of(month: date, sites: Iterable[Site]) -> datetime:
    """When the month is over at every one of *sites*."""
    after = before(month, -1)
    return max(datetime.combine(after, time(), ZoneInfo(s.zone)).astimezone(UTC) for s in sites)


@dataclass(frozen=True, slots=True)
class _Finder:
    """What is asked, of which *sites*, *made* when; *now* is the end of the month if it is over."""

    store: Store
    rules: Rules
    wanted: Wanted
    sites: Sequence[Site]
    made: datetime
    now: datetime
    least: int

    def all(self, place: str) -> Found:
        month = self.wanted.filter(Scope())
        plain = self.store.figures(month, self.made)
        by_place = replace(month, by=("facility",))
        places = self._told(by_place, self.store.figures(by_place, self.made))
        whole, since = self._told(month, plain), self._told_since()
        few = since > self.wanted.since
        seen = Seen(
            self.wanted, self.sites, None, plain, self._missed_rows(month, few),
            _all_or_none(places, MISSED), _all_or_none(places, CHECKS), list(self._gaps()),
        )  # fmt: skip
        pictures = dict(self._pictures(since)) if not few else {}
        if funnel_ := self._funnel(whole, _rows(places, MISSED)):
            pictures["funnel"] = funnel_
        return Found(
            district=self.wanted.district, place=place, month=self.wanted.since, made=self.made,
            seen=seen, whole=whole, before=self._before(month), places=places,
            months=self._months(since), pictures=pictures, protocols=self._protocols(),
            least=self.least, few=few, over=self.now < self.made,
        )  # fmt: skip

    # ---- what may be told ----------------------------------------------------------------------

    def _told(self, wanted: CountFilter, found: Counts) -> Counts:
        if not self.least:
            return found
        fine = self.store.figures(finer(wanted), self.made)
        owners = {row["id"]: row["district"] for row in self.store.facilities()}
        return masked(found, mask_of(wanted, fine, owners, self.least), fine)

    def _missed_rows(self, month: CountFilter, few: bool) -> list[Row]:
        """Missed steps by stage and reason; of few facilities none that is small."""
        rows = self.store.counts(replace(month, by=("stage", "reason")))
        return [row for row in rows if not few or row["n"] >= self.least]

    # ---- other months --------------------------------------------------------------------------

    def _before(self, month: CountFilter) -> Counts:
        first = before(self.wanted.since)
        asked = replace(month, since=first, until=last_of(first))
        return self._told(asked, self.store.figures(asked, self.made))

    def _told_since(self) -> date:
        """The first day of the months up to this one of which the sum of all may be told: in each
        of them enough facilities were heard of. After this month: not even of this one."""
        first = before(self.wanted.since, MONTHS_BEFORE)
        if not self.least:
            return first
        heard = Counter(month for _, month in self._came())
        day = self.wanted.since
        while day >= first and heard[f"{day:%Y-%m}"] >= FEW:
            day = before(day)
        return before(day, -1)

    def _came(self) -> set[tuple[str, str]]:
        """The facilities and months of the year in which anything was heard of them."""
        rows = self.store.counts(replace(self._year(), by=("facility", "month")))
        return {(row["facility"], row["month"]) for row in rows if any(row[n] for n in REPORTS)}

    def _year(self) -> CountFilter:
        return replace(self.wanted.filter(Scope()), since=before(self.wanted.since, MONTHS_BEFORE))

    def _months(self, told_since: date) -> Months:
        """Batches that ended, by facility and month."""
        asked, heard = self._year(), self._came()
        by = replace(asked, by=("facility", "month"))
        rows = list(_rows(self._told(by, self.store.figures(by, self.made)), MISSED)
                    if self.least else self.store.counts(by))
        this, earlier = {}, defaultdict[str, list[int]](list)
        for row in rows:
            if row["month"] == f"{self.wanted.since:%Y-%m}":
                this[row["facility"]] = of_batches(row)[1]
            elif (row["facility"], row["month"]) in heard:
                earlier[row["facility"]].append(of_batches(row)[1])
        known = {month for _, month in heard if month >= f"{told_since:%Y-%m}"}
        rows = self.store.counts(replace(asked, by=("month",)))
        ended = {row["month"]: of_batches(row)[1] for row in rows if row["month"] in known}
        now = ended.pop(f"{self.wanted.since:%Y-%m}", None)
        return Months(this, earlier, None if now is None else (now, list(ended.values())))

    # ---- pictures, gaps, protocols -------------------------------------------------------------

    def _pictures(self, told_since: date) -> Iterator[tuple[str, Drawn]]:
        """Those of all facilities together, of no month before *told_since*."""
        gallery = Gallery(self.store, Scope(), self.now, {}, lambda _parts: "")
        weeks = max(before(self.wanted.since, WEEKS_FROM), told_since)
        months = max(before(self.wanted.since, MONTHS_BEFORE - 1), told_since)
        asked = {
            "control": ("control", replace(self.wanted, since=weeks, what="missed")),
            "turnaround": ("turnaround", replace(self.wanted, what="use_to_ready")),
            "methods": ("methods", replace(self.wanted, since=months)),
            "bag": ("week", replace(self.wanted, what="bag")),
        }  # fmt: skip
        for name, (kind, wanted) in asked.items():
            shown = gallery.draw(kind, wanted)
            if shown.picture.sentence != NOTHING:
                yield name, Drawn(shown.picture, shown.note)

    def _funnel(self, whole: Counts, rows: Iterable[Row]) -> Drawn | None:
        """Each facility of *rows* against the share of all."""
        names = {site.id: site.name for site in self.sites}
        places = [Facility(names[row["facility"]], *of_batches(row)) for row in rows
                  if row["facility"] in names and of_batches(row)[1]]  # fmt: skip
        target = whole.groups[0].indicators["missed"].value if whole.groups else None
        if target is None or not places:
            return None
        title = f"Funnel of facilities, {self.wanted.words}"
        picture = funnel("funnel", title, SHARES["missed"], places, min(target, 1))
        return Drawn(picture, _left(len(self.sites) - len(places)))

    def _gaps(self) -> Iterator[Mapping[str, Any]]:
        """The gaps that lasted when the month ended."""
        asked = GapFilter(district=self.wanted.district, since=self.now, until=self.now,
                          limit=MOST_ROWS)  # fmt: skip
        page = self.store.gaps(asked)
        yield from page.rows
        while page.next:
            page = self.store.gaps(replace(asked, after=page.next))
            yield from page.rows

    def _protocols(self) -> list[Protocol]:
        found = {p.id: p for p in map(self.rules.protocol_for, self.sites)}
        return [found[i] for i in sorted(found)]


def _rows(found: Counts, needed: Iterable[str] = ()) -> Iterator[Row]:
    """The groups as rows of measures: those of which all that is *needed* may be told."""
    needs = tuple(needed)
    return (_row(group) for group in found.groups
            if all(group.measures[name] is not None for name in needs))


def _all_or_none(found: Counts, needed: Iterable[str]) -> list[Row]:
    """The same, and none where one may not be told: what they come to together would be another
    number than that of all."""
    rows = list(_rows(found, needed))
    return rows if len(rows) == len(found.groups) else []


def _row(group: Counted) -> Row:
    return {**group.keys, **{name: group.measures[name] or 0 for name in MEASURES}}


def _left(number: int) -> str:
    said = "The target is the share of all facilities together."
    if not number:
        return said
    many = "facilities" if number > 1 else "facility"
    return f"{said} {number} {many} with no batch, or with numbers too small to tell, not shown."
