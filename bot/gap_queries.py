"""Questions to the store about gaps. Answers are plain dicts, as those of `queries`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

from sqlalchemy import ColumnElement, Connection, or_, select

from bot.cursors import Page, newest_first
from bot.tables import gaps
from flows.batch import Kind

KINDS = get_args(Kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class GapFilter:
    """Which gaps; empty or None means any. Those that lie, whole or in part, in the time from
    *since* on and before *until* (aware); *lasting* or ended. *after* is the cursor of the page
    before."""

    facility: str = ""
    district: str = ""
    kind: str = ""
    lasting: bool | None = None
    since: datetime | None = None
    until: datetime | None = None
    limit: int = 100
    after: str = ""


LISTED = [c for c in gaps.c if c.name not in {"version", "zone"}]


def list_gaps(connection: Connection, wanted: GapFilter) -> Page:
    """The one that began last first; `until` is None while it lasts. ValueError for a limit or a
    cursor that is none, a kind not known."""
    query = select(*LISTED).where(*_conditions(wanted))
    return newest_first(connection, query, (gaps.c.since, gaps.c.id), wanted.limit, wanted.after)


def _conditions(wanted: GapFilter) -> Iterable[ColumnElement[bool]]:
    if wanted.kind not in {"", *KINDS}:
        raise ValueError(f"kind is one of {', '.join(KINDS)}")
    for name in ("facility", "district", "kind"):
        if getattr(wanted, name):
            yield gaps.c[name] == getattr(wanted, name)
    if wanted.lasting is not None:
        yield gaps.c.until.is_(None) if wanted.lasting else gaps.c.until.is_not(None)
    if wanted.since:
        yield or_(gaps.c.until.is_(None), gaps.c.until > wanted.since)
    if wanted.until:
        yield gaps.c.since < wanted.until
