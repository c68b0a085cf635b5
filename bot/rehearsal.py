"""Invented people who play their parts: for the demonstration's past and for whole days in tests.

They look at where the conversation stands, as a person reads her phone, and say what is right, or
now and then what is wrong. All chance comes from the generator that they are given, so the same
seed number makes the same day. Nothing here decides anything: they only speak.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

from bot.asking import asks_of, choices, page_shown
from bot.book import Book
from bot.cupboard import lacking
from bot.model import Talk, Unit
from bot.rules import Rules
from bot.site import Person
from bot.whom import in_shift, local_time
from flows import readiness
from flows.batch import Batch
from flows.release import marks
from flows.stage import Stage

# How often something goes wrong, and what is said then, by stage. Invented: it makes the days of
# the demonstration look lived in, and measures nothing.
SLIPS: Mapping[str, tuple[float, str]] = {
    "soak": (0.06, "3"),
    "boil": (0.05, "2"),
    "steam": (0.05, "2"),
    "solution_strength": (0.05, "0.3"),
    "count": (0.04, "2"),
    "inspect": (0.08, "3"),
    "test_bag": (0.05, "2"),
    "auto_indicator": (0.05, "2"),
    "vinegar_rinse": (0.05, "2"),
}
TOO_EARLY, LEAVES, LATE = 0.06, 0.05, 0.06  # shares of exposures, steps and ends of exposures
MIXES_AT = ("soak_dry", "solution_age")  # before the first pieces of a day go in
HOPELESS = ("damaged", "missing", "test_failed", "not_ready", "refused")
GIVES_UP = 0.4  # of those who stand there
FOUND = (0.02, "3")  # of sets looked at: open or wet
WORK_MINUTES = (1, 6)  # between an answer and the next
AWAY_MINUTES = (60, 240)
LATE_MINUTES = (12, 45)
READ_MINUTES = (0.2, 3)  # after a bell


@dataclass(slots=True)
class Act:
    """What somebody says, and after how long she looks at her phone again."""

    text: str
    then: timedelta


@dataclass(slots=True)
class Actor:
    """One facility's people, on one generator."""

    random: Random
    rules: Rules
    load: int = 0
    mixed_for: set[str] = field(default_factory=set)  # batches before which MIX was tried

    def minutes(self, between: tuple[float, float]) -> timedelta:
        """A time between so many minutes."""
        return timedelta(seconds=round(60 * self.random.uniform(*between)))

    def chance(self, share: float) -> bool:
        """True in *share* of all cases."""
        return self.random.random() < share

    # ---- who and what ----------------------------------------------------------------------

    def on_shift(self, unit: Unit, now: datetime) -> Person:
        """Somebody who works now."""
        local = local_time(unit.site, now)
        here = [p for p in unit.site.people if p.shift and in_shift(p.shift, local)]
        return self.random.choice(here or list(unit.site.people))

    def to_use(self, unit: Unit, now: datetime) -> str:
        """The sets that a birth takes: a bag, mostly with a suction device; "" if none is free."""
        free = [c for c in unit.site.sets if unit.state_of(c.id).batch not in unit.batches]
        ready = [c for c in free if unit.state_of(c.id).now(now) == "READY"] or free
        names = []
        for kind, share in (("bag", 1.0), ("suction", 0.7)):
            found = [c.id for c in ready if c.kind == kind]
            if found and self.chance(share):
                names.append(self.random.choice(found))
        return " ".join(names)

    def to_clean(self, unit: Unit, now: datetime) -> str:
        """The first set of each kind that waits to be cleaned; "" if none does."""
        free = [c for c in unit.site.sets if unit.state_of(c.id).batch not in unit.batches]
        waits = [c for c in free if unit.state_of(c.id).now(now) in ("USED", "EXPIRED")]
        return " ".join({c.kind: c.id for c in reversed(waits)}.values())

    # ---- what is said ----------------------------------------------------------------------

    def answer(self, unit: Unit, person: Person, now: datetime) -> Act | None:
        """What *person* says now; None where nothing waits for her."""
        talk = unit.talk(person.phone)
        said = self._check(talk.screen) or _on_screen(unit, talk)
        if said:
            return Act(said, self.minutes((0.2, 1)))
        batch = unit.batches.get(talk.batch)
        if batch is None or batch.holder != person.id:
            return None
        if self._mixes(unit, batch, now):
            self.mixed_for.add(batch.id)
            return Act("MIX", self.minutes((0.2, 1)))
        return self._step(batch, talk.stepwise, now)

    def _mixes(self, unit: Unit, batch: Batch, now: datetime) -> bool:
        """Whether a new solution is made before this batch goes in: there is none of today yet."""
        if batch.method != "chlorine" or batch.stage not in MIXES_AT or lacking(unit.site):
            return False
        today = _day(unit, now)
        made = {_day(unit, r.at) for r in unit.reminders.values() if r.kind == "solution"}
        return today not in made and batch.id not in self.mixed_for

    def _check(self, screen: str) -> str:
        """The shift check's questions; "" where none is asked."""
        if screen == readiness.ALL:
            return "1"
        if screen == readiness.ONE:
            return FOUND[1] if self.chance(FOUND[0]) else "1"
        if screen == readiness.ZERO:
            return "1"
        if screen == readiness.USES:
            return f"{self.random.choice((1, 1, 1, 2)):02}"
        if screen == readiness.BIRTHS:
            return f"{self.random.randint(0, 4):02}"
        return "01" if screen == readiness.HELPED else ""

    def _step(self, batch: Batch, stepwise: bool, now: datetime) -> Act:
        book = Book(self.rules.flow_of(batch), self.rules.protocol_of(batch))
        stage = book.stage(batch)
        if stage.kind == "wait" and batch.due and now < batch.due:
            return self._during(batch, batch.due, now)
        then = self.minutes(AWAY_MINUTES if self.chance(LEAVES) else WORK_MINUTES)
        share, wrong = SLIPS.get(stage.id, (0.0, "")) if stage.kind != "wait" else (0.0, "")
        if wrong and self.chance(share):
            return Act(wrong, then)
        page = page_shown(batch, book, "brief", stepwise=stepwise)
        asked = asks_of(batch, book, page) if page else []
        if page and not asked:
            return Act("1", then)
        words, counted = [], 0
        for one in asked or [stage]:
            words.append(self._value(batch, book, one, counted))
            counted += bool(one.reading and one.reading.name == "count")
        return Act(" ".join(words), then)

    def _during(self, batch: Batch, due: datetime, now: datetime) -> Act:
        """While an exposure runs: mostly nothing is said until the bell, sometimes too early."""
        late = LATE_MINUTES if self.chance(LATE) else READ_MINUTES
        share, wrong = SLIPS.get(batch.stage, (0.0, ""))
        if wrong and self.chance(share):
            return Act(wrong, self.minutes(WORK_MINUTES))
        if self.chance(TOO_EARLY):
            return Act("1", due - now + self.minutes(late))
        return Act("", due - now + self.minutes(late))

    def _value(self, batch: Batch, book: Book, stage: Stage, counted: int) -> str:
        """The right answer to *stage*, after so many counts on the same page."""
        if stage.kind == "pick":
            return str(self.random.randint(1, max(len(choices(batch, book, stage)), 1)))
        if stage.reading:
            return self._reading(batch, book, stage.reading.name, counted)
        telling = [digit for digit, option in stage.options.items() if option.tell]
        return telling[-1] if telling and stage.id in HOPELESS and self.chance(GIVES_UP) else "1"

    def _reading(self, batch: Batch, book: Book, name: str, counted: int) -> str:
        standing = marks(batch.log)
        chosen = standing.get(("cycle", ""))
        cycle = book.protocol.cycle(str(chosen.facts.get("cycle", ""))) if chosen else None
        if name == "count":
            left = [s.pieces for s in batch.remaining if ("counted", s.id) not in standing]
            return f"{left[counted]:02}"
        if name == "load":
            self.load += 1
            return str(self.load)
        if cycle and name == "pressure":
            return f"{book.protocol.gauge_kpa(cycle, batch.altitude_m) + 1:.0f}"
        if cycle and name in ("temperature", "minutes"):
            return f"{cycle.celsius if name == 'temperature' else cycle.minutes:g}"
        return "0.5"


def _on_screen(unit: Unit, talk: Talk) -> str:
    """What is said on a screen that lies over the batch; "" where there is none."""
    if talk.screen == "mix":
        return _dry(unit, talk.choices)
    if talk.screen in ("choose", "mixed", "labelled"):
        return "1"
    return "0" if talk.screen and talk.screen != "home" else ""


def _dry(unit: Unit, shown: Sequence[str]) -> str:
    """The digit of the first powder or tablets among the stock that is *shown*; 0 for none."""
    dry = [b.id for b in unit.site.stock if b.stock.form != "liquid"]
    return next((str(n) for n, bottle in enumerate(shown, 1) if bottle in dry), "0")


def _day(unit: Unit, moment: datetime) -> date:
    return moment.astimezone(ZoneInfo(unit.site.zone)).date()
