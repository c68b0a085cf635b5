"""The first page of the desk: what waits for somebody, what is in process, every facility in a row.

Made from what the facilities show on their boards (`bot.model.Standing`), so it is as fresh as
their last turn and no batch is looked for. What needs her most comes first, everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from bot.alert import Alert
from bot.desk_said import KINDS, LEVELS, Story, Teller
from bot.model import SetState, Standing, Underway
from bot.site import Site
from flows.batch import Kind, short

# Software limits: with all of them reached the page stays below 60 KB.
MOST_ALERTS = 25
MOST_BATCHES = 50
MOST_FACILITIES = 60
MOST_NAMED = 4  # sets named in one cell

SOON = timedelta(hours=1)  # how far ahead bells are called near


@dataclass(frozen=True, slots=True)
class Running:
    """An open batch: which sets, where, at which step since when, when its bell is."""

    id: str
    sets: str
    facility: str
    place: str
    step: str
    since: str
    opened: str
    bell: str
    due: datetime | None
    last: datetime


@dataclass(frozen=True, slots=True)
class Group:
    """Batches that are alike in what they need. *more* were left out."""

    name: str
    rows: tuple[Running, ...]
    more: int


@dataclass(frozen=True, slots=True)
class Stock:
    """The sets of one kind at a facility: *ready* of *total*, *least* wanted."""

    kind: str
    ready: int
    total: int
    least: int

    @property
    def words(self) -> str:
        """ "bag and mask 1 of 2" """
        return f"{self.kind} {self.ready or 'NONE'} of {self.total}"

    @property
    def short_of(self) -> bool:
        """Fewer READY than there must be."""
        return self.ready < self.least


@dataclass(frozen=True, slots=True)
class Row:
    """One facility. *rest* says what is not READY, *first_out* when the first READY set expires."""

    id: str
    name: str
    stocks: tuple[Stock, ...]
    first_out: str
    rest: tuple[str, ...]
    late: int
    unanswered: int
    heard: str

    @property
    def need(self) -> tuple[int, int, int, int, str]:
        """The order in which facilities are shown."""
        without = sum(s.ready == 0 for s in self.stocks)
        few = sum(s.short_of for s in self.stocks)
        return -without, -self.unanswered, -self.late, -few, self.name


@dataclass(frozen=True, slots=True)
class Now:
    """The whole page. *more_waiting* and the like are how many were left out."""

    waiting: tuple[Story, ...]
    more_waiting: int
    answered: tuple[Story, ...]
    more_answered: int
    groups: tuple[Group, ...]
    rows: tuple[Row, ...]
    more_rows: int
    late: int

    @property
    def summary(self) -> str:
        """What changed most, said to whoever cannot see the page."""
        open_ones, running = len(self.waiting) + self.more_waiting, self._running
        return (f"{_count(open_ones, 'alert')} not answered, {_count(self.late, 'bell')} past,"
                f" {_count(running, 'batch', 'batches')} in process.")  # fmt: skip

    @property
    def _running(self) -> int:
        return sum(len(group.rows) + group.more for group in self.groups)


def now_page(
    sites: Sequence[Site], standings: Mapping[str, Standing], teller: Teller, *, fresh: bool = True
) -> Now:
    """The page of *sites*, of which those that never had a turn have no standing. Not *fresh*:
    nobody can say when a word last came."""
    known = [(site, standings[site.id]) for site in sites if site.id in standings]
    stories = _stories(known, teller)
    waiting = [s for s in stories if s.state == "open"]
    answered = [s for s in stories if s.state != "open"]
    running = [_running(site, b, teller) for site, shown in known for b in shown.batches]
    silent = "no word yet" if fresh else "not known now"
    rows = sorted((_row(site, standings.get(site.id), teller, silent) for site in sites),
                  key=lambda row: row.need)  # fmt: skip
    return Now(
        waiting=tuple(waiting[:MOST_ALERTS]), more_waiting=len(waiting[MOST_ALERTS:]),
        answered=tuple(answered[:MOST_ALERTS]), more_answered=len(answered[MOST_ALERTS:]),
        groups=_groups(running, teller.now),
        rows=tuple(rows[:MOST_FACILITIES]), more_rows=len(rows[MOST_FACILITIES:]),
        late=sum(_late(b.due, teller.now) for b in running),
    )  # fmt: skip


# ---- alerts ------------------------------------------------------------------------------------


def _stories(known: Iterable[tuple[Site, Standing]], teller: Teller) -> list[Story]:
    """Every open alert, the most urgent kind first, then the oldest."""
    found = [teller.story(a, site) for site, shown in known for a in shown.alerts if not a.closed]
    return sorted(found, key=urgency)


def urgency(story: Story) -> tuple[int, datetime, str]:
    """What is of now before what can wait for the morning, the oldest first."""
    return LEVELS.index(story.level), story.at, story.id


def open_alerts(standings: Mapping[str, Standing]) -> list[Alert]:
    """Every alert that somebody still has to do with."""
    return [a for shown in standings.values() for a in shown.alerts if not a.closed]


# ---- batches -----------------------------------------------------------------------------------


def _running(site: Site, batch: Underway, teller: Teller) -> Running:
    late = _late(batch.due, teller.now)
    bell = ""
    if batch.due:
        bell = f"{teller.moment(batch.due, site.zone)}{' LATE' if late else ''}"
    return Running(
        id=batch.id, sets=short(batch.sets) or batch.id, facility=site.id, place=site.name,
        step=teller.stage(batch.stage), since=teller.moment(batch.last, site.zone),
        opened=teller.moment(batch.opened_at, site.zone),
        bell=bell, due=batch.due, last=batch.last,
    )  # fmt: skip


def _late(due: datetime | None, now: datetime) -> bool:
    return due is not None and due <= now


def _groups(running: Sequence[Running], now: datetime) -> tuple[Group, ...]:
    """Late ones, bells of the next hour, later bells, no bell: as many as the page has room for."""
    soon = now + SOON
    timed = sorted((r for r in running if r.due), key=lambda r: (r.due, r.id))
    alike = (
        ("Bell past, pieces not out", [r for r in timed if r.due and r.due <= now]),
        ("Bell in the next hour", [r for r in timed if r.due and now < r.due <= soon]),
        ("Bell later", [r for r in timed if r.due and r.due > soon]),
        ("No clock runs: the longest untouched first",
         sorted((r for r in running if not r.due), key=lambda r: (r.last, r.id))),
    )  # fmt: skip
    groups, room = [], MOST_BATCHES
    for name, rows in alike:
        kept = tuple(rows[:room])
        room -= len(kept)
        if rows:
            groups.append(Group(name, kept, len(rows) - len(kept)))
    return tuple(groups)


# ---- facilities --------------------------------------------------------------------------------


def _row(site: Site, shown: Standing | None, teller: Teller, silent: str) -> Row:
    sets = sets_of(site, shown)
    ends = [s.expires_at for _, s in sets if s.now(teller.now) == "READY" and s.expires_at]
    return Row(
        id=site.id, name=site.name, stocks=stocks(site, sets, teller.now),
        first_out=teller.moment(min(ends), site.zone) if ends else "",
        rest=tuple(_rest(sets, teller.now)),
        late=sum(_late(b.due, teller.now) for b in shown.batches) if shown else 0,
        unanswered=sum(a.state == "open" for a in shown.alerts) if shown else 0,
        heard=teller.moment(shown.heard, site.zone) if shown and shown.heard else silent,
    )  # fmt: skip


def sets_of(site: Site, shown: Standing | None) -> list[tuple[Kind, SetState]]:
    """The registered sets as the facility shows them; one never heard of is USED."""
    heard = {state.id: state for _, state in shown.sets} if shown else {}
    return [(card.kind, heard.get(card.id, SetState(card.id))) for card in site.sets]


def stocks(
    site: Site, sets: Iterable[tuple[Kind, SetState]], now: datetime
) -> tuple[Stock, ...]:
    """How many sets of each kind are READY at *now*."""
    least, found = dict(site.least_ready), list(sets)
    kinds = dict.fromkeys(kind for kind, _ in found)
    return tuple(
        Stock(
            KINDS[kind], sum(k == kind and s.now(now) == "READY" for k, s in found),
            sum(k == kind for k, _ in found), least.get(kind, 1),
        )
        for kind in kinds
    )  # fmt: skip


def _rest(sets: Iterable[tuple[Kind, SetState]], now: datetime) -> Iterable[str]:
    """What is not READY, a few words for each condition that occurs."""
    by: dict[str, list[str]] = {}
    for _, state in sets:
        by.setdefault(state.now(now), []).append(state.id)
    for condition in ("EXPIRED", "SET ASIDE"):
        if condition in by:
            yield f"{condition}: {_named(by[condition])}"
    for condition in ("USED", "IN PROCESS"):
        if condition in by:
            yield f"{condition}: {len(by[condition])}"


def _named(ids: Sequence[str]) -> str:
    more = f" and {len(ids) - MOST_NAMED} more" if len(ids) > MOST_NAMED else ""
    return ", ".join(ids[:MOST_NAMED]) + more


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number or 'no'} {one if number == 1 else many or one + 's'}"
