"""Writes alerts, newest version only, as `recording` writes batches.

A rule or a state that this version does not know is refused with a ValueError, never left out:
whoever sent it keeps it, says so in its log and sends it again, until this side is brought up to
date. So nothing of a newer Soakbell is lost, and nothing is kept that nobody here could answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, get_args

import msgspec
from sqlalchemy import Connection

from bot.alert import Alert, AlertDeed, AlertState
from bot.effects import Raised
from bot.keeping import keep_newest
from bot.recording import KEY_CHARACTERS, is_key
from bot.tables import alerts
from flows.alerting import RULES

MOST_MATTER = 400  # characters of what an alert is about: some ids and words, never a story

Row = dict[str, Any]


def version(alert: Alert) -> int:
    """A number that grows with every change of an alert that anybody hears of or makes.

    Its history, its count and its step only grow, and each such change moves one of them, but for
    one: it is put off until the quiet hours end. A step or a line more ends that, and weighs more.
    """
    return 2 * (len(alert.history) + alert.count + alert.step + 1) + alert.waiting


def check_raised(raised: Raised) -> None:
    """Raise ValueError with a plain sentence if *raised* cannot be what it says."""
    alert = raised.alert
    keys = [alert.id, alert.facility, raised.district]
    keys += [k for k in (alert.batch, alert.by, *(line.by for line in alert.history)) if k]
    if not all(map(is_key, keys)):
        raise ValueError(f"alert {alert.id[:KEY_CHARACTERS]!r}: every id has 1 to "
                         f"{KEY_CHARACTERS} printable characters")
    if any(" " in person for person in alert.told):
        raise ValueError(f"alert {alert.id}: no space is in a person's id")
    if len(alert.matter) > MOST_MATTER:
        raise ValueError(f"alert {alert.id}: its matter has at most {MOST_MATTER} characters")
    _check_known(alert)
    times = (alert.at, alert.last, alert.due, *(line.at for line in alert.history))
    if any(t.tzinfo is None for t in times if t):
        raise ValueError(f"alert {alert.id}: every time carries its zone")
    if alert.count < 1 or alert.step < -1:
        raise ValueError(f"alert {alert.id}: it came at least once, and steps count from 0")


def _check_known(alert: Alert) -> None:
    words = (("rule", [alert.rule], RULES), ("state", [alert.state], get_args(AlertState)),
             ("deed", [line.what for line in alert.history], get_args(AlertDeed)))
    for name, used, known in words:
        if unknown := next((word for word in used if word not in known), None):
            raise ValueError(f"alert {alert.id}: no {name} {unknown[:KEY_CHARACTERS]!r} is known "
                             "here; it can be taken once this Soakbell is brought up to date")


def record_alerts(connection: Connection, raised: Sequence[Raised]) -> int:
    """Write *raised* (already checked, one transaction). Returns how many alerts were newer."""
    return keep_newest(connection, alerts, map(_alert_row, raised))


def _alert_row(raised: Raised) -> Row:
    alert = raised.alert
    return {
        "id": alert.id, "facility": alert.facility, "district": raised.district,
        "rule": alert.rule, "matter": alert.matter, "batch": alert.batch, "at": alert.at,
        "last_at": alert.last, "count": alert.count, "state": alert.state,
        "closed_at": _closed_at(alert), "told": " ".join(alert.told), "version": version(alert),
        "doc": msgspec.json.encode(alert).decode(),
    }


def _closed_at(alert: Alert) -> datetime | None:
    if not alert.closed:
        return None
    closing = (line.at for line in reversed(alert.history) if line.what == alert.state)
    return next(closing, alert.last)
