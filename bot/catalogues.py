"""Reads the message catalogues: gettext files, for which translators have editors."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from babel.core import Locale, UnknownLocaleError
from babel.messages.pofile import PoFileError, read_po

from bot.errors import ConfigError
from flows.prompts import Catalogue, translation_problems

LOCALE = Path(__file__).resolve().parent.parent / "flows" / "locale"


def load_catalogues(folder: Path = LOCALE) -> Mapping[str, Catalogue]:
    """Every language in *folder*: English from soakbell.pot, others from <language>.po.

    A folder of one's own may hold either or both; English texts that it lacks are the built-in
    ones. A text without a translation is left out and shown in English; so is one whose translation
    is marked fuzzy, or was made from an English that has changed since. Raises ConfigError for a
    file that cannot be read, or whose texts have other holes than the English.
    """
    english = _read(LOCALE / "soakbell.pot", None)
    problems: list[str] = []
    if folder != LOCALE and (folder / "soakbell.pot").exists():
        own = _read(folder / "soakbell.pot", None)
        problems += translation_problems("en", english, own)
        english = {**english, **own}
    found: dict[str, Catalogue] = {"en": english}
    for path in sorted(folder.glob("*.po")):
        texts = _read(path, english)
        problems += translation_problems(path.stem, english, texts)
        found[path.stem] = texts
    if problems:
        raise ConfigError("; ".join(problems))
    return found


def own_name(language: str) -> str:
    """What those who speak *language* call it; its code where nobody knows."""
    try:
        return Locale.parse(language).get_language_name() or language
    except (UnknownLocaleError, ValueError):
        return language


def _read(path: Path, english: Catalogue | None) -> Catalogue:
    """The texts by key: the originals of the template (*english* None), or translations."""
    try:
        with path.open("rb") as file:
            catalog = read_po(file, abort_invalid=True)
    except (OSError, ValueError, LookupError, PoFileError) as error:
        raise ConfigError(f"{path.name}: {error}") from error
    texts: dict[str, str] = {}
    for message in catalog:
        text = message.id if english is None else message.string
        stale = english is not None and (
            message.fuzzy or english.get(message.context or "", message.id) != message.id
        )
        if message.context and isinstance(text, str) and text and not stale:
            texts[message.context] = text
    return texts
