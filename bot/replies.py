"""How an answer to an alert is written in one text: its code, a digit, words. Pure."""

from __future__ import annotations

import re
from typing import NamedTuple

from bot.alerting import MOST_WORD

_CODE = re.compile(r"([A-Za-z0-9-]*[A-Za-z][A-Za-z0-9-]*-\d+)[:;,.]*(?:\s+(.*))?", re.DOTALL)
_DIGIT = re.compile(r"(\d)(?:[\s.,:;)]+(.*))?", re.DOTALL)
# As many digits in a row, whatever stands between them, may be somebody's number.
_PHONE = re.compile(r"\+?\(?\d(?:[\s().-]*\d){6,}")
_TIME = re.compile(r"(\d{1,2})\s*([HhMm])")


class Said(NamedTuple):
    """A digit, or "", and the words after it, or all of them."""

    digit: str
    words: str


def coded(text: str) -> tuple[str, str] | None:
    """(code of an alert, the rest) where *text* begins like one: "LOWF-12 3 fetched a bag"."""
    found = _CODE.fullmatch(text.strip())
    return (found[1], (found[2] or "").strip()) if found else None


def parted(text: str) -> Said:
    """The digit that *text* begins with, alone or before words, and these words."""
    found = _DIGIT.fullmatch(text.strip())
    return Said(found[1], (found[2] or "").strip()) if found else Said("", text.strip())


def is_word(text: str) -> bool:
    """Whether *text* says something: a digit sent twice is no reason why."""
    return any(letter.isalpha() for letter in text)


def word_kept(text: str) -> str:
    """The words as they are kept and sent on: short, in one line, with no phone number."""
    line = " ".join(_PHONE.sub("...", text).split())
    return line[:MOST_WORD].rstrip()


def span_minutes(text: str) -> int | None:
    """The minutes of "3H" or "90M"; None for anything else."""
    found = _TIME.fullmatch(text.strip())
    return int(found[1]) * (60 if found[2] in "Hh" else 1) if found else None
