"""What a facility shows to those above it, made from its unit."""

from __future__ import annotations

from datetime import datetime

from bot.model import Standing, Underway, Unit
from flows.batch import Batch


def standing(unit: Unit) -> Standing:
    """The facility as its district sees it; practice is nobody's business."""
    open_ones = (b for b in unit.batches.values() if not b.practice)
    return Standing(
        facility=unit.site.id,
        name=unit.site.name,
        zone=unit.site.zone,
        sets=tuple((card.kind, unit.state_of(card.id)) for card in unit.site.sets),
        batches=tuple(underway(b) for b in open_ones),
        alerts=tuple(unit.alerts.values()),
        tally=unit.tally,
        heard=unit.watch.heard,
        names={p.id: p.name.split(" ", 1)[0] for p in unit.site.people},
        ended=unit.watch.ended,
    )


def underway(batch: Batch) -> Underway:
    """An open batch as those above see it."""
    return Underway(
        id=batch.id, sets=tuple(s.id for s in batch.remaining), stage=batch.stage,
        method=batch.method, opened_at=batch.opened_at,
        last=moved(batch), due=batch.due,
    )  # fmt: skip


def moved(batch: Batch) -> datetime:
    """When somebody last moved the batch."""
    kinds = ("opened", "answered", "handed", "taken_back")
    return max(e.at for e in batch.log if e.kind in kinds)
