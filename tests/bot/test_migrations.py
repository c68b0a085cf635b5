"""Steps of the schema: one line of them, and what was kept before a step is there after it."""

from __future__ import annotations

import msgspec
import pytest
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, text

from bot.alert_queries import AlertFilter
from bot.store import BatchFilter, CountFilter, Store
from tests.bot.store_stand import OpenStore, alert, closed, demo_register, raised


def config_of(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", "bot:migrations")
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def at_step(store: Store, step: str) -> None:
    with store.database.write() as connection:
        command.upgrade(config_of(connection), step)


# What a store of the steps before alerts held, in its own words.
KEPT = """
INSERT INTO districts (id, name) VALUES ('TAM', 'Tamarind');
INSERT INTO batches (id, facility, district, opened_at, closed_at, day, month, method, outcome,
                     protocol, flow, sets, set_count, aside_count, segments, version, doc)
VALUES ('LOWF-1', 'LOWF', 'TAM', '2025-03-03 08:00:00', '2025-03-03 09:00:00', '2025-03-03',
        '2025-03', 'chlorine', 'released', 'default-1', 'reprocess-1', 'BAG-1 SUC-1', 2, 0, 4, 1,
        :doc);
INSERT INTO entries (batch, n, at, kind, stage, by_id, via, said, mark, set_id, facts)
VALUES ('LOWF-1', 0, '2025-03-03 08:00:00', 'answered', 'soak', 'P1', 'sms', '1', 'washed', '',
        '{}');
INSERT INTO totals (day, district, facility, method, outcome, month, week, batches, sets, aside,
                    segments)
VALUES ('2025-03-03', 'TAM', 'LOWF', 'chlorine', 'released', '2025-03', '2025-W10', 1, 2, 0, 4);
INSERT INTO set_states (id, condition, batch, load, version)
VALUES ('BAG-1', 'USED', 'LOWF-1', '', 1)
"""


def test_the_steps_are_one_line() -> None:
    steps = ScriptDirectory.from_config(config_of())

    assert len(steps.get_heads()) == 1
    assert len(steps.get_bases()) == 1
    assert sorted(s.revision for s in steps.walk_revisions()) == [
        s.revision for s in reversed(list(steps.walk_revisions()))]


@pytest.mark.parametrize("step", ["0002", "0003"])
def test_what_was_kept_before_alerts_is_there_after(open_store: OpenStore, step: str) -> None:
    store = open_store()
    at_step(store, step)
    of = closed()
    doc = msgspec.json.encode(of).decode()
    with store.database.write() as connection:
        for statement in KEPT.split(";"):
            connection.execute(text(statement), {"doc": doc} if ":doc" in statement else {})

    store.migrate()

    with store.database.read() as connection:
        assert connection.execute(text("SELECT name FROM districts")).scalar() == "Tamarind"
    assert [row["id"] for row in store.batches(BatchFilter()).rows] == ["LOWF-1"]
    found = store.batch("LOWF-1")
    assert found is not None
    assert (len(found["log"]), found["alerts"]) == (len(of.log), [])
    assert store.document("LOWF-1") == of
    assert store.counts(CountFilter(by=("day",)))[0]["batches"] == 1
    assert store.alerts(AlertFilter()).rows == []
    assert store.record([raised(alert())]) == 1
    store.save_register(demo_register())
    assert store.load_register() == demo_register()
