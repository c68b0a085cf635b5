"""How the desk tells of alerts, people and moments, in plain English sentences.

Nobody's phone is in any of it: what people typed is shown without what could be dialled.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from bot.alert import Alert, AlertLine
from bot.alert_words import about
from bot.effects import Prompt
from bot.site import Site
from bot.wording import Wording
from flows.alerting import AlertRules

FROM_DESK = "desk:"  # begins the name of whoever answers here and is not in the register
LEVELS = ("now", "soon", "morning")

_DIALLED = re.compile(r"\+?\d(?:[ .()-]?\d){6,}")
_PHONE = re.compile(r"\+\d{6,}")

DEEDS: Mapping[str, str] = {
    "told": "{who} was told.",
    "seen": "{who} has seen it.",
    "taken": "{who} sees to it.",
    "solved": "{who} says it is solved: {word}",
    "asked": "{who} asks: {word}",
    "replied": "{who} answers: {word}",
    "passed": "{who} passes it on.",
    "nobody": "Nobody answered in time, and nobody is left to be told.",
    "over": "The matter itself is over.",
}
STATES: Mapping[str, str] = {
    "open": "nobody has answered",
    "seen": "seen",
    "taken": "somebody sees to it",
    "solved": "solved",
    "over": "over by itself",
}
ROLES = {"nurse": "nurse", "in_charge": "in-charge", "supervisor": "supervisor"}
LISTED_LINES = 4  # of an alert's story where a page has many; the rest is on the alert's own page
LAST_ANSWERS = 2  # shown where a page has many alerts: a question and what came back
KINDS = {"bag": "bag and mask", "suction": "suction"}


@dataclass(frozen=True, slots=True)
class Said:
    """One line of a story: when (by the facility's clock), who and what, in a sentence."""

    at: datetime
    when: str
    who: str
    deed: str
    text: str


@dataclass(frozen=True, slots=True)
class Story:
    """An alert in words. *since* and each line's time are by the facility's clock."""

    id: str
    facility: str
    place: str
    name: str
    said: str
    since: str
    at: datetime
    state: str
    state_words: str
    level: str
    batch: str
    count: int
    lines: tuple[Said, ...]

    @property
    def open(self) -> bool:
        """Somebody still has to do with it."""
        return self.state in ("open", "seen", "taken")

    @property
    def answers(self) -> str:
        """The newest answers to it, in a few sentences."""
        said = [line for line in self.lines if line.deed != "told"][-LAST_ANSWERS:]
        return " ".join(f"{line.when} {line.text}" for line in said)

    @property
    def newest(self) -> tuple[Said, ...]:
        """The last lines of it."""
        return self.lines[-LISTED_LINES:]

    @property
    def told(self) -> str:
        """Who was told of it, in one sentence."""
        names = dict.fromkeys(line.who for line in self.lines if line.deed == "told")
        return f"Told: {', '.join(names)}." if names else "Nobody was told yet."


@dataclass(frozen=True, slots=True)
class Teller:
    """Tells it at *now*. Without *named*, people are their ids in the register."""

    wording: Wording
    rules: AlertRules
    now: datetime
    named: bool

    # ---- moments and people ----------------------------------------------------------------

    def moment(self, at: datetime, zone: str) -> str:
        """*at* by the clock of *zone*: the time alone for today."""
        here, today = at.astimezone(ZoneInfo(zone)), self.now.astimezone(ZoneInfo(zone))
        if here.date() == today.date():
            return f"{here:%H:%M}"
        year = "" if here.year == today.year else f" {here.year}"
        return f"{here.day} {here:%b}{year} {here:%H:%M}"

    def full(self, at: datetime, zone: str) -> str:
        """*at* with its day, whatever day it is."""
        here = at.astimezone(ZoneInfo(zone))
        return f"{here.day} {here:%b %Y} {here:%H:%M}"

    def who(self, site: Site | None, by: str) -> str:
        """The name of the person *by*, for those who may know it."""
        if by.startswith(FROM_DESK):
            return f"{by.removeprefix(FROM_DESK)} (at the desk)"
        person = site.by_id(by) if site and self.named else None
        return person.name if person else by

    def say(self, prompt: Prompt, zone: str = "UTC") -> str:
        """A text of the catalogue, as a sentence of a page."""
        return self.wording.sentence(prompt, "en", zone)

    def stage(self, stage: str) -> str:
        """The short name of a stage."""
        return self.say(Prompt(f"{stage}.title")).capitalize()

    # ---- alerts ----------------------------------------------------------------------------

    def rule_name(self, rule: str) -> str:
        """The short name of what a rule watches for."""
        return self.say(Prompt(f"alert.name.{rule}"))

    def story(self, alert: Alert, site: Site) -> Story:
        """*alert* of *site*, with all that happened to it."""
        rule = self.rules.rule(alert.rule)
        return Story(
            id=alert.id, facility=site.id, place=site.name, name=self.rule_name(alert.rule),
            said=self._about(alert, site), since=self.moment(alert.at, site.zone), at=alert.at,
            state=alert.state, state_words=STATES[alert.state],
            level=rule.level if rule else LEVELS[-1], batch=alert.batch, count=alert.count,
            lines=tuple(self.line(line, site) for line in alert.history),
        )  # fmt: skip

    def _about(self, alert: Alert, site: Site) -> str:
        facts = {name: plain(fact) for name, fact in alert.facts.items()}
        said = self.say(about(self._seen(site), replace(alert, facts=facts)), site.zone)
        return said[:1].upper() + said[1:]

    def _seen(self, site: Site) -> Site:
        """*site* with nobody's name, for those who may not know it."""
        if self.named:
            return site
        return replace(site, people=tuple(replace(p, name=p.id) for p in site.people),
                       supervisors=tuple(replace(p, name=p.id) for p in site.supervisors))

    def line(self, line: AlertLine, site: Site) -> Said:
        """One line of an alert's story."""
        who = self.who(site, line.by) or "Somebody"
        word = f"“{undialled(line.word)}”" if line.word else "no word."
        text = DEEDS[line.what].format(who=who, word=word)
        return Said(line.at, self.moment(line.at, site.zone), who, line.what, text)


def undialled(text: str) -> str:
    """What somebody typed, without any number that could be dialled."""
    return _DIALLED.sub("[number]", text)


def plain(text: str) -> str:
    """A fact of our own making, without any phone."""
    return _PHONE.sub("[number]", text)


def span(minutes: float) -> str:
    """A length of time as it is said: "22 min", "3 h 5 min"."""
    whole = int(minutes)
    hours, rest = divmod(whole, 60)
    if not hours:
        return f"{whole} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def moment(text: str) -> datetime | None:
    """The moment with its zone that *text* is, or None: another version may have kept another."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo else None
