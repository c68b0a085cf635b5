"""Explores every screen of those who answer alerts, under every digit and nonsense, by SMS and by
dialling, over boards with nothing, with one alert and with more than fits.

What must hold: one answer, which fits one text; 0 leads to the main screen in the end; no screen of
a full board is out of reach; and no word changes an alert but the one that is shown, the one whose
code was sent, or the only one that waits. Where an alert ends while its screen is shown, nothing
does.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from bot.alert import Alert, AlertLine, Tally
from bot.catalogues import load_catalogues
from bot.effects import Post, Reply, Say
from bot.events import Channel, Heard
from bot.machine import step
from bot.model import SetState, Standing, Talk, Underway, Unit
from bot.overview import ANSWERS, waits_for
from bot.paging import ABOUT_ALERT
from bot.prove import Proof
from bot.rules import Rules
from bot.site import Person, Site
from bot.wording import Wording
from flows.alerting import RULES
from flows.prompts import fits
from flows.supervision import MAIN, SCREENS

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
CHIEF = "+12025550109"
WORDS = (
    *"0123456789", "10", "99", "1 at once", "2 at once", "3 fetched a bag", "4 who has it?",
    "5 not mine", "it was torn", "what?", "", "8 8", "-", "ALERTS", "STATUS", "LATE", "COUNTS",
    "MENU", "QUIET", "QUIET 3H", "QUIET OFF", "QUIET 99H", "F1", "F1-1", "F1-1 2", "F1-77 1",
    "STOP", "START",
)  # fmt: skip
MANY = 9  # facilities: more than one list holds

Key = tuple[str, str, int, tuple[str, ...], bool]


@dataclass(slots=True)
class _Explorer:
    rules: Rules
    wording: Wording
    proof: Proof
    name: str
    channel: Channel
    seen: set[Key] = field(default_factory=set)
    screens: set[str] = field(default_factory=set)
    count: int = 0

    def explore(self, board: Mapping[str, Standing]) -> None:
        """Breadth first from a first word."""
        first = self.hear(_unit(board), "hello", ("hello",))
        self.seen.add(_key(first))
        todo: deque[tuple[Unit, tuple[str, ...]]] = deque([(first, ("hello",))])
        while todo:
            unit, path = todo.popleft()
            self.screens.add(unit.talk(CHIEF).screen)
            self._home(unit, path)
            self._ended(unit, path)
            for text in WORDS:
                after = self.hear(unit, text, (*path, text))
                if _key(after) not in self.seen:
                    self.seen.add(_key(after))
                    todo.append((after, (*path, text)))
        self.proof.scenes[self.name] = len(self.seen)

    def hear(self, unit: Unit, text: str, path: tuple[str, ...]) -> Unit:
        """One word, and what must hold of what comes of it."""
        self.count += 1
        self.proof.steps += 1
        talk = unit.talk(CHIEF)
        open_one = self.channel == "ussd" and talk.ussd_session == "s"
        whole = f"{talk.ussd_text}*{text}" if open_one and talk.ussd_text else text
        event = Heard(str(self.count), CHIEF, self.channel, text, START, None,
                      "s" if self.channel == "ussd" else "", whole if open_one else "")  # fmt: skip
        try:
            done = step(unit, event, self.rules)
        except Exception as error:
            self.fault(path, f"raised {type(error).__name__}: {error}")
            return unit
        replies = [e for e in done.effects if isinstance(e, Reply)]
        if len(replies) != 1:
            self.fault(path, f"{len(replies)} answers instead of one")
        for effect in done.effects:
            if isinstance(effect, Reply | Say):
                shown = self.wording.render(effect.prompt, "en", "UTC", False, False)
                if not fits(shown) or not shown.strip():
                    self.fault(path, f"no text that fits: {shown!r}")
        answered = [e.letter.about for e in done.effects
                    if isinstance(e, Post) and e.letter.kind in ANSWERS]  # fmt: skip
        if len(answered) > 1 or not set(answered) <= set(self._may(unit, text)):
            self.fault(path, f"answers {' '.join(answered)}, which was not asked for")
        return done.unit

    def _may(self, unit: Unit, text: str) -> Iterator[str]:
        """The alerts that *text* may be an answer to."""
        talk = unit.talk(CHIEF)
        if talk.screen in ABOUT_ALERT:
            yield talk.about
        alerts = [a for s in unit.board.values() for a in s.alerts]
        yield from (a.id for a in alerts if text.split(" ", 1)[0] == a.id)
        waiting = [a.id for a in alerts if waits_for(a, "CHIEF")]
        if self.channel == "sms" and len(waiting) == 1:
            yield waiting[0]

    def _home(self, unit: Unit, path: tuple[str, ...]) -> None:
        for _ in SCREENS:
            if unit.talk(CHIEF).screen == MAIN:
                return
            unit = self.hear(unit, "0", (*path, "0"))
        if unit.talk(CHIEF).screen != MAIN:
            self.fault(path, "0 does not lead to the main screen")

    def _ended(self, unit: Unit, path: tuple[str, ...]) -> None:
        """Every alert ends behind her back: no digit of the screen she sees answers anything."""
        if unit.talk(CHIEF).screen not in ABOUT_ALERT:
            return
        board = {i: replace(s, alerts=()) for i, s in unit.board.items()}
        for digit in ("1", "2", "3 done", "4 why", "5", "done it"):
            after = self.hear(replace(unit, board=board), digit, (*path, "(ended)", digit))
            if after.talk(CHIEF).screen in ABOUT_ALERT:
                self.fault(path, "an alert that ended is still shown")

    def fault(self, path: tuple[str, ...], what: str) -> None:
        if len(self.proof.faults) < 100:
            self.proof.faults.append(f"{self.name}: {what}; after {' | '.join(path)}")


def _unit(board: Mapping[str, Standing]) -> Unit:
    chief = (Person("CHIEF", "Sena", CHIEF, "supervisor"),)
    site = Site("district-TAM", "Tam", "TAM", 0, "UTC", (), (), (), chief)
    # She was answered after every alert was told: a digit belongs to a screen.
    return Unit(site, board=board).put_talk(Talk(CHIEF, shown_at=START))


def _key(unit: Unit) -> Key:
    """What a state is, as far as anything she can do depends on it; whether she takes texts does
    not matter here."""
    talk = unit.talk(CHIEF)
    return (talk.screen, talk.about, talk.page, talk.choices, bool(talk.quiet_until))


def _alert(site: str, n: int, rule: str, told: tuple[str, ...]) -> Alert:
    at = START - timedelta(hours=n)
    lines = tuple(AlertLine(at, person, "told") for person in told)
    facts = {"sets": "BAG-1", "step": "soak", "reason": "refused", "kind": "bag", "least": "1",
             "site": site}  # fmt: skip
    return Alert(f"{site}-{n}", site, rule, str(n), at, at, facts, by="P1", history=lines)


def _standing(n: int, alerts: tuple[Alert, ...]) -> Standing:
    site = f"F{n}"
    ready = SetState("BAG-1", "READY", START, START + timedelta(days=n), "B")
    batch = Underway("B2", ("SUC-1",), "soak", "chlorine", START, START, START - timedelta(hours=1))
    heard = START - timedelta(hours=12 * n)
    used = SetState("SUC-1", "IN PROCESS", START, None, "B2")
    tally = Tally(START.date().isoformat(), 1, 1, 1, 1, 1)
    return Standing(site, site, "UTC", (("bag", ready), ("suction", used)), (batch,), alerts,
                    tally, heard, {"P1": "Asha"})  # fmt: skip


def boards() -> Mapping[str, Mapping[str, Standing]]:
    """What there may be to see: nothing, one facility, one alert that waits, more than fits."""
    per = 3
    full = {
        f"F{n}": _standing(n, tuple(
            _alert(f"F{n}", m + 1, RULES[(per * n + m) % len(RULES)], ("CHIEF",) if m else ())
            for m in range(per)
        ))
        for n in range(1, MANY + 1)
    }  # fmt: skip
    return {
        "empty board": {},
        "no alert": {"F1": _standing(1, ())},
        "one alert": {"F1": _standing(1, (_alert("F1", 1, "step", ("CHIEF",)),))},
        "full board": full,
    }


def prove_above(rules: Rules) -> Proof:
    """Explore every board by either channel. Faults are collected, none is raised."""
    proof, wording = Proof(), Wording(load_catalogues())
    rules = replace(rules, fits=wording.fits)
    channels: tuple[Channel, ...] = ("sms", "ussd")
    for name, board in boards().items():
        for channel in channels:
            explorer = _Explorer(rules, wording, proof, f"supervisor, {name}, {channel}", channel)
            explorer.explore(board)
            lost = set(SCREENS) - explorer.screens
            if name == "full board" and lost:
                explorer.fault((), f"out of reach: {', '.join(sorted(lost))}")
    return proof
