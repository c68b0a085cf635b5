"""What is recorded, kind by kind: how each is checked and written, and whose it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from sqlalchemy import Connection, select

from bot import (
    alert_records,
    check_records,
    gap_records,
    message_records,
    mix_records,
    recording,
)
from bot.effects import Checked, Conditions, Gap, Mixed, Push, Pushed, Raised
from bot.message import Message
from bot.tables import alerts, batches, checks, facilities, gaps, messages, mixes, sets

CHECKS: Mapping[type[Pushed], Callable[..., None]] = {
    Push: recording.check,
    Conditions: recording.check_conditions,
    Raised: alert_records.check_raised,
    Message: message_records.check_message,
    Checked: check_records.check_checked,
    Gap: gap_records.check_gap,
    Mixed: mix_records.check_mixed,
}
# Those of which the newest state stands, whatever else is in the store.
WRITERS: Mapping[type[Pushed], Callable[..., int]] = {
    Raised: alert_records.record_alerts,
    Message: message_records.record_messages,
    Checked: check_records.record_checks,
    Gap: gap_records.record_gaps,
    Mixed: mix_records.record_mixes,
}


def check(docs: Sequence[Pushed]) -> None:
    """Raise ValueError with a plain sentence if one of *docs* cannot be what it says."""
    for doc in docs:
        CHECKS[type(doc)](doc)


def owners(connection: Connection, docs: Sequence[Pushed]) -> set[str]:
    """The districts that *docs* touch: claimed, registered, and of what they replace."""
    pushes = [doc for doc in docs if isinstance(doc, Push)]
    alone = [doc for doc in docs if isinstance(doc, Conditions)]
    raised = [doc for doc in docs if isinstance(doc, Raised)]
    sent = [doc for doc in docs if isinstance(doc, Message)]
    seen = [doc for doc in docs if isinstance(doc, Checked | Gap | Mixed)]
    named = {doc.batch.facility for doc in pushes} | {doc.site_id for doc in alone}
    named |= {doc.alert.facility for doc in raised} | {doc.site for doc in sent}
    named |= {doc.facility for doc in seen}
    used = {s.id for doc in pushes for s in doc.sets}
    used |= {s.id for doc in alone for s in doc.states}
    replaced = {
        batches: {doc.batch.id for doc in pushes},
        alerts: {doc.alert.id for doc in raised},
        messages: {doc.id for doc in sent},
        **{table: {doc.id for doc in seen} for table in (checks, gaps, mixes)},
    }
    asked = [
        select(facilities.c.district).where(facilities.c.id.in_(named)),
        select(facilities.c.district).join(sets, sets.c.facility == facilities.c.id)
        .where(sets.c.id.in_(used)),
        *(select(t.c.district).where(t.c.id.in_(ids)) for t, ids in replaced.items()),
    ]  # fmt: skip
    found = {d for query in asked for d in connection.scalars(query.distinct())}
    claimed = {doc.batch.district for doc in pushes} | {doc.district for doc in raised}
    return found | claimed | {doc.district for doc in (*sent, *seen)}
