"""The register's CSV files: read whole or not at all, every bad row named."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import cast

from bot import rows
from bot.cupboard import MOST_BOTTLES
from bot.errors import RegisterError
from bot.register import (
    Autoclave,
    District,
    Facility,
    Member,
    Model,
    Register,
    RegisteredSet,
    assemble,
)
from bot.rows import Reader, Row
from bot.rows_shift import checks, least_ready, shift
from bot.rows_stock import STOCK_COLUMNS, held, measures, soak_ml
from bot.site import Person, Role
from flows.batch import METHODS, Kind, Method
from flows.measures import Measure

COLUMNS: dict[str, tuple[str, ...]] = {
    "districts": ("id", "name"),
    "facilities": ("id", "name", "district", "altitude_m", "zone", "methods", "autoclave",
                   "measures", "protocol"),
    "models": ("id", "kind", "pieces_list", "methods"),
    "sets": ("id", "facility", "model"),
    "people": ("id", "name", "phone", "role", "place", "language"),
}
# Registers from before there was a mix in the conversation, or a shift check, have neither these
# columns nor the file of the stock.
OPTIONAL: dict[str, tuple[str, ...]] = {
    "facilities": ("soak_ml", "checks", "least_ready"),
    "people": ("shift",),
}
STOCK = "stock.csv"
MOST_SHARERS = 7  # of one phone: a list to pick from has as many


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
    parsed = Parsed(reader, table, region)
    if whole:  # else a reference to a row that was not read would be blamed on a good row
        parsed.check_references(reader)
    if reader.problems:
        raise RegisterError(reader.problems)
    return parsed.register()


class Parsed:
    """Every row read once, with what it became; what refers to another row is checked after all
    ids are known."""

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
        # Those who work in one facility may share a phone: who speaks is asked.
        shared = Counter((m.person.phone, m.place) for _, m in self.people
                         if m.person.role != "supervisor")  # fmt: skip
        all_ = Counter(m.person.phone for _, m in self.people)
        _unique(reader, "phone", [
            (r, m.person.phone) for r, m in self.people
            if shared[m.person.phone, m.place] < all_[m.person.phone]
            or all_[m.person.phone] > MOST_SHARERS
        ])  # fmt: skip
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
    no_times: tuple[str, ...] = ()
    no_least: tuple[tuple[Kind, int], ...] = ()
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
        checks=reader.take(row, "checks", checks, no_times),
        least_ready=reader.take(row, "least_ready", least_ready, no_least),
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
        shift=reader.take(row, "shift", shift, ""),
    )
    return Member(person, place if role else "")  # without a role, which kind of place is unknown
