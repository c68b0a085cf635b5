"""A past of two districts for the pages of the counts, planted in the store: nobody texted it.

The clock stands at 3 March 2025, 08:00 UTC. Batches of February: at LOWF 20, of which 12 missed a
step (10 said out too early, 2 broke the soak off) and one begun by mistake besides; at HIGH 60, of
which 3 failed a test, and one that is open. No bag at HIGH is READY since 20 February. Shift
checks: LOWF did 4 of 40, HIGH all of 40. FARM never said a word. BAO is another district, with a
name that means harm.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flask import Flask

from bot.effects import Checked, Gap, Pushed
from bot.register import District, Register, RegisteredSet
from flows.batch import Batch, Entry
from tests.bot.district_stand import desk_app, watched_world
from tests.bot.store_stand import closed, demo_register, record
from tests.conftest import FakeClock
from tests.phone import World

HOSTILE = '<script>alert("x")</script> & "Bay" \u202etxt'
BEGIN = datetime(2025, 2, 3, 6, 0, tzinfo=UTC)
EMPTY_SINCE = datetime(2025, 2, 20, 6, 0, tzinfo=UTC)
LINES = {"early": ("refused", "early"), "shortened": ("interrupted", "exposure_started")}


def two_districts() -> Register:
    """The demonstration's register with FARM in TAM, and BAO with BAYS."""
    small = demo_register()
    low = next(f for f in small.facilities if f.id == "LOWF")
    farm = replace(low, id="FARM", name="Far Meadow Post")
    bays = replace(low, id="BAYS", name=HOSTILE, district="BAO")
    model = small.models[0].id
    more = (RegisteredSet("BAG-31", "FARM", model), RegisteredSet("BAG-41", "BAYS", model))
    return replace(small, districts=(*small.districts, District("BAO", "Baobab Plain")),
                   facilities=(*small.facilities, farm, bays), sets=(*small.sets, *more))


def ended(facility: str, n: int, reason: str = "", **values: object) -> Batch:
    """A released chlorine batch of the 9th to the 22nd, four in a day; *reason*: what it missed."""
    at = BEGIN + timedelta(days=6 + n % 14, hours=2 * (n // 14))
    whole = closed(f"{facility}-{n}", at=at + timedelta(hours=1), facility=facility, opened_at=at)
    entry = Entry(9, at + timedelta(minutes=30), "answered", "soak", "P1", "sms", "1", "",
                  facts={"reason": reason})
    if reason in LINES:
        kind, mark = LINES[reason]
        entry = replace(entry, kind=kind, mark=mark, facts={})  # type: ignore[arg-type]
    log = (*whole.log, entry) if reason else whole.log
    return replace(whole, log=log, **values)  # type: ignore[arg-type]


def the_past() -> list[Pushed]:
    """What the head of this file tells."""
    low = [ended("LOWF", n, "early" if n < 10 else "shortened" if n < 12 else "")
           for n in range(20)]  # fmt: skip
    high = [ended("HIGH", n, "test" if n < 3 else "", method="autoclave" if n % 2 else "boiling")
            for n in range(60)]  # fmt: skip
    mistake = ended("LOWF", 20, outcome="cancelled", method="")
    still = ended("HIGH", 60, outcome="", closed_at=None, stage="wash", method="")
    bays = ended("BAYS", 0, "early", district="BAO")
    found: list[Pushed] = [record(b) for b in (*low, *high, mistake, still, bays)]
    found.append(Gap("HIGH-bag-1", "HIGH", "TAM", "bag", EMPTY_SINCE, None))
    return [*found, *_checks("LOWF", 4), *_checks("HIGH", 40)]


def _checks(facility: str, done: int) -> Iterator[Checked]:
    for n in range(40):
        slot = BEGIN + timedelta(hours=12 * n)
        was = n < done
        yield Checked(f"{facility}-c{n}", facility, "TAM", slot, slot if was else None,
                      "P1" if was else "", None, {}, None, 0, None, None, 5.0, was)  # fmt: skip


@contextmanager
def counted(clock: FakeClock, data: Path) -> Iterator[tuple[World, Flask]]:
    """The district, its past in its store, and the application on it."""
    with watched_world(clock, data, register=two_districts()) as world:
        world.parts.store.record(the_past())
        with desk_app(world.parts, data) as app:
            yield world, app
