"""A past that never was: months of a district, lived by the real machine on a fast clock.

Every batch, alert and shift check of it went through `bot.machine.step`, every text was written by
the scribe; only the people are invented (`bot.rehearsal`), and no gateway was asked. From the same
register, days and seed number comes the same past.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import count
from random import Random

import msgspec
from redis import Redis

from bot.board import standing
from bot.effects import Push, Pushed, SetTimer
from bot.events import Event, Heard, Letter, Rang
from bot.leases import Op
from bot.machine import step
from bot.message import Message, record_id
from bot.model import Talk, Unit
from bot.outbox import Outgoing
from bot.rehearsal import Actor
from bot.rules import Rules
from bot.scribe import Scribe
from bot.sessions import Change
from bot.site import Person, Site
from bot.timers import timer_ops
from bot.unit_fields import unit_ops
from bot.watching import WATCH

USES_A_DAY = 0.8  # births at one facility for which a set is taken; invented
UNDERWAY = 0.6  # of the facilities: a batch begun within the last hour
FORGETS_CHECK = 0.12
ANSWERS_ALERT = 0.75
CLEANS = 0.85
CLEANED_AFTER = ("unstarted", "expired", "none_ready")
CHECK_TURNS = 20
CALM = timedelta(hours=12)  # longer than any batch that nobody forgets
TURNS_AT_ONCE = 40  # of one person, before she is taken to be lost
SOLVED = ("talked to the nurse", "brought new tablets", "a spare mask was sent", "trained again")


@dataclass(slots=True)
class Past:
    """What is left of it: the *units* as they stand at its end, their *timers*, and what the store
    is to keep, newest states only."""

    units: dict[str, Unit] = field(default_factory=dict)
    timers: dict[tuple[str, str], datetime] = field(default_factory=dict)
    kept: dict[str, Pushed] = field(default_factory=dict)


Play = Callable[[datetime], None]


class Life:
    """One district from *begins* to *ends*, by the rules that hold at its end.

    At a *calm* facility nothing was begun in the last hours: whoever takes a phone there finds it
    free.
    """

    def __init__(
        self, sites: Iterable[Site], rules: Rules, scribe: Scribe, begins: datetime,
        ends: datetime, seed: int, calm: Collection[str] = (),
    ) -> None:  # fmt: skip
        self.rules, self.scribe, self.ends = rules, scribe, ends
        self.past = Past()
        self._serial = count(1)
        self._todo: list[tuple[datetime, int, Play]] = []
        for site in sites:
            self.past.units[site.id] = Unit(site)
            if site.sets:
                last = ends - CALM if site.id in calm else ends
                self._settle(site, begins, last, Random(f"{seed} {site.id}"))  # noqa: S311

    def live(self) -> Past:
        """Everything in the order in which it happens, until the end."""
        while self._todo and self._todo[0][0] <= self.ends:
            at, _, play = heapq.heappop(self._todo)
            play(at)
        return self.past

    def _at(self, when: datetime, play: Play) -> None:
        if when <= self.ends:
            heapq.heappush(self._todo, (when, next(self._serial), play))

    # ---- the people --------------------------------------------------------------------------

    def _settle(self, site: Site, begins: datetime, last: datetime, random: Random) -> None:
        actor = Actor(random, self.rules)
        for person in site.people:
            self._brief(site, person)
        self._rings(site.id, WATCH, begins)
        if random.random() < UNDERWAY and last == self.ends:
            self._at(self.ends - actor.minutes((10, 50)), lambda at: self._uses(site, actor, at))
        day = begins
        while day < self.ends:
            for moment in _births(random, day):
                if moment <= last:
                    self._at(moment, lambda at: self._uses(site, actor, at))
            day += timedelta(days=1)

    def _brief(self, site: Site, person: Person) -> None:
        unit = self.past.units[site.id]
        self.past.units[site.id] = unit.put_talk(Talk(person.phone, screen="home", pace="brief"))

    def _uses(self, site: Site, actor: Actor, at: datetime) -> None:
        unit = self.past.units[site.id]
        names, person = actor.to_use(unit, at), actor.on_shift(unit, at)
        if names and unit.talk(person.phone).batch not in unit.batches:
            self._says(site, person, names, at)
            self._goes_on(site, actor, person, at + actor.minutes((1, 6)), TURNS_AT_ONCE)

    def _goes_on(
        self, site: Site, actor: Actor, person: Person, at: datetime, turns: int
    ) -> None:  # fmt: skip
        """She looks at her phone at *at*, says what is right there, and looks again later."""

        def play(now: datetime) -> None:
            act = actor.answer(self.past.units[site.id], person, now)
            if act is None or not turns:
                return
            if act.text:
                self._says(site, person, act.text, now)
            self._goes_on(site, actor, person, now + act.then, turns - 1)

        self._at(at, play)

    def _asked(self, site: Site, person: Person, at: datetime) -> None:
        """What she does who is asked for the shift check."""
        random = Random(f"{site.id} {person.id} {at.isoformat()}")  # noqa: S311
        if random.random() > FORGETS_CHECK:
            actor = Actor(random, self.rules)
            when = at + actor.minutes((2, 40))
            self._at(when, lambda now: self._says(site, person, "CHECK", now))
            self._goes_on(site, actor, person, when + timedelta(seconds=20), CHECK_TURNS)

    def _cleans(self, site: Site, person: Person, at: datetime) -> None:
        """She who is nudged about a set cleans it, mostly."""
        actor = Actor(Random(f"{site.id} {at.isoformat()} cleans"), self.rules)  # noqa: S311

        def play(now: datetime) -> None:
            unit = self.past.units[site.id]
            names = actor.to_clean(unit, now)
            if names and unit.talk(person.phone).batch not in unit.batches:
                self._says(site, person, names, now)
                self._goes_on(site, actor, person, now + actor.minutes((1, 6)), TURNS_AT_ONCE)

        if actor.chance(CLEANS) and at + CALM < self.ends:
            self._at(at + actor.minutes((5, 90)), play)

    def _answers(self, site: Site, alert_id: str, by: str, at: datetime) -> None:
        """Those above answer most alerts: seen at first, then solved."""
        random = Random(f"{alert_id} {at.isoformat()}")  # noqa: S311
        person = site.by_id(by)
        if person is None:
            return
        kind = random.choice(("seen", "taken", "solved", "solved"))
        # One who does not answer is told again in the morning, and answers then.
        days = 0 if random.random() < ANSWERS_ALERT else random.randint(1, 2)
        later = timedelta(days=days, minutes=random.randint(5, 240))
        self._writes(site, person, alert_id, kind, random, at + later)
        if kind != "solved":
            again = later + timedelta(hours=random.randint(2, 30))
            self._writes(site, person, alert_id, "solved", random, at + again)

    def _writes(
        self, site: Site, person: Person, about: str, kind: str, random: Random, when: datetime
    ) -> None:  # fmt: skip
        word = random.choice(SOLVED) if kind == "solved" else ""

        def play(at: datetime) -> None:
            letter = Letter(self._id(), at, kind, person.id, person.name, about, word)
            self._take(site.id, letter)

        self._at(when, play)

    # ---- the machine -------------------------------------------------------------------------

    def _id(self) -> str:
        return f"past-{next(self._serial)}"

    def _says(self, site: Site, person: Person, text: str, at: datetime) -> None:
        self._take(site.id, Heard(self._id(), person.phone, "sms", text, at))

    def _rings(self, site_id: str, name: str, due: datetime) -> None:
        self.past.timers[site_id, name] = due

        def play(at: datetime) -> None:
            if self.past.timers.get((site_id, name)) == due:
                self._take(site_id, Rang(self._id(), name, at))

        self._at(due, play)

    def _take(self, site_id: str, event: Event) -> None:
        """One turn, as the service takes it, with what follows from it."""
        before = self.past.units[site_id]
        turn = self.scribe.turn(before, event, step(before, event, self.rules))
        self.past.units[site_id] = turn.after
        change = turn.change
        for timer in change.timers:
            self.past.timers.pop((site_id, timer.batch_id), None)
            due = getattr(timer, "due", None)
            if due:
                self._rings(site_id, timer.batch_id, due)
        for item in change.outgoing:
            self._sent(turn.after.site, item, event)
        for name, pushed in _named(change):
            self.past.kept[name] = pushed
        for raised in change.raised:
            last = raised.alert.history[-1:]
            if last and last[0].what == "told" and not raised.alert.closed:
                self._answers(turn.after.site, raised.alert.id, last[0].by, last[0].at)

    def _sent(self, site: Site, item: Outgoing, event: Event) -> None:
        person = site.person(item.phone)
        if person is None:
            return
        about = item.batch
        record = Message(
            record_id(item.id), site.id, site.district, about, item.kind, person.id, item.at,
            self.scribe.count_parts(item.text), "delivered", item.at, tries=1,
        )  # fmt: skip
        self.past.kept[f"message {record.id}"] = record
        if isinstance(event, Rang) and item.kind == "note":
            self._asked(site, person, item.at)
        alert = self.past.units[site.id].alerts.get(about)
        if alert and alert.rule in CLEANED_AFTER and person.role == "nurse":
            self._cleans(site, person, item.at)


def _births(random: Random, day: datetime) -> list[datetime]:
    """When sets are taken for births on *day*, by a Poisson process."""
    found, hours = [], random.expovariate(USES_A_DAY / 24)
    while hours < 24:
        found.append(day + timedelta(hours=hours))
        hours += random.expovariate(USES_A_DAY / 24)
    return found


def _named(change: Change) -> Iterable[tuple[str, Pushed]]:
    """What of a turn the store keeps, by a name under which the newest replaces the older."""
    for push in change.pushes:
        yield f"batch {push.batch.id}", push
    for raised in change.raised:
        yield f"alert {raised.alert.id}", raised
    for n, conditions in enumerate(change.conditions):
        yield f"sets {change.event.id} {n}", conditions
    for checked in change.checked:
        yield f"check {checked.id}", checked
    for gap in change.gaps:
        yield f"gap {gap.id}", gap
    for mixed in change.mixes:
        yield f"solution {mixed.id}", mixed


def records(past: Past) -> list[Pushed]:
    """Everything for the store, batches first: a condition may need the batch that proves it."""
    return sorted(past.kept.values(), key=lambda p: not isinstance(p, Push))



def plant(redis: Redis, past: Past) -> None:
    """Put the units as they stand, their timers and what they show into an empty *redis*."""
    ops: list[Op] = []
    for unit in past.units.values():
        # Who takes the phone begins anew: no screen is left, and no check half done.
        unit = replace(unit, talks={}, check=replace(unit.check, round=None))  # noqa: PLW2901
        ops += unit_ops(Unit(unit.site), unit)
        if unit.site.sets:
            shown = msgspec.json.encode(standing(unit)).decode()
            ops.append(["HSET", f"sb:board:{unit.site.district}", unit.site.id, shown])
    for (site_id, name), due in past.timers.items():
        if site_id in past.units:
            ops += timer_ops(site_id, SetTimer(name, due))
    pipe = redis.pipeline(transaction=False)
    for op in ops:
        pipe.execute_command(*op)  # type: ignore[no-untyped-call]
    pipe.execute()
