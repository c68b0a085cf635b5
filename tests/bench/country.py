"""An invented country: its register, and batches by the million from a seed.

Some hundred batches are lived by the real machine (`bot.past`). Every other batch is one of them
again, with another id, at another place, on another day: its log, and so its document, is as long
as a real one's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random
from typing import NamedTuple

import msgspec

from bot.effects import Gap, Push
from bot.past import Life, records
from bot.register import District, Register, RegisteredSet
from bot.register_files import read_register
from bot.scribe import Scribe
from flows.batch import Kind, Outcome
from flows.prompts import segments
from tests.nurse import ALERTS, WORDING, rules_of

DEMO = Path(__file__).parents[2] / "bot" / "demo"
LIVED_DAYS = 40  # at the eight facilities of the demonstration: some 280 batches
LIVED_UNTIL = datetime(2026, 3, 20, 9, 0, tzinfo=UTC)
ZONE = "Africa/Dar_es_Salaam"  # without summer time: a day later is 24 hours later
BEGINS = date(2023, 4, 1)
DAYS = (date(2026, 4, 1) - BEGINS).days  # 36 months
DISTRICTS, FACILITIES, SETS = 25, 1000, 6
ENDED: Mapping[int, Outcome] = {7: "set aside", 13: "cancelled"}  # of every 20; else as lived
UNDERWAY_DAYS = 2  # a batch that is not over was begun on one of the last days
KINDS: tuple[Kind, Kind] = ("bag", "suction")


Parts = list[str]


class Made(NamedTuple):
    """One batch: which *pattern* it repeats, at which facility, how many days after BEGINS."""

    id: str
    pattern: int
    facility: int
    day: int


@dataclass(frozen=True, slots=True)
class Pattern:
    """A lived batch as if begun on the day BEGINS, and the *dates* that are in it."""

    push: Push
    method: str
    dates: tuple[date, ...]

    def parted(self, text: str) -> Parts:
        """*text* as parts, every second of which names what differs from batch to batch."""
        batch = self.push.batch
        text = text.replace(batch.id, "@id@")
        for n, one in enumerate(batch.sets):
            text = text.replace(f'"{one.id}"', f'"@facility@-{n}"')
        for n, day in enumerate(self.dates):
            text = text.replace(f"{day}T", f"@{n}@T")
        text = text.replace(batch.facility, "@facility@").replace(batch.district, "@district@")
        return re.split(r"@(id|facility|district|\d)@", text)

    def placed(self, parts: Parts, made: Made) -> str:
        """The text of *parts* for *made*."""
        values = {"id": made.id, "facility": facility(made.facility),
                  "district": district(made.facility)}
        for n, day in enumerate(self.dates):
            values[str(n)] = str(day + timedelta(days=made.day))
        whole = list(parts)
        whole[1::2] = [values[name] for name in parts[1::2]]
        return "".join(whole)


def facility(n: int) -> str:
    return f"F{n:04}"


def district(n: int) -> str:
    """The district of the facility numbered *n*."""
    return f"D{n % DISTRICTS:02}"


def register(facilities: int = FACILITIES) -> Register:
    """Facilities like those of the demonstration, in turn, each with bags and suction devices."""
    demo = read_register(DEMO, None)
    models = {m.kind: m.id for m in demo.models}
    places = tuple(
        replace(demo.facilities[n % len(demo.facilities)], id=facility(n),
                name=f"Invented facility {n}", district=district(n), zone=ZONE)
        for n in range(facilities))
    sets = tuple(RegisteredSet(f"{facility(n)}-{k}", facility(n), models[KINDS[k % 2]])
                 for n in range(facilities) for k in range(SETS))
    areas = tuple(District(f"D{n:02}", f"Invented district {n}") for n in range(DISTRICTS))
    return Register(areas, places, demo.models, sets, ())



def patterns(seed: int) -> list[Pattern]:
    """What the batches of the country repeat, the same for the same *seed*."""
    scribe = Scribe(WORDING.render, lambda text: segments(text)[2])
    life = Life(read_register(DEMO, None).sites(), rules_of(alerts=ALERTS), scribe,
                LIVED_UNTIL - timedelta(days=LIVED_DAYS), LIVED_UNTIL, seed)
    lived = [p for p in records(life.live()) if isinstance(p, Push)]
    return [_pattern(_ended(push, n)) for n, push in enumerate(lived)]


def _ended(push: Push, n: int) -> Push:
    outcome = ENDED.get(n % 20)
    if not outcome or not push.batch.outcome:
        return push
    return Push(replace(push.batch, outcome=outcome, expires_at=None), ())


def _pattern(push: Push) -> Pattern:
    """*push* moved to BEGINS: by whole days, so that its clock times stay."""
    lived = msgspec.json.encode(push).decode()
    back = BEGINS - push.batch.opened_at.date()
    moved = re.sub(r"\d{4}-\d\d-\d\d(?=T)",
                   lambda found: str(date.fromisoformat(found[0]) + back), lived)
    days = sorted(set(re.findall(r"\d{4}-\d\d-\d\d(?=T)", moved)))
    found = msgspec.json.decode(moved, type=Push)
    return Pattern(found, found.batch.method, tuple(map(date.fromisoformat, days)))


def makings(of: Sequence[Pattern], batches: int, facilities: int, seed: int) -> Iterator[Made]:
    """What *batches* to make, facility by facility, each with methods of its own."""
    for place in range(facilities):
        dice = Random(f"{seed} {place}")  # noqa: S311 (no secret)
        here = dice.sample(("chlorine", "boiling", "steaming", "autoclave"), 2)
        over = [n for n, p in enumerate(of) if p.push.batch.outcome and p.method in here]
        underway = [n for n, p in enumerate(of) if not p.push.batch.outcome]
        share = batches // facilities + (place < batches % facilities)
        for n in range(share):
            late = n == 0 and place % 2
            yield Made(f"{facility(place)}-{n}", dice.choice(underway if late else over), place,
                       DAYS - UNDERWAY_DAYS if late else dice.randrange(DAYS))


def pushes(of: Sequence[Pattern], made: Iterator[Made]) -> Iterator[Push]:
    """The documents of *made*, whole."""
    parts = [p.parted(msgspec.json.encode(p.push).decode()) for p in of]
    for one in made:
        text = of[one.pattern].placed(parts[one.pattern], one)
        yield msgspec.json.decode(text, type=Push)


def gaps(facilities: int, seed: int) -> Iterator[Gap]:
    """A time without a READY set each month at each facility; at every fifth one that lasts."""
    for place in range(facilities):
        dice = Random(f"{seed} gaps {place}")  # noqa: S311 (no secret)
        for month in range(0, DAYS - 30, 30):
            at = datetime.combine(BEGINS, datetime.min.time(), UTC) + timedelta(
                days=month + dice.randrange(25), minutes=dice.randrange(1440))
            until = at + timedelta(minutes=dice.randrange(1, 600))
            lasts = place % 5 == 0 and month + 60 > DAYS
            yield Gap(f"{facility(place)}-gap-{month}", facility(place), district(place),
                      KINDS[place % 2], at, None if lasts else until)
