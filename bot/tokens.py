"""Tokens of the API: kept as digests with what each may do, until when, and when it was last used.

Those of the store are made and revoked by `soakbell token`; a few more may come from the settings,
which is how the first system is let in. Raises StoreDown like the rest of the store; ValueError for
a name or a number of days that cannot be, TokenRefused for a name that is taken, or unknown.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, get_args

from sqlalchemy import Connection, insert, or_, select, update

from bot.accounts import EVERYWHERE, digest, same
from bot.audit import note
from bot.database import Database
from bot.errors import StoreDown, TokenRefused
from bot.tables import tokens

Scope = Literal["read", "ingest", "all"]
SCOPES: tuple[Scope, ...] = get_args(Scope)

PREFIX = "soakbell_"  # whoever finds one in a file or a log knows what it is and whom to tell
SECRET_BYTES = 32
DAYS, MOST_DAYS = 365, 3650  # how long one is good: by default, at most
MOST_NAME = 40
USED_EVERY = timedelta(hours=1)  # how often the last use is written down: a read is no write

Find = Callable[[str, datetime], "Token | None"]


@dataclass(frozen=True, slots=True)
class Token:
    """What the bearer may do, and in which district only (None: in all)."""

    scope: Scope
    district: str | None = None

    def may(self, scope: Scope) -> bool:
        return self.scope in {scope, "all"}


@dataclass(frozen=True, slots=True)
class KeptToken:
    """A token as it is kept, without its digest. *revoked_at*: None while it stands."""

    name: str
    token: Token
    created_at: datetime
    expires_at: datetime
    last_used_at: datetime | None = None
    revoked_at: datetime | None = None

    def opens(self, now: datetime) -> bool:
        """Neither revoked nor over at *now*."""
        return self.revoked_at is None and now < self.expires_at


def new_secret() -> str:
    """A token that nobody can guess, to be told once."""
    return PREFIX + secrets.token_urlsafe(SECRET_BYTES)


class Tokens:
    """The tokens of one database. *fixed* are those of the settings, by digest; they never end."""

    def __init__(self, database: Database, fixed: Mapping[str, Token] | None = None) -> None:
        self._database = database
        self._fixed = dict(fixed or {})

    # ---- reading ---------------------------------------------------------------------------

    def find(self, secret: str, now: datetime) -> Token | None:
        """What the bearer of *secret* may do at *now*; None, with no reason given."""
        given = digest(secret)
        known = [token for kept, token in self._fixed.items() if same(kept, given)]
        if known:  # all of them were looked at, so that time tells nothing
            return known[0]
        kept = self._kept(given)
        if kept is None or not kept.opens(now):
            return None
        if kept.last_used_at is None or now - kept.last_used_at >= USED_EVERY:
            self._used(kept.name, now)
        return kept.token

    def all(self) -> list[KeptToken]:
        """Every token that was ever made in this store, by name."""
        with self._database.read() as connection:
            return [_kept_of(row) for row in connection.execute(
                select(tokens).order_by(tokens.c.id))]  # fmt: skip

    def _kept(self, given: str) -> KeptToken | None:
        """Found by its digest, of which nobody can make a near one: the index tells nothing."""
        with self._database.read() as connection:
            row = connection.execute(select(tokens).where(tokens.c.digest == given)).first()
        return _kept_of(row) if row is not None and same(row.digest, given) else None

    def _used(self, name: str, now: datetime) -> None:
        """Write the use down, once an hour among all processes; a store that cannot still reads."""
        before = or_(tokens.c.last_used_at.is_(None), tokens.c.last_used_at <= now - USED_EVERY)
        with suppress(StoreDown, ValueError), self._database.write() as connection:
            connection.execute(
                update(tokens).where(tokens.c.id == name, before).values(last_used_at=now))

    # ---- changing --------------------------------------------------------------------------

    def add(
        self, name: str, token: Token, secret: str, now: datetime, who: str, days: int = DAYS
    ) -> KeptToken:
        """A new token, good for *days*. The district is the caller's to check."""
        _refuse(_problem(name, days))
        kept = KeptToken(name, token, now, now + timedelta(days=days))
        district = token.district or EVERYWHERE
        row = {"id": name, "digest": digest(secret), "scope": token.scope, "district": district,
               "created_at": now, "expires_at": kept.expires_at}  # fmt: skip
        with self._database.write() as connection:
            if _row(connection, name) is not None:
                raise TokenRefused(f"there was a token {name} already; choose another name")
            connection.execute(insert(tokens), [row])
            facts = {"scope": token.scope, "district": district,
                     "until": kept.expires_at.isoformat()}  # fmt: skip
            note(connection, now, who, "token.made", name, facts, district=token.district or "")
        return kept

    def revoke(self, name: str, now: datetime, who: str) -> KeptToken:
        """It opens nothing from *now* on, for good. Returns it as it was before."""
        with self._database.write() as connection:
            row = _row(connection, name)
            if row is None or row.revoked_at is not None:
                raise TokenRefused(f"there is no token {name[:MOST_NAME]} that stands")
            kept = _kept_of(row)
            connection.execute(update(tokens).where(tokens.c.id == name).values(revoked_at=now))
            note(connection, now, who, "token.revoked", name, district=kept.token.district or "")
        return kept


def _refuse(problem: str) -> None:
    if problem:
        raise ValueError(problem)


def _problem(name: str, days: int) -> str:
    if not (0 < len(name) <= MOST_NAME and name.isprintable() and name == name.strip()):
        return f"the name of a token has 1 to {MOST_NAME} characters that can be printed"
    return "" if 1 <= days <= MOST_DAYS else f"a token is good for 1 to {MOST_DAYS} days"


def _row(connection: Connection, name: str) -> Any:
    return connection.execute(select(tokens).where(tokens.c.id == name).with_for_update()).first()


def _kept_of(row: Any) -> KeptToken:
    district = None if row.district == EVERYWHERE else row.district
    return KeptToken(row.id, Token(row.scope, district), row.created_at, row.expires_at,
                     row.last_used_at, row.revoked_at)
