"""The register: districts, facilities, models, sets, people. Read whole or not at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast

from bot import rows
from bot.cupboard import MOST_BOTTLES
from bot.errors import RegisterError
from bot.model import Person, Role, SetCard, Site
from bot.rows import Reader, Row
from bot.rows_stock import STOCK_COLUMNS, Held, held, measures, soak_ml
from flows.batch import METHODS, Kind, Method
from flows.measures import Measure

Autoclave = Literal["", "gravity", "prevacuum"]

COLUMNS: dict[str, tuple[str, ...]] = {
    "districts": ("id", "name"),
    "facilities": ("id", "name", "district", "altitude_m", "zone", "methods", "autoclave",
                   "measures", "protocol"),
    "models": ("id", "kind", "pieces_list", "methods"),
    "sets": ("id", "facility", "model"),
    "people": ("id", "name", "phone", "role", "place", "language"),
}
# Registers from before there was a mix in the conversation have neither this column nor the file.
OPTIONAL: dict[str, tuple[str, ...]] = {"facilities": ("soak_ml",)}
STOCK = "stock.csv"


@dataclass(frozen=True, slots=True)
class District:
    id: str
    name: str


@dataclass(frozen=True, slots=True)
class Facility:
    """A place with its methods and its *measures*. Metres; *zone* of the tz database; *protocol*
    names the numbers in force; *soak_ml* is what the soak container takes, 0 if nobody says."""

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
            sets=self._cards(facility.id), people=self._staff(facility.id),
            supervisors=self._supervisors(facility.district), autoclave=facility.autoclave,
            protocol=facility.protocol, measures=facility.measures, soak_ml=facility.soak_ml,
            stock=tuple(h.bottle for h in self.stock if h.facility == facility.id),
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


def _site_id(member: Member) -> str:
    supervises = member.person.role == "supervisor"
    return f"district-{member.place}" if supervises else member.place


def _card(set_id: str, model: Model) -> SetCard:
    count = sum(n for _, n in model.pieces)
    return SetCard(set_id, model.id, model.kind, count, model.methods)


def read_register(folder: Path, region: str | None) -> Register:
    """The register in *folder*, five CSV files in UTF-8, a header in each (see `COLUMNS`), and the
    stock in a sixth, if it is there.

    *region* (two letters, or None) is where a phone without a plus sign is. Raises
    RegisterError with every problem found; then nothing was read.
    """
    reader = Reader()
    table = {
        name: reader.rows(folder / f"{name}.csv", COLUMNS[name], OPTIONAL.get(name, ()))
        for name in COLUMNS
    }
    there = (folder / STOCK).exists()
    table["stock"] = reader.rows(folder / STOCK, STOCK_COLUMNS) if there else []
    whole = not reader.problems
    parsed = _Parsed(reader, table, region)
    if whole:  # else a reference to a row that was not read would be blamed on a good row
        parsed.check_references(reader)
    if reader.problems:
        raise RegisterError(reader.problems)
    return parsed.register()


class _Parsed:
    """Every row read once; what refers to another row is checked after all ids are known."""

    def __init__(self, reader: Reader, table: dict[str, list[Row]], region: str | None) -> None:
        self.districts = [(r, _district(reader, r)) for r in table["districts"]]
        self.facilities = [(r, _facility(reader, r)) for r in table["facilities"]]
        self.models = [(r, _model(reader, r)) for r in table["models"]]
        self.sets = [(r, _set(reader, r)) for r in table["sets"]]
        self.people = [(r, _member(reader, r, region)) for r in table["people"]]
        self.stock = [(r, h) for r in table["stock"] if (h := held(reader, r))]
        self._check_unique(reader)

    def register(self) -> Register:
        return assemble(
            (d for _, d in self.districts), (f for _, f in self.facilities),
            (m for _, m in self.models), (s for _, s in self.sets), (p for _, p in self.people),
            (h for _, h in self.stock),
        )

    def _check_unique(self, reader: Reader) -> None:
        _unique(reader, "id", [(r, d.id) for r, d in self.districts])
        _unique(reader, "id", [(r, f.id) for r, f in self.facilities])
        _unique(reader, "id", [(r, m.id) for r, m in self.models])
        _unique(reader, "id", [(r, s.id) for r, s in self.sets])
        _unique(reader, "id", [(r, m.person.id) for r, m in self.people])
        _unique(reader, "phone", [(r, m.person.phone) for r, m in self.people])
        _unique(reader, "id", [(r, h.bottle.id) for r, h in self.stock])

    def check_references(self, reader: Reader) -> None:
        """Report every id that names nothing."""
        districts = {d.id for _, d in self.districts}
        facilities = {f.id for _, f in self.facilities}
        models = {m.id for _, m in self.models}
        for row, facility in self.facilities:
            reader.known(row, "district", facility.district, districts)
        for row, one in self.sets:
            reader.known(row, "facility", one.facility, facilities)
            reader.known(row, "model", one.model, models)
        for row, member in self.people:
            supervises = member.person.role == "supervisor"
            reader.known(row, "place", member.place, districts if supervises else facilities)
        count = Counter(h.facility for _, h in self.stock)
        for row, item in self.stock:
            reader.known(row, "facility", item.facility, facilities)
            if count[item.facility] > MOST_BOTTLES:
                reader.say(row, f"facility: more than {MOST_BOTTLES} of {item.facility}")


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


def _unique(reader: Reader, column: str, values: list[tuple[Row, str]]) -> None:
    """A value that could not be read is empty, and was already reported."""
    count = Counter(value for _, value in values if value)
    for row, value in values:
        if count[value] > 1:
            lines = ", ".join(str(r.line) for r, v in values if v == value)
            reader.say(row, f"{column}: the same on lines {lines}")


def _methods(text: str) -> tuple[Method, ...]:
    found = text.split()
    if not found or len(set(found)) < len(found) or not set(found) <= set(METHODS):
        raise ValueError(f"at least one, each once, of: {' '.join(METHODS)}")
    return tuple(m for m in METHODS if m in found)


def _taken_methods(reader: Reader, row: Row) -> tuple[Method, ...]:
    none: tuple[Method, ...] = ()
    return reader.take(row, "methods", _methods, none)


def _district(reader: Reader, row: Row) -> District:
    return District(reader.take(row, "id", rows.an_id, ""),
                    reader.take(row, "name", rows.a_name, ""))


def _facility(reader: Reader, row: Row) -> Facility:
    methods = _taken_methods(reader, row)
    kinds = rows.one_of("", "gravity", "prevacuum")
    autoclave = reader.take(row, "autoclave", kinds, "unread")
    no_measures: tuple[Measure, ...] = ()
    if "autoclave" in methods and not autoclave:
        reader.say(row, "autoclave: its type is needed, gravity or prevacuum")
    return Facility(
        id=reader.take(row, "id", rows.an_id, ""),
        name=reader.take(row, "name", rows.a_name, ""),
        district=reader.take(row, "district", rows.an_id, ""),
        altitude_m=reader.take(row, "altitude_m", rows.an_altitude, 0.0),
        zone=reader.take(row, "zone", rows.a_zone, "UTC"),
        methods=methods,
        autoclave=cast("Autoclave", autoclave),
        measures=reader.take(row, "measures", measures, no_measures),
        protocol=reader.take(row, "protocol", rows.a_protocol, ""),
        soak_ml=reader.take(row, "soak_ml", soak_ml, 0.0),
    )


def _model(reader: Reader, row: Row) -> Model:
    return Model(
        id=reader.take(row, "id", rows.an_id, ""),
        kind=cast("Kind", reader.take(row, "kind", rows.one_of("bag", "suction"), "bag")),
        pieces=reader.take(row, "pieces_list", rows.pieces, ()),
        methods=_taken_methods(reader, row),
    )


def _set(reader: Reader, row: Row) -> RegisteredSet:
    return RegisteredSet(reader.take(row, "id", rows.a_set_id, ""),
                         reader.take(row, "facility", rows.an_id, ""),
                         reader.take(row, "model", rows.an_id, ""))


def _member(reader: Reader, row: Row, region: str | None) -> Member:
    role = reader.take(row, "role", rows.one_of("nurse", "in_charge", "supervisor"), "")
    place = reader.take(row, "place", rows.an_id, "")
    person = Person(
        id=reader.take(row, "id", rows.an_id, ""),
        name=reader.take(row, "name", rows.a_name, ""),
        phone=reader.take(row, "phone", rows.a_phone(region), ""),
        role=cast("Role", role),
        language=reader.take(row, "language", rows.a_language, "en"),
    )
    return Member(person, place if role else "")  # without a role, which kind of place is unknown
