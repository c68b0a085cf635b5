"""The trail of the desk: who did what, when, to what. Lines are added and never changed.

No line holds a phone: what looks like one is taken out before it is written.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import Connection, insert, select

from bot.tables import audit

MOST_LINES = 200  # of one page
COMMAND = "(command)"  # *who*, where somebody at the server did it; no log-in name looks like this

_PHONE = re.compile(r"\+\d{6,}")


@dataclass(frozen=True, slots=True)
class Line:
    """One line. *who* is an account or a person of the register, "" where nobody knows; *what* a
    short word such as `login` or `account.made`; *about* an id; *detail* plain facts."""

    id: int
    at: datetime
    who: str
    what: str
    about: str
    district: str
    detail: Mapping[str, Any]


def note(
    connection: Connection,
    at: datetime,
    who: str,
    what: str,
    about: str,
    detail: Mapping[str, Any] | None = None,
    *,
    district: str = "",
) -> None:
    """Add a line, in the transaction of what it tells of: both are kept, or neither is.

    *detail* is texts, numbers, lists. *district* lets those who see that district read it.
    """
    facts = _PHONE.sub("(phone)", msgspec.json.encode(detail or {}).decode())
    row = {"at": at, "who": who, "what": what, "about": about, "district": district,
           "detail": facts}  # fmt: skip
    connection.execute(insert(audit), [row])


def lines(
    connection: Connection, *, district: str = "", limit: int = 100, after: int | None = None
) -> list[Line]:
    """Newest first, of one district or of all; *after* is the id of the last line seen before."""
    query = select(audit).order_by(audit.c.id.desc()).limit(max(1, min(limit, MOST_LINES)))
    if district:
        query = query.where(audit.c.district == district)
    if after is not None:
        query = query.where(audit.c.id < after)
    return [_line(row) for row in connection.execute(query)]


def _line(row: Any) -> Line:
    detail = msgspec.json.decode(row.detail)
    return Line(row.id, row.at, row.who, row.what, row.about, row.district, detail)
