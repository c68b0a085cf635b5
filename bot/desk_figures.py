"""What the front page of the counts says: are sets ready, where are steps missed, which facility
needs a visit, who did not report. In sentences, each number with what it is of.

Pure: from the counts of the store and what the facilities show, to words. Facilities are not put in
an order of merit: one is named where its difference is larger than chance makes it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from bot.desk_now import sets_of, stocks
from bot.desk_period import Wanted
from bot.desk_said import KINDS, Teller
from bot.figures import Counts
from bot.misses import REASONS
from bot.model import Standing
from bot.pictures_words import clean, count, duration, percent, several
from bot.site import Site
from flows.indicators import BY_ID, total
from flows.statistics import ALARM_LEVEL, ALERT_LEVEL, funnel_place

Row = Mapping[str, Any]

# Software limits: with all of them reached the page stays below 60 KB.
MOST_NAMED = 8  # facilities in a sentence
MOST_STEPS = 8
MOST_VISITS = 12
MOST_SILENT = 60

BY_CHANCE = round(2 / (1 - ALERT_LEVEL))  # one in so many lies beyond one side of the limits
_LEVELS = {"alert": f"{100 * ALERT_LEVEL:g} %", "alarm": f"{100 * ALARM_LEVEL:g} %"}


@dataclass(frozen=True, slots=True)
class MissedStep:
    """A stage and a reason in words, how many batches of how many, and the parts of the address of
    the list of them."""

    words: str
    number: int
    of: int
    query: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Visit:
    """A facility that stands out, with each reason in words."""

    id: str
    name: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """All that the page is made from: the *sites* asked about and what each shows (None: the
    conversations do not answer), the *whole* of all methods, rows of missed steps, rows by facility
    of the method asked and of all methods, and the gaps that last."""

    wanted: Wanted
    sites: Sequence[Site]
    standings: Mapping[str, Standing] | None
    whole: Counts
    missed: Sequence[Row]
    places: Sequence[Row]
    all_methods: Sequence[Row]
    lasting: Sequence[Row]


@dataclass(frozen=True, slots=True)
class Front:
    """The page. *more_...* are how many were left out."""

    ready: tuple[str, ...]
    missed: str
    steps: tuple[MissedStep, ...]
    more_steps: int
    visits: tuple[Visit, ...]
    more_visits: int
    silent: tuple[tuple[str, str], ...]
    more_silent: int
    expected: int


def front(seen: Seen, teller: Teller) -> Front:
    """The page of what was *seen*, at the teller's moment."""
    steps = missed_steps(seen.missed, seen.wanted, teller)
    visits = list(_visits(seen, teller))
    visits.sort(key=lambda visit: (-len(visit.reasons), visit.name, visit.id))
    names = {site.id: site.name for site in seen.sites}
    silent = [(i, names[i]) for i in seen.whole.silent if i in names]
    return Front(
        ready=(*_ready_now(seen, teller.now), _empty(seen)), missed=_missed(seen),
        steps=tuple(steps[:MOST_STEPS]), more_steps=len(steps[MOST_STEPS:]),
        visits=tuple(visits[:MOST_VISITS]), more_visits=len(visits[MOST_VISITS:]),
        silent=tuple(silent[:MOST_SILENT]), more_silent=len(silent[MOST_SILENT:]),
        expected=sum(i in names for i in seen.whole.expected),
    )  # fmt: skip


# ---- are sets ready ----------------------------------------------------------------------------


def _ready_now(seen: Seen, now: datetime) -> Iterator[str]:
    """A sentence for each kind: where one is READY now, and where none is."""
    if seen.standings is None:
        yield "What is READY now is not known while the conversations do not answer."
        return
    found: dict[str, list[tuple[Site, int, int]]] = {}
    for site in seen.sites:
        for stock in stocks(site, sets_of(site, seen.standings.get(site.id)), now):
            found.setdefault(stock.kind, []).append((site, stock.ready, stock.total))
    for kind, rows in sorted(found.items()):
        ready, total_ = sum(r for _, r, _ in rows), sum(t for _, _, t in rows)
        having = sum(bool(r) for _, r, _ in rows)
        lacking = [clean(site.name) for site, r, _ in rows if not r]
        none = f" None at {_named(lacking)}." if lacking else ""
        yield (f"{kind[:1].upper()}{kind[1:]}: {having or 'none'} of"
               f" {count(len(rows), 'facility has', 'facilities have')} a READY set now,"
               f" {ready or 'none'} of {count(total_, 'set', 'sets')}.{none}")  # fmt: skip
    if not found:
        yield "No set is in the register."


def _empty(seen: Seen) -> str:
    """The share of time without a READY set."""
    groups = seen.whole.groups
    figure = groups[0].indicators["empty"] if groups else None
    if figure is None or figure.numerator is None or not figure.denominator:
        return "Nothing was heard yet, so nobody knows for how long sets were READY."
    share = figure.numerator / figure.denominator
    return (f"From {seen.wanted.words} none was READY for {percent(min(share, 1))} of the time:"
            f" {_hours(figure.numerator)} of {_hours(figure.denominator)} hours, each facility and"
            " each kind of set counted by itself.")  # fmt: skip


def _hours(minutes: int) -> str:
    return f"{round(minutes / 60):,}".replace(",", "\N{NO-BREAK SPACE}")


def _named(names: Sequence[str]) -> str:
    more = [f"{len(names) - MOST_NAMED} more"] if len(names) > MOST_NAMED else []
    return several([*names[:MOST_NAMED], *more])


# ---- where are steps missed --------------------------------------------------------------------


def of_batches(row: Row) -> tuple[int, int]:
    """How many batches missed a step, of how many that ended. One that was begun by mistake counts
    among neither, and may have missed a step before: so never more than all."""
    size = total(row, BY_ID["missed"].denominator)
    return min(row["missed"], size), size


def _missed(seen: Seen) -> str:
    pairs = [of_batches(row) for row in seen.places]
    number, size = sum(k for k, _ in pairs), sum(n for _, n in pairs)
    if not size:
        return "No batch ended in this time."
    return (f"In {number or 'none'} of {count(size, 'batch', 'batches')} that ended a step was"
            f" missed{f' ({percent(number / size)})' if number else ''}.")  # fmt: skip


def missed_steps(found: Iterable[Row], wanted: Wanted, teller: Teller) -> list[MissedStep]:
    """Each stage and reason at which batches missed a step, the most frequent first."""
    rows = sorted(found, key=lambda r: (-r["n"], r["stage"], r["reason"]))
    return [
        MissedStep(
            f"{stage_words(row['stage'], teller)}: {reason_words(row['reason'])}", row["n"],
            max(row["batches"] - row["cancelled"], row["n"]),
            {**wanted.days, **wanted.place, "stage": row["stage"], "reason": row["reason"]},
        )
        for row in rows
    ]  # fmt: skip


def stage_words(stage: str, teller: Teller) -> str:
    """The short name of a stage; of one that no graph here has, its own word."""
    said = teller.stage(stage)
    return clean(stage) if said.lower() == f"{stage}.title".lower() else said


def reason_words(reason: str) -> str:
    """Why a step counts as missed."""
    return REASONS.get(reason, clean(reason))


# ---- which facility needs a visit --------------------------------------------------------------


def _visits(seen: Seen, teller: Teller) -> Iterator[Visit]:
    by_place: dict[str, list[str]] = {site.id: [] for site in seen.sites}
    for facility, reason in _reasons(seen, teller):
        if facility in by_place:
            by_place[facility].append(reason)
    for site in seen.sites:
        if by_place[site.id]:
            yield Visit(site.id, site.name, tuple(by_place[site.id]))


def _reasons(seen: Seen, teller: Teller) -> Iterator[tuple[str, str]]:
    """Every reason to go and see, by the facility's id."""
    yield from _without(seen, teller)
    yield from _silences(seen, teller)
    yield from _outside({r["facility"]: of_batches(r) for r in seen.places}, "above",
                        "A step missed in {k} of {n} batches", "more")  # fmt: skip
    behind = list(_outside(_shares(seen.all_methods, "checks"), "below",
                           "Shift checks done: {k} of {n} due", "fewer"))  # fmt: skip
    yield from behind
    known = {facility for facility, _ in behind}
    in_time = _outside(_shares(seen.all_methods, "timeliness"), "below",
                       "Shift checks in time: {k} of {n} due", "fewer")  # fmt: skip
    yield from (found for found in in_time if found[0] not in known)


def _without(seen: Seen, teller: Teller) -> Iterator[tuple[str, str]]:
    """Gaps that last for longer than the programme's own rule lets them."""
    rule, zones = teller.rules.rule("none_ready"), {s.id: s.zone for s in seen.sites}
    patience = timedelta(minutes=rule.after_minutes if rule else 0)
    for gap in sorted(seen.lasting, key=lambda g: (g["since"], g["kind"])):
        lasted = teller.now - gap["since"]
        if gap["facility"] in zones and lasted >= patience:
            since = teller.moment(gap["since"], zones[gap["facility"]])
            yield gap["facility"], (f"No {KINDS[gap['kind']]} READY since {since}"
                                    f" ({duration(lasted / timedelta(minutes=1))})")  # fmt: skip


def _silences(seen: Seen, teller: Teller) -> Iterator[tuple[str, str]]:
    """Who did not report at all, and whose last word is older than the programme's rule lets it."""
    rule = teller.rules.rule("silent")
    for site in seen.sites:
        shown = (seen.standings or {}).get(site.id)
        heard = shown.heard if shown else None
        last = f": last word {teller.moment(heard, site.zone)}" if heard else ""
        if site.id in seen.whole.silent:
            yield site.id, f"Did not report in this time{last}"
        elif rule and heard and teller.now - heard > timedelta(minutes=rule.after_minutes):
            yield site.id, f"Silent{last}"


def _shares(rows: Iterable[Row], indicator: str) -> dict[str, tuple[int, int]]:
    one = BY_ID[indicator]
    found = {r["facility"]: (total(r, one.numerator), total(r, one.denominator)) for r in rows}
    return {facility: (min(k, n), n) for facility, (k, n) in found.items()}


def _outside(
    found: Mapping[str, tuple[int, int]], side: str, words: str, how: str
) -> Iterator[tuple[str, str]]:
    """Facilities beyond the funnel's limits around the share of all of them, on *side* of it."""
    known = {facility: (k, n) for facility, (k, n) in found.items() if n}
    if len(known) < 2:  # nobody to differ from
        return
    target = sum(k for k, _ in known.values()) / sum(n for _, n in known.values())
    for facility, (k, n) in known.items():
        place = funnel_place(k, n, target)
        if place.side == side:
            yield facility, (f"{words.format(k=k, n=n)} ({percent(k / n)}), all facilities together"
                             f" {percent(target)}: {how} than chance makes"
                             f" ({_LEVELS[place.level]} limits)")  # fmt: skip
