"""What a batch goes by, who said what, and the line that the log keeps of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from flows.batch import Batch, Entry, EntryKind, Value
from flows.protocol import Protocol
from flows.stage import (
    Flow,
    Stage,
)


@dataclass(frozen=True, slots=True)
class Book:
    """What one batch goes by: its graph and its protocol."""

    flow: Flow
    protocol: Protocol

    def stage(self, batch: Batch) -> Stage:
        """The stage that *batch* is at."""
        return self.flow.stages[batch.stage]


@dataclass(frozen=True, slots=True)
class Said:
    """Who said what, how and when. *text* is what the log keeps, *facts* what each line of it adds.

    *sent_at* is the gateway's own date of the message, *zone* the facility's.
    """

    by: str
    via: str
    text: str
    at: datetime
    tick: tuple[str, float] | None = None
    sent_at: datetime | None = None
    zone: str = "UTC"
    facts: Mapping[str, Value] = field(default_factory=dict)


def write(
    batch: Batch,
    said: Said,
    kind: EntryKind,
    *,
    mark: str = "",
    set_id: str = "",
    voids: int | None = None,
    facts: dict[str, Value] | None = None,
) -> Batch:
    """The batch with one more log line, at the stage it is at."""
    return batch.with_entry(
        Entry(
            n=len(batch.log),
            at=said.at,
            kind=kind,
            stage=batch.stage,
            by=said.by,
            via=said.via,
            said=said.text,
            mark=mark,
            set_id=set_id,
            voids=voids,
            facts={**said.facts, **(facts or {})},
            tick=said.tick,
        )
    )
