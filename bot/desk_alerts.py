"""The alerts of the desk: which are open and which are over, one alert's story, and the answers.

An answer is a letter to the facility whose alert it is: promised here, read there, once.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from bot.alert import Alert
from bot.alert_queries import AlertFilter
from bot.alerting import MOST_WORD
from bot.desk_now import urgency
from bot.desk_said import STATES, Story, Teller
from bot.events import Letter
from bot.site import Site
from flows.alerting import RULES

# Software limits: with both of them reached the page stays below 60 KB.
SHOWN = 20  # alerts that are over, of one page
MOST_OPEN = 25  # open ones shown

# Each answer with what it means; those that need words say which.
CHOICES: Mapping[str, str] = {
    "seen": "Seen: I know of it",
    "taken": "I see to it",
    "solved": "Solved: write in a word how",
    "asked": "Ask the facility: write the question",
    "passed": "Pass it on to the next who can be told",
}
NEEDS_WORD: Mapping[str, str] = {
    "solved": "Nothing was sent: write in a word how it was solved.",
    "asked": "Nothing was sent: write the question.",
}
NO_CHOICE = "Nothing was sent: choose one of the answers."
HANDED = {
    "seen": "that you have seen it",
    "taken": "that you see to it",
    "solved": "that it is solved",
    "asked": "your question",
    "passed": "that you pass it on",
}
_ONCE = re.compile(r"[0-9a-f]{16}")


class Unanswered(ValueError):
    """What was sent is no answer; the text says why, for whoever sent it."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the form of the list asks for, as it was typed; empty means any."""

    facility: str = ""
    rule: str = ""
    state: str = ""
    since: str = ""
    until: str = ""

    @property
    def given(self) -> dict[str, str]:
        """The fields that are filled in, by the name of the form."""
        named = {"facility": self.facility, "rule": self.rule, "state": self.state,
                 "from": self.since, "to": self.until}  # fmt: skip
        return {name: value for name, value in named.items() if value}


@dataclass(frozen=True, slots=True)
class Wanted:
    """The same, understood: *since* and *until* are moments, the second not included."""

    facility: str
    rule: str
    state: str
    since: datetime | None
    until: datetime | None

    def takes(self, alert: Alert) -> bool:
        """Does *alert* answer what is asked for?"""
        return (
            self.facility in ("", alert.facility)
            and self.rule in ("", alert.rule)
            and self.state in ("", alert.state)
            and (self.since is None or alert.at >= self.since)
            and (self.until is None or alert.at < self.until)
        )

    def filter(self, district: str, facility: str, after: str) -> AlertFilter:
        """The same for the store, kept to *district* and *facility* where they are given."""
        return AlertFilter(
            district=district, facility=self.facility or facility, rule=self.rule,
            state=self.state if self.state in ("solved", "over") else "",
            since=self.since, until=self.until, limit=SHOWN, after=after,
        )  # fmt: skip


def understood(asked: Asked, zone: str) -> Wanted:
    """What *asked* means by the clock of *zone*; ValueError for what it cannot."""
    if asked.rule not in ("", *RULES):
        raise ValueError("There is no such kind of alert.")
    if asked.state not in ("", *STATES):
        raise ValueError("There is no such state of an alert.")
    until = _midnight(asked.until, zone, days_later=1)
    return Wanted(asked.facility, asked.rule, asked.state, _midnight(asked.since, zone), until)


def _midnight(text: str, zone: str, days_later: int = 0) -> datetime | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text) + timedelta(days=days_later)
        return datetime.combine(day, time(), ZoneInfo(zone)).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise ValueError("A day is written as 2025-03-31.") from error


def in_order(alerts: Iterable[Alert], sites: Mapping[str, Site], teller: Teller) -> list[Story]:
    """Stories of the open ones: nobody's first, then the most urgent, then the oldest."""
    found = [teller.story(a, sites[a.facility]) for a in alerts if a.facility in sites]
    return sorted(found, key=lambda s: (s.state != "open", *urgency(s)))


# ---- answers -----------------------------------------------------------------------------------


def answer(
    form: Mapping[str, str], alert_id: str, account: str, by: str, name: str, now: datetime
) -> Letter:
    """The letter that a filled-in form is. *by* is a register id or "desk:" and *account*.

    Raises Unanswered. The same form sent twice is the same letter, whoever else answers.
    """
    kind = form.get("answer", "")
    if kind not in CHOICES:
        raise Unanswered(NO_CHOICE)
    word = " ".join(form.get("word", "").split())[:MOST_WORD]
    if kind in NEEDS_WORD and not word:
        raise Unanswered(NEEDS_WORD[kind])
    once = form.get("once", "")
    if not _ONCE.fullmatch(once):
        raise Unanswered(NO_CHOICE)
    return Letter(
        id=f"desk:{account}:{once}", at=now, kind=kind, by=by, name=name, about=alert_id,
        word=word if kind in NEEDS_WORD else "",
    )  # fmt: skip


def rules_named(rules: Sequence[str], teller: Teller) -> list[tuple[str, str]]:
    """Each kind of alert with its short name, by name."""
    return sorted(((rule, teller.rule_name(rule)) for rule in rules), key=lambda pair: pair[1])
