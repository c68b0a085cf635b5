"""The report's tables of indicators and of how far the numbers can be believed: completeness,
timeliness, outliers, consistency. Pure.

Data quality by the WHO Data Quality Review, as applied in PLoS ONE 2019;14:e0213600, Table 1: each
share with its denominator named, outliers from the mean of the same facility's other months.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from bot.desk_indicators import defined
from bot.desk_period import Wanted
from bot.figure import Figure
from bot.figures import Counts
from bot.pictures_words import clean, percent, several
from bot.report_parts import Block, Listed, Table
from flows.indicators import NO_PRACTICE, ON_TIME_MINUTES
from flows.statistics import (
    EXTREME_SD,
    FEWEST_OTHERS,
    MODERATE_SD,
    completeness,
    consistency,
    outlier,
    timeliness_of_expected,
    timeliness_of_received,
)

TOO_FEW = f"fewer than {FEWEST_OTHERS} months"
MOST_ROWS = 40  # facilities in a table: a software limit, those that stand out first
NOT_TOLD = "not told"
OF_TIMES = ("Time without a READY set is in minutes. Of a median or a percentile the numerator is"
            " minutes, the denominator how many times there were.")  # fmt: skip
NO_PLACES = "No facility has a number of batches that can be told and held against earlier months."
SOURCE = "WHO Data Quality Review, as applied in PLoS ONE 2019;14:e0213600, Table 1"


METHODS = (
    ("A step counts as missed where it was left out, cut short, refused or done again; not where"
     " the answer was taken back at once."),
    ("Control chart: limits at three standard deviations for each week's own number"
     " (NIST/SEMATECH e-Handbook, 6.3.3.2)."),
    ("Funnel: exact binomial limits of 95 % and 99.8 % around the share of all facilities"
     " (Spiegelhalter, Stat Med 2005;24:1185)."),
    "Times are kept in bins that grow with them; a median is exact to its bin.",
    f"A shift check is in time within {ON_TIME_MINUTES:g} minutes (common practice, no source).",
    "Practice is never counted. What was recorded after this report was made is not in it.",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Months:
    """Batches that ended by month: *this* and the *earlier* ones in order, of each facility by id
    (months in which nothing was heard of it left out, and what may not be told), and of *all*."""

    this: Mapping[str, int]
    earlier: Mapping[str, Sequence[int]]
    all: tuple[int, Sequence[int]] | None


# ---- indicators --------------------------------------------------------------------------------


def indicators(whole: Counts, before: Counts) -> tuple[Block, ...]:
    """Every indicator with its numerator, its denominator and the month before."""
    figures = whole.groups[0].indicators if whole.groups else {}
    earlier = before.groups[0].indicators if before.groups else {}
    then = {one.id: one.value for one in defined(before)}
    rows = []
    for one in defined(whole):
        figure = figures.get(one.id)
        rows.append((
            f"{one.name}\n{one.sentence}", _value(one.value, figure), *_parts(figure),
            _value(then[one.id], earlier.get(one.id)),
            one.left_out.replace(NO_PRACTICE, "practice"),
        ))  # fmt: skip
    columns = ("Indicator", "Value", "Numerator", "Denominator", "Month before", "Left out")
    return (Table("What is counted, of what", columns, tuple(rows), (34, 11, 12, 13, 11, 19)),
            OF_TIMES, f"Left out everywhere: {NO_PRACTICE}.")  # fmt: skip


def _value(said: str, figure: Figure | None) -> str:
    return NOT_TOLD if figure is not None and figure.suppressed else said


def _parts(figure: Figure | None) -> tuple[str, str]:
    if figure is None:
        return "none", "none"
    if figure.suppressed:
        return NOT_TOLD, NOT_TOLD
    return _number(figure.numerator), _number(figure.denominator)


def _number(number: float | None) -> str:
    return "none" if number is None else f"{number:,.0f}".replace(",", "\N{NO-BREAK SPACE}")


# ---- data quality ------------------------------------------------------------------------------


def quality(
    whole: Counts, silent: Sequence[str], months: Months, names: Mapping[str, str]
) -> tuple[Block, ...]:
    """Completeness, timeliness, who was silent, what stands out."""
    return (*_complete(whole), *_quiet(silent), *_timely(whole), *_related(whole), *_steady(months),
            *_outliers(months, names), f"By the {SOURCE}.")  # fmt: skip


def _measures(whole: Counts, *names: str) -> list[int] | None:
    """These measures of the whole; None where one is not known or not told."""
    found = [whole.groups[0].measures[name] for name in names] if whole.groups else [None]
    known = [n for n in found if n is not None]
    return known if len(known) == len(found) else None


def _complete(whole: Counts) -> Iterator[str]:
    found = _measures(whole, "reports", "reports_due")
    share = completeness(*found) if found else None
    if found is None or share is None:
        yield "Completeness: no facility was expected to report."
        return
    yield (f"Completeness: of {found[0]} of {found[1]} facilities in the register anything was"
           f" heard in this month ({percent(share)}). All numbers are of these alone.")  # fmt: skip


def _quiet(silent: Sequence[str]) -> Iterator[Block]:
    if silent:
        yield "Nothing was heard from these; that is no zero:"
        yield Listed(tuple(silent))
    else:
        yield "Every facility of the register was heard from."


def _timely(whole: Counts) -> Iterator[str]:
    found = _measures(whole, "checks_on_time", "checks_done", "checks_due")
    if found is None:
        yield "Timeliness of shift checks is not told: a number is too small."
        return
    in_time, done, due = found
    of_due, of_done = timeliness_of_expected(in_time, due), timeliness_of_received(in_time, done)
    if of_due is None:
        yield "Timeliness: no shift check was due."
        return
    late = "" if of_done is None else f"; of the {done} that were done at all, {percent(of_done)}"
    yield (f"Timeliness: {in_time} of {due} shift checks due were done within {ON_TIME_MINUTES:g}"
           f" minutes of their time ({percent(of_due)}){late}. What was not done counts as late in"
           " the first share.")  # fmt: skip


def _related(whole: Counts) -> Iterator[str]:
    found = _measures(whole, "uses_counted", "uses_said")
    if found and found[1]:
        yield (f"Related numbers: {found[1]} uses were reported at the shift checks, and {found[0]}"
               f" sets came back used in the same times (ratio {found[0] / found[1]:.2f}; 1 where"
               " every use came back).")  # fmt: skip


def _steady(months: Months) -> Iterator[str]:
    if months.all is None:
        return
    this, earlier = months.all
    ratio = consistency(this, earlier)
    if ratio is not None:
        yield (f"Consistency over time: {this} batches ended, {ratio:.2f} times the mean of the"
               f" {len(earlier)} months before (1: no change).")  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Place:
    name: str
    this: int
    earlier: Sequence[int]

    @property
    def mark(self) -> str:
        return outlier(self.this, self.earlier)

    @property
    def row(self) -> tuple[str, ...]:
        ratio = consistency(self.this, self.earlier)
        usual = f"{fmean(self.earlier):.1f}" if self.earlier else "none"
        few = "within" if len(self.earlier) >= FEWEST_OTHERS else TOO_FEW
        return (self.name, str(self.this), usual, "none" if ratio is None else f"{ratio:.2f}",
                f"{self.mark} outlier" if self.mark else few)  # fmt: skip


def _outliers(months: Months, names: Mapping[str, str]) -> Iterator[Block]:
    places = [_Place(f"{clean(names[i])} ({clean(i)})", n, months.earlier.get(i, ()))
              for i, n in sorted(months.this.items()) if i in names]  # fmt: skip
    if not places:
        yield NO_PLACES
        return
    marked = [place.name for place in places if place.mark]
    yield (f"Outliers: {several(marked)}." if marked else "Outliers: none.") + (
        f" Batches that ended, against the mean of the same facility's earlier months: moderate"
        f" from {MODERATE_SD} standard deviations, extreme from {EXTREME_SD}. An outlier is to be"
        " asked about, and need not be a mistake.")  # fmt: skip
    places.sort(key=lambda place: not place.mark)
    columns = ("Facility", "Batches", "Mean before", "Ratio", "Outlier")
    yield Table("Batches that ended, against earlier months", columns,
                tuple(place.row for place in places[:MOST_ROWS]), (40, 13, 15, 12, 20))  # fmt: skip
    if len(places) > MOST_ROWS:
        yield f"And {len(places) - MOST_ROWS} facilities more, none of which was put before these."


# ---- how it was counted ------------------------------------------------------------------------


def counted_how(wanted: Wanted, least: int) -> tuple[Block, ...]:
    """Days, charts with their sources, what is left out."""
    small = (f"Counts from 1 to {least - 1} of one facility are not told, nor what would give them"
             " away: they may point at a person (common practice, no source)."
             if least > 1 else "No small number is left out of this report: it is for those who may"
             " see each facility's own page.")  # fmt: skip
    days = (f"Days are those of each facility's own clock, {wanted.words}. A batch's beginning"
            " counts on the day it was opened, all else of it on the day it closed.")  # fmt: skip
    return days, Listed(METHODS), small
