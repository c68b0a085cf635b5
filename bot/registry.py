"""The register in the store, changed by what people ask for by text, and shown to the talks.

At least once on the way here, exactly once in the register: an amendment that was answered before
gets the same answer again and changes nothing. Changes of the register come one after the other,
each in a transaction with its line in the trail; the pages that the conversations read are put
out after that, and a page is never replaced by one of an older register.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from redis import Redis
from sqlalchemy import Connection, Table, delete, insert, select

from bot import audit
from bot.amend import Amend
from bot.amending import Amended, amended
from bot.database import Database
from bot.effects import Amendments, Post
from bot.events import Letter
from bot.model import SetState
from bot.recording import record_conditions
from bot.redescribed import remade
from bot.register import Register
from bot.register_rows import member_row, next_revision, read_register, revision_of, set_row
from bot.site_pages import publish, revision
from bot.tables import amendments, people, sets

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one amendment: *about* is whom or what it changed or made, *refused* why it
    changed nothing ("": it did)."""

    amend: Amend
    about: str
    refused: str


@dataclass(frozen=True, slots=True)
class Registry:
    """Answers what facilities ask of the register. *clock* says when a line of the trail was
    written."""

    database: Database
    redis: Redis
    clock: Callable[[], datetime]

    def __call__(self, asked: Amendments) -> list[Post]:
        """Change the register as *asked*, show it to the conversations, and answer with letters.

        StoreDown: nothing was changed, try again. Whatever goes wrong later: asked again, it
        answers the same.
        """
        answers = self.amend(asked)
        self.show()
        return [_letter(asked.site_id, answer, self.clock()) for answer in answers]

    def amend(self, asked: Amendments) -> list[Answer]:
        """Make each change that was not made before, in their order, all in one transaction."""
        at_least = revision(self.redis)
        with self.database.write() as connection:
            known = _answered(connection, asked)
            new = [a for a in sorted(asked.amends, key=lambda a: a.n) if a.id not in known]
            if new:
                next_revision(connection, at_least)  # waits for whoever changes the register now
                known = _answered(connection, asked)
                new = [a for a in new if a.id not in known]
                known |= _change(connection, asked, new, self.clock())
        return [known[a.id] for a in asked.amends]

    def show(self) -> None:
        """Put out the register's pages as they stand, unless newer ones are out already."""
        with self.database.read() as connection:
            at_revision, register = revision_of(connection), read_register(connection)
        publish(self.redis, register.sites(), register.phones(), at_revision)


def _letter(site_id: str, answer: Answer, at: datetime) -> Post:
    kind, word = ("refused", answer.refused) if answer.refused else ("amended", answer.about)
    amend = answer.amend
    letter = Letter(f"amend:{amend.id}", at, kind, amend.by, about=amend.id, word=word)
    return Post(site_id, letter)


def _answered(connection: Connection, asked: Amendments) -> dict[str, Answer]:
    by_id = {a.id: a for a in asked.amends}
    wanted = select(amendments).where(amendments.c.id.in_(sorted(by_id)))
    return {r.id: Answer(by_id[r.id], r.about, r.refused) for r in connection.execute(wanted)}


def _change(
    connection: Connection, asked: Amendments, new: Sequence[Amend], at: datetime
) -> dict[str, Answer]:
    first = register = read_register(connection)
    answers: dict[str, Answer] = {}
    enrolled = select(amendments.c.about).where(amendments.c.kind == "enrol")
    gone = set(connection.scalars(enrolled))
    for amend in new:
        done = amended(register, asked.site_id, amend, gone)
        gone.add(done.about)
        register = done.register
        answers[amend.id] = Answer(amend, done.about, done.refused)
        connection.execute(insert(amendments), [_amendment_row(asked, amend, done)])
        _note(connection, asked, amend, done, at)
    _write_changes(connection, people, [member_row(m) for m in first.people],
                   [member_row(m) for m in register.people])  # fmt: skip
    _write_changes(connection, sets, [set_row(s) for s in first.sets],
                   [set_row(s) for s in register.sets])  # fmt: skip
    begin_as_used(connection, first, register, at)
    return answers


def _write_changes(connection: Connection, table: Table, old: list[Row], new: list[Row]) -> None:
    before, after = {r["id"]: r for r in old}, {r["id"]: r for r in new}
    moved = [i for i in before.keys() | after.keys() if before.get(i) != after.get(i)]
    if moved:
        connection.execute(delete(table).where(table.c.id.in_(sorted(moved))))
    if rows := [after[i] for i in sorted(moved) if i in after]:
        connection.execute(insert(table), rows)


def begin_as_used(
    connection: Connection, before: Register, after: Register, at: datetime
) -> None:
    """A new set is USED, whatever was known of one of its name that was there before, and so is
    one that is described otherwise now."""
    new = {s.id for s in after.sets} - {s.id for s in before.sets}
    new |= set(remade(before, after))
    if new:
        record_conditions(connection, [SetState(i, "USED", at) for i in sorted(new)])


def _amendment_row(asked: Amendments, amend: Amend, done: Amended) -> Row:
    return {"id": amend.id, "facility": asked.site_id, "at": amend.at, "kind": amend.kind,
            "by_id": amend.by, "about": done.about, "refused": done.refused}


def _note(
    connection: Connection, asked: Amendments, amend: Amend, done: Amended, at: datetime
) -> None:
    """A line of the trail: who asked for what, and whether it was done. Never the phone."""
    detail = {"at": amend.at.isoformat(), "facility": asked.site_id}
    if amend.name:
        detail["name"] = amend.name
    if amend.value:
        detail["value"] = amend.value
    if done.refused:
        detail["refused"] = done.refused
    what = f"register.{amend.kind}"
    audit.note(connection, at, amend.by, what, done.about, detail, district=asked.district)
