"""What the register says of one facility: the place, its people, its sets, its stock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from flows.batch import Kind, Method
from flows.measures import Measure
from flows.strengths import Stock

Role = Literal["nurse", "in_charge", "supervisor"]
DISTRICT = "district-"  # begins the id of the site that a district's supervisors write to
LINE = "#"  # between a phone that several share and the id of one of them: her line


@dataclass(frozen=True, slots=True)
class Person:
    """Someone the register knows. *phone* is E.164 with its plus sign; on a page of the register,
    where several share a phone, it is her line of it.

    *shift* is when she works, by the facility's clock ("07:00-19:00"; "" where nobody said).
    """

    id: str
    name: str
    phone: str
    role: Role
    language: str = "en"
    shift: str = ""


def number_of(phone: str) -> str:
    """The number to send to, of a phone or of somebody's line of one."""
    return phone.partition(LINE)[0]


@dataclass(frozen=True, slots=True)
class SetCard:
    """A set as the register describes it, with its model's pieces and allowed methods."""

    id: str
    model: str
    kind: Kind
    pieces: int
    methods: tuple[Method, ...]


@dataclass(frozen=True, slots=True)
class Bottle:
    """A chlorine product that a facility holds: since when it is open, and kept at about how warm
    (C); None where nobody knows, which is never taken for fresh or cool."""

    id: str
    stock: Stock
    opened: date | None = None
    celsius: float | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """A facility's page of the register: all that a turn needs to know about the place.

    *people* work here; *supervisors* are told of missed steps. A supervisor's own texts are
    kept under a site of her district with no sets. *autoclave* is the machine's type. *soak_ml* is
    what the soak container takes (0: nobody said), *measures* what there is to measure with.
    *checks* are the times of the shift check by the facility's clock ("07:00"), *least_ready* how
    many sets of a kind must be READY. *models* are those that a new set may be of, and that can be
    cleaned here.
    """

    id: str
    name: str
    district: str
    altitude_m: float
    zone: str
    methods: tuple[Method, ...]
    sets: tuple[SetCard, ...]
    people: tuple[Person, ...]
    supervisors: tuple[Person, ...] = ()
    autoclave: Literal["", "gravity", "prevacuum"] = ""
    protocol: str = "default"
    measures: tuple[Measure, ...] = ()
    soak_ml: float = 0
    stock: tuple[Bottle, ...] = ()
    checks: tuple[str, ...] = ()
    least_ready: tuple[tuple[Kind, int], ...] = ()
    models: tuple[str, ...] = ()

    @property
    def watches(self) -> str:
        """The district whose supervisors' own texts are kept under this site, or ""."""
        return self.id.removeprefix(DISTRICT) if self.id.startswith(DISTRICT) else ""

    def person(self, phone: str) -> Person | None:
        """Whoever has *phone*, working here or supervising."""
        return next((p for p in (*self.people, *self.supervisors) if p.phone == phone), None)

    def sharers(self, phone: str) -> tuple[Person, ...]:
        """Everybody who has a line of *phone*; nobody if it is one person's."""
        return tuple(p for p in self.people if p.phone.startswith(f"{phone}{LINE}"))

    def by_id(self, person_id: str) -> Person | None:
        """Whoever has the register id *person_id*."""
        return next((p for p in (*self.people, *self.supervisors) if p.id == person_id), None)
