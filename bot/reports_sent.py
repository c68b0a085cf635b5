"""Which monthly reports were sent: one row a report and way, so that of many who could send it, on
any host, one does.

Whoever sends claims the row first and holds it for LEASE. If it dies, or cannot say that it was
taken, another tries again later: a report goes out at least once, and is recorded when accepted.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import ColumnElement, Connection, and_, select, update

from bot.database import Database
from bot.rowwise import insert_or
from bot.tables import reports_sent as table

LEASE = timedelta(minutes=15)  # making and sending take seconds; nobody waits so long for an answer
# Before the next try, by failures in a row; the last one repeats.
DELAYS = (timedelta(minutes=10), timedelta(minutes=30), timedelta(hours=2), timedelta(hours=6))


class Key(NamedTuple):
    """A report and one way out of here: mail or post. *month* is 2026-10."""

    district: str
    month: str
    way: str


@dataclass(frozen=True, slots=True)
class State:
    """What became of it: claimed, failed or sent; *at* when it was sent, or may be tried again."""

    state: str
    tries: int
    at: datetime


@dataclass(frozen=True, slots=True)
class ReportsSent:
    """The rows of one database."""

    database: Database

    def known(self, key: Key) -> State | None:
        """What is known of *key*; None if nobody ever tried."""
        with self.database.read() as connection:
            return _state(connection, key)

    def claim(self, key: Key, now: datetime) -> int | None:
        """The number of this try (from 1) for the one who may send *key* now. None for all others:
        it is sent, somebody is at it, or it is not yet time to try again."""
        known = self.known(key)
        if known and (known.state == "sent" or now < known.at):
            return None
        with self.database.write() as connection:
            new = insert_or(connection, table).values(
                **key._asdict(), state="failed", tries=0, at=now)
            connection.execute(new.on_conflict_do_nothing())
            free = and_(_is(key), table.c.state != "sent", table.c.at <= now)
            taken = connection.execute(
                update(table).where(free)
                .values(state="claimed", tries=table.c.tries + 1, at=now + LEASE))
            state = _state(connection, key)
        return state.tries if taken.rowcount and state else None

    def accepted(self, key: Key, tries: int, now: datetime) -> None:
        """It was taken, at *now*; nobody sends it again, whoever claimed it since."""
        with self.database.write() as connection:
            connection.execute(
                update(table).where(_is(key), table.c.state != "sent")
                .values(state="sent", tries=tries, at=now))

    def failed(self, key: Key, tries: int, now: datetime) -> None:
        """This try came to nothing: again after a while that grows. No word for another's try."""
        later = now + DELAYS[min(tries, len(DELAYS)) - 1]
        mine = and_(_is(key), table.c.state == "claimed", table.c.tries == tries)
        with self.database.write() as connection:
            connection.execute(update(table).where(mine).values(state="failed", at=later))


def _is(key: Key) -> ColumnElement[bool]:
    return and_(table.c.district == key.district, table.c.month == key.month,
                table.c.way == key.way)  # fmt: skip


def _state(connection: Connection, key: Key) -> State | None:
    row = connection.execute(
        select(table.c.state, table.c.tries, table.c.at).where(_is(key))).first()
    return State(row.state, row.tries, row.at) if row else None
