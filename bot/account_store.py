"""Accounts in the store: made, changed, and opened by a password. Each change is in the trail.

Raises StoreDown like the rest of the store; and, with nothing changed, ValueError for a name or a
password that cannot be one, AccountRefused for an account that is there already, or is not.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple, cast

from sqlalchemy import Connection, delete, insert, select, update

from bot.accounts import (
    LEAST_PASSWORD,
    MOST_NAME,
    MOST_PASSWORD,
    Account,
    AccountRole,
    Kept,
    id_problem,
    is_locked,
    lock_after,
    password_problem,
)
from bot.audit import note
from bot.database import Database
from bot.errors import AccountRefused
from bot.passwords import Passwords
from bot.site import Person
from bot.tables import account_sessions, accounts, people

# Longer than any name; what is typed is looked up, and never kept unless it is one of ours.
MOST_TYPED = 80


class _Tried(NamedTuple):
    """What a name led to: the account and its hash if a password may open it now, or why not."""

    kept: Kept | None
    hash: str | None
    why: str = ""


class Accounts:
    """The accounts of one database. *least* is the shortest password that opens any of them."""

    def __init__(
        self, database: Database, passwords: Passwords, least: int = LEAST_PASSWORD
    ) -> None:
        self._database = database
        self._passwords = passwords
        self._least = least

    # ---- reading ---------------------------------------------------------------------------

    def any(self) -> bool:
        """Is there an account at all?"""
        with self._database.read() as connection:
            return connection.scalar(select(accounts.c.id).limit(1)) is not None

    def all(self) -> list[Kept]:
        """Every account, by name."""
        with self._database.read() as connection:
            return [kept_of(row) for row in connection.execute(
                select(accounts).order_by(accounts.c.id))]  # fmt: skip

    def person(self, account_id: str) -> str:
        """The register id of whoever the account is, "" where nobody said."""
        with self._database.read() as connection:
            found = connection.scalar(select(accounts.c.person).where(accounts.c.id == account_id))
        return str(found or "")

    def phone_holder(self, person: str) -> Person | None:
        """Whoever has the register id *person*, to be sent a code; None: nobody any more."""
        with self._database.read() as connection:
            row = connection.execute(select(people).where(people.c.id == person)).first()
        return Person(row.id, row.name, row.phone, row.role, row.language) if row else None

    # ---- changing --------------------------------------------------------------------------

    def add(
        self, account: Account, password: str, now: datetime, who: str, person: str = ""
    ) -> None:
        """A new account. The place and the person are the caller's to check."""
        _refuse(id_problem(account.id) or self._password_problem(password))
        if not 0 < len(account.name) <= MOST_NAME:
            raise ValueError(f"a name has 1 to {MOST_NAME} characters")
        row = {"id": account.id, "name": account.name, "role": account.role,
               "place": account.place, "password": self._passwords.hash(password),
               "person": person, "created_at": now, "failures": 0, "disabled": False}  # fmt: skip
        with self._database.write() as connection:
            if _row(connection, account.id) is not None:
                raise AccountRefused(f"there is an account {account.id} already")
            connection.execute(insert(accounts), [row])
            facts = {"role": account.role, "place": account.place, "person": person}
            note(connection, now, who, "account.made", account.id, facts)

    def set_disabled(self, account_id: str, disabled: bool, now: datetime, who: str) -> None:
        """Close the account for good, or open it again. Whoever is logged in by it is out."""
        what = "account.disabled" if disabled else "account.enabled"
        self._change(account_id, {"disabled": disabled}, now, who, what)

    def set_password(self, account_id: str, password: str, now: datetime, who: str) -> None:
        """Another password. Whoever is logged in is out, and a lock is lifted."""
        _refuse(self._password_problem(password))
        values = {"password": self._passwords.hash(password), "failures": 0, "locked_until": None}
        self._change(account_id, values, now, who, "account.password")

    def _change(
        self, account_id: str, values: dict[str, Any], now: datetime, who: str, what: str
    ) -> None:
        with self._database.write() as connection:
            if _row(connection, account_id) is None:
                raise AccountRefused(f"there is no account {account_id[:MOST_TYPED]}")
            connection.execute(
                update(accounts).where(accounts.c.id == account_id).values(**values))
            connection.execute(
                delete(account_sessions).where(account_sessions.c.account == account_id))
            note(connection, now, who, what, account_id)

    def _password_problem(self, password: str) -> str:
        return "" if self._least < LEAST_PASSWORD else password_problem(password)

    # ---- opening ---------------------------------------------------------------------------

    def check(self, name: str, password: str, now: datetime) -> Kept | None:
        """The account that *name* and *password* open at *now*; None, with no reason given.

        The try counts as wrong before the password is looked at, and a log-in takes that back
        (`bot.account_sessions`): many tries at once are so many wrong tries.
        """
        tried = self._try(name[:MOST_TYPED].strip().lower(), now)
        right = self._passwords.right(tried.hash, password[:MOST_PASSWORD])
        # The least length here too: what a demonstration left behind opens nothing in service.
        if tried.kept and right and self._least <= len(password) <= MOST_PASSWORD:
            self._renew(tried, password)
            return tried.kept
        self._note_refused(tried, now)
        return None

    def _try(self, name: str, now: datetime) -> _Tried:
        with self._database.write() as connection:
            row = _row(connection, name)
            if row is None:
                return _Tried(None, None, "unknown")
            kept = kept_of(row)
            if kept.disabled or is_locked(kept, now):
                return _Tried(kept, None, "disabled" if kept.disabled else "locked")
            failures = kept.failures + 1
            connection.execute(update(accounts).where(accounts.c.id == name).values(
                failures=failures, locked_until=lock_after(failures, now)))  # fmt: skip
            return _Tried(kept, row.password, "password")

    def _renew(self, tried: _Tried, password: str) -> None:
        """A hash of yesterday's costs becomes one of today's, unless it was changed meanwhile."""
        if tried.kept and tried.hash and self._passwords.is_old(tried.hash):
            this = (accounts.c.id == tried.kept.account.id, accounts.c.password == tried.hash)
            fresh = self._passwords.hash(password)
            with self._database.write() as connection:
                connection.execute(update(accounts).where(*this).values(password=fresh))

    def _note_refused(self, tried: _Tried, now: datetime) -> None:
        """What was typed is kept only where it names an account: it may be a password."""
        name = tried.kept.account.id if tried.kept else ""
        with self._database.write() as connection:
            note(connection, now, name, "login.refused", name, {"why": tried.why})
            if tried.kept and tried.why == "password":
                note_lock(connection, tried.kept, now)


def note_lock(connection: Connection, before: Kept, now: datetime) -> None:
    """A line if the try that found the account as *before* closed it for a while."""
    until = lock_after(before.failures + 1, now)
    if until is not None:
        name = before.account.id
        note(connection, now, name, "login.locked", name, {"until": until.isoformat()})


def _refuse(problem: str) -> None:
    if problem:
        raise ValueError(problem)


def _row(connection: Connection, account_id: str) -> Any:
    return connection.execute(
        select(accounts).where(accounts.c.id == account_id).with_for_update()).first()


def kept_of(row: Any) -> Kept:
    """A row of the table of accounts, without its password."""
    account = Account(row.id, row.name, cast("AccountRole", row.role), row.place)
    return Kept(account, row.person, row.created_at, row.last_login_at, row.failures,
                row.locked_until, row.disabled)
