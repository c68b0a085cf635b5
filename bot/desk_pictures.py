"""The pictures of the counts, each with what it is made from: totals of the store, never its rows.

Each picture has the place, the method and the days that are asked for; what the totals keep by
whole months is told for the months that these days touch, and the page says so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from bot import pictures
from bot.count_queries import CountFilter
from bot.desk_figures import of_batches
from bot.desk_period import Scope, Wanted, said_day, stretches
from bot.desk_said import KINDS
from bot.pictures import Facility, Month, Picture, Point, Row, Stage, Value
from bot.store import Store
from bot.whole_months import bins, readiness, whole_months
from flows.indicators import BY_ID, SPANS, total
from flows.run_charts import run_chart
from flows.statistics import p_chart

Link = Callable[[Mapping[str, str]], str]

SHARES: Mapping[str, str] = {
    "missed": "batches with a step missed, of all that ended",
    "released": "batches that ended READY, of all that ended",
    "tests_failed": "function tests that failed, of all made",
    "checks": "shift checks done, of those due",
}
# Which batches of a time stand behind a share; None where it is not about batches.
BEHIND: Mapping[str, Mapping[str, str] | None] = {
    "missed": {"missed": "yes"}, "released": {"outcome": "released"},
    "tests_failed": {"reason": "test"}, "checks": None,
}  # fmt: skip
# The time that a set is missing comes first.
TIMES: Mapping[str, str] = {"use_to_ready": SPANS["use_to_ready"], **SPANS}
OF_BATCHES = frozenset({"use_to_wipe", "use_to_ready"})  # times that a batch has
NO_METHOD = "none chosen"
MOST_ROWS = 150  # of one table: the page stays below 60 KB
INSIDE = ("within the limits", "no case")  # what a funnel says of those that do not stand out
WEEKS = "Each point is a week from Monday to Sunday, or as much of it as lies in these days."
MONTHS = "Each point is a month, or as much of it as lies in these days."


@dataclass(frozen=True, slots=True)
class Kind:
    """A picture that can be asked for: its *title*, what may be chosen in it by name, and the key
    of PERIODS that it has where no time is asked."""

    title: str
    choices: Mapping[str, str]
    period: str
    about: str


PICTURES: Mapping[str, Kind] = {
    "control": Kind("Control chart", SHARES, "3m", "is it only chance, or did something change?"),
    "run": Kind("Run chart", SHARES, "3m", "does the level shift, or does it drift?"),
    "funnel": Kind("Funnel of facilities", SHARES, "3m", "who differs by more than chance?"),
    "turnaround": Kind("How long it takes", TIMES, "3m", "how long is a set missing?"),
    "methods": Kind("Methods", {}, "12m", "what is used to disinfect?"),
    "week": Kind("READY through the week", KINDS, "3m", "at which hours is no set READY?"),
    "stages": Kind("Where batches stop", {}, "4w", "what becomes of batches, where do they fail?"),
}


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture, and what must be known to read it."""

    picture: Picture
    note: str = ""
    behind: str = ""  # the list of all its batches, where no point has one of its own

    @property
    def rows(self) -> Sequence[Row]:
        """Its numbers, as many as a page has room for; of a funnel those that stand out first."""
        if len(self.picture.rows) <= MOST_ROWS:
            return self.picture.rows
        return sorted(self.picture.rows, key=lambda row: row.cells[-1] in INSIDE)[:MOST_ROWS]

    @property
    def more(self) -> int:
        """How many rows were left out."""
        return max(len(self.picture.rows) - MOST_ROWS, 0)


@dataclass(frozen=True, slots=True)
class Gallery:
    """Draws what is asked of *store* within *scope* at *now*; *link* makes the address of the list
    of the batches behind a point, *names* are those of the facilities."""

    store: Store
    scope: Scope
    now: datetime
    names: Mapping[str, str]
    link: Link

    def draw(self, name: str, wanted: Wanted) -> Shown:
        """The picture *name*, a key of PICTURES; *wanted.what* is one of its choices."""
        return _DRAWN[name](self, wanted)

    # ---- shares --------------------------------------------------------------------------------

    def control(self, wanted: Wanted) -> Shown:
        """The p-chart of a share."""
        points = self._points(wanted)
        chart = p_chart([p.count for p in points], [p.size for p in points])
        picture = pictures.control_chart("control", self._title("Control chart", wanted),
                                         SHARES[wanted.what], points, chart)  # fmt: skip
        return Shown(picture, _grain(wanted))

    def run(self, wanted: Wanted) -> Shown:
        """The same share around its median."""
        values = [Value(p.label, p.count / p.size if p.size else None, p.link)
                  for p in self._points(wanted)]  # fmt: skip
        chart = run_chart([value.value for value in values])
        picture = pictures.run_chart("run", self._title("Run chart", wanted),
                                     SHARES[wanted.what], values, chart)  # fmt: skip
        return Shown(picture, _grain(wanted))

    def funnel(self, wanted: Wanted) -> Shown:
        """Each facility against the share of all of them."""
        rows = self.store.counts(_asked(wanted, self.scope, "facility"))
        found = [
            Facility(self.names.get(row["facility"], row["facility"]), *_share(row, wanted.what),
                     self._behind(wanted, {**wanted.days, **wanted.place,
                                           "facility": row["facility"]}))
            for row in rows
        ]  # fmt: skip
        size = sum(f.size for f in found)
        target = sum(f.count for f in found) / size if size else 0.0
        picture = pictures.funnel("funnel", self._title("Funnel of facilities", wanted),
                                  SHARES[wanted.what], found, target)  # fmt: skip
        return Shown(picture, "The target is the share of all facilities together. Beyond a limit:"
                     " go and see what is different there, for better or worse.")  # fmt: skip

    def _points(self, wanted: Wanted) -> list[Point]:
        grain = wanted.grain
        rows = {row[grain]: row for row in self.store.counts(_asked(wanted, self.scope, grain))}
        return [
            Point(s.label, *_share(rows[s.key], wanted.what),
                  self._behind(wanted, wanted.between(s.first, s.last)))
            if s.key in rows else Point(s.label, 0, 0)
            for s in stretches(wanted)
        ]  # fmt: skip

    def _behind(self, wanted: Wanted, parts: Mapping[str, str]) -> str:
        behind = BEHIND[wanted.what]
        return "" if behind is None else self.link({**parts, **behind})

    # ---- times and hours -----------------------------------------------------------------------

    def turnaround(self, wanted: Wanted) -> Shown:
        """The distribution of one of the times."""
        asked = wanted.filter(self.scope)
        with self.store.database.read() as connection:
            found = bins(connection, asked, wanted.what)
        picture = pictures.turnaround("turnaround", self._title("How long it takes", wanted),
                                      f"minutes {SPANS[wanted.what]}", found)  # fmt: skip
        months = whole_months(asked)
        if wanted.what not in OF_BATCHES or not months.since or not months.until:
            return Shown(picture, _whole(asked))
        days = {"from": months.since.isoformat(), "to": months.until.isoformat()}
        return Shown(picture, _whole(asked), self.link({**days, **wanted.place}))

    def week(self, wanted: Wanted) -> Shown:
        """How much of each hour of the week a set of a kind was READY."""
        asked = wanted.filter(self.scope)
        with self.store.database.read() as connection:
            shares = readiness(connection, asked, wanted.what, self.now)
        title = self._title("READY through the week", wanted.without_method())
        return Shown(
            pictures.week("week", title, KINDS[wanted.what], shares),
            f"{_whole(asked)} Of all hours of facilities with such a set since each was first heard"
            " of, by the clock of each.")  # fmt: skip

    # ---- methods and ends ----------------------------------------------------------------------

    def methods(self, wanted: Wanted) -> Shown:
        """What was used to disinfect, time by time."""
        grain = wanted.grain
        counts: dict[str, dict[str, int]] = defaultdict(dict)
        for row in self.store.counts(_asked(wanted, self.scope, grain, "method")):
            counts[row[grain]][row["method"] or NO_METHOD] = of_batches(row)[1]
        months = [Month(s.label, counts.get(s.key, {}), self.link(wanted.between(s.first, s.last)))
                  for s in stretches(wanted)]  # fmt: skip
        picture = pictures.methods("methods", self._title("Methods", wanted), months)
        return Shown(picture, "Of all batches that ended, less those that were begun by mistake.")

    def stages(self, wanted: Wanted) -> Shown:
        """What became of the batches."""
        rows = self.store.counts(wanted.filter(self.scope))
        row = rows[0] if rows else defaultdict[str, int](int)
        ended = row["batches"]
        parts = {**wanted.days, **wanted.place}
        found = [
            Stage("Begun", ended + row["unfinished"]),
            Stage("Carried to an end", ended, self.link({**parts, "outcome": "open"})),
            Stage("Not begun by mistake", ended - row["cancelled"],
                  self.link({**parts, "outcome": "cancelled"})),
            Stage("READY", row["released"], self.link({**parts, "outcome": "set aside"})),
        ]  # fmt: skip
        return Shown(pictures.stages("stages", self._title("Where batches stop", wanted), found),
                     "Of all batches that ended in these days, with those that began in them and"
                     " are open now.")  # fmt: skip

    def _title(self, title: str, wanted: Wanted) -> str:
        place = self.names.get(wanted.facility, wanted.facility) or wanted.district
        parts = [f"{title}{f', {place}' if place else ''}", wanted.method, wanted.words]
        return ", ".join(part for part in parts if part)


_DRAWN: Mapping[str, Callable[[Gallery, Wanted], Shown]] = {
    "control": Gallery.control, "run": Gallery.run, "funnel": Gallery.funnel,
    "turnaround": Gallery.turnaround, "methods": Gallery.methods, "week": Gallery.week,
    "stages": Gallery.stages,
}  # fmt: skip


def chosen(name: str, wanted: Wanted) -> Wanted:
    """*wanted* with the first choice of the picture *name* where it asks for none of them."""
    choices = PICTURES[name].choices
    return replace(wanted, what=wanted.what if wanted.what in choices else next(iter(choices), ""))


def _asked(wanted: Wanted, scope: Scope, *by: str) -> CountFilter:
    """Shift checks are of no method."""
    return (wanted.without_method() if wanted.what == "checks" else wanted).filter(scope, *by)


def _share(row: Mapping[str, Any], what: str) -> tuple[int, int]:
    if what == "missed":
        return of_batches(row)
    one = BY_ID[what]
    return total(row, one.numerator), total(row, one.denominator)


def _grain(wanted: Wanted) -> str:
    return WEEKS if wanted.grain == "week" else MONTHS


def _whole(asked: CountFilter) -> str:
    months = whole_months(asked)
    if months.since is None or months.until is None:
        return ""
    return f"Told for whole months: {said_day(months.since)} to {said_day(months.until)}."
