"""Questions to the store about messages. Answers are plain dicts, as those of `queries`."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, func, select

from bot.cursors import Page, Row, fetch, newest_first
from bot.message import STATES
from bot.tables import messages


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageFilter:
    """Which messages; empty or None means any. Written from *since* on and before *until* (aware).

    *site* is a facility, or a district's page (`district-<id>`); *about* a batch or an alert.
    *after* is the cursor of the page before.
    """

    site: str = ""
    district: str = ""
    about: str = ""
    state: str = ""
    since: datetime | None = None
    until: datetime | None = None
    limit: int = 100
    after: str = ""


LISTED = [c for c in messages.c if c.name not in {"version", "zone"}]


def list_messages(connection: Connection, wanted: MessageFilter) -> Page:
    """Newest first. ValueError for a limit or a cursor that is none, a state not known."""
    query = select(*LISTED).where(*_conditions(wanted))
    place = (messages.c.at, messages.c.id)
    return newest_first(connection, query, place, wanted.limit, wanted.after)


def _conditions(wanted: MessageFilter) -> Iterable[ColumnElement[bool]]:
    if wanted.state not in {"", *STATES}:
        raise ValueError(f"state is one of {', '.join(STATES)}")
    for name in ("site", "district", "about", "state"):
        if getattr(wanted, name):
            yield messages.c[name] == getattr(wanted, name)
    if wanted.since:
        yield messages.c.at >= wanted.since
    if wanted.until:
        yield messages.c.at < wanted.until


def messages_of(connection: Connection, about: str, district: str) -> list[Row]:
    """What was said about a batch, in order: kind, at, state, segments.

    Of its own district only: nobody else's may show beside it.
    """
    columns = (messages.c.kind, messages.c.at, messages.c.state, messages.c.segments)
    query = select(*columns).where(messages.c.about == about, messages.c.district == district)
    return fetch(connection, query.order_by(messages.c.at, messages.c.id))


def segments_about(connection: Connection, ids: Collection[str]) -> dict[str, int]:
    """The segments of all messages about each of *ids*; what has none is left out."""
    total = func.sum(messages.c.segments)
    query = select(messages.c.about, total).where(messages.c.about.in_(sorted(ids)))
    return {about: int(n) for about, n in connection.execute(query.group_by(messages.c.about))}
