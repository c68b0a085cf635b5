"""Turns a prompt into the text a person reads, in her language and her facility's time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from babel.core import UnknownLocaleError
from babel.dates import format_datetime

from bot.effects import Day, Prompt, Shown
from flows.prompts import Catalogue, fill, fits

NAME_LENGTH = 12
# A recall names every set that must not be used, however long the text becomes.
NEVER_SQUEEZED = ("recall",)
# Half a code answers nothing, and half of somebody's words may mean something else.
NEVER_CUT = ("code", "word")


@dataclass(frozen=True, slots=True)
class Wording:
    """The texts of every language. *render* is what the rest of the bot needs of it."""

    catalogues: Mapping[str, Catalogue]

    def render(
        self, prompt: Prompt, language: str, zone: str, practice: bool, hastened: bool
    ) -> str:
        """The text of *prompt*. Never raises for a missing text or value: a gap beats silence."""
        speaker = self._speaker(language, zone)
        mark = "practice.mark" if practice else "demo.mark" if hastened else ""

        def whole(inner: Prompt, by: _Speaker) -> str:
            return by.text(Prompt(mark, {"text": inner}) if mark else inner)

        squeezed = replace(speaker, squeeze=prompt.key not in NEVER_SQUEEZED)
        for candidate in _shorter(prompt):
            for by in (speaker, squeezed):
                text = whole(candidate, by)
                if fits(text):
                    return text
        return whole(prompt, speaker)

    def fits(self, prompt: Prompt, language: str, zone: str) -> bool:
        """Whether *prompt* is one text with nothing left out or cut."""
        return fits(self.sentence(prompt, language, zone))

    def sentence(self, prompt: Prompt, language: str, zone: str) -> str:
        """The text of *prompt* for a page, where length does not matter."""
        return self._speaker(language, zone).text(prompt)

    def _speaker(self, language: str, zone: str) -> _Speaker:
        return _Speaker(
            self.catalogues.get(language, {}), self.catalogues["en"], language, ZoneInfo(zone)
        )


def _shorter(prompt: Prompt) -> list[Prompt]:
    """*prompt*, then forms that leave out what can be spared: the footer, then the note."""
    forms = [prompt]
    note, ask = prompt.values.get("note"), prompt.values.get("ask")
    if prompt.key == "noted" and isinstance(ask, Prompt):
        bare = ask.values.get("ask") if ask.key == "framed" else None
        if isinstance(bare, Prompt) and note is not None:
            forms.append(Prompt("noted", {"note": note, "ask": bare}))
        forms.append(ask)
        if isinstance(bare, Prompt):
            forms.append(bare)
    elif prompt.key == "framed" and isinstance(ask, Prompt):
        forms.append(ask)
    text = prompt.values.get("text")
    if prompt.key == "named" and isinstance(text, Prompt):
        forms += [Prompt("named", {**prompt.values, "text": form}) for form in _shorter(text)[1:]]
    return forms


def _squeezed(label: str) -> str:
    """The first of several set ids and how many more, or a long name's first letters."""
    first, *rest = label.split("+")
    if len(rest) < 2:
        return label if rest else label[:NAME_LENGTH].rstrip()
    more = int(rest[-1]) - 1 if rest[-1].isdecimal() else 0
    return f"{first}+{len(rest) + more}"


@dataclass(frozen=True, slots=True)
class _Speaker:
    texts: Catalogue
    english: Catalogue
    language: str
    zone: ZoneInfo
    squeeze: bool = False

    def text(self, prompt: Prompt) -> str:
        if prompt.key == "list":
            return self._listed(prompt.values)
        if prompt.key == "parts":
            return " ".join(self.shown(name, value) for name, value in prompt.values.items())
        values = {name: self.shown(name, value) for name, value in prompt.values.items()}
        for texts in (self.texts, self.english):
            text = texts.get(prompt.key)
            if text is not None:
                try:
                    return fill(text, values)
                except ValueError:
                    continue  # a translator's slip in the braces: the English is right
        return prompt.key

    def shown(self, name: str, value: Shown) -> str:
        if isinstance(value, Prompt):
            return self.text(value)
        if isinstance(value, Day):
            return self._day(value.at.astimezone(self.zone))
        if isinstance(value, datetime):
            return value.astimezone(self.zone).strftime("%H:%M")
        if self.squeeze and isinstance(value, str) and name not in NEVER_CUT:
            value = _squeezed(value)
        return str(value)[:NAME_LENGTH].rstrip() if name == "name" else str(value)

    def _day(self, at: datetime) -> str:
        """A date that cannot be read two ways: the month is a word."""
        try:
            return format_datetime(at, "d MMM HH:mm", locale=self.language)
        except UnknownLocaleError:
            return format_datetime(at, "d MMM HH:mm", locale="en")

    def _listed(self, values: Mapping[str, Shown]) -> str:
        count = len(values) // 2
        return " ".join(
            f"{values[f'k{n}']} {self.shown('', values[f'v{n}'])}" for n in range(1, count + 1)
        )
