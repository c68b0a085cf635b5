"""What a line typed at the terminal handset means, and how things read there. No I/O."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

import msgspec

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


def show_people(people: Sequence[Person], phone: str, read: Mapping[str, int]) -> str:
    """The people who may hold the phone, numbered; a star marks who has it now.

    *read* is the number of the last message printed for each phone.
    """
    rows = []
    for i, p in enumerate(people, start=1):
        star = "*" if p.phone == phone else " "
        new = p.newest - read.get(p.phone, 0)
        news = f" ({new} new)" if new > 0 else ""
        rows.append(f"{star} {i}  {p.name}{news}, {p.role}, {p.facility}, {p.phone}")
    return "\n".join(rows) or "The register has nobody."


def _inset(text: str) -> str:
    lines = [textwrap.wrap(line, WIDTH) or [""] for line in text.splitlines()]
    return "\n".join(f"    {part}" for line in lines for part in line)
