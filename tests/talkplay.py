"""Plays a talk: a whole conversation as plain text, one thing that happens on each line.

Lines that begin with # are for the reader. "everything is watched" puts all alert rules in force;
without it only what people say themselves becomes an alert, and a talk is about its batch.
"hours are kept" leaves the facilities their shift checks and the people their shifts. In what is
heard or seen, " ... " stands for words left out between two pieces, which must come in this order
in one message.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from bot.register import Register
from bot.views import finding_prompt
from flows.release import findings
from tests.mixing_stand import CUP, JUG, SPOON, bottle
from tests.phone import Phone, World

TALKS = Path(__file__).parent / "talks"
UNITS = {"second": "seconds", "minute": "minutes", "hour": "hours", "day": "days"}
CONDITIONS = "READY|IN PROCESS|USED|SET ASIDE|EXPIRED"


CODE = re.compile(r"JOIN ([A-Z0-9]{6})\b|: ([A-Z0-9]{6}), once")
WATCHED = "everything is watched"
HOURS = "hours are kept"


def watched(path: Path) -> bool:
    """Whether the clock of the talk in *path* looks for what nobody says."""
    return WATCHED in path.read_text("utf-8").splitlines()


def register_of(path: Path, register: Register) -> Register:
    """*register* as the talk in *path* has it: without checks and shifts, unless hours are kept."""
    if HOURS in path.read_text("utf-8").splitlines():
        return register
    return replace(
        register,
        facilities=tuple(replace(f, checks=()) for f in register.facilities),
        people=tuple(replace(m, person=replace(m.person, shift="")) for m in register.people),
    )


def contains(text: str, pieces: str) -> bool:
    """Whether the pieces, which " ... " parts, stand in *text* in this order."""
    place = 0
    for piece in pieces.split(" ... "):
        found = text.find(piece, place)
        if found < 0:
            return False
        place = found + len(piece)
    return True


class Player:
    """Plays the lines of one talk in *world*, and keeps what was said for a failure's report."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.lines: list[str] = []
        self.last: Phone | None = None
        self.code = ""
        self.new_phones = 0

    def play(self, path: Path) -> None:
        """Play the talk in *path*. AssertionError names the line and shows what went before."""
        for number, raw in enumerate(path.read_text("utf-8").splitlines(), 1):
            line = raw.strip()
            if line and not line.startswith("#"):
                self._guarded(f"{path.name}:{number}: {line}", self._step, line)
        self._guarded(f"{path.name}: end", self._all_read)

    def _guarded(self, where: str, work: Callable[..., None], *words: str) -> None:
        self.lines.append(where)
        try:
            work(*words)
        except AssertionError as error:
            report = "\n".join(self.lines[-12:])
            raise AssertionError(f"{error}\n{report}\n{self._unread()}") from error

    def _step(self, line: str) -> None:
        for pattern, work in STEPS:
            if found := re.fullmatch(pattern, line):
                work(self, *found.groups())
                return
        raise AssertionError("no such line in a talk")

    # ---- reading -----------------------------------------------------------------------------

    def _unread(self) -> str:
        lines = []
        for phone in self.world.phones.values():
            unread = self.world.inbox(phone)[phone.read :]
            lines += [f"  unread by {phone.name}: {m.text!r}" for m in unread]
            if not phone.looked:
                lines.append(f"  {phone.name} has not looked at: {phone.screen!r}")
        return "\n".join(lines)

    def _all_read(self) -> None:
        assert not self._unread(), "something went out that the talk does not tell of"

    def _phone(self, name: str) -> Phone:
        assert name in self.world.phones, f"the register has no {name}"
        return self.world.phones[name]

    def _speaker(self, name: str) -> Phone:
        """*name*'s phone, on which nothing waits to be read."""
        phone = self.last = self._phone(name)
        assert len(self.world.inbox(phone)) == phone.read, f"{name} has not read all"
        assert phone.looked, f"{name} has not looked at the screen"
        return phone

    def hears(self, name: str, pieces: str) -> None:
        phone = self._phone(name)
        unread = self.world.inbox(phone)[phone.read :]
        assert unread, f"nothing came for {name}"
        assert contains(unread[0].text, pieces), "another text came"
        phone.read += 1
        self.lines[-1] += f"   [{unread[0].text}]"
        if found := CODE.search(unread[0].text):
            self.code = found[1] or found[2]

    def hears_nothing(self, name: str) -> None:
        phone = self._phone(name)
        assert len(self.world.inbox(phone)) == phone.read, f"something came for {name}"

    def reads_on(self, name: str) -> None:
        phone = self._phone(name)
        count = len(self.world.inbox(phone))
        assert count > phone.read or not phone.looked, f"nothing came for {name}"
        phone.read, phone.looked = count, True

    def screen(self, ends: str | None, pieces: str) -> None:
        assert self.last is not None, "nobody has dialled"
        assert self.last.screen[:4] == ("END " if ends else "CON "), self.last.screen
        assert contains(self.last.screen[4:], pieces), "another screen came"
        self.last.looked = True
        self.lines[-1] += f"   [{self.last.screen}]"

    # ---- doing -------------------------------------------------------------------------------

    def texts(self, name: str, text: str) -> None:
        self.world.texts(self._speaker(name), text.replace("(code)", self.code))

    def unknown_phone(self, name: str) -> None:
        assert name not in self.world.phones, f"there is a {name} already"
        self.world.phones[name] = self._new_phone(name)

    def changes_phone(self, name: str, other: str) -> None:
        """The old phone is somebody else's now."""
        old = self.world.phones[name]
        self.world.phones |= {other: old, name: self._new_phone(name)}
        old.name = other

    def _new_phone(self, name: str) -> Phone:
        self.new_phones += 1
        return Phone(name, f"+120255501{90 + self.new_phones}")

    def texts_late(self, name: str, count: str, unit: str, text: str) -> None:
        written = self.world.clock() - timedelta(**{UNITS[unit]: int(count)})
        self.world.texts(self._speaker(name), text, written)

    def same_sms(self) -> None:
        self.world.same_sms()

    def dials(self, name: str) -> None:
        self.world.dials(self._speaker(name))

    def answers(self, name: str, text: str) -> None:
        self.world.answers(self._speaker(name), text)

    def same_request(self, name: str) -> None:
        phone = self._phone(name)
        self.world.same_request(phone)
        phone.looked = True

    def hangs_up(self, name: str) -> None:
        phone = self._phone(name)
        assert phone.session, f"{name} has no open session"
        phone.session = ""

    def passes(self, count: str, unit: str) -> None:
        self.world.passes(timedelta(**{UNITS[unit]: int(count)}))

    def switch(self, name: str, state: str) -> None:
        self.world.mailbox.switch(self._phone(name).number, off=state == "off")

    def limits(self, site_id: str, names: str) -> None:
        self.world.limits(site_id, names.split())

    def stocks(self, site_id: str, litres: str, names: str) -> None:
        today = self.world.clock().date()
        bottles = tuple(bottle(name, today) for name in names.split(", "))
        self.world.stocks(
            site_id, soak_ml=1000 * float(litres), measures=(JUG, CUP, SPOON), stock=bottles
        )

    def keeps(self, site_id: str, count: str, kind: str) -> None:
        self.world.stocks(site_id, least_ready=((kind, int(count)),))

    def shares(self, name: str, owner: str) -> None:
        self.world.shares(self._phone(name).name, owner)

    def leaves(self, name: str) -> None:
        self.world.leaves(self._phone(name).name)

    # ---- what is so --------------------------------------------------------------------------

    def set_is(self, set_id: str, condition: str) -> None:
        """The conversations and the store must both say so."""
        now = self.world.clock()
        unit = next(u for u in self.world.units() if set_id in {s.id for s in u.site.sets})
        rows = self.world.api("sets?limit=1000")["sets"]
        stored = next(row["condition"] for row in rows if row["id"] == set_id)
        known = unit.state_of(set_id).now(now)
        assert (known, stored) == (condition, condition), f"known as {known}, stored as {stored}"

    def batch_is(self, outcome: str) -> None:
        batch = self.world.batch()
        assert (batch.outcome or "open") == outcome, batch.outcome
        if batch.practice:
            return
        listed = [b for b in self.world.api("batches")["batches"] if b["id"] == batch.id]
        assert len(listed) == 1
        if batch.outcome:
            assert listed[0]["outcome"] == outcome
        if outcome == "released":
            assert self._against() == [], self._against()

    def not_ready(self, set_id: str | None, reason: str) -> None:
        against = self._against(set_id or "")
        assert reason in against, against

    def _against(self, set_id: str = "") -> list[str]:
        parts, batch = self.world.parts, self.world.batch(set_id)
        found = findings(batch, parts.rules.protocol_of(batch))
        return [parts.wording.sentence(finding_prompt(f), "en", "UTC") for f in found]

    def log_keeps(self, pieces: str) -> None:
        """Lines of the newest batch's log, as the page beside the handset shows them."""
        batch = self.world.batch()
        holder = next(p.phone for u in self.world.units() for p in (*u.site.people,)
                      if p.id == batch.holder)  # fmt: skip
        row = self.world.views.batch(holder)
        assert row is not None
        log = "\n".join(f"{line['by']}: {line['what']}" for line in row["log"])
        assert contains(log, pieces), log

    def check_is(self, done: str, said: str, counted: str) -> None:
        """The newest shift check in the store; "nobody says" is not 0."""
        row = self.world.api("checks")["checks"][0]
        uses = None if said == "nobody says" else int(said)
        known = (row["done"], row["uses_said"], row["uses_counted"])
        assert known == (done == "done", uses, int(counted)), known

    def cost(self, most: str) -> None:
        sent = self.world.segments_sent()
        assert sent <= int(most), f"{sent} segments went out"

    def batch_cost(self, most: str) -> None:
        assert self.world.batch().segments <= int(most), self.world.batch().segments


    def watched(self) -> None:
        """Said before the world was made, to `watched` or `register_of`."""


TEXT = r"(\w+) texts: (.*)"
STEPS: tuple[tuple[str, Callable[..., None]], ...] = (
    (TEXT, Player.texts),
    (r"late SMS from (\w+), written (\d+) (\w+?)s? ago: (.*)", Player.texts_late),
    (r"same SMS again", Player.same_sms),
    (WATCHED, Player.watched),
    (HOURS, Player.watched),
    (r"(\w+) hears: (.*)", Player.hears),
    (r"(\w+) hears nothing", Player.hears_nothing),
    (r"(\w+) reads on", Player.reads_on),
    (r"(\w+) dials", Player.dials),
    (r"(\w+) answers: (.*)", Player.answers),
    (r"the network repeats (\w+)'s answer", Player.same_request),
    (r"(\w+) hangs up", Player.hangs_up),
    (r"screen( ends)?: (.*)", Player.screen),
    (r"(\d+) (second|minute|hour|day)s? pass(?:es)?", Player.passes),
    (r"(\w+)'s phone is (off|on)", Player.switch),
    (r"facility (\w+) has only: (.*)", Player.limits),
    (r"facility (\w+) soaks in (\d+) L and has in stock: (.*)", Player.stocks),
    (r"facility (\w+) wants (\d+) (bag|suction)s? READY", Player.keeps),
    (r"(\w+) leaves the register", Player.leaves),
    (r"(\w+) shares the phone of (\w+)", Player.shares),
    (r"(\w+) has a phone that nobody knows", Player.unknown_phone),
    (r"(\w+) has a new phone, and (\w+) the old one", Player.changes_phone),
    (rf"set ([A-Z0-9-]+) is ({CONDITIONS})", Player.set_is),
    (r"batch is (released|set aside|cancelled|open)", Player.batch_is),
    (r"(?:([A-Z0-9-]+) )?not ready because: (.*)", Player.not_ready),
    (r"log keeps: (.*)", Player.log_keeps),
    (r"the store keeps a check: (done|missed), (\d+|nobody says) uses reported, (\d+) counted",
     Player.check_is),
    (r"at most (\d+) segments have gone out", Player.cost),
    (r"the batch has cost at most (\d+) segments", Player.batch_cost),
)
