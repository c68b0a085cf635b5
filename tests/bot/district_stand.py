"""A district at work: what people said by SMS so that the desk has something to tell.

LOWF: a soak that was given up (an alert that the supervisor asked about and the nurse answered) and
one whose bell rang and nobody came. HIGH: a bag out of the autoclave, READY, and one under way.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from flask import Flask
from redis import Redis

from bot.config import demo_config
from bot.register import Register, RegisteredSet
from bot.web import create_app
from bot.wiring import Parts
from tests.bot.release_stand import release_bag, texts
from tests.bot.store_stand import demo_register
from tests.conftest import FakeClock
from tests.phone import World

GIVEN_UP = ("BRIEF", "BAG-1", "1", "1", "0.5", "8", "6")  # a soak whose water was not boiled
SOAKING = ("BRIEF", "SUC-1", "1", "1", "0.5")  # SUC-1 lies in chlorine
QUESTION, WORDS = "why could it not be done?", "the water was gone"


@contextmanager
def watched_world(
    clock: FakeClock, data: Path, redis: Redis | None = None, register: Register | None = None
) -> Iterator[World]:
    """The demonstration's district with every rule of the alerts in force."""
    with World(register or demo_register(), clock, data, redis, watched=True) as world:
        yield world


def busy(world: World) -> None:
    """What the head of this file tells; 40 minutes of it."""
    release_bag(world)
    texts(world, "Neema", *GIVEN_UP)
    texts(world, "Juma", "4", QUESTION)
    texts(world, "Neema", f"{alert_of(world, 'step')} {WORDS}")
    texts(world, "Baraka", *SOAKING)
    world.passes(timedelta(minutes=25))
    texts(world, "Imani", "SUC-5", "1", "1", "1")


def alert_of(world: World, rule: str) -> str:
    """The code of the open alert of *rule*."""
    return next(a.id for u in world.units() for a in u.alerts.values() if a.rule == rule)


@contextmanager
def desk_app(parts: Parts, data: Path) -> Iterator[Flask]:
    """The application on the same parts, for a client of the tests."""
    app = create_app(demo_config(1, data), parts)
    try:
        yield app
    finally:
        app.extensions["soakbell_receipts"].close()


def wide_register(facilities: int, sets: int) -> Register:
    """The demonstration's register with so many facilities more, each with its *sets* and a name
    as long as they come."""
    small = demo_register()
    place = next(f for f in small.facilities if f.id == "LOWF")
    more = tuple(
        replace(place, id=f"F{n:02}", name=f"Upper Long Meadow Health Post number {n:02}")
        for n in range(facilities)
    )
    model = small.models[0].id
    registered = tuple(
        RegisteredSet(f"BAG-{n:02}-{k}", f"F{n:02}", model)
        for n in range(facilities) for k in range(sets)
    )  # fmt: skip
    return replace(small, facilities=(*small.facilities, *more), sets=(*small.sets, *registered))
