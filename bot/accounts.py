"""Accounts of the desk: who may see what, when an account is closed, how long a log-in lasts.

Pure: no clock, no chance, no database. `bot.account_store` and `bot.account_sessions` keep them.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal, get_args

AccountRole = Literal["in_charge", "supervisor", "programme", "administrator"]
ROLES: tuple[AccountRole, ...] = get_args(AccountRole)
EVERYWHERE = "*"

# Software limits, not numbers of the trade.
FREE_FAILURES = 4  # a person mistypes; the fifth wrong try in a row closes the account for a while
FIRST_LOCK = timedelta(minutes=1)  # doubled by each wrong try after it
LONGEST_LOCK = timedelta(hours=1)  # a guesser gets 24 tries a day, and the owner is not shut out
IDLE = timedelta(minutes=30)  # a phone left lying open on the bench
LIFE = timedelta(hours=12)  # a long shift; then the password again, however busy she was
SEEN_EVERY = timedelta(minutes=1)  # how often a session's last use is written down
CODE_LIFE = timedelta(minutes=10)  # an SMS may be slow
CODE_TRIES = 5  # of a million codes
LEAST_PASSWORD = 10  # characters; with the growing lock, enough against guessing
MOST_PASSWORD = 200  # characters: hashing an endless one would be work for nothing
MOST_NAME = 80  # characters of the name that pages show

_ID = re.compile(r"[a-z][a-z0-9._-]{1,39}")


@dataclass(frozen=True, slots=True)
class Account:
    """Whoever is logged in. *place* is a facility (in_charge), a district (supervisor), a district
    or "*" (programme), or "*" (administrator)."""

    id: str
    name: str
    role: AccountRole
    place: str


@dataclass(frozen=True, slots=True)
class Kept:
    """An account as it is kept, without its password. *person*: the register's id of whoever gets
    a code by SMS at each log-in, "" for no code. *failures*: wrong tries since the last log-in."""

    account: Account
    person: str = ""
    created_at: datetime | None = None
    last_login_at: datetime | None = None
    failures: int = 0
    locked_until: datetime | None = None
    disabled: bool = False


@dataclass(frozen=True, slots=True)
class Session:
    """One log-in. Not *confirmed*: the password was right and the code has not come yet."""

    account: Account
    token: str = field(repr=False)
    created_at: datetime
    seen_at: datetime
    expires_at: datetime
    confirmed: bool = True

    def stands(self, now: datetime) -> bool:
        """Neither too long unused nor too old at *now*."""
        return now < self.expires_at and now - self.seen_at < IDLE


def sees(account: Account, district: str, facility: str) -> bool:
    """May *account* see what belongs to *facility* in *district*?

    An empty *facility* asks about the district as a whole, which no in-charge sees.
    """
    if account.role == "administrator":
        return True
    if account.role == "programme":
        return account.place in (EVERYWHERE, district)
    if account.role == "supervisor":
        return bool(district) and account.place == district
    return bool(facility) and account.place == facility


def title(account: Account) -> str:
    """What *account* is, for the top of a page: "supervisor, TAM"."""
    role = account.role.replace("_", "-")
    return role if account.place == EVERYWHERE else f"{role}, {account.place}"


# ---- what an account may be --------------------------------------------------------------------


def id_problem(name: str) -> str:
    """What is wrong with a log-in name; "" if nothing is."""
    if _ID.fullmatch(name):
        return ""
    return "a log-in name has 2 to 40 small letters, digits, . _ or -, and begins with a letter"


def password_problem(password: str) -> str:
    """What is wrong with a new password; "" if nothing is."""
    if LEAST_PASSWORD <= len(password) <= MOST_PASSWORD:
        return ""
    return f"a password has {LEAST_PASSWORD} to {MOST_PASSWORD} characters"


def place_problem(
    role: AccountRole, place: str, facilities: Collection[str], districts: Collection[str]
) -> str:
    """What is wrong with the *place* of an account of *role*; "" if nothing is."""
    if role == "administrator":
        return "" if place == EVERYWHERE else "the place of an administrator is *"
    if role == "programme" and place == EVERYWHERE:
        return ""
    known, kind = (facilities, "facility") if role == "in_charge" else (districts, "district")
    return "" if place in known else f"the register has no {kind} {place[:40]}"


def lock_after(failures: int, now: datetime) -> datetime | None:
    """Until when an account is closed after so many wrong tries in a row; None: it is not."""
    over = failures - FREE_FAILURES
    if over < 1:
        return None
    # 2 to the 20th minutes are far past the longest lock already: no need of greater numbers.
    doubled: int = 2 ** min(over - 1, 20)
    return now + min(LONGEST_LOCK, FIRST_LOCK * doubled)


def is_locked(kept: Kept, now: datetime) -> bool:
    """Closed for now after wrong tries; a right password does not open it before its time."""
    return kept.locked_until is not None and now < kept.locked_until


# ---- tokens and codes: what is kept of them ----------------------------------------------------


def digest(token: str) -> str:
    """The form in which a session's token is kept: whoever reads the store cannot log in by it."""
    return hashlib.sha256(token.encode()).hexdigest()


def form_key(token: str) -> str:
    """What every form of the session carries, so that no other site can send one."""
    return _keyed(token, "form")


def code_digest(token: str, code: str) -> str:
    """The form in which a code is kept: a million codes are soon tried, but not without *token*."""
    return _keyed(token, f"code {code}")


def same(one: str, other: str) -> bool:
    """Equal? In a time that tells nothing of where they differ. Two empty ones are not."""
    return bool(one) and hmac.compare_digest(one.encode(), other.encode())


def _keyed(token: str, text: str) -> str:
    return hmac.new(token.encode(), text.encode(), hashlib.sha256).hexdigest()
