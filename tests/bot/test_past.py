"""An invented past is made by the real machine: what it calls READY is proved by its logs."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import fakeredis
import msgspec
import pytest

from bot.belief import proves
from bot.effects import Gap, Mixed, Push, Raised
from bot.past import Life, Past, plant, records
from bot.register_files import read_register
from bot.scribe import Scribe
from bot.sessions import Sessions
from bot.site_pages import publish
from bot.store import AlertFilter, BatchFilter, GapFilter, MixFilter, Store
from bot.timers import Timers
from bot.watching import WATCH
from flows.prompts import segments
from flows.release import findings
from tests.nurse import ALERTS, PROTOCOLS, WORDING, rules_of

DEMO = Path(__file__).parents[2] / "bot" / "demo"
REGISTER = read_register(DEMO, None)
ENDS = datetime(2026, 3, 20, 9, 0, tzinfo=UTC)
DAYS = 20


def lived(seed: int = 1, calm: tuple[str, ...] = ()) -> Past:
    scribe = Scribe(WORDING.render, lambda text: segments(text)[2])
    rules = rules_of(alerts=ALERTS)
    begins = ENDS - timedelta(days=DAYS)
    return Life(REGISTER.sites(), rules, scribe, begins, ENDS, seed, calm).live()


@cache
def past() -> Past:
    return lived()


def pushes() -> list[Push]:
    return [p for p in records(past()) if isinstance(p, Push)]


def test_the_demonstration_has_eight_facilities_and_twenty_people() -> None:
    assert len(REGISTER.facilities) == 8
    assert len(REGISTER.people) == 20
    assert REGISTER.warnings == ()


def test_the_same_seed_makes_the_same_past_and_another_one_another() -> None:
    again = lived()

    assert msgspec.json.encode(records(again)) == msgspec.json.encode(records(past()))
    assert again.timers == past().timers
    assert msgspec.json.encode(records(lived(2))) != msgspec.json.encode(records(past()))


def test_every_released_batch_has_a_clean_log_and_none_is_practice() -> None:
    outcomes = Counter(p.batch.outcome for p in pushes())

    assert outcomes["released"] > 50
    for push in pushes():
        assert not push.batch.practice
        if push.batch.outcome == "released":
            assert findings(push.batch, PROTOCOLS[push.batch.protocol]) == []


def test_every_set_that_is_ready_at_the_end_is_proved_by_its_batch() -> None:
    by_id = {p.batch.id: p.batch for p in pushes()}
    ready = [
        s for u in past().units.values() for s in u.sets.values() if s.now(ENDS) == "READY"
    ]  # fmt: skip

    assert ready
    for state in ready:
        assert proves(by_id[state.batch], state, [])


def test_things_go_wrong_in_it_and_somebody_answers() -> None:
    alerts = [p.alert for p in records(past()) if isinstance(p, Raised)]

    assert len({a.rule for a in alerts}) >= 5
    assert {"solved", "over"} <= {a.state for a in alerts}


def test_its_gaps_lie_apart_and_one_lasts_where_nothing_is_ready() -> None:
    told: dict[tuple[str, str], list[Gap]] = {}
    for gap in [p for p in records(past()) if isinstance(p, Gap)]:
        told.setdefault((gap.facility, gap.kind), []).append(gap)
    for unit in past().units.values():
        for kind in {card.kind for card in unit.site.sets}:
            gaps = sorted(told.get((unit.site.id, kind), ()), key=lambda g: g.since)
            assert all(a.until and a.until < b.since for a, b in pairwise(gaps))
            ids = [card.id for card in unit.site.sets if card.kind == kind]
            none = all(unit.state_of(i).now(ENDS) != "READY" for i in ids)
            assert [g.kind for g in gaps if g.until is None] == ([kind] if none else [])
    assert sum(map(len, told.values())) > DAYS  # somewhere, about once a day


def test_solutions_are_made_in_it_and_end() -> None:
    mixes = [p for p in records(past()) if isinstance(p, Mixed)]

    assert len({m.facility for m in mixes}) > 1
    standing = {r.id for u in past().units.values() for r in u.reminders.values()
                if r.kind == "solution" and "ended" not in r.facts}
    assert {m.id for m in mixes if not m.ended} == standing
    assert len([m for m in mixes if m.ended]) > 5


def test_where_it_ends_calmly_nobody_is_in_the_middle_of_a_batch() -> None:
    every = tuple(f.id for f in REGISTER.facilities)

    for seed in (1, 2):
        units = lived(seed, every).units.values()
        assert all(not unit.batches for unit in units)


def test_nothing_happens_after_its_end() -> None:
    times = [e.at for p in pushes() for e in p.batch.log]

    assert max(times) <= ENDS
    assert min(times) >= ENDS - timedelta(days=DAYS)


@pytest.fixture
def planted() -> Sessions:
    redis = fakeredis.FakeRedis()
    publish(redis, REGISTER.sites(), REGISTER.phones())
    plant(redis, past())
    return Sessions(redis)


def test_the_conversations_go_on_from_it(planted: Sessions) -> None:
    units = planted.units([site.id for site in REGISTER.sites()])

    for site_id, unit in units.items():
        assert unit is not None
        known = past().units[site_id]
        assert (unit.batches, unit.sets, unit.alerts) == (known.batches, known.sets, known.alerts)
    assert any(unit and unit.batches for unit in units.values())
    assert set(planted.board("TAM")) == {f.id for f in REGISTER.facilities}


def test_every_open_batch_and_every_facility_has_its_timer(planted: Sessions) -> None:
    timers = Timers(planted.redis)
    for site_id, unit in past().units.items():
        names = [b.id for b in unit.batches.values() if b.due]
        names += [WATCH] if unit.site.sets else []
        held = timers.held([f"{site_id}|{name}" for name in names])
        assert len(held) == len(names)


def test_the_store_takes_it_whole(tmp_path: Path) -> None:
    store = Store(
        f"sqlite:///{tmp_path / 'past.db'}", findings=lambda b: findings(b, PROTOCOLS[b.protocol])
    )
    store.migrate()
    store.save_register(REGISTER)
    store.record(records(past()))

    newest = store.batches(BatchFilter(limit=1000)).rows
    assert len(newest) == len(pushes())
    assert store.alerts(AlertFilter(limit=1)).rows
    for kind, rows in ((Gap, store.gaps(GapFilter(limit=1000)).rows),
                       (Mixed, store.mixes(MixFilter(limit=1000)).rows)):
        assert len(rows) == len([p for p in records(past()) if isinstance(p, kind)]) > 0
    store.close()
