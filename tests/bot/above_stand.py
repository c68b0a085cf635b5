"""The longest texts about alerts and facilities: a district as crowded as can be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from bot.alert import Alert, AlertLine, Tally
from bot.alert_words import SHORT_NAME, answer_prompt, digest_prompt, told_prompt
from bot.alerting import MOST_WORD
from bot.catalogues import load_catalogues
from bot.effects import Prompt, Reply, Shown
from bot.events import Letter
from bot.model import SetState, Standing, Talk, Underway, Unit
from bot.overview import ANSWERS
from bot.paging import show_overlaid
from bot.rules import Rules
from bot.site import Person, Role, Site
from bot.supervising import explain, understand
from bot.turn import Turn
from bot.wiring import load_alerts
from bot.wording import Wording
from flows.alerting import RULES as ALERT_RULES
from flows.batch import Kind
from flows.supervision import SCREENS

TEXTS = load_catalogues()
WORDING = Wording(TEXTS)
ENGLISH = TEXTS["en"]
FACILITIES = 12
CHIEF = "+12025550108"
PLACE, PERSON = "W" * 12, "W" * 40  # the longest id and name that the register takes
SETS = ("W" * 7 + "1", "W" * 7 + "2")
DEEDS: tuple[Any, ...] = ("seen", "taken", "solved", "asked", "replied", "passed", "nobody")


def text_of(prompt: Prompt) -> str:
    return WORDING.sentence(prompt, "en", "UTC")


def longest(prefix: str) -> str:
    """What follows *prefix* in the key of the longest text that has it."""
    keys = [k for k in ENGLISH if k.startswith(prefix)]
    return max(keys, key=lambda k: len(ENGLISH[k])).removeprefix(prefix)


def longest_stage() -> str:
    keys = [k for k in ENGLISH if k.endswith(".title")]
    return max(keys, key=lambda k: len(ENGLISH[k])).removesuffix(".title")


def alert(site: str, n: int, rule: str, now: datetime) -> Alert:
    """An alert of *rule* with the longest facts and everything that can be said of one."""
    facts = {"sets": f"{SETS[0]}+{SETS[1]}+5", "step": longest_stage(), "kind": "suction",
             "reason": longest("reason."), "least": "99", "site": PERSON,
             "what": "W" * 12}  # fmt: skip
    told = AlertLine(now, "CHIEF", "told")
    said = tuple(AlertLine(now, "P0", deed, "W" * MOST_WORD) for deed in DEEDS)
    return Alert(f"{site}-{9000 + n}", site, rule, f"{n}", now, now, facts, by="P0", count=999,
                 history=(told, *said))  # fmt: skip


def standing(n: int, now: datetime) -> Standing:
    """A facility with sets of both kinds in each condition, batches, and an alert of each rule."""
    site, until = f"{PLACE[:-2]}{n:02}", now + timedelta(days=1)
    conditions: tuple[Any, ...] = ("READY", "IN PROCESS", "USED", "SET ASIDE", "READY")
    kinds: tuple[Kind, ...] = ("bag", "suction")
    states = tuple(
        (kind, SetState(f"W{m}{kind[0].upper()}{k:05}", condition, now, now if m == 4 else until))
        for k in range(12) for kind in kinds for m, condition in enumerate(conditions)
    )  # fmt: skip
    ids = tuple(s.id for _, s in states[:5])
    batches = tuple(
        Underway(f"B{n}{m}", ids, longest_stage(), "chlorine", now, now, due)
        for m, due in enumerate((None, until, now - timedelta(hours=1)))
    )
    alerts = tuple(alert(site, m, rule, now) for m, rule in enumerate(sorted(ALERT_RULES)))
    tally = Tally(now.date().isoformat(), 999, 999, 999, 999, 999)
    return Standing(site, PERSON, "UTC", states, batches, alerts, tally, None, {"P0": PERSON})


def crowded_district(rules: Rules, now: datetime) -> Turn:
    """A supervisor's turn in a district with as much of everything as there can be."""
    rules = replace(rules, alerts=load_alerts(), fits=WORDING.fits)
    site = Site(f"district-{PLACE}", PERSON, PLACE, 0, "UTC", (), (), (),
                (Person("CHIEF", PERSON, CHIEF, "supervisor"),))  # fmt: skip
    board = {s.facility: s for s in (standing(n, now) for n in range(FACILITIES))}
    turn = Turn(Unit(site, board=board), rules, now, via="sms")
    turn.person = site.supervisors[0]
    turn.talk = Talk(CHIEF, quiet_until=now + timedelta(hours=9), shown_at=now)
    return turn


def said(turn: Turn) -> Prompt:
    [reply] = [e for e in turn.effects if isinstance(e, Reply)]
    turn.effects.clear()
    return reply.prompt


def above_screens(rules: Rules, now: datetime) -> Iterator[tuple[str, Prompt]]:
    """Every page of every screen: each alert of one facility, and that facility."""
    turn = crowded_district(rules, now)
    first = next(iter(turn.unit.board.values()))
    codes = [a.id for a in first.alerts]
    about = {"facility": [first.facility], "alert": codes, "alert_why": codes, "alert_ask": codes}
    for screen in SCREENS:
        for name in about.get(screen, [""]):
            turn.put_talk(screen=screen, about=name, page=0)
            show_overlaid(turn)
            seen = said(turn)
            yield f"screen {screen}", seen
            for _ in range(200):
                understand(turn, "8")
                seen = said(turn)
                if not turn.talk.page:
                    break
                yield f"screen {screen}, more", seen


def answers_said(rules: Rules, now: datetime) -> Iterator[tuple[str, Prompt]]:
    """What an answer says to whoever gave it, and to others; alerts as they are told."""
    turn = crowded_district(rules, now)
    site = next(iter(turn.unit.board.values()))
    for one in site.alerts:
        for digit in ("1", "2", "3 done", "4 why", "5"):
            understand(turn, f"{one.id} {digit}")
            yield f"answer {digit}", said(turn)
        for kind in (*ANSWERS, "replied"):
            if kind != "seen":
                letter = Letter("", now, kind, "P", PERSON, one.id, "W" * MOST_WORD)
                yield f"told on {kind}", answer_prompt(turn, one, letter)
    for text in ("QUIET 3H", "QUIET OFF", "QUIET"):
        understand(turn, text)
        yield text, said(turn)
    for screen in ("above", "alert"):
        turn.put_talk(screen=screen)
        explain(turn)
        yield f"help {screen}", said(turn)


def told(rules: Rules, now: datetime) -> Iterator[tuple[str, Prompt]]:
    """Each alert as each person is told of it, and several in one text."""
    turn = crowded_district(rules, now)
    roles: tuple[Role, ...] = ("nurse", "in_charge", "supervisor")
    people = tuple(Person("P0", PERSON, CHIEF, role) for role in roles)
    turn.unit = replace(turn.unit, site=replace(turn.unit.site, people=people[:1]))
    first = next(iter(turn.unit.board.values()))
    for one in first.alerts:
        for person in people:
            yield f"{one.rule} to {person.role}", told_prompt(turn, one, person)
    yield "digest", digest_prompt(first.alerts)


def of_alerts(key: str, now: datetime) -> dict[str, Shown]:
    """The longest values of the holes in the text of *key*, which is about alerts or facilities."""
    one = alert(PLACE, 1, "step", now)
    kind = Prompt("ready.bag" if key.startswith("ready.") else "kind.suction",
                  {"count": 99, "all": 99})  # fmt: skip
    return {
        "code": one.id, "name": PERSON[:SHORT_NAME], "word": "W" * MOST_WORD,
        "what": Prompt(f"alert.name.{longest('alert.name.')}"), "count": 999, "all": 99,
        "times": 999, "site": PLACE, "sets": one.facts["sets"], "least": "99",
        "first": kind, "second": kind, "kind": kind, "more": " (+99)",
        "begun": 999, "released": 999, "set_aside": 999, "uses": 999, "alerts": 999,
        "rows": "W" * 20, "options": "1 W", "quiet": "", "hint": Prompt("alert.hint.above"),
        "said": "" if key == "alert.told" else Prompt("alert.silent", {"site": PERSON}),
    }  # fmt: skip
