"""How a bag at HIGH becomes READY by SMS, and what is then known of it, here and in the store."""

from __future__ import annotations

from datetime import datetime, timedelta

from bot.model import SetState
from tests.phone import World

BAG = ("1", "1", "1", "1", "1", "1", "4", "41", "2", "1")  # up to the running cycle of load 41
OUT = ("1", "122 130 31", "1", "1", "7", "1", "1", "1", "1")


def texts(world: World, name: str, *words: str) -> None:
    for word in words:
        world.passes(timedelta(seconds=20))
        world.texts(world.phones[name], word)


def release_bag(world: World) -> None:
    """BAG-5 goes through the autoclave in load 41 and is READY."""
    texts(world, "Imani", "BAG-5", *BAG)
    world.passes(timedelta(minutes=30))
    texts(world, "Imani", *OUT)
    assert told(world) == ("READY", "READY")


def held(world: World, set_id: str = "BAG-5") -> SetState:
    return next(u for u in world.units() if u.site.id == "HIGH").state_of(set_id)


def told(world: World, set_id: str = "BAG-5") -> tuple[str, str]:
    """The condition of a set as the conversations know it, and as the API tells it."""
    rows = world.api("sets?limit=1000")["sets"]
    stored = next(row for row in rows if row["id"] == set_id)
    state = held(world, set_id)
    assert datetime.fromisoformat(stored["since"]) == state.since
    return state.now(world.clock()), stored["condition"]
