"""One facility at a glance: its sets with their past, its people, its solutions, its autoclave.

No phone is shown: whoever must call has the numbers in the register.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from bot.desk_said import KINDS, ROLES, Teller, moment
from bot.model import Reminder, SetState, Spores, Unit
from bot.site import Site
from flows.protocol import Protocol

Rows = Sequence[Mapping[str, Any]]

PAST = 4  # batches shown of each set
MANY_SETS = 30  # from here on one batch of each must do: the page stays below 60 KB
MOST_LOADS = 10  # autoclave loads shown
MOST_CHECKS = 6  # two days of three shifts


@dataclass(frozen=True, slots=True)
class Past:
    """A batch that a set was in: its id, and in words when and how it ended."""

    id: str
    words: str


@dataclass(frozen=True, slots=True)
class SetRow:
    """A set: what it is, how it is now, the batches it was in, the newest first."""

    id: str
    about: str
    condition: str
    detail: str
    past: tuple[Past, ...]


@dataclass(frozen=True, slots=True)
class FacilityPage:
    """All that the page says. *people*: name or id, and role. *solutions* and *spores*: sentences,
    None where nobody can tell now."""

    about: str
    sets: tuple[SetRow, ...]
    people: tuple[tuple[str, str], ...]
    solutions: tuple[str, ...] | None
    spores: tuple[str, ...] | None
    loads: tuple[Past, ...]
    checks: tuple[str, ...]
    protocol: str


def facility_page(
    site: Site, unit: Unit | None, states: Mapping[str, SetState],
    batches: Rows, loads: Rows, checks: Rows, protocol: Protocol, teller: Teller,
) -> FacilityPage:  # fmt: skip
    """The page of *site*: *states* of its sets by id; *batches*, *loads* and *checks* as the store
    lists them, the newest first; no *unit* where the conversations do not answer."""
    return FacilityPage(
        about=f"District {site.district}, {site.altitude_m:g} m above the sea,"
              f" clock of {site.zone}. Methods: {', '.join(site.methods)}.",
        sets=tuple(_sets(site, states, batches, teller)),
        people=tuple(_people(site, teller)),
        solutions=tuple(_solutions(unit, site, teller)) if unit else None,
        spores=tuple(_spores(unit.spores, site, teller)) if unit else None,
        loads=tuple(_past(row, site, teller) for row in loads),
        checks=tuple(_check(row, site, teller) for row in checks),
        protocol=_standing(protocol),
    )  # fmt: skip


# ---- sets --------------------------------------------------------------------------------------


def _sets(
    site: Site, states: Mapping[str, SetState], batches: Rows, teller: Teller
) -> Iterator[SetRow]:
    """What may not be used first, then by id."""
    order = ("EXPIRED", "SET ASIDE", "USED", "IN PROCESS", "READY")
    known = {card.id: states.get(card.id, SetState(card.id)) for card in site.sets}
    most = PAST if len(site.sets) < MANY_SETS else 1
    for card in sorted(site.sets, key=lambda c: (order.index(known[c.id].now(teller.now)), c.id)):
        state = known[card.id]
        past = [row for row in batches if card.id in row["sets"]]
        yield SetRow(
            id=card.id, about=f"{KINDS[card.kind]}, {card.model}, {card.pieces} pieces",
            condition=state.now(teller.now), detail=_detail(state, site, teller),
            past=tuple(_past(row, site, teller) for row in past[:most]),
        )  # fmt: skip


def _detail(state: SetState, site: Site, teller: Teller) -> str:
    since = f"since {teller.moment(state.since, site.zone)}" if state.since else "never heard of"
    if state.condition != "READY" or state.expires_at is None:
        return since
    until = teller.moment(state.expires_at, site.zone)
    if state.now(teller.now) == "EXPIRED":  # not from then on: that is when it was made READY
        return f"since {until}: do not use, clean it again"
    return f"{since}, good until {until}"


def _past(row: Mapping[str, Any], site: Site, teller: Teller) -> Past:
    if row["closed_at"]:
        return Past(row["id"], f"{row['outcome']} {teller.moment(row['closed_at'], site.zone)}")
    return Past(row["id"], f"open since {teller.moment(row['opened_at'], site.zone)}")


# ---- people, solutions, the autoclave ----------------------------------------------------------


def _people(site: Site, teller: Teller) -> Iterator[tuple[str, str]]:
    """In-charge first, then nurses, then the supervisors of the district."""
    order = ("in_charge", "nurse", "supervisor")
    everybody = {p.id: p for p in (*site.people, *site.supervisors)}.values()
    for person in sorted(everybody, key=lambda p: (order.index(p.role), p.name)):
        shift = f", {person.shift}" if person.shift else ""
        yield teller.who(site, person.id), ROLES[person.role] + shift


def _solutions(unit: Unit, site: Site, teller: Teller) -> Iterator[str]:
    """Each solution that was made and is kept in mind, the first to be poured away first."""
    made = [r for r in unit.reminders.values() if r.kind == "solution"]
    for reminder in sorted(made, key=lambda r: (_over(r), r.id)):
        over = _over(reminder)
        past = " PAST ITS TIME" if over <= teller.now else ""
        yield (f"{reminder.facts.get('percent', '?')} %, made"
               f" {teller.moment(reminder.at, site.zone)} by {teller.who(site, reminder.by)},"
               f" to be poured away {teller.moment(over, site.zone)}{past}")  # fmt: skip


def _over(reminder: Reminder) -> datetime:
    return moment(reminder.facts.get("over", "")) or reminder.due


def _spores(spores: Spores, site: Site, teller: Teller) -> Iterable[str]:
    if "autoclave" not in site.methods:
        return
    if spores.failed_at:
        yield (f"The last test FAILED (said {teller.moment(spores.failed_at, site.zone)}):"
               " the autoclave is stopped until a test is good.")  # fmt: skip
    if spores.good_since:
        at = spores.good_since
        yield f"The last good test was of {teller.full(at, site.zone).rpartition(' ')[0]}."
    elif not spores.failed_at:
        yield "No test was ever told."


def _check(row: Mapping[str, Any], site: Site, teller: Teller) -> str:
    """A shift check: when it was for, who did it, what it found, whether the uses agree."""
    of = f"Of {teller.moment(row['slot'], site.zone)}" if row["slot"] else "Between the times"
    if not row["done"]:
        return f"{of}: NOT DONE."
    found = [words.replace(":", " ") for words in row["sets"] if not words.endswith(":well")]
    parts = [f"{of}: done {teller.moment(row['at'], site.zone)} by {teller.who(site, row['by'])}."]
    well = "All sets well." if row["sets"] else "No set was READY to be looked at."
    parts += [f"Found {', '.join(found)}."] if found else [well]
    if row["gap"] is not None:
        parts.append(f"Uses said {row['uses_said']}, counted {row['uses_counted']}.")
    return " ".join(parts)


def _standing(protocol: Protocol) -> str:
    said = f"{protocol.title} ({protocol.id})"
    if protocol.confirmed:
        return f"{said}, confirmed by {protocol.confirmed_by} on {protocol.confirmed_on}."
    return f"{said}, for training: not confirmed."
