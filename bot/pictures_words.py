"""What a picture says in words: shares, times, and names that may hold anything."""

from __future__ import annotations

import unicodedata

NOTHING = "No numbers for this time."
LONGEST = 60  # characters of a name in a sentence or a table

_JOINERS = "\u200c\u200d"  # letters of several scripts need them
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def clean(text: str, most: int = LONGEST) -> str:
    """*text* on one line, at most *most* characters, with nothing in it that XML refuses.

    Control characters and marks that turn the direction of other text are left out.
    """
    seen = (c if c in _JOINERS or unicodedata.category(c) not in _UNSEEN else " " for c in text)
    line = " ".join("".join(seen).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def named(text: str) -> str:
    """*text* for the middle of a sentence: a name from right to left turns nothing else round."""
    name = clean(text)
    turns = any(unicodedata.bidirectional(c) in {"R", "AL"} for c in name)
    return f"\u2068{name}\u2069" if turns else name


def opening(what: str) -> str:
    """*what* as the beginning of a sentence."""
    line = clean(what)
    return line[:1].upper() + line[1:]


def percent(share: float) -> str:
    """0.314 as "31 %", 0.034 as "3.4 %". What is not quite none or all never reads so."""
    value = 100 * share
    if 0 < value < 0.1:
        return "under 0.1 %"
    if 99.9 < value < 100:
        return "over 99.9 %"
    near_an_end = value < 10 or value > 90
    return f"{f'{value:.1f}'.removesuffix('.0') if near_an_end else f'{value:.0f}'} %"


def duration(minutes: float) -> str:
    """135.2 as "2 h 15 min"; from three days on in days and hours, since minutes say nothing."""
    hours, rest = divmod(round(minutes), 60)
    if hours >= 72:
        return _parts((hours // 24, "days"), (hours % 24, "h"))
    return _parts((hours, "h"), (rest, "min"))


def _parts(large: tuple[int, str], small: tuple[int, str]) -> str:
    said = [f"{number} {unit}" for number, unit in (large, small) if number]
    return " ".join(said) or f"0 {small[1]}"


def several(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1] if words else ""]))


def count(number: int, one: str, many: str) -> str:
    """ "1 batch", "3 batches"."""
    return f"{number} {one if number == 1 else many}"
