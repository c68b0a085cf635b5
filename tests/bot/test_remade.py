"""A set that the register describes otherwise is not READY any more; no batch trusts the old."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from bot.events import Letter
from bot.redescribed import letters, remade
from bot.sessions import Sessions
from bot.wiring import announce
from tests.bot.store_stand import demo_register
from tests.conftest import FakeClock
from tests.nurse import BAG, PLACE, Ward, play
from tests.phone import World

SMALL = replace(BAG, model="Bag model C", pieces=5, methods=("chlorine",))


def told(ward: Ward) -> None:
    site = replace(PLACE, sets=(SMALL, *PLACE.sets[1:]))
    ward.unit = replace(ward.unit, site=site)
    ward.take(Letter("l", ward.now, "remade", "", about="BAG-1"))


def test_a_ready_set_is_used() -> None:
    ward = play(Ward(), method="boiling")
    told(ward)

    assert ward.condition("BAG-1") == "USED"
    assert ward.unit.tally.uses == 0  # nobody used it


def test_in_a_batch_everything_begins_again_with_the_set_as_it_is_now() -> None:
    ward = play(Ward(), method="boiling", until="count")
    told(ward)

    assert ward.stage == "protect"
    assert (ward.batch.sets[0].pieces, ward.batch.sets[0].methods) == (5, ("chlorine",))
    play(ward)
    assert ward.ended.method == "chlorine"
    assert ward.condition("BAG-1") == "READY"


def test_only_sets_whose_model_pieces_or_methods_changed_are_remade() -> None:
    before = demo_register()
    models = tuple(
        replace(m, methods=("chlorine",)) if m.id == "BAG-PLAIN" else m for m in before.models
    )
    after = replace(before, models=models)

    assert remade(before, before) == {}
    assert remade(before, after) == {"BAG-2": "LOWF"}
    assert [p.site_id for p in letters(before, after, FakeClock()())] == ["LOWF"]


def test_a_register_brought_in_with_another_model_makes_it_used_everywhere(
    clock: FakeClock, tmp_path: Path
) -> None:
    with World(demo_register(), clock, tmp_path) as world:
        for text in ("BRIEF", "BAG-1", "1", "1", "0.5"):
            world.texts(world.phones["Neema"], text)
        clock.passes(minutes=20)
        world.settle()
        for text in ("1", "7", "1"):
            world.texts(world.phones["Neema"], text)
        rows = {r["id"]: r["condition"] for r in world.api("sets?limit=1000")["sets"]}
        assert rows["BAG-1"] == "READY"

        sets = tuple(
            replace(s, model="BAG-PLAIN") if s.id == "BAG-1" else s for s in world.register.sets
        )
        announce(world.parts, replace(world.register, sets=sets))
        clock.passes(seconds=3)
        world.settle()

        unit = Sessions(world.redis).unit("LOWF")
        assert unit
        assert unit.state_of("BAG-1").now(clock()) == "USED"
        rows = {r["id"]: r["condition"] for r in world.api("sets?limit=1000")["sets"]}
        assert rows["BAG-1"] == "USED"
