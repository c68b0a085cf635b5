"""The register as rows of its tables, and back."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import Connection, select, update
from sqlalchemy.dialects import postgresql, sqlite

from bot.register import District, Facility, Member, Model, Register, RegisteredSet, assemble
from bot.rows_shift import least_ready, least_words
from bot.rows_stock import Held, measure_words, measures, stock_cells, stock_of
from bot.site import Bottle, Person
from bot.tables import districts, facilities, models, people, register_marks, sets, stock

Row = dict[str, Any]

MARK = "register"


def next_revision(connection: Connection, at_least: int = 0) -> int:
    """Take the register for this transaction, in turn with whoever else changes it.

    Returns the revision that it has from now on, more than *at_least* and than any before.
    """
    engine = postgresql if connection.dialect.name == "postgresql" else sqlite
    first = engine.insert(register_marks).on_conflict_do_nothing(index_elements=["id"])
    connection.execute(first, [{"id": MARK, "revision": 0}])
    held = select(register_marks.c.revision).where(register_marks.c.id == MARK).with_for_update()
    revision = max(connection.scalar(held) or 0, at_least) + 1
    mine = update(register_marks).where(register_marks.c.id == MARK)
    connection.execute(mine.values(revision=revision))
    return revision


def revision_of(connection: Connection) -> int:
    """The revision of the register as it stands; 0 if none was saved."""
    held = select(register_marks.c.revision).where(register_marks.c.id == MARK)
    return connection.scalar(held) or 0


def register_rows(register: Register) -> list[tuple[Any, list[Row]]]:
    """Tables in the order in which they refer to each other, with their rows."""
    return [
        (districts, [{"id": d.id, "name": d.name} for d in register.districts]),
        (facilities, [_facility_row(f) for f in register.facilities]),
        (models, [_model_row(m) for m in register.models]),
        (sets, [set_row(s) for s in register.sets]),
        (people, [member_row(m) for m in register.people]),
        (stock, [stock_cells(h) for h in register.stock]),
    ]


def _facility_row(f: Facility) -> Row:
    return {"id": f.id, "name": f.name, "district": f.district, "altitude_m": f.altitude_m,
            "zone": f.zone, "methods": " ".join(f.methods), "autoclave": f.autoclave,
            "measures": measure_words(f.measures), "protocol": f.protocol,
            "soak_ml": f.soak_ml, "checks": " ".join(f.checks),
            "least_ready": least_words(f.least_ready)}


def _model_row(m: Model) -> Row:
    pieces = " ".join(f"{name}:{number}" for name, number in m.pieces)
    return {"id": m.id, "kind": m.kind, "pieces": pieces, "methods": " ".join(m.methods)}


def set_row(s: RegisteredSet) -> Row:
    """A row of `sets`."""
    return {"id": s.id, "facility": s.facility, "model": s.model}


def member_row(m: Member) -> Row:
    """A row of `people`."""
    p = m.person
    return {"id": p.id, "name": p.name, "phone": p.phone, "role": p.role, "place": m.place,
            "language": p.language, "shift": p.shift}


def read_register(connection: Connection) -> Register:
    """The register as it stands in the tables; an empty one if none was saved."""

    def rows(table: Any) -> list[Any]:
        return list(connection.execute(select(table)))

    return assemble(
        (District(r.id, r.name) for r in rows(districts)),
        (Facility(r.id, r.name, r.district, r.altitude_m, r.zone, tuple(r.methods.split()),
                  r.autoclave, measures(r.measures), r.protocol, r.soak_ml, tuple(r.checks.split()),
                  least_ready(r.least_ready))
         for r in rows(facilities)),
        (Model(r.id, r.kind, _pieces(r.pieces), tuple(r.methods.split())) for r in rows(models)),
        (RegisteredSet(r.id, r.facility, r.model) for r in rows(sets)),
        (Member(Person(r.id, r.name, r.phone, r.role, r.language, r.shift), r.place)
         for r in rows(people)),
        (_held(r) for r in rows(stock)),
    )


def _held(r: Any) -> Held:
    opened = date.fromisoformat(r.opened) if r.opened else None
    kept = Bottle(r.id, stock_of(r.product, r.form, r.strength, r.unit), opened, r.celsius)
    return Held(kept, r.facility)


def _pieces(text: str) -> tuple[tuple[str, int], ...]:
    return tuple((name, int(n)) for name, _, n in (w.partition(":") for w in text.split()))
