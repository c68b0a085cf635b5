"""What goes wrong on the crowd's day, each thing once, and whom it concerns."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from bot.rehearsal import Act
from bot.site import Person
from flows.batch import Batch
from tests.crowd import Crowd, Mishap

# Two people work at each of these, so that it is plain who else is to hear of something.
CHLORINE = ("ROCK", "FERN", "PALM")
AUTOCLAVED = ("HIGH", "LAKE", "MILL")
HOT = ("boil", "steam")
FORGOTTEN_MINUTES = 75  # in the soak after its bell
OFF_MINUTES = 60
DOWN_MINUTES = 10
RESTING_MINUTES = 390


def _running(batch: Batch, crowd: Crowd) -> timedelta | None:
    """How long its exposure still lasts; None where none runs."""
    left = batch.due - crowd.now if batch.due else timedelta()
    return left if left > timedelta() else None


def forgets(crowd: Crowd, _person: Person, batch: Batch) -> Act | None:
    """Nobody comes when the bell rings."""
    left = _running(batch, crowd)
    return Act("", left + timedelta(minutes=FORGOTTEN_MINUTES)) if left else None


def cuts_short(crowd: Crowd, _person: Person, batch: Batch) -> Act | None:
    """The pieces are taken out before the time is over."""
    return Act("3", timedelta(minutes=4)) if _running(batch, crowd) else None


def phone_off(crowd: Crowd, person: Person, batch: Batch) -> Act | None:
    """Her phone is off for an hour in which the bell rings."""
    left = _running(batch, crowd)
    if left is None or left > timedelta(minutes=OFF_MINUTES - 25):
        return None
    crowd.off(person, OFF_MINUTES)
    return Act("", timedelta(minutes=OFF_MINUTES + 1))


def gateway_down(crowd: Crowd, _person: Person, batch: Batch) -> Act | None:
    """The gateway is down when the bell rings; she comes when it arrives."""
    left = _running(batch, crowd)
    if left is None or batch.due is None:
        return None
    crowd.gateway_fails(batch.due - timedelta(minutes=2), DOWN_MINUTES)
    return Act("", left + timedelta(minutes=DOWN_MINUTES + 2))


def one_by_one(_crowd: Crowd, _person: Person, _batch: Batch) -> Act | None:
    """She asks for the questions after the cycle one by one, and so comes to the indicator."""
    return Act("8", timedelta(minutes=1))


def sees_no_change(_crowd: Crowd, _person: Person, _batch: Batch) -> Act | None:
    """The indicator of the load did not change."""
    return Act("2", timedelta(minutes=4))


def uses_and_leaves(crowd: Crowd, mishap: Mishap) -> None:
    """A READY set is used, and nobody there begins anything for the hours after."""
    site = mishap.sites[0]
    unit, person = crowd.unit(site), crowd.sites[site].people[0]
    ready = [c.id for c in unit.site.sets if unit.state_of(c.id).now(crowd.now) == "READY"]
    if not ready or unit.batches:
        crowd.later(10, lambda: uses_and_leaves(crowd, mishap))
        return
    crowd.resting[site] = crowd.now + timedelta(minutes=RESTING_MINUTES)
    crowd.says(site, person, f"OPENED {ready[0]}")
    mishap.at, mishap.batch, mishap.person = crowd.now, ready[0], person.id


def mishaps() -> list[Mishap]:
    """All that come upon somebody at her work, before anything happened."""
    cut = Mishap("cut short", ("DUNE",), HOT, cuts_short)

    def again(crowd: Crowd, person: Person, batch: Batch) -> Act | None:
        return cuts_short(crowd, person, batch) if batch.id == cut.batch else None

    does: tuple[tuple[str, tuple[str, ...], tuple[str, ...], Callable[..., Act | None]], ...] = (
        ("forgotten", CHLORINE, ("soak",), forgets),
        ("cut short again", ("DUNE",), HOT, again),
        ("phone off", ("PALM", "FERN", "ROCK"), ("soak", *HOT), phone_off),
        ("gateway down", ("LOWF", "LAKE"), ("soak", *HOT, "auto"), gateway_down),
        ("one by one", AUTOCLAVED, ("auto_temp",), one_by_one),
        ("indicator", AUTOCLAVED, ("auto_indicator",), sees_no_change),
    )
    return [cut, *(Mishap(*one) for one in does)]
