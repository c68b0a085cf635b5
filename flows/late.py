"""A batch that was done on paper, told in one text: its words read into parts, its slips named.

Every value is announced by a word, so order and separators do not matter. The words are those of
the catalogue (`late_word.*`), so a language can have its own. Nothing here decides READY: what was
read is answered step by step like any batch (`bot.late`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field

from flows.batch import METHODS
from flows.late_entry import NUMBERS, Slip

PREFIX = "late_word."
# Words that are a part by themselves: the part they fill, and with what.
FLAGS: Mapping[str, tuple[str, str]] = {
    "fresh": ("fresh", "good"),
    "old": ("fresh", "bad"),
    "dry": ("cooled", "good"),
    "wet": ("cooled", "bad"),
    "box": ("pack", "box"),
    "wrap": ("pack", "wrap"),
    "today": ("day", "today"),
    "yesterday": ("day", "yesterday"),
}
PACKS = {"box": "1", "wrap": "2"}  # the digit that says so at the stage `stored`
JUDGED = ("test", "indicator")  # a word of good or bad follows
UNITS = ("%", "C", "F", "KPA", "PSI", "LB", "BAR")

CLOCK = re.compile(r"^(?:[01]\d|2[0-3])[0-5]\d$")
FOUR = re.compile(r"^\d{4}$")
DATE = re.compile(r"^\d{1,2}[/-]\d{1,2}$")
NUMBER = re.compile(r"^\d{1,6}(?:\.\d{1,3})?[A-Z%]*$")
GLUED = re.compile(r"^([^\W\d]+)(\d.*)$")
SHOWN = 12  # letters of a word that is not known, when it is said back


def late_words(texts: Mapping[str, str]) -> dict[str, str]:
    """The words of a language that an entry is made of: from word to what it stands for."""
    return {
        word: key.removeprefix(PREFIX)
        for key, forms in texts.items()
        if key.startswith(PREFIX)
        for word in forms.upper().split()
    }


# ---- reading ------------------------------------------------------------------------------------


def read_late(
    text: str, words: Mapping[str, str], set_ids: Collection[str]
) -> tuple[dict[str, str], list[Slip]]:
    """The parts in *text* (without its first word), and every slip in it, in order.

    *words* as `late_words` gives them, *set_ids* the sets of the facility.
    """
    reading = _Reading(list(_tokens(text, words, set_ids)), words, set_ids)
    reading.read()
    if "strength" in reading.parts:
        # Only chlorine has a strength, so it need not be named.
        reading.parts.setdefault("method", "chlorine")
    return reading.parts, reading.slips


def _tokens(text: str, words: Mapping[str, str], set_ids: Collection[str]) -> Iterator[str]:
    """The words of *text*: 21:30 is 2130, 0,5 is 0.5, IN2130 is two."""
    plain = re.sub(r"\b(\d{1,2}):(\d{2})\b", lambda m: m[1].zfill(2) + m[2], text.upper())
    plain = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    for token in re.split(r"[\s,;:=+&]+", plain):
        word = token.strip(".!?()")
        glued = GLUED.match(word)
        if word in set_ids or word in words or not glued or glued[1] not in words:
            yield from [word] if word else []
        else:
            yield from (glued[1], glued[2])


@dataclass(slots=True)
class _Reading:
    """Goes through the tokens once; *parts* and *slips* collect."""

    left: list[str]
    words: Mapping[str, str]
    set_ids: Collection[str]
    parts: dict[str, str] = field(default_factory=dict)
    slips: list[Slip] = field(default_factory=list)

    def read(self) -> None:
        while self.left:
            token = self.left.pop(0)
            what = self.words.get(token, "")
            if token in self.set_ids:
                self._add_set(token)
            elif FOUR.match(token) or DATE.match(token):
                self._loose(token)
            elif what == "and":
                continue
            elif not what or not self._word(token, what):
                self.slips.append(Slip("unknown", token[:SHOWN]))

    def _word(self, token: str, what: str) -> bool:
        """A word that announces something; False where it may not stand alone."""
        handler = ANNOUNCED.get(what)
        if handler:
            handler(self, what, token)
        return handler is not None

    # ---- what stands after a word --------------------------------------------------------------

    def _next(self) -> str:
        return self.left[0] if self.left else ""

    def _clock_next(self) -> bool:
        return bool(FOUR.match(self._next()) or DATE.match(self._next()))

    def _put(self, part: str, value: str) -> None:
        if part in self.parts and self.parts[part] != value:
            self.slips.append(Slip("days" if part == "day" else "twice", value[:SHOWN]))
        self.parts[part] = value

    def _loose(self, token: str) -> None:
        """Four digits that no word announces: the day, where they can be one."""
        if DATE.match(token) or (1 <= int(token[:2]) <= 31 and 1 <= int(token[2:]) <= 12):
            self._put("day", token)
        else:
            self.slips.append(Slip("loose", token))

    def _add_set(self, set_id: str) -> None:
        so_far = self.parts.get("sets", "").split()
        if set_id not in so_far:
            self.parts["sets"] = " ".join([*so_far, set_id])

    def method(self, method: str, word: str) -> None:
        """BOIL alone, or with the time from which it was counted."""
        self._put("method", method)
        if self._clock_next():
            self.clock("in", word)

    def flag(self, flag: str, word: str) -> None:
        self._put(*FLAGS[flag])
        if flag in PACKS and self._clock_next():
            self.clock("stored", word)

    def stored(self, part: str, word: str) -> None:
        # STORED BOX 0640: the word for the container may stand between.
        if self.words.get(self._next()) not in PACKS:
            self.clock(part, word)

    def vinegar(self, _part: str, word: str) -> None:
        self.clock("vinegar_in", word)
        if self._clock_next():
            self.clock("vinegar_out", word)

    def clock(self, part: str, word: str) -> None:
        day = f"{self.left.pop(0)} " if DATE.match(self._next()) else ""
        told = self._next()
        if CLOCK.match(told):
            self._put(part, day + self.left.pop(0))
            return
        if told[:1].isdecimal():
            self.left.pop(0)
        self.slips.append(Slip("clock", word, told[:SHOWN] if told[:1].isdecimal() else ""))

    def number(self, part: str, word: str) -> None:
        if not NUMBER.match(self._next()):
            self.slips.append(Slip("number", word))
            return
        value = self.left.pop(0)
        if value[-1].isdecimal() and self._next() in UNITS:
            value += self.left.pop(0)
        self._put(part, value.lower())

    def counts(self, _part: str, word: str) -> None:
        found: list[str] = []
        # 7,3 was read as a decimal number.
        while re.fullmatch(r"\d{1,2}(?:\.\d{1,2})*", self._next()):
            found += self.left.pop(0).split(".")
        if found:
            self._put("counts", " ".join(found))
        else:
            self.slips.append(Slip("number", word))

    def judged(self, part: str, word: str) -> None:
        said = self.words.get(self._next(), "")
        if said in ("good", "bad"):
            self.left.pop(0)
            self._put(part, said)
        else:
            self.slips.append(Slip("judged", word))

    def done(self, _part: str, word: str) -> None:
        """DONE alone says not of what; only DONE ALL does."""
        if self.words.get(self._next()) == "all":
            self.left.pop(0)
            self._put("done", "all")
        else:
            self.slips.append(Slip("done", word))


# What each word that announces something does.
ANNOUNCED: Mapping[str, Callable[[_Reading, str, str], None]] = {
    **dict.fromkeys(METHODS, _Reading.method),
    **dict.fromkeys(FLAGS, _Reading.flag),
    **dict.fromkeys(("in", "out", "vinegar_out"), _Reading.clock),
    "stored": _Reading.stored,
    "vinegar": _Reading.vinegar,
    **dict.fromkeys(NUMBERS, _Reading.number),
    "counts": _Reading.counts,
    **dict.fromkeys(JUDGED, _Reading.judged),
    "done": _Reading.done,
}
