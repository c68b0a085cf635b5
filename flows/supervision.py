"""The conversation of those who answer alerts, as data: a screen is a list, a question or both.

`bot.supervising` interprets it, `check` reads it for dead ends and lost screens, `soakbell draw`
makes a picture of it. A supervisor has all screens. At a facility those of `SHARED` lie over
whatever a person is at.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

Rows = Literal["alerts", "ready", "overdue", "today", "facilities", "facility", "alert"]
Asks = Literal["counts"]
Deed = Literal["choose", "seen", "taken", "solved", "asked", "passed", "quiet"]

# Of these rules an open alert stands in the list of what is late.
LATE = ("left_in", "still", "unstarted", "expired", "check", "undelivered", "solution")

# The keys that mean the same on every screen: back, the rest of a list, help.
BACK, MORE, HELP = "0", "8", "9"


@dataclass(frozen=True, slots=True)
class Choice:
    """What one answer does: the screen it leads to and the *deed* on the way. *says* is what the
    deed is given where the person gave no words of her own."""

    to: str
    deed: Deed | Literal[""] = ""
    says: str = ""


@dataclass(frozen=True, slots=True)
class Screen:
    """One screen. *choices* by digit; *rows*: the list that it shows, page by page; *pick*: what a
    digit of that list does; *word*: what words do that are no digit; *back*: where 0 leads; *asks*:
    what is asked for when it opens, and comes as a text of its own.

    A digit with words after it does what the digit's *word* screen would do with these words.
    """

    id: str
    choices: Mapping[str, Choice] = field(default_factory=dict)
    rows: Rows | Literal[""] = ""
    pick: Choice | None = None
    word: Choice | None = None
    back: str = "above"
    asks: Asks | Literal[""] = ""

    @property
    def leads(self) -> tuple[str, ...]:
        """Every screen that an answer may lead to."""
        more = [c.to for c in (self.pick, self.word) if c]
        return (*(c.to for c in self.choices.values()), *more, self.back)


MAIN = "above"

_SCREENS = (
    Screen(MAIN, {
        "1": Choice("alerts"),
        "2": Choice("ready"),
        "3": Choice("overdue"),
        "4": Choice("today"),
        "5": Choice("facilities"),
        "6": Choice("silence"),
        "7": Choice("counts"),
    }),
    Screen("alerts", rows="alerts", pick=Choice("alert", "choose")),
    Screen("alert", {
        "1": Choice("answered", "seen"),
        "2": Choice("answered", "taken"),
        "3": Choice("alert_why"),
        "4": Choice("alert_ask"),
        "5": Choice("answered", "passed"),
    }, rows="alert", back="alerts"),
    Screen("alert_why", word=Choice("answered", "solved"), back="alert"),
    Screen("alert_ask", word=Choice("answered", "asked"), back="alert"),
    # Where an answer leads: no digit here touches an alert, so one sent twice does nothing more.
    Screen("answered", {"1": Choice("alerts")}),
    Screen("ready", {"1": Choice("facilities")}, rows="ready"),
    Screen("overdue", {"1": Choice("alerts")}, rows="overdue"),
    Screen("today", {"1": Choice("alerts")}, rows="today"),
    Screen("facilities", rows="facilities", pick=Choice("facility", "choose")),
    Screen("facility", {"1": Choice("alerts")}, rows="facility", back="facilities"),
    Screen("counts", {"1": Choice("alerts")}, asks="counts"),
    # How long: common practice, no source.
    Screen("silence", {
        "1": Choice("answered", "quiet", "1H"),
        "2": Choice("answered", "quiet", "4H"),
        "3": Choice("answered", "quiet", "MORNING"),
        "4": Choice("answered", "quiet", "OFF"),
    }),
)  # fmt: skip
SCREENS: Mapping[str, Screen] = {s.id: s for s in _SCREENS}

# What those at a facility have too.
SHARED = ("alerts", "alert", "alert_why", "alert_ask", "silence")

# The screen that a command word opens in a supervisor's conversation.
WORDS: Mapping[str, str] = {
    "alerts": "alerts", "menu": MAIN, "status": "ready", "quiet": "silence", "late": "overdue",
    "counts": "counts",
}  # fmt: skip

# The longest silence that a person may ask for, in hours: common practice, no source. Over a
# weekend somebody else is named in the register, or she is on leave.
MOST_QUIET_HOURS = 24


def check(
    screens: Mapping[str, Screen], prompts: Collection[str], words: Mapping[str, str] = WORDS
) -> list[str]:
    """What is wrong with *screens*, a sentence each; empty when they may be used.

    *prompts* are the keys of the English catalogue.
    """
    return [
        *_bad_leads(screens, words),
        *_lost(screens),
        *_shape(screens),
        *(f"{i}: prompt {k} is missing" for i in screens for k in _keys(i) if k not in prompts),
    ]


def _keys(screen: str) -> tuple[str, ...]:
    return (f"screen.{screen}",)


def _bad_leads(screens: Mapping[str, Screen], words: Mapping[str, str]) -> Iterator[str]:
    if MAIN not in screens:
        yield f"{MAIN} is not there, where 0 leads in the end"
    for screen in screens.values():
        for to in dict.fromkeys(screen.leads):
            if to not in screens:
                yield f"{screen.id}: leads to {to}, which is not a screen"
    for word, to in words.items():
        if to not in screens:
            yield f"word {word}: leads to {to}, which is not a screen"


def _lost(screens: Mapping[str, Screen]) -> Iterator[str]:
    """Screens that no digit leads to, and screens from which 0 never leads to the main one."""
    seen, todo = {MAIN}, [MAIN]
    while todo:
        screen = screens.get(todo.pop())
        for to in screen.leads if screen else ():
            if to not in seen:
                seen.add(to)
                todo.append(to)
    for screen in screens.values():
        if screen.id not in seen:
            yield f"{screen.id}: lost, nothing leads to it"
        at, steps = screen.id, 0
        while at != MAIN and at in screens and steps <= len(screens):
            at, steps = screens[at].back, steps + 1
        if at != MAIN:
            yield f"{screen.id}: a dead end, 0 never leads to the main screen"


def _shape(screens: Mapping[str, Screen]) -> Iterator[str]:
    for screen in screens.values():
        if not (screen.choices or screen.pick or screen.word):
            yield f"{screen.id}: a dead end, nothing but 0 leads on"
        if any(key in screen.choices for key in (BACK, MORE, HELP)):
            yield f"{screen.id}: 0, 8 and 9 mean back, more and help everywhere"
        if screen.pick and not screen.rows:
            yield f"{screen.id}: digits pick from a list, but it says not from which"
        if screen.pick and screen.choices:
            yield f"{screen.id}: a digit would mean a row and a choice"
        if screen.asks and screen.asks not in get_args(Asks):
            yield f"{screen.id}: nobody knows how to ask for {screen.asks}"
        if screen.word and screen.choices:
            yield f"{screen.id}: words are asked for, and a digit would do something else"
        for choice in (*screen.choices.values(), *filter(None, (screen.pick, screen.word))):
            if choice.deed and choice.deed not in get_args(Deed):
                yield f"{screen.id}: nobody knows how to do {choice.deed}"
