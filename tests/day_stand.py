"""One day of the demonstration's district, and what is read of it from outside afterwards."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

from bot.register_files import read_register
from tests.conftest import FakeClock
from tests.crowd import Crowd, Mishap
from tests.mishaps import mishaps, uses_and_leaves
from tests.phone import World

DEMO = Path(__file__).parents[1] / "bot" / "demo"
SEED = 2
DAWN = datetime(2025, 3, 3, 3, 0, tzinfo=UTC)  # six in the morning there
ENDS = DAWN + timedelta(hours=13, minutes=50)  # before the quiet hours begin
BATCHES = 32
DIALLING = frozenset({"P5", "P10", "P13", "P17", "P19"})
SUPERVISOR = "Juma"
SKIPS_CHECK = "DUNE"
LEAVES = "FERN"
READY = re.compile(r"([A-Z]+-\d+(?:\+[A-Z]+-\d+)*) READY, until")

Row = dict[str, Any]


@dataclass
class Day:
    """A day that was lived."""

    world: World
    crowd: Crowd

    @cached_property
    def batches(self) -> dict[str, Row]:
        """Every batch with its log, as the API tells it, by id; the first first."""
        rows = self.world.api("batches?limit=1000")["batches"]
        assert len({row["id"] for row in rows}) == len(rows)
        return {r["id"]: self.world.api(f"batches/{r['id']}") for r in reversed(rows)}

    @cached_property
    def alerts(self) -> dict[str, Row]:
        """Every alert with its history, by id."""
        rows = self.world.api("alerts?limit=1000")["alerts"]
        return {row["id"]: self.world.api(f"alerts/{row['id']}") for row in reversed(rows)}

    @cached_property
    def sets(self) -> list[Row]:
        """Every set with its condition now."""
        return list(self.world.api("sets?limit=1000")["sets"])

    @cached_property
    def bells(self) -> dict[str, list[Row]]:
        """The texts that rang, by the batch that they are about."""
        found: dict[str, list[Row]] = {}
        path = "messages?limit=1000"
        while path:
            page = self.world.api(path)
            for row in page["messages"]:
                if row["kind"] == "bell":
                    found.setdefault(row["about"], []).append(row)
            path = f"messages?limit=1000&after={page['next']}" if page["next"] else ""
        return found

    def told_ready(self) -> list[tuple[datetime, frozenset[str]]]:
        """When somebody was told that which sets are READY, on a screen or by SMS."""
        texts = [(m.at, m.text) for p in self.world.phones.values() for m in self.world.inbox(p)]
        said = [(at, READY.search(text)) for at, text in (*texts, *self.crowd.screens)]
        return [(at, frozenset(found[1].split("+"))) for at, found in said if found]

    def mishap(self, name: str) -> Mishap:
        """The one of that name, which must have fallen."""
        found = next(m for m in self.crowd.mishaps if m.name == name)
        assert found.at, f"{name} never fell on this day: take another seed number"
        return found

    def about(self, rule: str, batch: str) -> Row:
        """The one alert of *rule* about *batch* (or about a set or a facility, by its matter)."""
        found = [a for a in self.alerts.values()
                 if a["rule"] == rule and batch in (a["batch"], a["matter"])]  # fmt: skip
        assert len(found) == 1, f"{rule} {batch}: {len(found)} alerts"
        return found[0]


def moment(text: str) -> datetime:
    """A moment as the API writes it."""
    return datetime.fromisoformat(text)


@contextmanager
def lived(data: Path, seed: int = SEED) -> Iterator[Day]:
    """The day of *seed*, with the world as it stands at its end."""
    clock = FakeClock()
    clock.now = DAWN
    with World(read_register(DEMO, None), clock, data, watched=True) as world:
        crowd = Crowd(world, seed, mishaps(), DIALLING)
        for site in crowd.sites.values():
            for person in site.people:
                world.texts(world.phones[person.name], "BRIEF")
            if site.id != SKIPS_CHECK:
                _checks(crowd, site.id)
        crowd.births(BATCHES, DAWN + timedelta(minutes=10), ENDS - timedelta(minutes=15))
        left = Mishap("left", (LEAVES,), (), lambda *_: None)
        crowd.mishaps.append(left)
        crowd.at(DAWN + timedelta(hours=3), lambda: uses_and_leaves(crowd, left))
        for hour in range(1, 14):
            crowd.at(DAWN + timedelta(hours=hour), lambda: crowd.reads_alerts(SUPERVISOR))
        crowd.lives(ENDS)
        yield Day(world, crowd)


def _checks(crowd: Crowd, site: str) -> None:
    """Somewhat after each of its times that fall into this day the check is done."""
    for time in crowd.sites[site].checks:
        hour, minute = map(int, time.split(":"))
        since_dawn = timedelta(hours=hour - 6, minutes=minute + crowd.random.randint(3, 30))
        if timedelta() < since_dawn < ENDS - DAWN:
            crowd.at(DAWN + since_dawn, lambda: crowd.checks(site))
