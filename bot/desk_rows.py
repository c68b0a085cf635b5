"""A row of the register as a form: who may change it, its fields, what they are called. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import get_args

import msgspec

from bot.accounts import Account, AccountRole, sees
from bot.register import Autoclave, Register
from bot.register_edit import REMOVED, TABLES, Cells, Problems, owner, tables
from bot.site import DISTRICT, Role
from flows.batch import METHODS, Kind
from flows.protocol import Protocol
from flows.strengths import Form, Product, Unit

MOST_CHOICES = 150  # in one list; with more, the id is typed
KEPT = "phone"  # not shown to everybody who may change the row: left empty, it stays

NAMES = {
    "districts": ("Districts", "district"), "facilities": ("Facilities", "facility"),
    "models": ("Models of sets", "model"), "sets": ("Sets", "set"),
    "people": ("People", "person"), "stock": ("Chlorine in stock", "product in stock"),
}  # fmt: skip
LISTED: Mapping[str, tuple[str, ...]] = {
    "districts": ("name",), "facilities": ("name", "district"),
    "models": ("kind", "methods"), "sets": ("facility", "model"),
    "people": ("name", "role", "place"), "stock": ("facility", "product"),
}  # fmt: skip
EDITS: Mapping[AccountRole, frozenset[str]] = {
    "administrator": frozenset(TABLES),
    "programme": frozenset(TABLES),
    "supervisor": frozenset({"facilities", "sets", "people", "stock"}),
    "in_charge": frozenset({"sets", "stock"}),
}
OUTRIGHT = {"sets": "Retire", "people": "Remove", "stock": "Take out"}

LABELS: Mapping[str, tuple[str, str]] = {
    "id": ("Id", "letters A-Z, digits and hyphens, at most 12; of a set at most 8"),
    "name": ("Name", "at most 40 characters"),
    "district": ("District", ""),
    "altitude_m": ("Height above the sea, in metres", "steam and boiling depend on it"),
    "zone": ("Time zone", "such as Africa/Dar_es_Salaam"),
    "methods": ("Methods", "those that can be done here, or that the maker of a set allows"),
    "autoclave": ("Autoclave", "its type, if there is one"),
    "measures": ("Measures", "name:holds:step in mL, :g after it for grams: jug:1000:50 cup:4:4:g"),
    "protocol": ("Protocol", "the numbers that batches here go by"),
    "soak_ml": ("Soak container, in mL", "what it is filled with; empty where nobody says"),
    "checks": ("Shift checks", "times by the clock there, such as 07:00 19:00; may be empty"),
    "least_ready": ("Least that must be READY", "such as bag:1 suction:1; may be empty"),
    "kind": ("Kind", ""),
    "pieces_list": ("Pieces", "name:count of each, such as bag:1 valve:1 mask:3"),
    "facility": ("Facility", ""),
    "model": ("Model", ""),
    "phone": ("Phone", "with its country, such as +1 and the number"),
    "role": ("Role", ""),
    "place": ("Place", "a facility; of a supervisor, the district"),
    "language": ("Language", "its code, such as en"),
    "shift": ("Shift", "such as 07:00-19:00; empty for no fixed hours"),
    "product": ("Product", ""),
    "form": ("Form", ""),
    "strength": ("Strength on the label", "the number alone"),
    "unit": ("Unit of the strength", ""),
    "opened": ("Opened on", "such as 2026-05-31; empty where nobody knows"),
    "celsius": ("Kept at about, in C", "empty where nobody knows"),
}  # fmt: skip
PHONE_KEPT = "not shown here; left empty, it stays as it is"
WORDS = {"": "none", "in_charge": "in-charge"}


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form. *choices*: pairs of value and words, empty for a typed one; *several*
    of them may be chosen. *wrong* is a sentence, "" if it is right."""

    name: str
    label: str
    hint: str
    value: str
    choices: tuple[tuple[str, str], ...] = ()
    several: bool = False
    wrong: str = ""
    fixed: bool = False


# ---- who may -----------------------------------------------------------------------------------


def sees_row(account: Account, register: Register, table: str, cells: Cells) -> bool:
    """May *account* see the row? Models are everybody's."""
    return table == "models" or sees(account, *owner(register, table, cells))


def may_put(account: Account, register: Register, table: str, cells: Cells) -> bool:
    """May *account* make a row of *table* be so, or change one that is so?"""
    return table in EDITS[account.role] and sees(account, *owner(register, table, cells))


def may_add(account: Account, table: str) -> bool:
    """May *account* add a row to *table*? Places and models are the programme's to make."""
    if table in ("districts", "models"):
        return table in EDITS[account.role] and sees(account, "", "")
    if table == "facilities":
        return account.role in ("administrator", "programme")
    return table in EDITS[account.role]


def may_remove(account: Account, register: Register, table: str, cells: Cells) -> bool:
    """May *account* take the row out?"""
    return table in REMOVED and may_put(account, register, table, cells)


def sees_phones(account: Account) -> bool:
    """In the form of a person whom *account* sees."""
    return account.role in ("administrator", "supervisor")


def may_export(account: Account) -> bool:
    """May *account* take the register away as files?"""
    return account.role in ("administrator", "programme")


def may_import(account: Account) -> bool:
    """Files replace the whole register, so only those over all of it bring them."""
    return may_export(account) and sees(account, "", "")


def rows_for(account: Account, register: Register, table: str) -> list[dict[str, str]]:
    """The rows of *table* that *account* sees, without phones."""
    return [{**row, KEPT: ""} if KEPT in row else row for row in tables(register)[table]
            if sees_row(account, register, table, row)]  # fmt: skip


# ---- the form ----------------------------------------------------------------------------------


def mark_of(cells: Cells, phones: bool) -> str:
    """What the form brings back, to know whether the row is still what it showed.

    Without the phone for whoever does not see it: ten digits are soon guessed from a digest.
    """
    shown = {c: v for c, v in cells.items() if c != KEPT or phones}
    return hashlib.sha256(msgspec.json.encode(sorted(shown.items()))).hexdigest()[:16]


def fields(
    account: Account, register: Register, protocols: Mapping[str, Protocol], table: str,
    cells: Cells, wrong: Problems, *, new: bool,
) -> list[Field]:  # fmt: skip
    """The form of a row as *cells* have it, each problem beside its field."""
    choices = _choices(account, register, protocols, table)
    return [_field(account, column, cells, choices, wrong, new) for column in TABLES[table]]


def _field(
    account: Account, column: str, cells: Cells, choices: Mapping[str, tuple[str, ...]],
    wrong: Problems, new: bool,
) -> Field:  # fmt: skip
    label, hint = LABELS[column]
    value = cells.get(column, "")
    if column == KEPT and not new and not sees_phones(account):
        hint = PHONE_KEPT
    offered = choices.get(column, ())
    if offered and column != "methods" and value not in offered:
        offered = (value, *offered)  # it is so now: shown, whatever may be chosen today
    pairs = tuple((c, WORDS.get(c, c) if c or column == "autoclave" else "choose") for c in offered)
    return Field(column, label, hint, value, pairs, column == "methods", wrong.get(column, ""),
                 column == "id" and not new)  # fmt: skip


def _choices(
    account: Account, register: Register, protocols: Mapping[str, Protocol], table: str
) -> dict[str, tuple[str, ...]]:
    facilities = tuple(f.id for f in register.facilities if sees(account, f.district, f.id))
    districts = tuple(d.id for d in register.districts if sees(account, d.id, ""))
    offered: dict[str, tuple[str, ...]] = {
        "facility": facilities, "district": districts, "place": (*facilities, *districts),
        "model": tuple(m.id for m in register.models), "role": _roles(districts),
        "methods": METHODS, "autoclave": get_args(Autoclave), "kind": get_args(Kind),
        "protocol": tuple(sorted({p.name for p in protocols.values() if p.for_release})),
        "product": _hyphened(get_args(Product)), "form": get_args(Form),
        "unit": _hyphened(get_args(Unit)),
    }  # fmt: skip
    return {c: found for c, found in offered.items()
            if c in TABLES[table] and len(found) <= MOST_CHOICES}  # fmt: skip


def _roles(districts: Iterable[str]) -> tuple[str, ...]:
    return tuple(r for r in get_args(Role) if r != "supervisor" or any(districts))


def _hyphened(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(w.replace(" ", "-") for w in words)


def site_of(table: str, cells: Cells) -> str:
    """The page of the register that the row is on: a facility's, or a district's."""
    if table == "people":
        return f"{DISTRICT}{cells['place']}" if cells["role"] == "supervisor" else cells["place"]
    return cells["id"] if table == "facilities" else cells.get("facility", "")
