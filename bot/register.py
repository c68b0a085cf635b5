"""The register: districts, facilities, models, sets, people, stock; what of it cannot work."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from bot.rows_stock import Held
from bot.site import LINE, Person, SetCard, Site
from flows.batch import Kind, Method
from flows.measures import Measure

Autoclave = Literal["", "gravity", "prevacuum"]


@dataclass(frozen=True, slots=True)
class District:
    id: str
    name: str


@dataclass(frozen=True, slots=True)
class Facility:
    """A place with its methods and its *measures*. Metres; *zone* of the tz database; *protocol*
    names the numbers in force; *soak_ml* is what the soak container takes, 0 if nobody says;
    *checks* are the local times of the shift check, *least_ready* what must be READY."""

    id: str
    name: str
    district: str
    altitude_m: float
    zone: str
    methods: tuple[Method, ...]
    autoclave: Autoclave = ""
    measures: tuple[Measure, ...] = ()
    protocol: str = "default"
    soak_ml: float = 0.0
    checks: tuple[str, ...] = ()
    least_ready: tuple[tuple[Kind, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Model:
    """A kind of set: its *pieces* by name and count, and the methods its maker allows."""

    id: str
    kind: Kind
    pieces: tuple[tuple[str, int], ...]
    methods: tuple[Method, ...]


@dataclass(frozen=True, slots=True)
class RegisteredSet:
    id: str
    facility: str
    model: str


@dataclass(frozen=True, slots=True)
class Member:
    """A person and the *place* where she is: a facility, or a supervisor's district."""

    person: Person
    place: str


@dataclass(frozen=True, slots=True)
class Register:
    """The whole register, each part sorted by id, every reference good."""

    districts: tuple[District, ...]
    facilities: tuple[Facility, ...]
    models: tuple[Model, ...]
    sets: tuple[RegisteredSet, ...]
    people: tuple[Member, ...]
    stock: tuple[Held, ...] = ()

    def sites(self) -> tuple[Site, ...]:
        """One site a facility, then one a district, named `district-<id>`, for supervisors."""
        return (*map(self._site, self.facilities), *map(self._district_site, self.districts))

    def phones(self) -> dict[str, str]:
        """The site of each phone, by E.164 phone."""
        return {m.person.phone: _site_id(m) for m in self.people}

    @property
    def warnings(self) -> tuple[str, ...]:
        """What can be imported and yet leaves somebody without an answer, a sentence each."""
        return (*self._empty_places(), *self._sets_without_method())

    def lost_in(self, other: Register) -> list[str]:
        """A sentence each for the people and for the sets that are here and not in *other*."""
        gone: tuple[tuple[str, set[str]], ...] = (
            ("people", {m.person.id for m in self.people} - {m.person.id for m in other.people}),
            ("sets", {s.id for s in self.sets} - {s.id for s in other.sets}),
        )
        return [f"{name}.csv: {len(ids)} {name} of the register would be dropped: "
                f"{' '.join(sorted(ids))} (export the register, or import with --drop)"
                for name, ids in gone if ids]  # fmt: skip

    def _supervisors(self, district: str) -> tuple[Person, ...]:
        return tuple(m.person for m in self.people
                     if m.place == district and m.person.role == "supervisor")

    def _staff(self, facility: str) -> tuple[Person, ...]:
        return tuple(m.person for m in self.people
                     if m.place == facility and m.person.role != "supervisor")

    def _cards(self, facility: str) -> tuple[SetCard, ...]:
        models = {m.id: m for m in self.models}
        return tuple(_card(s.id, models[s.model]) for s in self.sets if s.facility == facility)

    def _site(self, facility: Facility) -> Site:
        return Site(
            id=facility.id, name=facility.name, district=facility.district,
            altitude_m=facility.altitude_m, zone=facility.zone, methods=facility.methods,
            sets=self._cards(facility.id), people=_lines(self._staff(facility.id)),
            supervisors=self._supervisors(facility.district), autoclave=facility.autoclave,
            protocol=facility.protocol, measures=facility.measures, soak_ml=facility.soak_ml,
            stock=tuple(h.bottle for h in self.stock if h.facility == facility.id),
            models=tuple(m.id for m in self.models if set(m.methods) & set(facility.methods)),
            checks=facility.checks, least_ready=facility.least_ready,
        )

    def _district_site(self, district: District) -> Site:
        zones = (f.zone for f in self.facilities if f.district == district.id)
        return Site(
            id=f"district-{district.id}", name=district.name, district=district.id,
            altitude_m=0.0, zone=next(zones, "UTC"), methods=(), sets=(), people=(),
            supervisors=self._supervisors(district.id),
        )

    def _empty_places(self) -> Iterable[str]:
        for facility in self.facilities:
            if not self._staff(facility.id):
                yield f"facility {facility.id} has no people"
        for district in self.districts:
            if not self._supervisors(district.id):
                yield f"district {district.id} has no supervisor: nobody hears of missed steps"

    def _sets_without_method(self) -> Iterable[str]:
        for facility in self.facilities:
            for card in self._cards(facility.id):
                if not set(card.methods) & set(facility.methods):
                    yield f"set {card.id}: {facility.id} has no method that its maker allows"


def _lines(people: tuple[Person, ...]) -> tuple[Person, ...]:
    """Each with her own line, where several share a phone."""
    count = Counter(p.phone for p in people)
    return tuple(replace(p, phone=f"{p.phone}{LINE}{p.id}") if count[p.phone] > 1 else p
                 for p in people)  # fmt: skip


def _site_id(member: Member) -> str:
    supervises = member.person.role == "supervisor"
    return f"district-{member.place}" if supervises else member.place


def _card(set_id: str, model: Model) -> SetCard:
    count = sum(n for _, n in model.pieces)
    return SetCard(set_id, model.id, model.kind, count, model.methods)


def assemble(
    districts: Iterable[District],
    facilities: Iterable[Facility],
    models: Iterable[Model],
    sets: Iterable[RegisteredSet],
    people: Iterable[Member],
    stock: Iterable[Held] = (),
) -> Register:
    """A register with every part in the order of its ids, whatever order the parts came in."""
    return Register(
        tuple(sorted(districts, key=lambda d: d.id)),
        tuple(sorted(facilities, key=lambda f: f.id)),
        tuple(sorted(models, key=lambda m: m.id)),
        tuple(sorted(sets, key=lambda s: s.id)),
        tuple(sorted(people, key=lambda m: m.person.id)),
        tuple(sorted(stock, key=lambda h: h.bottle.id)),
    )
