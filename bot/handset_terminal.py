"""The handset in a terminal: the same phone, the same webhooks, for those who have no browser.

What a typed line means and how things read are plain functions; `run` alone talks to the server.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from queue import Empty, SimpleQueue
from threading import Thread
from typing import Literal, TextIO
from urllib.parse import quote, urlencode
from urllib.request import ProxyHandler, Request, build_opener
from uuid import uuid4
from zoneinfo import ZoneInfo

import msgspec

from bot.clock import utc_now
from bot.handset import Line

LINE = Line()
POLL_SECONDS = 1.0
PATIENCE_SECONDS = 10.0  # as long as a carrier waits for the answer to a dialled code
WIDTH = 72

HELP = """\
Type a text and press Enter: it goes as an SMS.
  dial or *   start a USSD call; then each line is an answer
  hang        drop the call, as a poor signal does
  who         list the people;  who 2  gives the phone to the second
  quit        stop\
"""

Verb = Literal["sms", "answer", "dial", "hang", "who", "help", "quit", "nothing"]


@dataclass(frozen=True, slots=True)
class Command:
    """What a typed line asks for, and the words that go with it."""

    verb: Verb
    words: str = ""


@dataclass(frozen=True, slots=True)
class Call:
    """An open USSD session and the answers that the network has taken so far."""

    id: str
    answers: tuple[str, ...] = ()


class Person(msgspec.Struct, frozen=True):
    """One row of people.json; what else the row holds is not needed here."""

    name: str
    role: str
    facility: str
    phone: str
    newest: int
    zone: str = "UTC"


class Incoming(msgspec.Struct, frozen=True):
    """One row of inbox.json."""

    n: int
    text: str
    at: datetime


def understand(line: str, *, in_call: bool) -> Command:
    """What the typed *line* asks for. Commands win over answers and texts."""
    words = line.strip()
    bare = words.casefold()
    plain: dict[str, Verb] = {
        "": "nothing", "*": "dial", "dial": "dial", "hang": "hang", "?": "help", "quit": "quit",
    }  # fmt: skip
    if bare in plain:
        return Command(plain[bare])
    if match := re.fullmatch(r"who(?:\s+(\d+))?", bare):
        return Command("who", match[1] or "")
    return Command("answer" if in_call else "sms", words)


def show_message(name: str, message: Incoming, zone: str) -> str:
    """An SMS as it comes: the time on the facility's clock, for whom, and the text set in."""
    at = message.at.astimezone(ZoneInfo(zone))
    return f"[{at:%H:%M:%S}] SMS to {name}:\n{_inset(message.text)}"


def show_screen(body: str) -> tuple[str, bool]:
    """A USSD answer as a framed screen, and whether the call goes on."""
    goes_on = body.startswith("CON")
    text = re.sub(r"^(CON|END) ?", "", body)
    rule = "-" * 40
    end = "" if goes_on else "\n(The call has ended.)"
    return f"{rule}\n{text}\n{rule}{end}", goes_on


def show_people(people: list[Person], phone: str) -> str:
    """The people who may hold the phone, numbered; a star marks who has it now."""
    rows = [
        f"{'*' if p.phone == phone else ' '} {i}  {p.name}, {p.role}, {p.facility}, {p.phone}"
        for i, p in enumerate(people, start=1)
    ]
    return "\n".join(rows) or "The register has nobody."


def _inset(text: str) -> str:
    lines = [textwrap.wrap(line, WIDTH) or [""] for line in text.splitlines()]
    return "\n".join(f"    {part}" for line in lines for part in line)


class Server:
    """The demonstration's HTTP side. Every call raises OSError when it does not answer 2xx."""

    def __init__(self, base_url: str, key: str) -> None:
        if not base_url.startswith(("http://", "https://")):
            raise ValueError("the address of the demonstration begins with http:// or https://")
        self._base = base_url.rstrip("/")
        self._hooks = f"{self._base}/hooks/{quote(key, safe='')}"
        self._opener = build_opener(ProxyHandler({}))  # near by: not by way of a proxy

    def _open(self, url: str, form: dict[str, str] | None = None) -> bytes:
        data = None if form is None else urlencode(form).encode()
        asked = Request(url, data=data)  # noqa: S310  (the scheme was checked above)
        with self._opener.open(asked, timeout=PATIENCE_SECONDS) as answer:
            body: bytes = answer.read()
            return body

    def people(self) -> list[Person]:
        return msgspec.json.decode(
            self._open(f"{self._base}/handset/people.json"), type=list[Person]
        )

    def inbox(self, phone: str, after: int) -> list[Incoming]:
        query = urlencode({"phone": phone, "after": after})
        body = self._open(f"{self._base}/handset/inbox.json?{query}")
        return msgspec.json.decode(body, type=list[Incoming])

    def sms(self, phone: str, text: str, message_id: str, at: datetime) -> None:
        form = {"from": phone, "to": LINE.sms_code, "text": text, "date": at.isoformat()}
        self._open(
            f"{self._hooks}/sms",
            {**form, "id": message_id, "linkId": "", "networkCode": LINE.network},
        )

    def ussd(self, phone: str, call: Call) -> str:
        form = {"sessionId": call.id, "phoneNumber": phone, "networkCode": LINE.network}
        text = "*".join(call.answers)
        return self._open(
            f"{self._hooks}/ussd", {**form, "serviceCode": LINE.ussd_code, "text": text}
        ).decode()


class Handset:
    """One phone in one person's hand. *say* prints a block of text."""

    def __init__(
        self,
        server: Server,
        phone: str,
        say: Callable[[str], None],
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._server = server
        self._phone = phone
        self._say = say
        self._clock = clock
        self._new_id = new_id
        self._call: Call | None = None
        self._read: dict[str, int] = {}
        self._verbs: dict[Verb, Callable[[str], None]] = {
            "sms": self._sms, "answer": self._answer, "dial": self._dial, "hang": self._hang,
            "who": self._who, "help": lambda _: say(HELP), "nothing": lambda _: None,
        }  # fmt: skip

    def take(self, line: str) -> bool:
        """Do what *line* asks. False when it asks to stop."""
        command = understand(line, in_call=self._call is not None)
        if command.verb == "quit":
            return False
        try:
            self._verbs[command.verb](command.words)
        except OSError as exc:
            self._say(f"No answer from the network ({exc}). Try again.")
        return True

    def poll(self) -> None:
        """Print what has come for the phone since the last time."""
        after = self._read.get(self._phone, 0)
        try:
            arrived = self._server.inbox(self._phone, after)
            holder = self._holder(self._server.people()) if arrived else None
        except OSError:
            return  # asked again in a second; what is typed says aloud that nothing answers
        for message in arrived:
            name, zone = (holder.name, holder.zone) if holder else (self._phone, "UTC")
            self._say(show_message(name, message, zone))
            self._read[self._phone] = message.n

    def _holder(self, people: list[Person]) -> Person | None:
        return next((p for p in people if p.phone == self._phone), None)

    def _sms(self, text: str) -> None:
        self._server.sms(self._phone, text, self._new_id(), self._clock())

    def _dial(self, _: str) -> None:
        self._turn(Call(self._new_id()))

    def _answer(self, words: str) -> None:
        if self._call is not None:
            self._turn(replace(self._call, answers=(*self._call.answers, words)))

    def _turn(self, call: Call) -> None:
        """One exchange. The answer counts as given only once the network has taken it."""
        screen, goes_on = show_screen(self._server.ussd(self._phone, call))
        self._call = call if goes_on else None
        self._say(screen)

    def _hang(self, _: str) -> None:
        self._say("You hung up." if self._call else "No call is open.")
        self._call = None

    def _who(self, number: str) -> None:
        people = self._server.people()
        if not number:
            self._say(show_people(people, self._phone))
        elif 1 <= int(number) <= len(people):
            self._hand_to(people[int(number) - 1])
        else:
            self._say(f"There is no person {number}. Type who for the list.")

    def _hand_to(self, person: Person) -> None:
        if self._call:
            self._hang("")
        self._phone = person.phone
        self._say(f"{person.name} has the phone.")
        self.poll()


def fresh_id() -> str:
    return f"t{uuid4().hex}"


def run(  # noqa: PLR0913, PLR0917  (the last two are for tests)
    base_url: str,
    key: str,
    phone: str,
    out: TextIO,
    lines: Iterable[str],
    clock: Callable[[], datetime] = utc_now,
    new_id: Callable[[], str] = fresh_id,
) -> None:
    """Be the phone *phone* until *lines* end or say quit; print on *out*.

    Raises ValueError when *base_url* is no HTTP address.
    """

    def say(text: str) -> None:
        print(text, file=out, flush=True)

    handset = Handset(Server(base_url, key), phone, say, clock, new_id)
    say(HELP)
    typed: SimpleQueue[str | None] = SimpleQueue()
    Thread(target=_read_lines, args=(lines, typed), daemon=True).start()
    while True:
        handset.poll()
        try:
            line = typed.get(timeout=POLL_SECONDS)
        except Empty:
            continue
        if line is None or not handset.take(line):
            handset.poll()
            return


def _read_lines(lines: Iterable[str], typed: SimpleQueue[str | None]) -> None:
    """Carry *lines* to the loop that also listens, then a None: reading a terminal blocks."""
    try:
        for line in lines:
            typed.put(line)
    finally:
        typed.put(None)
