"""The handset in a terminal: the same phone, the same webhooks, for those who have no browser.

`handset_words` says what a typed line means and how things read; this file talks to the server.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from http.client import HTTPException
from queue import Empty, SimpleQueue
from threading import Thread
from typing import TextIO, TypeVar
from urllib.parse import quote, urlencode
from urllib.request import ProxyHandler, Request, build_opener
from uuid import uuid4

import msgspec

from bot.clock import utc_now
from bot.handset import Line
from bot.handset_words import (
    HELP,
    Incoming,
    Person,
    Verb,
    show_message,
    show_people,
    show_screen,
    understand,
)

T = TypeVar("T")

LINE = Line()
POLL_SECONDS = 1.0
PATIENCE_SECONDS = 10.0  # as long as a carrier waits for the answer to a dialled code


@dataclass(frozen=True, slots=True)
class Call:
    """An open USSD session and the answers that the network has taken so far."""

    id: str
    answers: tuple[str, ...] = ()


class Server:
    """The demonstration's HTTP side. Every call raises OSError when it does not answer 2xx."""

    def __init__(self, base_url: str, key: str) -> None:
        if not base_url.startswith(("http://", "https://")):
            raise ValueError("the address of the demonstration begins with http:// or https://")
        self._base = base_url.rstrip("/")
        self._key = quote(key, safe="")
        self._opener = build_opener(ProxyHandler({}))  # near by: not by way of a proxy

    def people(self) -> list[Person]:
        return _decoded(self._open("/handset/people.json"), list[Person])

    def inbox(self, phone: str, after: int) -> list[Incoming]:
        query = urlencode({"phone": phone, "after": after})
        return _decoded(self._open(f"/handset/inbox.json?{query}"), list[Incoming])

    def sms(self, phone: str, text: str, message_id: str, at: datetime) -> None:
        self._hook(
            "sms",
            {"from": phone, "to": LINE.sms_code, "text": text, "date": at.isoformat()}
            | {"id": message_id, "linkId": "", "networkCode": LINE.network},
        )

    def ussd(self, phone: str, call: Call) -> str:
        """The body of the network's answer: CON or END and the screen."""
        body = self._hook(
            "ussd",
            {"sessionId": call.id, "phoneNumber": phone, "networkCode": LINE.network}
            | {"serviceCode": LINE.ussd_code, "text": "*".join(call.answers)},
        )
        return body.decode(errors="replace")

    def _hook(self, name: str, form: dict[str, str]) -> bytes:
        return self._open(f"/hooks/{self._key}/{name}", urlencode(form).encode())

    def _open(self, path: str, data: bytes | None = None) -> bytes:
        asked = Request(self._base + path, data=data)  # noqa: S310  (the scheme was checked)
        try:
            with self._opener.open(asked, timeout=PATIENCE_SECONDS) as answer:
                body: bytes = answer.read()
        except HTTPException as exc:
            raise OSError("the answer broke off") from exc
        return body


def _decoded(body: bytes, kind: type[T]) -> T:
    try:
        return msgspec.json.decode(body, type=kind)
    except msgspec.MsgspecError as exc:
        raise OSError("what answers there is not a Soakbell demonstration") from exc


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
        self._silent = False
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
        except OSError as exc:
            self._lost(exc)
            return
        self._silent = False
        for message in arrived:
            name, zone = (holder.name, holder.zone) if holder else (self._phone, "UTC")
            self._say(show_message(name, message, zone))
            self._read[self._phone] = message.n

    def _lost(self, exc: OSError) -> None:
        """Say once that nothing answers; `poll` asks again in a second."""
        if not self._silent:
            self._say(f"The demonstration does not answer ({exc}). It is asked again.")
        self._silent = True

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
            self._say(show_people(people, self._phone, self._read))
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


def run(
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
