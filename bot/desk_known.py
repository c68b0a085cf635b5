"""What the store knows of facilities whose conversations do not answer: older, and no clock."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, cast

from bot.alert import Alert, AlertLine
from bot.board import underway
from bot.model import Condition, SetState, Standing
from bot.site import Site
from bot.store import AlertFilter, BatchFilter, SetFilter, Store

MOST_BATCHES = 50  # open ones of one district, read whole: each is a question to the store
MOST_ROWS = 1000  # of one question


def known(store: Store, sites: Iterable[Site], now: datetime) -> dict[str, Standing]:
    """The standing of each of *sites*, as far as the store has heard of it."""
    by_id = {site.id: site for site in sites}
    found = {i: Standing(i, site.name, site.zone) for i, site in by_id.items()}
    for district in sorted({site.district for site in by_id.values()}):
        for row in _sets(store, district, now):
            if shown := found.get(row["facility"]):
                states = (*shown.sets, (row["kind"], _state(row)))
                found[shown.facility] = replace(shown, sets=states)
        for row in store.batches(_open_ones(district)).rows:
            batch = store.document(row["id"]) if row["facility"] in found else None
            if batch and (shown := found.get(batch.facility)):
                running = (*shown.batches, underway(batch))
                found[shown.facility] = replace(shown, batches=running)
        for row in store.alerts(AlertFilter(district=district, state="open"), whole=True).rows:
            if shown := found.get(row["facility"]):
                alerts = (*shown.alerts, alert_of(row))
                found[shown.facility] = replace(shown, alerts=alerts)
    return found


def _open_ones(district: str) -> BatchFilter:
    return BatchFilter(district=district, outcome="open", limit=MOST_BATCHES)


def _sets(store: Store, district: str, now: datetime) -> Iterator[Mapping[str, Any]]:
    after = ""
    while True:
        page = store.sets(SetFilter(district=district, limit=MOST_ROWS, after=after), now)
        yield from page.rows
        if page.next is None:
            return
        after = page.next


def _state(row: Mapping[str, Any]) -> SetState:
    """The state behind a row, whose condition has the time in it already."""
    said = "READY" if row["condition"] == "EXPIRED" else row["condition"]
    condition = cast("Condition", said)
    return SetState(row["id"], condition, row["since"], row["expires_at"], row["batch"])


def alert_of(row: Mapping[str, Any]) -> Alert:
    """The alert in a row of the store that has its history."""
    return Alert(
        id=row["id"], facility=row["facility"], rule=row["rule"], matter=row["matter"],
        at=row["at"], last=row["last_at"], facts=row["facts"], batch=row["batch"], by=row["by"],
        count=row["count"], state=row["state"], due=row["due"],
        history=tuple(AlertLine(**line) for line in row["history"]),
    )  # fmt: skip
