"""What the store hears of the solutions that MIX made: made, and how that ended.

What they were made of lies among the facts of the reminder that rings when they are over. One
container is what the register knows of a facility, so another solution takes the place of the one
before: that one was poured away while it was good. Nobody tells the phone of one that was poured
away and not made anew, so all that is known of it is that its time passed.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from bot.effects import Mixed, MixEnd
from bot.model import Reminder
from bot.recipes import Recipe
from bot.turn import Turn

ENDED = "ended"


def facts_of(turn: Turn, found: Recipe) -> dict[str, str]:
    """What a reminder keeps of *found*, to tell the store when it is over too."""
    return {
        "litres": f"{found.made.made_ml / 1000!r}",
        "product": found.stock.product,
        "stock": found.bottle.id,
        "hasten": f"{turn.rules.hasten!r}",
    }


def told(
    turn: Turn, reminder: Reminder, ended: MixEnd = "", closed_at: datetime | None = None
) -> None:
    """The store hears how the solution of *reminder* stands."""
    facts, site = reminder.facts, turn.unit.site
    if "stock" not in facts:  # made before the store heard of any
        return
    turn.effects.append(
        Mixed(
            id=reminder.id,
            facility=site.id,
            district=site.district,
            at=reminder.at,
            expires_at=_over(reminder),
            strength_percent=float(facts["percent"]),
            litres=float(facts["litres"]),
            product=facts["product"],
            stock=facts["stock"],
            by=reminder.by,
            closed_at=closed_at,
            ended=ended,
            hasten=float(facts["hasten"]),
        )
    )


def replaced(turn: Turn) -> None:
    """Another solution is made now: those that are still good end here. Their bells ring all the
    same, since whoever has a second container has not poured it away."""
    for reminder in tuple(turn.unit.reminders.values()):
        standing = reminder.kind == "solution" and ENDED not in reminder.facts
        if standing and turn.now < _over(reminder):
            told(turn, reminder, "replaced", max(turn.now, reminder.at))
            facts = {**reminder.facts, ENDED: "replaced"}
            turn.unit = turn.unit.put_reminder(replace(reminder, facts=facts))


def outlived(turn: Turn, reminder: Reminder) -> None:
    """The time of the solution passed: it ended so, unless another had taken its place."""
    if ENDED not in reminder.facts:
        told(turn, reminder, "outlived", _over(reminder))


def _over(reminder: Reminder) -> datetime:
    return datetime.fromisoformat(reminder.facts["over"])
