"""Who is logged in: sessions in the store, by a digest of the token that the browser holds."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal, cast

from sqlalchemy import Connection, delete, insert, select, update

from bot.account_store import kept_of, note_lock
from bot.accounts import (
    CODE_LIFE,
    CODE_TRIES,
    LIFE,
    SEEN_EVERY,
    Account,
    Kept,
    Session,
    code_digest,
    digest,
    same,
)
from bot.audit import note
from bot.database import Database
from bot.tables import account_sessions, accounts

Verdict = Literal["in", "wrong", "over"]
"""What a code led to: logged in, one more try, or the log-in begins again."""


class LogIns:
    """Those of one database. Tokens are made by the caller and never kept."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def find(self, token: str, now: datetime, *, used: bool = True) -> Session | None:
        """The session of *token*, confirmed or not, if it stands at *now*.

        Not *used*: a page that renews itself asks, and keeps nobody logged in by that.
        """
        joined = select(
            account_sessions.c.created_at.label("begun_at"), account_sessions.c.seen_at,
            account_sessions.c.expires_at, account_sessions.c.confirmed, accounts,
        ).join(accounts, account_sessions.c.account == accounts.c.id)  # fmt: skip
        with self._database.read() as connection:
            row = connection.execute(
                joined.where(account_sessions.c.id == digest(token))).first()  # fmt: skip
        if row is None or row.disabled:
            return None
        found = Session(kept_of(row).account, token, row.begun_at, row.seen_at, row.expires_at,
                        row.confirmed)  # fmt: skip
        if not found.stands(now):
            return None
        if used and now - found.seen_at >= SEEN_EVERY:
            self._touch(token, now)
        return found

    def _touch(self, token: str, now: datetime) -> None:
        with self._database.write() as connection:
            connection.execute(update(account_sessions).where(
                account_sessions.c.id == digest(token)).values(seen_at=now))  # fmt: skip

    def open(self, account: Account, token: str, now: datetime) -> bool:
        """Log in by *token*. False if the account was disabled meanwhile."""
        with self._database.write() as connection:
            return _welcome(connection, account.id, token, now)

    def open_unconfirmed(self, kept: Kept, token: str, code: str, now: datetime) -> None:
        """The password was right; *code* goes out by SMS and must come back with *token*.

        Until then the try stays counted: codes cost money, and an endless row of them is no use.
        """
        name = kept.account.id
        row = _row(name, token, now) | {
            "expires_at": now + CODE_LIFE, "confirmed": False, "code": code_digest(token, code),
            "code_until": now + CODE_LIFE}  # fmt: skip
        with self._database.write() as connection:
            connection.execute(insert(account_sessions), [row])
            note(connection, now, name, "login.code_sent", name)
            note_lock(connection, kept, now)

    def confirm(self, token: str, code: str, fresh: str, now: datetime) -> Verdict:
        """Log in by the new token *fresh* if *code* is the one that was sent for *token*.

        The try is counted first, by the database, so that many at once are no more than five.
        """
        this = account_sessions.c.id == digest(token)
        waits = (this, ~account_sessions.c.confirmed, account_sessions.c.code_until > now,
                 account_sessions.c.code_tries < CODE_TRIES)  # fmt: skip
        with self._database.write() as connection:
            counted = connection.execute(update(account_sessions).where(*waits).values(
                code_tries=account_sessions.c.code_tries + 1))  # fmt: skip
            if not counted.rowcount:
                return "over"
            row = connection.execute(select(account_sessions).where(this)).one()
            if same(row.code, code_digest(token, code)):
                connection.execute(delete(account_sessions).where(this))
                return "in" if _welcome(connection, row.account, fresh, now) else "over"
            note(connection, now, row.account, "login.code_wrong", row.account)
            if row.code_tries < CODE_TRIES:
                return "wrong"
            connection.execute(delete(account_sessions).where(this))
            return "over"

    def close(self, token: str, now: datetime) -> None:
        """End the session of *token*, if there is one."""
        this = account_sessions.c.id == digest(token)
        with self._database.write() as connection:
            row = connection.execute(select(account_sessions).where(this)).first()
            if row is None:
                return
            connection.execute(delete(account_sessions).where(this))
            if row.confirmed:
                note(connection, now, row.account, "logout", row.account)


def _welcome(connection: Connection, account: str, token: str, now: datetime) -> bool:
    """A session, its wrong tries forgotten; and those of everybody that are over are cleared."""
    proven = update(accounts).where(accounts.c.id == account, ~accounts.c.disabled).values(
        failures=0, locked_until=None, last_login_at=now)  # fmt: skip
    if not connection.execute(proven).rowcount:
        return False
    connection.execute(delete(account_sessions).where(account_sessions.c.expires_at <= now))
    connection.execute(insert(account_sessions), [_row(account, token, now)])
    note(connection, now, account, "login", account)
    return True


def _row(account: str, token: str, now: datetime) -> dict[str, Any]:
    return cast("dict[str, Any]", {
        "id": digest(token), "account": account, "created_at": now, "seen_at": now,
        "expires_at": now + LIFE, "confirmed": True, "code": "", "code_until": None,
        "code_tries": 0,
    })  # fmt: skip
