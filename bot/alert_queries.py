"""Questions to the store about alerts. Answers are plain dicts, as those of `queries`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

import msgspec
from sqlalchemy import ColumnElement, Connection, select

from bot.alert import Alert, AlertState
from bot.cursors import Page, Row, fetch, newest_first
from bot.tables import alerts
from flows.alerting import RULES

STATES = get_args(AlertState)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertFilter:
    """Which alerts; empty or None means any. Raised from *since* on and before *until* (aware).

    *state* "open" is every alert that somebody still has to do with, seen and taken ones too.
    *after* is the cursor of the page before.
    """

    facility: str = ""
    district: str = ""
    state: str = ""
    rule: str = ""
    batch: str = ""
    since: datetime | None = None
    until: datetime | None = None
    limit: int = 100
    after: str = ""


WHOLE = [c for c in alerts.c if c.name != "zone"]
LISTED = [c for c in WHOLE if c.name != "doc"]


def list_alerts(connection: Connection, wanted: AlertFilter, *, whole: bool = False) -> Page:
    """Newest first, each with its history if *whole*. ValueError for a limit or a cursor that is
    none, a state or rule not known."""
    query = select(*(WHOLE if whole else LISTED)).where(*_conditions(wanted))
    page = newest_first(connection, query, (alerts.c.at, alerts.c.id), wanted.limit, wanted.after)
    return Page([(_whole if whole else _alert)(row) for row in page.rows], page.next)


def _conditions(wanted: AlertFilter) -> Iterable[ColumnElement[bool]]:
    for name, known in (("state", STATES), ("rule", RULES)):
        if getattr(wanted, name) not in {"", *known}:
            raise ValueError(f"{name} is one of {', '.join(known)}")
    for name in ("facility", "district", "rule", "batch"):
        if getattr(wanted, name):
            yield alerts.c[name] == getattr(wanted, name)
    if wanted.state == "open":
        yield alerts.c.closed_at.is_(None)
    elif wanted.state:
        yield alerts.c.state == wanted.state
    if wanted.since:
        yield alerts.c.at >= wanted.since
    if wanted.until:
        yield alerts.c.at < wanted.until


def _alert(row: Row) -> Row:
    return {**row, "told": row["told"].split()}


def get_alert(connection: Connection, alert_id: str) -> Row | None:
    """One alert with its *history*, a list of lines in order; None if there is none."""
    found = fetch(connection, select(*WHOLE).where(alerts.c.id == alert_id))
    return _whole(found[0]) if found else None


def alerts_of(connection: Connection, batch_id: str, facility: str) -> list[Row]:
    """The alerts about a batch, the first first, each with its history.

    Those of its own facility only: nobody else's may show beside it.
    """
    query = select(*WHOLE).where(alerts.c.batch == batch_id, alerts.c.facility == facility)
    return [_whole(row) for row in fetch(connection, query.order_by(alerts.c.at, alerts.c.id))]


def _whole(row: Row) -> Row:
    alert = msgspec.json.decode(row["doc"], type=Alert)
    lines = [{"at": line.at, "by": line.by, "what": line.what, "word": line.word}
             for line in alert.history]
    kept = {name: value for name, value in row.items() if name != "doc"}
    return {**_alert(kept), "by": alert.by, "due": alert.due, "facts": dict(alert.facts),
            "history": lines}
