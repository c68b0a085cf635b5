"""What tests of the shift check stand on: a facility with a clock, three READY sets, shifts."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from bot.effects import Checked
from bot.model import SetState
from bot.site import Person, Site
from tests.nurse import ALERTS, ASHA, BEGAN, BELA, CHIEF, PLACE, Ward, rules_of

SETS = ("BAG-1", "BAG-2", "SUC-1")
# The ward's clock begins at 11:00 in Nairobi, which is three hours ahead and has no summer time.
EVENING = BEGAN.replace(hour=16)  # 19:00 there
MORNING = EVENING + timedelta(hours=12)

POST = replace(
    PLACE,
    checks=("07:00", "19:00"),
    people=(
        Person("ASHA", "Asha", ASHA, "nurse", shift="07:00-19:00"),
        Person("BELA", "Bela", BELA, "nurse", shift="19:00-07:00"),
        Person("CHIEF", "Chipo", CHIEF, "in_charge"),
    ),
)


def ward(site: Site = POST, *, ready: tuple[str, ...] = SETS, watched: bool = True) -> Ward:
    """A ward where these sets are READY, watched by every rule, looked at for the first time."""
    made = Ward(site, rules_of(alerts=ALERTS) if watched else rules_of())
    until = made.now + timedelta(days=60)
    states = {i: SetState(i, "READY", made.now - timedelta(days=1), until, "b-1") for i in ready}
    made.unit = replace(made.unit, sets=states)
    made.says("STATUS")
    return made


def goes_to(made: Ward, moment: datetime) -> None:
    """The clock goes on to *moment*, and all that is due on the way comes up."""
    made.goes_by(seconds=(moment - made.now).total_seconds())


def texts(made: Ward, phone: str, word: str) -> list[str]:
    """The texts to *phone* that hold *word*."""
    return [text for to, _, text in made.said if to == phone and word in text]


def checks(made: Ward) -> list[Checked]:
    """What the last turn sends to the store of checks."""
    return [e for e in made.effects if isinstance(e, Checked)]


def alerts(made: Ward, rule: str) -> list[str]:
    """What the open alerts of *rule* are about."""
    return [a.matter for a in made.unit.alerts.values() if a.rule == rule]
