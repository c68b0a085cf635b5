"""What people typed, made harmless to whoever opens a file that holds it."""

from __future__ import annotations

import re

# With one of these first, a spreadsheet takes a text for a formula; some read the wide forms too.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")

# All but the characters of XML 1.0 (fifth edition, 2.2 Char): control characters, lone surrogates
# and the two non-characters. XML has no way to write them; UTF-8 has none for a lone surrogate.
_NO_CHARACTER = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def plain(text: str) -> str:
    """*text* with what XML 1.0 forbids replaced by U+FFFD, so that it is seen that it was there."""
    return _NO_CHARACTER.sub("\ufffd", text)
