"""The store: register, batches with their logs, alerts, conditions of sets, running totals.

Every method raises StoreDown when the database does not answer (try again later), and ValueError
for a value that it cannot hold (trying again changes nothing).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Sequence
from datetime import datetime

import msgspec
from sqlalchemy import Connection, delete, insert, select, text

from bot import (
    alert_queries,
    belief,
    check_queries,
    count_queries,
    documents,
    figures,
    gap_queries,
    message_queries,
    mix_queries,
    queries,
    recording,
    totals,
)
from bot.alert_queries import AlertFilter
from bot.check_queries import CheckFilter
from bot.count_queries import CountFilter
from bot.cursors import Page, Row
from bot.database import Database
from bot.effects import Conditions, Mixed, Push, Pushed
from bot.errors import RegisterError, StoreRefused
from bot.figures import Counts
from bot.gap_queries import GapFilter
from bot.message_queries import MessageFilter
from bot.mix_queries import MixFilter
from bot.model import SetState
from bot.queries import BatchFilter, SetFilter
from bot.recording import Record
from bot.register import Register
from bot.register_rows import next_revision, read_register, register_rows
from bot.tables import (
    batches,
    districts,
    facilities,
    models,
    people,
    sets,
    stock,
)
from bot.totals import Drift
from flows.batch import Batch

__all__ = ["AlertFilter", "BatchFilter", "CheckFilter", "CountFilter", "GapFilter",
           "MessageFilter", "MixFilter", "Page", "Record", "SetFilter", "Store"]

AT_ONCE = 500  # batches or alerts in one transaction: more gain little and hold locks for longer

log = logging.getLogger(__name__)


def _nothing_against(_batch: Batch) -> Sequence[object]:
    return ()


class Store:
    """The database at *url* (`sqlite:///...` or `postgresql://...`).

    Batches on hastened time count only with *allow_hastened* (a demonstration). *findings* says
    what stands against a released batch: anything, and its sets are not shown READY.
    """

    def __init__(
        self,
        url: str,
        *,
        allow_hastened: bool = False,
        findings: Callable[[Batch], Sequence[object]] = _nothing_against,
    ) -> None:
        self.database = Database(url)
        self._allow_hastened = allow_hastened
        self._findings = findings

    def migrate(self) -> None:
        """Bring the tables to the newest form, and the totals to the newest rules."""
        self.database.migrate()
        with self.database.write() as connection:
            totals.bring_up_to_date(connection)

    def ping(self) -> None:
        """Return if the store answers; StoreDown if not."""
        with self.database.read() as connection:
            connection.execute(select(1))

    def close(self) -> None:
        self.database.close()

    # ---- register --------------------------------------------------------------------------

    def save_register(self, register: Register, at_least: int = 0, *, drop: bool = True) -> int:
        """Put *register* in the place of the one before, whole. Returns its revision, which is more
        than *at_least* and than that of any before it.

        RegisterError without *drop*, if people or sets are there that *register* does not have.
        """
        with self.database.write() as connection:
            revision = next_revision(connection, at_least)
            lost = [] if drop else read_register(connection).lost_in(register)
            if lost:
                raise RegisterError(lost)
            if self.database.is_postgresql:  # one importer at a time; readers go on
                connection.execute(text("LOCK TABLE districts IN EXCLUSIVE MODE"))
            for table in (stock, people, sets, models, facilities, districts):
                connection.execute(delete(table))
            for table, rows in register_rows(register):
                if rows:
                    connection.execute(insert(table), rows)
            return revision

    def load_register(self) -> Register:
        """The register as it was saved; an empty one if none was."""
        with self.database.read() as connection:
            return read_register(connection)

    # ---- batches ---------------------------------------------------------------------------

    def record(self, docs: Sequence[Pushed]) -> int:
        """Keep each state that is newer than the store's; in any order, any number of times.

        Practice is never kept, nor hastened time unless allowed. Returns how many batches, alerts
        and lone conditions were new or newer. Raises ValueError before writing anything if one of
        *docs* is impossible; StoreRefused, with all the rest written, for a lone READY whose
        batch has not come here as released yet.
        """
        documents.check(docs)
        pushes = [doc for doc in docs if isinstance(doc, Push)]
        kept = [self._believed(doc) for doc in pushes if self._counts(doc.batch)]
        taken = sum(self._record_chunk(kept[i : i + AT_ONCE])
                    for i in range(0, len(kept), AT_ONCE))
        for kind, write in documents.WRITERS.items():
            found = [d for d in docs if isinstance(d, kind) and self._to_keep(d)]
            taken += sum(self._record_some(write, found[i : i + AT_ONCE])
                         for i in range(0, len(found), AT_ONCE))
        states = [s for doc in docs if isinstance(doc, Conditions) for s in doc.states]
        return taken + self._record_alone(states) if states else taken

    def _counts(self, batch: Batch) -> bool:
        return not batch.practice and (batch.hasten == 1 or self._allow_hastened)

    def _believed(self, doc: Record) -> Record:
        kept = belief.believed(doc, self._findings)
        if len(kept.sets) < len(doc.sets):
            log.warning("batch %s does not prove its sets READY; not shown so", doc.batch.id)
        return kept

    def _record_chunk(self, chunk: Sequence[Record]) -> int:
        with self.database.write() as connection:
            return recording.record_all(connection, chunk)

    def _to_keep(self, doc: Pushed) -> bool:
        return not isinstance(doc, Mixed) or doc.hasten == 1 or self._allow_hastened

    def _record_some(self, write: Callable[..., int], chunk: Sequence[Pushed]) -> int:
        with self.database.write() as connection:
            return write(connection, chunk)

    def _record_alone(self, states: Sequence[SetState]) -> int:
        with self.database.write() as connection:
            released = _closed(connection, {s.batch for s in states if s.condition == "READY"})
            proven = [s for s in states if s.condition != "READY" or (
                s.batch in released and self._proves(released[s.batch], s))]
            taken = recording.record_conditions(connection, proven)
        waiting = {s.batch for s in states if s.condition == "READY"} - released.keys()
        if waiting:
            raise StoreRefused(f"no released batch {', '.join(sorted(waiting))} has come here yet")
        return taken

    def _proves(self, batch: Batch, state: SetState) -> bool:
        proven = self._counts(batch) and belief.proves(batch, state, self._findings(batch))
        if not proven:
            log.warning("batch %s does not prove set %s READY; not shown so", batch.id, state.id)
        return proven

    def owners(self, docs: Sequence[Pushed]) -> set[str]:
        """The districts that *docs* touch: claimed, registered, and of what they replace.

        Raises ValueError if one of *docs* is impossible.
        """
        documents.check(docs)
        with self.database.read() as connection:
            return documents.owners(connection, docs)

    # ---- questions -------------------------------------------------------------------------

    def batches(self, wanted: BatchFilter) -> Page:
        """Batches, newest first."""
        with self.database.read() as connection:
            return queries.list_batches(connection, wanted)

    def batch(self, batch_id: str) -> Row | None:
        """One batch with its log, its alerts and its messages, or None."""
        with self.database.read() as connection:
            found = queries.get_batch(connection, batch_id)
            if found:
                found["alerts"] = alert_queries.alerts_of(
                    connection, batch_id, found["facility"])
                found["messages"] = message_queries.messages_of(
                    connection, batch_id, found["district"])
            return found

    def document(self, batch_id: str) -> Batch | None:
        """The newest state of a batch, whole, or None."""
        with self.database.read() as connection:
            found = connection.scalar(select(batches.c.doc).where(batches.c.id == batch_id))
        return msgspec.json.decode(found, type=Batch) if found else None

    def alerts(self, wanted: AlertFilter, *, whole: bool = False) -> Page:
        """Alerts, newest first; *whole*: each with its history."""
        with self.database.read() as connection:
            return alert_queries.list_alerts(connection, wanted, whole=whole)

    def alert(self, alert_id: str) -> Row | None:
        """One alert with its history, or None."""
        with self.database.read() as connection:
            return alert_queries.get_alert(connection, alert_id)

    def checks(self, wanted: CheckFilter) -> Page:
        """Shift checks, newest first."""
        with self.database.read() as connection:
            return check_queries.list_checks(connection, wanted)

    def checks_done(self, wanted: CheckFilter) -> list[Row]:
        """By facility: shift checks due, and those of them done."""
        with self.database.read() as connection:
            return check_queries.count_checks(connection, wanted)

    def gaps(self, wanted: GapFilter) -> Page:
        """Times in which no set of a kind was READY, those that began last first."""
        with self.database.read() as connection:
            return gap_queries.list_gaps(connection, wanted)

    def mixes(self, wanted: MixFilter) -> Page:
        """Chlorine solutions that were made, newest first."""
        with self.database.read() as connection:
            return mix_queries.list_mixes(connection, wanted)

    def messages(self, wanted: MessageFilter) -> Page:
        """Messages, newest first."""
        with self.database.read() as connection:
            return message_queries.list_messages(connection, wanted)

    def segments_about(self, ids: Collection[str]) -> dict[str, int]:
        """What all messages about each of the batches or alerts *ids* cost, in segments."""
        with self.database.read() as connection:
            return message_queries.segments_about(connection, ids)

    def sets(self, wanted: SetFilter, now: datetime) -> Page:
        """Registered sets with their condition at *now*."""
        with self.database.read() as connection:
            return queries.list_sets(connection, wanted, now)

    def facilities(self, district: str = "") -> list[Row]:
        """Facilities, without their people."""
        with self.database.read() as connection:
            return queries.list_facilities(connection, district)

    def counts(self, wanted: CountFilter) -> list[Row]:
        """Counts from the running totals; see `count_queries.count`."""
        with self.database.read() as connection:
            return count_queries.count(connection, wanted)

    def figures(self, wanted: CountFilter, now: datetime) -> Counts:
        """Every indicator for each group asked; see `figures.counts`."""
        with self.database.read() as connection:
            return figures.counts(connection, wanted, now)

    def drift(self) -> list[Drift]:
        """Where the running totals are not what the rows add up to; empty when all is well."""
        with self.database.read() as connection:
            return list(totals.drift(connection))


def _closed(connection: Connection, ids: set[str]) -> dict[str, Batch]:
    """Those of the batches *ids* that are over, by id."""
    wanted = select(batches.c.doc).where(batches.c.id.in_(sorted(ids)), batches.c.outcome != "")
    found = [msgspec.json.decode(doc, type=Batch) for doc in connection.scalars(wanted)]
    return {batch.id: batch for batch in found}
