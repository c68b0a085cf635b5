"""What an amendment makes of the register: pure, and refused where the register has moved on.

The step that asked knew its facility's page only, and that as it was then. Here the whole register
is known, as it is now.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Literal, NamedTuple, cast

from bot import rows, rows_shift
from bot.amend import Amend, AmendKind
from bot.register import Member, Register, RegisteredSet, assemble
from bot.site import DISTRICT, Person, Role

Refusal = Literal[
    "",
    "phone",  # somebody has this phone
    "person",  # she is not here any more
    "place",  # the facility is not in the register any more
    "chief",  # the last in-charge stays
    "set_id",  # another set has this id
    "model",  # there is no such model
    "set",  # the set is not here any more
    "value",  # no such role, shift, name or language
]


class Amended(NamedTuple):
    """The register after an amendment; whom or what it is about. *refused*: why it is unchanged."""

    register: Register
    about: str
    refused: Refusal = ""


class _Refused(Exception):
    """Why the register stays as it is."""

    def __init__(self, why: Refusal) -> None:
        super().__init__(why)
        self.why: Refusal = why


def amended(register: Register, site_id: str, amend: Amend, gone: Iterable[str] = ()) -> Amended:
    """*register* after the facility (or district) *site_id* asked for *amend*.

    *gone* are ids that people had who may have left: logs name them, nobody else may be called so.
    """
    try:
        if amend.kind == "enrol":
            after, about = _enrol(register, site_id, amend, gone)
        else:
            after, about = WORKS[amend.kind](register, site_id, amend)
    except _Refused as refused:
        return Amended(register, amend.about, refused.why)
    except ValueError:  # of a cell that the register's files could not hold either
        return Amended(register, amend.about, "value")
    return Amended(after, about)


# ---- people ----------------------------------------------------------------------------------

NUMBERED = re.compile(r"P(\d{1,10})")


def _enrol(
    register: Register, site_id: str, amend: Amend, gone: Iterable[str]
) -> tuple[Register, str]:
    _at_place(register, site_id)
    _free_phone(register, amend.phone)
    role = _role(amend)
    known = map(NUMBERED.fullmatch, (*(m.person.id for m in register.people), *gone))
    person_id = f"P{max((int(found[1]) for found in known if found), default=0) + 1}"
    person = Person(person_id, rows.a_name(amend.name), amend.phone, role)
    return _with_people(register, *register.people, Member(person, site_id)), person_id


def _number(register: Register, site_id: str, amend: Amend) -> tuple[Register, str]:
    member = _member(register, site_id, amend)
    _free_phone(register, amend.phone)
    return _changed(register, member, phone=amend.phone)


def _language(register: Register, site_id: str, amend: Amend) -> tuple[Register, str]:
    member = _member(register, site_id, amend)
    return _changed(register, member, language=rows.a_language(amend.value))


def _shift(register: Register, site_id: str, amend: Amend) -> tuple[Register, str]:
    member = _member(register, site_id, amend)
    return _changed(register, member, shift=rows_shift.shift(amend.value))


def _new_role(register: Register, site_id: str, amend: Amend) -> tuple[Register, str]:
    member = _member(register, site_id, amend)
    role = _role(amend)
    if role != "in_charge":
        _not_the_last(register, member)
    return _changed(register, member, role=role)


def _remove(register: Register, site_id: str, amend: Amend) -> tuple[Register, str]:
    member = _member(register, site_id, amend)
    _not_the_last(register, member)
    return _with_people(register, *(m for m in register.people if m != member)), amend.about


def _at_place(register: Register, site_id: str) -> None:
    if site_id not in {f.id for f in register.facilities}:
        raise _Refused("place")


def _free_phone(register: Register, phone: str) -> None:
    if phone in register.phones():
        raise _Refused("phone")


def _role(amend: Amend) -> Role:
    if amend.value not in ("nurse", "in_charge"):
        raise _Refused("value")
    return cast("Role", amend.value)


def _member(register: Register, site_id: str, amend: Amend) -> Member:
    """Whom it is about: of this facility or, asked for in the district, one of its supervisors."""
    place = site_id.removeprefix(DISTRICT)
    supervises = site_id.startswith(DISTRICT)
    for member in register.people:
        same = member.person.id == amend.about and member.place == place
        if same and (member.person.role == "supervisor") == supervises:
            return member
    raise _Refused("person")


def _not_the_last(register: Register, member: Member) -> None:
    here = (m for m in register.people if m.place == member.place)
    if [m for m in here if m.person.role == "in_charge"] == [member]:
        raise _Refused("chief")


def _changed(register: Register, member: Member, **cells: str) -> tuple[Register, str]:
    person = replace(member.person, **cells)  # type: ignore[arg-type]
    others = (m for m in register.people if m != member)
    return _with_people(register, *others, replace(member, person=person)), person.id


def _with_people(register: Register, *people: Member) -> Register:
    return assemble(register.districts, register.facilities, register.models, register.sets,
                    people, register.stock)


# ---- sets ------------------------------------------------------------------------------------


def _new_set(register: Register, site_id: str, amend: Amend) -> tuple[Register, str]:
    _at_place(register, site_id)
    set_id = rows.a_set_id(amend.about)
    if set_id in {s.id for s in register.sets}:
        raise _Refused("set_id")
    if amend.value not in {m.id for m in register.models}:
        raise _Refused("model")
    new = RegisteredSet(set_id, site_id, amend.value)
    return _with_sets(register, *register.sets, new), set_id


def _retire(register: Register, site_id: str, amend: Amend) -> tuple[Register, str]:
    left = tuple(s for s in register.sets if (s.id, s.facility) != (amend.about, site_id))
    if len(left) == len(register.sets):
        raise _Refused("set")
    return _with_sets(register, *left), amend.about


def _with_sets(register: Register, *sets: RegisteredSet) -> Register:
    return assemble(register.districts, register.facilities, register.models, sets,
                    register.people, register.stock)


WORKS: dict[AmendKind, Callable[[Register, str, Amend], tuple[Register, str]]] = {
    "number": _number,
    "language": _language,
    "shift": _shift,
    "role": _new_role,
    "remove": _remove,
    "new_set": _new_set,
    "retire": _retire,
}
