"""The benchmark's invented country is one that the store could have recorded itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from bot.store import BatchFilter, CountFilter, Store
from flows.release import findings
from tests.bench.country import Pattern, makings, patterns, pushes, register
from tests.bench.generate import fill
from tests.nurse import PROTOCOLS

BATCHES, PLACES = 200, 6


@pytest.fixture(scope="module")
def of() -> list[Pattern]:
    return patterns(seed=3)


def opened(path: Path) -> Store:
    store = Store(f"sqlite:///{path}")
    store.migrate()
    store.save_register(register(PLACES))
    return store


def test_totals_that_are_filled_in_are_those_of_the_rows_and_of_what_is_recorded(
    of: list[Pattern], tmp_path: Path
) -> None:
    filled, recorded = opened(tmp_path / "filled.db"), opened(tmp_path / "recorded.db")

    assert fill(filled, of, makings(of, BATCHES, PLACES, seed=5)) == BATCHES
    assert recorded.record(list(pushes(of, makings(of, BATCHES, PLACES, seed=5)))) == BATCHES

    assert filled.drift() == []
    for by in ((), ("facility", "day"), ("district", "month", "method"), ("stage", "reason")):
        assert filled.counts(CountFilter(by=by)) == recorded.counts(CountFilter(by=by))
    wanted = BatchFilter(limit=1000)
    assert filled.batches(wanted) == recorded.batches(wanted)
    filled.close()
    recorded.close()


def test_most_batches_prove_their_sets_and_some_end_otherwise(of: list[Pattern]) -> None:
    made = [push.batch for push in pushes(of, makings(of, BATCHES, PLACES, seed=5))]

    released = [batch for batch in made if batch.outcome == "released"]
    assert BATCHES * 0.8 < len(released) < BATCHES
    assert {batch.outcome for batch in made} == {"", "released", "set aside", "cancelled"}
    assert len({batch.id for batch in made}) == BATCHES
    assert not any(findings(batch, PROTOCOLS[batch.protocol]) for batch in released)
