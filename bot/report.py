"""What the monthly report says of a district, or of everything: three answers first, then every
indicator with what it is of, then how far the numbers can be believed.

Pure: from counts to sections. The answers are those of the desk's own page (`bot/desk_figures.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from bot.desk_figures import BY_CHANCE, Front, MissedStep, Seen, front
from bot.desk_said import Teller
from bot.desk_words import FIRST, TRAINING
from bot.figure import Figure
from bot.figures import Counts
from bot.pictures_words import clean, count, named, percent, several
from bot.report_parts import Block, Drawn, Listed, Report, Section, Table
from bot.report_quality import Months, counted_how, indicators, quality
from bot.small_numbers import FEW
from flows.protocol import Protocol

MOST_PLACES = 60  # facilities in a table: a software limit, so that a report stays a few pages
NOT_TOLD = "not told"
NO_PICTURES = (f"Pictures of the district are left out: fewer than {FEW} facilities were heard of,"
               " and each could be told from them.")  # fmt: skip

NONE_STANDS_OUT = ("None stands out: their differences are no larger than chance makes them, and"
                   " none was silent.")  # fmt: skip
CHANCE = (f"Beyond the 95 % limits chance alone puts about one facility in {BY_CHANCE}: go and see,"
          " nobody is to blame yet. They are not in an order of merit.")  # fmt: skip
TOO_SMALL = ("Where numbers are too small to be told, facilities are not compared here: the desk's"
             " own page compares all of them.")  # fmt: skip
EMPTY = ("Facility", "Hours without", "Hours known", "Share")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """All that a report is made from. *whole*, *before* (the month before) and *places* (by
    facility) are without what may not be told, and so are the rows of *seen*, from which the
    answers come. *least*: counts of one facility below it are not in here (0: all are). *few*: so
    few facilities were heard of that a picture of all would tell of one. *over*: the month is."""

    district: str
    place: str
    month: date
    made: datetime
    seen: Seen
    whole: Counts
    before: Counts
    places: Counts
    months: Months
    pictures: Mapping[str, Drawn]
    protocols: Sequence[Protocol]
    least: int
    few: bool
    over: bool

    @property
    def names(self) -> Mapping[str, str]:
        """The facilities by id."""
        return {site.id: site.name for site in self.seen.sites}

    def figure(self, indicator: str, *, before: bool = False) -> Figure | None:
        """What *indicator* came to in the month, or in the one before."""
        groups = (self.before if before else self.whole).groups
        return groups[0].indicators[indicator] if groups else None


def report(found: Found, teller: Teller) -> Report:
    """The report of what was *found*; the moment of *teller* is the end of the month, or now."""
    page = front(found.seen, teller)
    ready, missed = _ready(found), _missed(found)
    sections = (
        Section("Are sets ready?", (*ready, *_empty_table(found), *_drawn(found, "bag"))),
        Section("Where are steps missed?",
                (*missed, *_steps(found, page), *_drawn(found, "control"))),
        Section("Which facility needs a visit?", (*_visits(page), *_funnel(found))),
        Section("How long does it take, and by which method?", tuple(_times(found))),
        Section("Indicators", indicators(found.whole, found.before)),
        Section("Can the numbers be believed?",
                quality(found.whole, _silent(page), found.months, found.names)),
        Section("How it was counted", counted_how(found.seen.wanted, found.least)),
    )  # fmt: skip
    return Report(
        month=f"{found.month:%Y-%m}", district=found.district, made=found.made,
        title=f"Reprocessing of newborn resuscitation sets: {named(found.place)},"
              f" {found.month:%B %Y}{'' if found.over else ', so far'}",
        summary=(ready[0], missed[0], _visit_words(page)), caution=caution(found.protocols),
        sections=sections,
    )  # fmt: skip


def caution(protocols: Sequence[Protocol]) -> str:
    """Whether somebody answers for the numbers of the protocols in force."""
    if not protocols or not all(p.confirmed for p in protocols):
        return f"{TRAINING} {FIRST}"
    by = {f"{p.id} confirmed by {clean(p.confirmed_by)} on {p.confirmed_on}" for p in protocols}
    return f"{several(sorted(by))}. {FIRST}"


# ---- the answers -------------------------------------------------------------------------------


def _ready(found: Found) -> tuple[str, ...]:
    figure = found.figure("empty")
    if figure is not None and figure.suppressed:
        return ("For how long no set was READY is not told: the number is too small.",)
    if figure is None or not figure.denominator or figure.numerator is None:
        return ("Nothing was heard, so nobody knows for how long sets were READY.",)
    share = min(figure.numerator / figure.denominator, 1)
    said = (f"No set was READY for {percent(share)} of the time: {hours(figure.numerator)} of"
            f" {hours(figure.denominator)} hours, each facility and each kind of set counted by"
            f" itself.{_then(found.figure('empty', before=True))}")  # fmt: skip
    return (said, "A birth in that time finds nothing.")


def _missed(found: Found) -> tuple[str, ...]:
    figure = found.figure("missed")
    if figure is not None and figure.suppressed:
        return ("In how many batches a step was missed is not told: the number is too small.",)
    if figure is None or not figure.denominator or figure.numerator is None:
        return ("No batch ended in this month.",)
    number, size = min(figure.numerator, figure.denominator), figure.denominator
    share = f" ({percent(number / size)})" if number else ""
    said = (f"In {number or 'none'} of {count(size, 'batch', 'batches')} that ended a step was"
            f" missed{share}.{_then(found.figure('missed', before=True))}")  # fmt: skip
    return (said,)


def _then(figure: Figure | None) -> str:
    """The share of the month before."""
    if figure is None or figure.value is None:
        return ""
    return f" In the month before it was {percent(min(figure.value, 1))}."


def hours(minutes: int) -> str:
    """Minutes as whole hours, thousands apart."""
    return f"{round(minutes / 60):,}".replace(",", "\N{NO-BREAK SPACE}")


def _steps(found: Found, page: Front) -> Iterator[Block]:
    figure = found.figure("missed")
    if figure is None or figure.suppressed or not page.steps:
        return
    yield Listed(tuple(map(_step, page.steps)), numbered=True)
    if page.more_steps:
        more = count(page.more_steps, "kind more", "kinds more")
        yield f"And {more}, as often as the last of these or less."


def _step(step: MissedStep) -> str:
    return f"{step.words}: {step.number} of {count(step.of, 'batch', 'batches')}."


def _visit_words(page: Front) -> str:
    number = len(page.visits) + page.more_visits
    if not number:
        return "No facility stands out, and none was silent."
    names = several([f"{clean(v.name)} ({clean(v.id)})" for v in page.visits[:4]])
    more = f", and {number - 4} more" if number > 4 else ""
    return f"To visit: {names}{more}."


def _visits(page: Front) -> tuple[Block, ...]:
    if not page.visits:
        return (NONE_STANDS_OUT,)
    items = tuple(f"{clean(v.name)} ({clean(v.id)}): {'. '.join(v.reasons)}." for v in page.visits)
    more = (f"And {page.more_visits} more.",) if page.more_visits else ()
    return (Listed(items), *more, CHANCE)


def _silent(page: Front) -> tuple[str, ...]:
    names = [f"{clean(name)} ({clean(id_)})" for id_, name in page.silent]
    return (*names, f"{page.more_silent} more") if page.more_silent else tuple(names)


# ---- tables and pictures -----------------------------------------------------------------------


def _empty_table(found: Found) -> Iterator[Block]:
    """How long each facility had no set of a kind READY."""
    groups = {g.keys["facility"]: g.indicators["empty"] for g in found.places.groups}
    rows = [(f"{clean(found.names[i])} ({clean(i)})", *_hours(groups[i]))
            for i in sorted(found.names) if i in groups]  # fmt: skip
    if not rows:
        return
    yield Table("Time without a READY set, by facility", EMPTY, tuple(rows[:MOST_PLACES]),
                (46, 18, 18, 18))  # fmt: skip
    if len(rows) > MOST_PLACES:
        yield f"And {len(rows) - MOST_PLACES} facilities more."


def _hours(figure: Figure) -> tuple[str, str, str]:
    if figure.suppressed:
        return NOT_TOLD, NOT_TOLD, NOT_TOLD
    if figure.numerator is None or not figure.denominator:
        return "none heard", "0", "none"
    share = percent(min(figure.numerator / figure.denominator, 1))
    return hours(figure.numerator), hours(figure.denominator), share


def _funnel(found: Found) -> Iterator[Block]:
    if found.least:
        yield TOO_SMALL
    yield from _drawn(found, "funnel")


def _drawn(found: Found, *names: str) -> Iterator[Block]:
    return (found.pictures[name] for name in names if name in found.pictures)


def _times(found: Found) -> Iterator[Block]:
    if found.few:
        yield NO_PICTURES
    yield from _drawn(found, "turnaround", "methods")
    if not found.few and not {"turnaround", "methods"} & set(found.pictures):
        yield "No batch ended in this time."

