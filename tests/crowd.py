"""A crowd of invented people who live one day in a World, each on her own phone.

What they say goes through the webhooks alone: SMS, or USSD for those who dial. The same seed number
makes the same day. A `Mishap` waits for its moment, happens once and is kept with where it fell.
"""

from __future__ import annotations

import heapq
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import count
from random import Random

from bot.model import Unit
from bot.rehearsal import Act, Actor
from bot.site import Person, Site
from flows.batch import Batch
from tests.phone import Phone, World

CODE = re.compile(r"\b[A-Z]{4}-\d+\b")
TWICE, TOO_LATE, REPEATED, DROPPED, GOES_ON = 0.08, 0.05, 0.12, 0.1, 0.4  # shares, invented
BUSY_MINUTES = 20  # until somebody who could not begin a batch looks again
STAYS = timedelta(minutes=2)  # for which a session is kept open
TURNS_AT_ONCE = 60

Play = Callable[[], None]


@dataclass
class Mishap:
    """What goes wrong at one of *sites*, once, when somebody's batch stands at one of *stages*.

    *does* says it; None: not yet. *batch*, *person*, *at* tell where and when it fell.
    """

    name: str
    sites: tuple[str, ...]
    stages: tuple[str, ...]
    does: Callable[[Crowd, Person, Batch], Act | None]
    batch: str = ""
    person: str = ""
    at: datetime | None = None

    @property
    def site(self) -> str:
        """The facility at which it fell."""
        return self.batch.partition("-")[0]


@dataclass(frozen=True)
class Repeat:
    """Something that the network brought again: whether anything changed by it."""

    what: str
    changed: bool


@dataclass
class Crowd:
    """The people of *world* and what they are about to do."""

    world: World
    seed: int
    mishaps: list[Mishap] = field(default_factory=list)
    dialling: frozenset[str] = frozenset()  # register ids
    resting: dict[str, datetime] = field(default_factory=dict)  # facilities that begin nothing
    repeats: list[Repeat] = field(default_factory=list)
    # alert, who, deed, word
    answered: list[tuple[str, str, str, str]] = field(default_factory=list)
    screens: list[tuple[datetime, str]] = field(default_factory=list)  # after an answer by USSD
    posted: int = 0

    def __post_init__(self) -> None:
        self.random = Random(self.seed)  # noqa: S311
        self.sites: dict[str, Site] = {s.id: s for s in self.world.register.sites() if s.sets}
        self.actors = {s: Actor(Random(f"{self.seed} {s}"), self.world.parts.rules)  # noqa: S311
                       for s in self.sites}  # fmt: skip
        self._serial = count()
        self._agenda: list[tuple[datetime, int, Play]] = []
        self._looked: dict[str, datetime] = {}

    @property
    def now(self) -> datetime:
        """The world's clock."""
        return self.world.clock.now

    def at(self, when: datetime, play: Play) -> None:
        """*play* happens at *when*."""
        heapq.heappush(self._agenda, (when, next(self._serial), play))

    def later(self, minutes: float, play: Play) -> None:
        """*play* happens so many minutes from now."""
        self.at(self.now + timedelta(minutes=minutes), play)

    def lives(self, end: datetime) -> None:
        """Let people and timers act, each in its turn, until *end*."""
        while self._agenda and self._agenda[0][0] <= end:
            when, _, play = heapq.heappop(self._agenda)
            self.world.passes(max(when - self.now, timedelta()))
            play()
        self.world.passes(end - self.now)

    def unit(self, site_id: str) -> Unit:
        """The facility as its conversations stand."""
        found = self.world.parts.service.sessions.unit(site_id)
        assert found
        return found

    # ---- work ------------------------------------------------------------------------------

    def births(self, number: int, begins: datetime, ends: datetime) -> None:
        """So many times between *begins* and *ends* a set is used and its batch begun, at one
        facility after the other."""
        span = (ends - begins) / number
        places = [s for _ in range(number // len(self.sites) + 1) for s in self._mixed()]
        for n in range(number):
            when = begins + span * (n + self.random.random() * 0.8)
            self.at(when, lambda site=places[n]: self._begins(site))  # type: ignore[misc]

    def _mixed(self) -> list[str]:
        return self.random.sample(sorted(self.sites), len(self.sites))

    def _begins(self, site: str) -> None:
        unit, actor = self.unit(site), self.actors[site]
        names, person = actor.to_use(unit, self.now), actor.on_shift(unit, self.now)
        free = unit.talk(person.phone).batch not in unit.batches
        rests = self.now < self.resting.get(site, self.now)
        if not names or not free or rests or self._off(person):
            self.later(BUSY_MINUTES, lambda: self._begins(site))
            return
        self.says(site, person, names)
        self.goes_on(site, person, self.now + actor.minutes((1, 6)))

    def goes_on(self, site: str, person: Person, at: datetime, turns: int = TURNS_AT_ONCE) -> None:
        """She looks at her phone at *at*, says what is right there, and looks again later."""

        def play() -> None:
            if self._off(person) or self._looked.get(person.id) == self.now:
                self.goes_on(site, person, self.now + timedelta(minutes=1), turns)
                return
            self._looked[person.id] = self.now
            act = self._mishap(site, person) or self.actors[site].answer(
                self.unit(site), person, self.now
            )
            if act and turns:
                if act.text:
                    self.says(site, person, act.text)
                self.goes_on(site, person, self.now + act.then, turns - 1)

        self.at(at, play)

    def _mishap(self, site: str, person: Person) -> Act | None:
        unit = self.unit(site)
        talk = unit.talk(person.phone)
        batch = unit.batches.get(talk.batch)
        if batch is None or talk.screen or batch.holder != person.id:
            return None
        for mishap in self.mishaps:
            if not mishap.at and site in mishap.sites and batch.stage in mishap.stages:
                act = mishap.does(self, person, batch)
                if act:
                    mishap.at, mishap.batch, mishap.person = self.now, batch.id, person.id
                    return act
        return None

    # ---- the shift check, alerts -----------------------------------------------------------

    def checks(self, site: str) -> None:
        """Whoever was asked for the shift check does it now."""
        check = self.unit(site).check
        person = self.sites[site].by_id(check.asked_of)
        if not check.due or person is None:
            return
        if self._off(person) or self.unit(site).talk(person.phone).screen not in ("", "home"):
            self.later(BUSY_MINUTES, lambda: self.checks(site))
            return
        self.says(site, person, "CHECK")
        self.goes_on(site, person, self.now + timedelta(seconds=20), 20)

    def reads_alerts(self, name: str) -> None:
        """A supervisor reads what came, and answers by its code what still waits for somebody."""
        phone = self.world.phones[name]
        inbox = self.world.inbox(phone)
        new, phone.read = inbox[phone.read :], len(inbox)
        codes = dict.fromkeys(code for m in new for code in CODE.findall(m.text))
        held = {a: (u, alert) for u in map(self.unit, self.sites) for a, alert in u.alerts.items()}
        for code in codes:
            if code in held and held[code][1].state == "open":
                self._answers(name, code, self.random.choice("12334"))

    def _answers(self, name: str, code: str, digit: str) -> None:
        deed = {"1": "seen", "2": "taken", "3": "solved", "4": "asked"}[digit]
        word = {"3": "a spare mask was sent", "4": "who stood by it?"}.get(digit, "")
        self.texts(self.world.phones[name], f"{code} {digit} {word}".strip())
        self.answered.append((code, name, deed, word))
        if digit == "4":
            self.later(self.random.randint(4, 15), lambda: self._replies(code))

    def _replies(self, code: str) -> None:
        site = self.sites[code.rpartition("-")[0]]
        chief = next(p for p in site.people if p.role == "in_charge")
        if code in self.unit(site.id).alerts and not self._off(chief):
            self.texts(self.world.phones[chief.name], f"{code} it was the evening shift")
            self.answered.append((code, chief.name, "replied", "it was the evening shift"))

    # ---- phones ------------------------------------------------------------------------------

    def _off(self, person: Person) -> bool:
        return self.world.mailbox.is_off(person.phone)

    def off(self, person: Person, minutes: float) -> None:
        """Her phone is off from now on, for so long."""
        self.world.mailbox.switch(person.phone, off=True)
        self.later(minutes, lambda: self.world.mailbox.switch(person.phone, off=False))

    def gateway_fails(self, at: datetime, minutes: float) -> None:
        """From *at* on the gateway answers nobody, for so long."""

        def fails(down: bool) -> None:
            self.world.gateway_down = down

        self.at(at, lambda: fails(True))
        self.at(at + timedelta(minutes=minutes), lambda: fails(False))

    def says(self, site: str, person: Person, text: str) -> None:
        """What she says, by the way that she has, as well as the network brings it."""
        phone = self.world.phones[person.name]
        if person.id in self.dialling:
            self._dials(site, phone, text)
            return
        heard = self.unit(site).talk(phone.number).heard_at
        self.texts(phone, text)
        if self._chance(TWICE):
            self._again(site, "sms twice", self.world.same_sms)
        written = self.now - timedelta(minutes=15)
        if heard and written < heard and self._chance(TOO_LATE):
            before = self._work(site)
            self.texts(phone, "1", written)
            self.repeats.append(Repeat("sms late", before != self._work(site)))

    def _work(self, site: str) -> object:
        """What was done there: not what it cost, which every answer to a late text adds to."""
        unit = self.unit(site)
        return unit.sets, {b.id: b.log for b in unit.batches.values()}

    def texts(self, phone: Phone, text: str, written: datetime | None = None) -> None:
        """One SMS, counted."""
        self.posted += 1
        self.world.texts(phone, text, written)

    def _again(self, site: str, what: str, brings: Play) -> None:
        """What the network *brings* a second time."""
        phones = [self.world.phones[p.name] for p in self.sites[site].people]
        seen: Callable[[], object] = lambda: (  # noqa: E731
            self.unit(site), [len(self.world.inbox(p)) for p in phones])  # fmt: skip
        before = seen()
        brings()
        self.repeats.append(Repeat(what, before != seen()))

    def _dials(self, site: str, phone: Phone, text: str) -> None:
        talk = self.unit(site).talk(phone.number)
        fresh = self.now - self._looked.get(phone.session, self.now - STAYS) < STAYS
        if not phone.session or not fresh or not self._chance(GOES_ON):
            self.world.dials(phone)
            if self._chance(DROPPED):  # nobody answers: she dials again
                self.world.dials(phone)
        if self.unit(site).talk(phone.number).batch != talk.batch:
            return  # the screen that she reads is another than she thought
        session = phone.session
        self.world.answers(phone, text)
        self.screens.append((self.now, phone.screen))
        self._looked[session] = self.now
        if self._chance(REPEATED):
            phone.session = session
            self._again(site, "ussd twice", lambda: self.world.same_request(phone))

    def _chance(self, share: float) -> bool:
        return self.random.random() < share
