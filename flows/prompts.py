"""Message texts: catalogues of them, and what one costs to send.

A catalogue maps a key ("wash.ask.bag") to a text with named holes in braces. English is the
source of the texts; a language that lacks one shows the English and never nothing.
"""

from __future__ import annotations

import string
from collections.abc import Mapping

Catalogue = Mapping[str, str]

# 3GPP TS 23.038, 6.2.1: the default alphabet, and the extension table whose letters cost two.
# 0x09 is capital C with cedilla; the small one is not in the alphabet.
GSM = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
GSM_EXTENSION = frozenset("^{}\\[~]|€\f")

# Octets of a message: 140; a part of a longer one gives 6 to its header (TS 23.040).
SINGLE = {"gsm": 160, "ucs2": 70}
PART = {"gsm": 153, "ucs2": 67}


def segments(text: str) -> tuple[str, int, int]:
    """How *text* goes out by SMS, after 3GPP TS 23.038: (encoding, units, parts).

    encoding is "gsm" or "ucs2"; units are septets or 16-bit code units. A letter of two units is
    never split between parts.
    """
    letters = set(text)
    if letters <= GSM and len(text) <= SINGLE["gsm"]:
        return "gsm", len(text), 1
    if letters <= GSM | GSM_EXTENSION:
        encoding, sizes = "gsm", [2 if c in GSM_EXTENSION else 1 for c in text]
    else:
        encoding, sizes = "ucs2", [2 if ord(c) > 0xFFFF else 1 for c in text]
    units = sum(sizes)
    if units <= SINGLE[encoding]:
        return encoding, units, 1
    parts, room = 1, PART[encoding]
    for size in sizes:
        if size > room:
            parts, room = parts + 1, PART[encoding]
        room -= size
    return encoding, units, parts


def fits(text: str) -> bool:
    """Whether *text* goes out as one SMS and fits one USSD screen (160 GSM units, 70 otherwise)."""
    return segments(text)[2] == 1


def holes(text: str) -> set[str]:
    """The names in braces that *text* wants filled.

    ValueError if its braces do not match, or hold anything but a name.
    """
    found = [field for field in string.Formatter().parse(text) if field[1] is not None]
    if any(not str(name).isidentifier() or form or turn for _, name, form, turn in found):
        raise ValueError("braces hold a name and nothing else")
    return {str(name) for _, name, _, _ in found}


class _Blank(dict[str, str]):
    """A missing value leaves a blank: a person gets a text with a gap, never silence."""

    def __missing__(self, key: str) -> str:
        return ""


def fill(text: str, values: Mapping[str, str]) -> str:
    """*text* with its holes filled. ValueError if its braces do not match."""
    return text.format_map(_Blank(values))


def translation_problems(language: str, english: Catalogue, texts: Catalogue) -> list[str]:
    """What is wrong with a translation, a sentence each: unknown keys, other holes, bad braces."""
    found = []
    for key, text in texts.items():
        if key not in english:
            found.append(f"{language}: {key} is not a text of Soakbell")
            continue
        try:
            wanted, has = holes(english[key]), holes(text)
        except ValueError as error:
            found.append(f"{language}: {key}: {error}")
            continue
        if has - wanted:
            found.append(f"{language}: {key}: {', '.join(sorted(has - wanted))} is not known there")
    return found


def commands(texts: Catalogue) -> dict[str, str]:
    """The words of a language that are commands: from word to command, both of one catalogue."""
    return {
        word: key.removeprefix("word.")
        for key, forms in texts.items()
        if key.startswith("word.")
        for word in forms.upper().split()
    }
