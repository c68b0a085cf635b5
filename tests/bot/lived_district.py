"""Two districts that lived for some weeks, and what no simulation does: every document that the
store was ever told, in all its versions, and the newest of each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from random import Random

from bot.alert import Alert, AlertLine
from bot.effects import Checked, Conditions, Gap, Mixed, Push, Pushed, Raised
from bot.message import Message
from bot.past import Life
from bot.register import District, Facility, Register, RegisteredSet
from bot.register_files import read_register
from bot.scribe import Scribe
from flows.batch import Batch
from flows.prompts import segments
from tests.bot.mishap_logs import PLAYS, batches
from tests.nurse import ALERTS, WORDING, rules_of

DEMO = read_register(Path(__file__).parents[2] / "bot" / "demo", None)
ENDS = datetime(2026, 5, 3, 9, 0, 30, tzinfo=UTC)
DAYS = 36  # the whole of April, and the night in which Cairo's clocks go forward
SEED = 7
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
DAWN = datetime(2026, 4, 14, 3, 0, tzinfo=UTC)
SPRING = datetime(2026, 4, 23, 20, 30, 40, tzinfo=UTC)  # at 22:00 an hour is left out in Cairo


def _place(place_id: str, district: str, zone: str) -> Facility:
    first = DEMO.facilities[0]
    return replace(first, id=place_id, name=f"{place_id} Clinic", district=district, zone=zone)


# ISLE is told of by hand; nothing ever comes from MUTE; KORA is in no register.
MADE = (_place("ISLE", "BAO", "Africa/Cairo"), _place("MUTE", "TAM", "Africa/Dar_es_Salaam"))
REGISTER: Register = replace(
    DEMO, districts=(*DEMO.districts, District("BAO", "Baobab Plain")),
    facilities=(*DEMO.facilities, *MADE),
    sets=(*DEMO.sets, RegisteredSet("BAG-90", "ISLE", "BAG-SIL"),
          RegisteredSet("SUC-90", "ISLE", "SUC-SIL"), RegisteredSet("BAG-91", "MUTE", "BAG-SIL")),
)  # fmt: skip
ZONES = {f.id: f.zone for f in REGISTER.facilities}


@dataclass
class Told:
    """Documents by name, each version after the other."""

    versions: dict[str, list[Pushed]] = field(default_factory=dict)

    def add(self, name: str, *docs: Pushed) -> None:
        self.versions.setdefault(name, []).extend(docs)

    def newest(self) -> list[Pushed]:
        return [docs[-1] for docs in self.versions.values()]

    def every(self) -> list[Pushed]:
        """All versions in an order of their own, some of them twice."""
        random = Random(SEED)  # noqa: S311
        docs = [doc for docs in self.versions.values() for doc in docs]
        docs += random.sample(docs, len(docs) // 10)
        random.shuffle(docs)
        return docs


class _Kept(dict[str, Pushed]):
    """What a life keeps, by name, and in *told* whatever it replaced."""

    def __init__(self, told: Told) -> None:
        super().__init__()
        self._told = told

    def __setitem__(self, name: str, doc: Pushed) -> None:
        if not isinstance(doc, Conditions):
            self._told.add(name, doc)
        super().__setitem__(name, doc)


@cache
def lived() -> Told:
    """All that the store is told and counts."""
    told = Told()
    scribe = Scribe(WORDING.render, lambda text: segments(text)[2])
    rules = rules_of(alerts=ALERTS)
    life = Life(DEMO.sites(), rules, scribe, ENDS - timedelta(days=DAYS), ENDS, SEED)
    life.past.kept = _Kept(told)
    life.live()
    made: list[tuple[Pushed, ...]] = [*_gaps(), *_checks(), *_mixes(), *_messages()]
    for number, docs in enumerate(made):
        told.add(f"made {number}", *docs)
    for push in _mishaps():
        told.add(f"mishap {push.batch.id}", *_younger(push), push)
    for alert in _alerts():
        first = replace(alert, history=alert.history[:1], state="open", count=1)
        told.add(f"alert {alert.id}", Raised("TAM", first), Raised("TAM", alert))
    return told


def never_counted() -> list[Pushed]:
    """Practice, and what went by hastened times."""
    [well] = [p.batch for p in _mishaps() if p.batch.id == "LOWF-well-0"]
    return [
        Push(replace(well, id="PRACTICE", practice=True), ()),
        Push(replace(well, id="HASTE", hasten=60.0), ()),
        replace(next(_mixes())[0], id="HASTE", hasten=60.0),
    ]


# ---- made by hand ----------------------------------------------------------------------------


def _mishaps() -> Iterator[Push]:
    """Each batch that went wrong where it was made, in no register, and once at a facility of the
    register, some of them over midnight at the end of a month."""
    for name in PLAYS:
        for number, batch in enumerate(batches(name).values()):
            yield Push(replace(batch, id=f"{name}-{number}".replace(" ", "-")), ())
            here = replace(batch, facility="LOWF", district="TAM", segments=number + 3,
                           id=f"LOWF-{name}-{number}".replace(" ", "-"))
            yield Push(here, ())
            night = _later(here, timedelta(days=20, hours=12, minutes=30))
            yield Push(replace(night, id=f"HIGH-{name}-{number}".replace(" ", "-"),
                               facility="HIGH", late=name == "early"), ())


def _later(batch: Batch, span: timedelta) -> Batch:
    ends = batch.closed_at + span if batch.closed_at else None
    log = tuple(replace(e, at=e.at + span) for e in batch.log)
    return replace(batch, opened_at=batch.opened_at + span, closed_at=ends, log=log)


def _younger(push: Push) -> Iterator[Push]:
    """The batch as it was when it was opened."""
    batch = push.batch
    if len(batch.log) > 1:
        yield Push(replace(batch, log=batch.log[:1], outcome="", closed_at=None, method="",
                           segments=0), ())


def _gap(place: str, kind: str, since: datetime, until: datetime | None,
         district: str = "BAO") -> tuple[Gap, ...]:
    lasts = Gap(f"{place}-{kind}-{since:%d%H%M}", place, district, kind, since, None)  # type: ignore[arg-type]
    return (lasts, replace(lasts, until=until)) if until else (lasts,)


def _gaps() -> Iterator[tuple[Gap, ...]]:
    """Over the night of the clocks, over the end of a month, from before anything else was heard,
    less than a minute; two that last; and two of a place in no register."""
    yield _gap("ISLE", "bag", datetime(2026, 4, 2, 21, 59, 59, tzinfo=UTC), DAWN - 200 * HOUR)
    yield _gap("ISLE", "bag", SPRING, SPRING + 5 * HOUR + 10 * MINUTE)
    yield _gap("ISLE", "bag", DAWN, DAWN + timedelta(seconds=40))
    yield _gap("ISLE", "suction", datetime(2026, 4, 29, 12, 0, 10, tzinfo=UTC), None)
    yield _gap("KORA", "bag", DAWN, DAWN + 30 * HOUR, "TAM")
    yield _gap("KORA", "suction", DAWN, None, "TAM")


def _checks() -> Iterator[tuple[Checked, ...]]:
    done = Checked("C-0", "ISLE", "BAO", DAWN, DAWN + 60 * MINUTE, "P1", DAWN - 12 * HOUR,
                   {"BAG-90": "well"}, 3, 1, 5, 1, 60.0, done=True)
    missed = replace(done, at=None, sets={}, uses_said=None, births=None, helped=None,
                     late_minutes=0.0, done=False)
    yield missed, done
    yield (replace(done, id="C-1", late_minutes=60.5, uses_said=0, uses_counted=2),)
    yield (replace(done, id="C-2", slot=DAWN + 19 * HOUR, uses_said=None, births=None,
                   helped=None),)
    # Begun, and nobody went on with it: the next one asks for the same time.
    yield (replace(missed, id="C-3", uses_said=4, births=9, helped=2),)
    # Between the times, with uses and without.
    yield (replace(done, id="C-4", slot=None, at=DAWN + 9 * HOUR, uses_said=2),)
    yield (replace(done, id="C-5", slot=None, at=DAWN + 400 * HOUR, uses_said=None, births=None,
                   helped=None),)


def _mixes() -> Iterator[tuple[Mixed, ...]]:
    stands = Mixed("M-0", "ISLE", "BAO", DAWN, DAWN + 24 * HOUR, 0.5, 2.0, "bleach", "S", "P1")
    yield stands, replace(stands, closed_at=DAWN + 24 * HOUR, ended="outlived")
    yield (replace(stands, id="M-1", closed_at=DAWN + HOUR, ended="replaced"),)
    yield (replace(stands, id="M-2", at=ENDS - HOUR, expires_at=ENDS + HOUR),)


def _messages() -> Iterator[tuple[Message, ...]]:
    one = Message("T-0", "HIGH", "TAM", "HIGH-1", "bell", "P5", DAWN, 2)
    went = replace(one, state="sent", sent_at=DAWN + MINUTE, tries=1)
    yield one, went, replace(went, state="failed", reason="dead")
    # Refused, let go, tried again: sent at last.
    no = replace(one, id="T-1", state="refused", reason="no credit", tries=1)
    yield replace(one, id="T-1"), no, replace(went, id="T-1", again=1, tries=2)
    yield (replace(no, id="T-2", state="let go"),)
    yield (replace(one, id="T-3", at=datetime(2026, 4, 30, 21, 30, tzinfo=UTC)),)
    yield (replace(went, id="T-4", state="delivered", site="district-TAM", about="", segments=3),)


def _alerts() -> Iterator[Alert]:
    def raised(number: int, rule: str, state: str, *lines: tuple[str, str], sets: str = "BAG-1",
               count: int = 1) -> Alert:
        told = AlertLine(DAWN, "P8", "told")
        history = (told, *(AlertLine(DAWN + (n + 1) * 7 * MINUTE, by, what)  # type: ignore[arg-type]
                           for n, (by, what) in enumerate(lines)))
        return Alert(f"LOWF-90{number}", "LOWF", rule, f"matter {number}", DAWN, DAWN,
                     {"sets": sets}, count=count, state=state, step=0, history=history)  # type: ignore[arg-type]

    yield raised(1, "recall", "open")
    yield raised(2, "recall", "seen", ("P1", "seen"), sets="-")
    yield raised(3, "still", "over", ("", "over"), count=3)
    yield raised(4, "still", "over", ("P8", "seen"), ("", "over"))
    yield raised(5, "few_ready", "open", ("P8", "passed"), ("", "nobody"))
    yield raised(6, "few_ready", "taken", ("P8", "passed"), ("P9", "asked"), ("P1", "replied"))
    yield raised(7, "step", "over", ("P8", "passed"), ("", "over"))
    yield raised(8, "load", "solved", ("P8", "taken"), ("P8", "solved"))
