"""A whole service on a bench: real Redis side, a small readable step, a gateway and a store that
do as they are told."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

import pytest

from bot.effects import ClearTimer, Effect, Prompt, Push, Pushed, Reply, Say, SetTimer, Step
from bot.errors import GatewayDown, GatewayRefused, StoreDown
from bot.events import Event, Heard, Letter, Rang, Receipt
from bot.joins import Joins
from bot.model import Unit
from bot.outbox import Outbox
from bot.posts import Posts
from bot.pushes import Pushes
from bot.service import Service
from bot.sessions import Sessions
from bot.site import Person, Site
from bot.site_pages import publish
from bot.timers import Timers
from flows.batch import Batch, Entry

if TYPE_CHECKING:
    from redis import Redis

    from tests.conftest import Connect, FakeClock

NURSE, AIDE, CHIEF = "+12025550101", "+12025550102", "+12025550109"
STRANGER = "+12025550199"
SOAK = timedelta(minutes=10)
OPENED = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)


def site(site_id: str = "S1", nurse: str = NURSE) -> Site:
    """A post with a nurse, an aide who reads French, and a supervisor."""
    return Site(
        id=site_id,
        name="Redhill Post",
        district="Lowfield",
        altitude_m=1200.0,
        zone="Africa/Nairobi",
        methods=("chlorine",),
        sets=(),
        people=(
            Person(id="p1", name="Ann", phone=nurse, role="nurse"),
            Person(id="p2", name="Bea", phone=AIDE, role="nurse", language="fr"),
        ),
        supervisors=(Person(id="p9", name="Cleo", phone=CHIEF, role="supervisor"),),
    )


def batch(batch_id: str = "B1", due: datetime | None = None, stage: str = "soak") -> Batch:
    """An open batch without sets, held by the nurse."""
    return Batch(
        id=batch_id,
        facility="S1",
        district="Lowfield",
        altitude_m=1200.0,
        facility_methods=("chlorine",),
        protocol="default",
        flow="bag",
        opened_at=OPENED,
        opened_by="p1",
        holder="p1",
        sets=(),
        stage=stage,
        due=due,
    )


def logged(found: Batch, event: Event, kind: str) -> Batch:
    entry = Entry(n=len(found.log) + 1, at=event.at, kind=kind)  # type: ignore[arg-type]
    return found.with_entry(entry)


def small_step(unit: Unit, event: Event) -> Step:
    """A step small enough to read: every word it knows is one line below."""
    if isinstance(event, Heard):
        word, _, rest = event.text.partition(" ")
        return HEARD[word](replace(unit, serial=unit.serial + 1), event, rest)
    if isinstance(event, Letter):
        return Step(replace(unit, serial=unit.serial + 100), ())
    found = unit.batches.get(event.batch_id)
    if found is None:
        return Step(unit, ())
    return _rang(unit, found, event) if isinstance(event, Rang) else _told(unit, found, event)


def _count(unit: Unit, event: Heard, rest: str) -> Step:
    return Step(unit, (Reply(Prompt("counted", {"n": unit.serial})),))


def _open(unit: Unit, event: Heard, rest: str) -> Step:
    new = logged(batch(rest, due=event.at + SOAK), event, "opened")
    reply = Reply(Prompt("opened"), batch_id=rest)
    return Step(unit.put_batch(new), (reply, SetTimer(rest, event.at + SOAK), Push(new, ())))


def _close(unit: Unit, event: Heard, rest: str) -> Step:
    done = logged(unit.batches[rest], event, "closed")
    effects: tuple[Effect, ...] = (Reply(Prompt("closed"), end=True, batch_id=rest), Push(done, ()))
    return Step(unit.drop_batch(rest), effects)


def _stop(unit: Unit, event: Heard, rest: str) -> Step:
    return Step(unit, (Reply(Prompt("stopped")), ClearTimer(rest)))


def _say(unit: Unit, event: Heard, rest: str) -> Step:
    said = tuple(Say(event.phone, Prompt(word), batch_id="B1") for word in rest.split())
    return Step(unit, (Reply(Prompt("said")), *said))


def _fail(unit: Unit, event: Heard, rest: str) -> Step:
    raise KeyError(event.phone)


HEARD = {"count": _count, "open": _open, "close": _close, "stop": _stop, "say": _say, "fail": _fail}


def _rang(unit: Unit, found: Batch, event: Rang) -> Step:
    if found.stage == "spoiled":
        raise KeyError(NURSE)
    if found.due is None or event.at < found.due:
        return Step(unit, (SetTimer(found.id, found.due or event.at + SOAK),))
    rung = replace(logged(found, event, "rang"), bells=found.bells + 1, due=event.at + SOAK)
    bell = Say(unit.site.people[0].phone, Prompt("bell"), kind="bell", batch_id=found.id)
    return Step(unit.put_batch(rung), (bell, SetTimer(found.id, event.at + SOAK)))


def _told(unit: Unit, found: Batch, event: Receipt) -> Step:
    noted = logged(found, event, "delivered" if event.delivered else "undelivered")
    alarm = Say(CHIEF, Prompt("not_reached"), kind="alert", batch_id=found.id)
    told = () if event.delivered or event.kind == "alert" else (alarm,)
    return Step(unit.put_batch(noted), told)


def plain_render(prompt: Prompt, language: str, zone: str, practice: bool, hastened: bool) -> str:
    """The key, its values and the language: what a test needs to see."""
    values = "".join(f" {value}" for value in prompt.values.values())
    return f"{prompt.key}{values} [{language}]"


class Accepted(NamedTuple):
    message_id: str


@dataclass
class FakeGateway:
    """Takes messages, except for phones it is told to be down for or to refuse."""

    down: set[str] = field(default_factory=set)
    refused: set[str] = field(default_factory=set)
    broken: set[str] = field(default_factory=set)
    sent: list[tuple[str, str]] = field(default_factory=list)
    tries: int = 0

    def send(self, phone: str, text: str) -> Accepted:
        self.tries += 1
        if phone in self.down:
            raise GatewayDown("no answer")
        if phone in self.refused:
            raise GatewayRefused("code 403")
        if phone in self.broken:
            raise KeyError(phone)
        self.sent.append((phone, text))
        return Accepted(f"m{len(self.sent)}")

    def texts(self, phone: str) -> list[str]:
        """What *phone* got, in order, without the language."""
        return [text.partition(" [")[0] for to, text in self.sent if to == phone]


@dataclass
class FakeStore:
    """Keeps the longest log of each batch, as the store does."""

    down: bool = False
    poison: str = ""
    kept: dict[str, Push] = field(default_factory=dict)

    def record(self, pushed: list[Pushed]) -> None:
        if self.down:
            raise StoreDown("no answer")
        pushes = [push for push in pushed if isinstance(push, Push)]
        if any(push.batch.id == self.poison for push in pushes):
            raise ValueError(self.poison)
        for push in pushes:
            known = self.kept.get(push.batch.id)
            if known is None or len(push.batch.log) >= len(known.batch.log):
                self.kept[push.batch.id] = push


@dataclass
class Bench:
    """The service and all that it was built from."""

    redis: Redis
    clock: FakeClock
    service: Service
    gateway: FakeGateway
    store: FakeStore

    def hears(self, phone: str, text: str, event_id: str, channel: str = "sms") -> str:
        """*phone* says *text*; returns the USSD body."""
        return self.service.handle(self.heard(phone, text, event_id, channel))

    def heard(self, phone: str, text: str, event_id: str, channel: str = "sms") -> Heard:
        return Heard(event_id, phone, channel, text, self.clock())  # type: ignore[arg-type]

    def unit(self, site_id: str = "S1") -> Unit:
        found = self.service.sessions.unit(site_id)
        assert found is not None
        return found

    def works(self) -> None:
        """One sweep and its jobs, without RQ: all that is due now, once."""
        now = self.clock().timestamp()
        self.service.ring(self.service.timers.lease(now, 1000))
        self.service.deliver(self.service.outbox.lease(now, 1000))
        self.service.push(self.service.pushes.lease(now, 1000))


def new_bench(redis: Redis, clock: FakeClock) -> Bench:
    gateway, store = FakeGateway(), FakeStore()
    service = Service(
        sessions=Sessions(redis),
        timers=Timers(redis),
        outbox=Outbox(redis),
        pushes=Pushes(redis),
        posts=Posts(redis),
        gateway=gateway,
        store=store,
        step=small_step,
        render=plain_render,
        count_parts=lambda text: 2 if "opened" in text else 1,
        clock=clock,
        joins=Joins(redis),
        joining=lambda _: "",
        register=lambda _: (),
        counting=lambda _: (),
        tick=clock.tick,
    )
    return Bench(redis, clock, service, gateway, store)


@pytest.fixture
def bench(connect: Connect, clock: FakeClock) -> Bench:
    """A service with one site, S1, in its register."""
    made = new_bench(connect(), clock)
    publish(made.redis, [site()], {NURSE: "S1", AIDE: "S1", CHIEF: "S1"})
    return made
