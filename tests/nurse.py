"""A facility on a table: drives the pure step with a clock that tests move, and keeps the books.

The books are what the outside world would have: the timers that are set, the records pushed, the
texts sent. Nothing here decides anything.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import msgspec

from bot.catalogues import load_catalogues
from bot.effects import ClearTimer, Effect, Push, Reply, Say, SetTimer
from bot.events import Channel, Event, Heard, Rang, Receipt
from bot.machine import step
from bot.model import Unit
from bot.rules import Rules
from bot.site import Person, SetCard, Site
from bot.watching import LASTING
from bot.wiring import load_alerts, load_protocols
from bot.wording import Wording
from flows.alerting import AlertRules
from flows.batch import METHODS, Batch, Entry, Method
from flows.late import late_words
from flows.prompts import commands
from flows.protocol import Protocol
from flows.reprocess import REPROCESS
from flows.stage import Flow, Stage

ASHA, BELA, CHIEF, SENA = "+12025550111", "+12025550112", "+12025550113", "+12025550119"
STRANGER = "+12025550199"
BEGAN = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)

CATALOGUES = load_catalogues()
WORDING = Wording(CATALOGUES)
PROTOCOLS = load_protocols()
ALERTS = load_alerts()
# What people say themselves, without what the clock finds: for tests of the batch alone.
SAID = replace(
    ALERTS, rules={i: r for i, r in ALERTS.rules.items() if i not in {*LASTING, "undelivered"}}
)
PROTOCOL: Protocol = PROTOCOLS["default"]

BAG = SetCard("BAG-1", "Bag model A", "bag", 7, METHODS)
SUCTION = SetCard("SUC-1", "Suction model B", "suction", 3, METHODS)
SPARE = SetCard("BAG-2", "Bag model A", "bag", 7, METHODS)

PLACE = Site(
    id="KORA",
    name="Kora Health Post",
    district="TAMBO",
    altitude_m=500,
    zone="Africa/Nairobi",
    methods=METHODS,
    sets=(BAG, SUCTION, SPARE),
    people=(
        Person("ASHA", "Asha", ASHA, "nurse"),
        Person("BELA", "Bela", BELA, "nurse"),
        Person("CHIEF", "Chipo", CHIEF, "in_charge"),
    ),
    supervisors=(Person("SENA", "Sena", SENA, "supervisor"),),
    autoclave="gravity",
)


def rules_of(
    flow: Flow = REPROCESS, *, hasten: float = 1.0, alerts: AlertRules = SAID
) -> Rules:
    """The rules in force, with *flow* in the place of the usual graph."""
    return Rules(
        flow=flow,
        flows={flow.id: flow},
        protocols=PROTOCOLS,
        commands={name: commands(texts) for name, texts in CATALOGUES.items()},
        hasten=hasten,
        alerts=alerts,
        fits=WORDING.fits,
        late_words={name: late_words(texts) for name, texts in CATALOGUES.items()},
    )


@dataclass
class Ward:
    """One facility and everything that was done to it."""

    site: Site = PLACE
    rules: Rules = field(default_factory=rules_of)
    now: datetime = BEGAN
    boot: str = "boot-1"
    running: float = 1000.0
    unit: Unit = field(init=False)
    timers: dict[str, datetime] = field(default_factory=dict)
    pushes: list[Push] = field(default_factory=list)
    said: list[tuple[str, str, str]] = field(default_factory=list)
    effects: tuple[Effect, ...] = ()
    count: int = 0

    def __post_init__(self) -> None:
        self.unit = Unit(self.site)

    # ---- time ----------------------------------------------------------------------------

    def passes(self, **span: float) -> None:
        """Time goes by, on both clocks."""
        gone = timedelta(**span)
        self.now += gone
        self.running += gone.total_seconds()

    def goes_by(self, **span: float) -> None:
        """Time goes by, and every timer comes up at its moment."""
        end = self.now + timedelta(**span)
        for _ in range(10_000):
            due = min(self.timers.values(), default=None)
            if due is None or due > end:
                break
            self.passes(seconds=max((due - self.now).total_seconds(), 0))
            self.bells()
        else:
            raise AssertionError("timers ring for ever")
        self.passes(seconds=(end - self.now).total_seconds())

    def wall_jumps(self, **span: float) -> None:
        """Somebody sets the wall clock; the running time knows nothing of it."""
        self.now += timedelta(**span)

    def restarts(self, *, machine: bool = False) -> None:
        """The process dies and reads everything back; with *machine*, the whole host did."""
        self.unit = msgspec.json.decode(msgspec.json.encode(self.unit), type=Unit)
        if machine:
            self.boot += "'"
            self.running = 10.0

    # ---- events --------------------------------------------------------------------------

    def take(self, event: Event) -> tuple[Effect, ...]:
        """One turn, and its effects in the books."""
        self.unit, self.effects = step(self.unit, event, self.rules)
        for effect in self.effects:
            if isinstance(effect, SetTimer):
                self.timers[effect.batch_id] = effect.due
            elif isinstance(effect, ClearTimer):
                self.timers.pop(effect.batch_id, None)
            elif isinstance(effect, Push):
                self.pushes.append(effect)
            elif isinstance(effect, Say):
                self.said.append((effect.phone, effect.kind, self.text(effect)))
        return self.effects

    def says(self, *texts: str, phone: str = ASHA, sent_at: datetime | None = None) -> str:
        """Each text by SMS, one after another. Returns the last answer as read."""
        answer = ""
        for text in texts:
            event = Heard(self._id(), phone, "sms", text, self.now, sent_at, tick=self.tick)
            answer = self.answer(self.take(event))
        return answer

    def dials(self, text: str, session: str = "s1", phone: str = ASHA) -> str:
        """One request of a USSD session; *text* is all answers so far joined by asterisks."""
        newest, channel = text.rpartition("*")[2], "ussd"
        event = Heard(
            self._id(), phone, _channel(channel), newest, self.now, None, session, text, self.tick
        )
        return self.answer(self.take(event))

    def bell(self, batch_id: str) -> None:
        """The timer of *batch_id* comes up now, whether or not anything is due."""
        self.take(Rang(self._id(), batch_id, self.now, self.tick))

    def bells(self) -> None:
        """Every timer that is due comes up."""
        for batch_id, due in sorted(self.timers.items()):
            if due <= self.now:
                self.bell(batch_id)

    def receipt(self, batch_id: str, phone: str, *, delivered: bool, kind: str = "bell") -> None:
        """The gateway tells what became of a message."""
        self.take(Receipt(self._id(), phone, batch_id, kind, delivered, self.now))

    # ---- what came of it -----------------------------------------------------------------

    @property
    def tick(self) -> tuple[str, float]:
        return (self.boot, self.running)

    @property
    def batch(self) -> Batch:
        """The one open batch."""
        (found,) = self.unit.batches.values()
        return found

    @property
    def stage(self) -> str:
        """The stage of the one open batch; "" when there is none."""
        return self.batch.stage if self.unit.batches else ""

    @property
    def ended(self) -> Batch:
        """The newest record of a batch that is over."""
        return [p.batch for p in self.pushes if p.batch.outcome][-1]

    @property
    def against(self) -> list[str]:
        """What stood against the last release that was asked for, as codes."""
        batch = self.batch if self.unit.batches else self.ended
        checked = [e for e in batch.log if e.kind == "checked"]
        return str(checked[-1].facts["against"]).split() if checked else []

    def condition(self, set_id: str) -> str:
        """The condition of a set, now."""
        return self.unit.state_of(set_id).now(self.now)

    def answer(self, effects: tuple[Effect, ...]) -> str:
        """The reply among *effects*, as read; "" if there is none."""
        return "".join(self.text(e) for e in effects if isinstance(e, Reply))

    def text(self, effect: Reply | Say) -> str:
        return WORDING.render(effect.prompt, "en", self.site.zone, effect.practice, effect.hastened)

    def _id(self) -> str:
        self.count += 1
        return str(self.count)


def _channel(name: str) -> Channel:
    return "ussd" if name == "ussd" else "sms"


# ---- a nurse who does everything right, but where she is told otherwise ----------------------

READINGS = {"strength": "0.5", "load": "41", "temperature": "121", "pressure": "115"}
ENDS = ("not_ready", "no_method")


def right_answer(ward: Ward, method: Method, phone: str = ASHA) -> str:
    """What a nurse answers when all is well; lets an exposure pass first."""
    batch = ward.unit.batches[ward.unit.talk(phone).batch]
    stage = ward.rules.flow_of(batch).stages[batch.stage]
    if stage.kind == "wait" and batch.due:
        ward.passes(seconds=max((batch.due - ward.now).total_seconds(), 0))
    if stage.kind == "number" and stage.reading:
        return _reading(batch, stage, stage.reading.name)
    if stage.source == "methods":
        return str(PROTOCOL.methods_for(batch).index(method) + 1)
    if stage.source == "cycles":
        return "2"  # wrapped, 121 C, 30 minutes
    return "1"


def _reading(batch: Batch, stage: Stage, name: str) -> str:
    if name == "minutes":
        return "30"
    if name == "count":
        counted = {e.set_id for e in batch.log if e.mark == "counted" and _stands(batch, e)}
        return str(next(s.pieces for s in batch.remaining if s.id not in counted))
    return READINGS[name]


def _stands(batch: Batch, entry: Entry) -> bool:
    """Whether a count still holds: nothing after it sends the batch back before it."""
    later = [e for e in batch.log if e.n > entry.n]
    return entry.kind == "answered" and not any(
        e.kind in ("again", "interrupted") or e.voids == entry.n for e in later
    )


def play(
    ward: Ward,
    sets: str = "BAG-1",
    method: Method = "chlorine",
    *,
    until: str = "",
    answers: Mapping[str, str] | None = None,
    before: Callable[[Ward, str], None] | None = None,
    phone: str = ASHA,
) -> Ward:
    """A whole batch with right answers, but for *answers* (by stage, once each).

    Begins one if the nurse has none. Stops at the stage *until*, when the batch is over, or when
    it is refused. *before* is called at each stage, before it is answered.
    """
    other = dict(answers or {})
    if ward.unit.talk(phone).batch not in ward.unit.batches:
        ward.says(sets, phone=phone)
    mine = ward.unit.talk(phone).batch
    for _ in range(120):
        if mine not in ward.unit.batches:
            return ward
        stage = ward.unit.batches[mine].stage
        if stage == until or stage in ENDS:
            return ward
        if before:
            before(ward, stage)
        right = right_answer(ward, method, phone)
        ward.says(other.pop(stage, right), phone=phone)
        ward.passes(seconds=20)
    raise AssertionError(f"still at {stage} after 120 answers")


def released(sets: str = "BAG-1", method: Method = "chlorine") -> Batch:
    """The record of a batch that went well from end to end."""
    return play(Ward(), sets, method).ended


def with_log(batch: Batch, log: tuple[Entry, ...]) -> Batch:
    return replace(batch, log=log)
