"""The spore test (biological indicator) of a facility's autoclave: good, or failed.

Its answer comes days after the load, when the sets are long in use. A failed one calls back every
set that came from the loads in doubt, and the autoclave is not offered until a test is good: a
machine that let spores live may do it again.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from bot.alerting import raise_alert
from bot.effects import Prompt, Shown
from bot.model import Spores
from bot.recall import Doubted, again, call_back
from bot.showing import open_screen, say_alone
from bot.turn import Turn
from flows.batch import Batch, Method, short

MOST_DAYS = 60  # a test older than this says nothing of the machine today
MOST_LOAD = 99_999  # as many digits as a load is asked in


def methods_now(turn: Turn) -> tuple[Method, ...]:
    """The methods of the facility, without an autoclave whose last spore test failed."""
    methods = turn.unit.site.methods
    return tuple(m for m in methods if m != "autoclave" or turn.unit.spores.failed_at is None)


def spores(turn: Turn) -> bool:
    """The command word: what did the test say?"""
    if "autoclave" in turn.unit.site.methods:
        open_screen(turn, "spores")
    else:
        say_alone(turn, Prompt("none.spores"))
    return True


def answer_spores(turn: Turn, text: str) -> bool:
    """1 nothing grew, 2 something grew."""
    if text == "1":
        chiefs = [p for p in turn.unit.site.people if p.role == "in_charge"]
        if chiefs and turn.person not in chiefs:  # it lifts a stop: not for everyone
            say_alone(turn, Prompt("spores.chief"))
        else:
            open_screen(turn, "spores_day")
        return True
    if text == "2" and turn.rules.protocol_for(turn.unit.site).recall == "one_load":
        open_screen(turn, "spores_load")
        return True
    if text == "2":
        _failed(turn, "")
    return text == "2"


def answer_day(turn: Turn, text: str) -> bool:
    """How many days ago the good test was run: the loads since that day's start are in doubt."""
    if not (text.isascii() and text.isdecimal() and int(text[:4]) <= MOST_DAYS and len(text) < 4):
        return False
    since = _day_start(turn, int(text))
    failed = turn.unit.spores.failed_at
    if failed and since < _start_of(turn, failed):
        say_alone(turn, Prompt("spores.older"))
        return True
    last = turn.unit.spores.good_since
    newest = max(since, last) if last else since
    cleared = turn.now if failed else turn.unit.spores.cleared_at
    turn.unit = replace(turn.unit, spores=Spores(newest, cleared_at=cleared))
    _tell(turn, Prompt("spores.good", {"site": turn.unit.site.id, "name": _name(turn)}))
    say_alone(turn, Prompt("spores.taken"))
    return True


def answer_load(turn: Turn, text: str) -> bool:
    """The number of the load that the failed test was in."""
    if not (text.isascii() and text.isdecimal() and len(text) < 6 and 1 <= int(text) <= MOST_LOAD):
        return False
    _failed(turn, str(int(text)))
    return True


def _failed(turn: Turn, load: str) -> None:
    good = turn.unit.spores.good_since
    turn.unit = replace(turn.unit, spores=replace(turn.unit.spores, failed_at=turn.now))
    doubted: Doubted = (
        (lambda s: s.load == load)
        if load
        else (lambda s: good is None or s.since is None or s.since >= good)
    )
    names = call_back(turn, doubted)
    for batch in tuple(turn.unit.batches.values()):
        if not batch.practice and "autoclave" in batch.facility_methods:
            names += _without_autoclave(turn, batch)
    values: dict[str, Shown] = {
        "site": turn.unit.site.id,
        "sets": "+".join(names) if names else Prompt("spores.none"),
    }
    _tell(turn, Prompt("spores.failed", values), everyone=True)
    site = turn.unit.site
    chiefs = (*site.supervisors, *(p for p in site.people if p.role == "in_charge"))
    raise_alert(
        turn, "recall", f"spores {turn.now.isoformat()}", by=turn.person.id if turn.person else "",
        already=chiefs, facts={"sets": short(names) if names else "-"},
    )  # fmt: skip
    say_alone(turn, Prompt("spores.stopped"))


def _without_autoclave(turn: Turn, batch: Batch) -> list[str]:
    """*batch* may not go by the autoclave any more; its sets, if it was doing so."""
    left: tuple[Method, ...] = tuple(m for m in batch.facility_methods if m != "autoclave")
    after = replace(batch, facility_methods=left)
    if batch.method == "autoclave":
        return again(turn, after, "method")
    turn.keep(batch, after)
    return []


def _tell(turn: Turn, prompt: Prompt, *, everyone: bool = False) -> None:
    site = turn.unit.site
    people = {p.id: p for p in (*site.supervisors, *site.people)}
    for person in people.values():
        meant = person != turn.person and (everyone or person.role != "nurse")
        if meant and not turn.unit.talk(person.phone).stopped:
            turn.say_plain(person, prompt)


def _name(turn: Turn) -> str:
    return turn.person.name if turn.person else "?"


def _day_start(turn: Turn, days_ago: int) -> datetime:
    return _start_of(turn, turn.now - timedelta(days=days_ago))


def _start_of(turn: Turn, moment: datetime) -> datetime:
    """The first moment of the facility's day that *moment* lies in."""
    zone = ZoneInfo(turn.unit.site.zone)
    local = moment.astimezone(zone)
    return datetime.combine(local.date(), time(0), zone).astimezone(moment.tzinfo)
