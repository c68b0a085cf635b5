"""Texts that people, or who means harm, could send, and that a file must bear to hold."""

from __future__ import annotations

FORMULAS = (
    "=cmd|' /C calc'!A0", "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1",
    '=HYPERLINK("http://example.org","x")', "\uff1d1", "\uff0b1", "\uff0d1", "\uff20x",
)  # fmt: skip
OTHERS = (
    "<script>alert(1)</script>", "<r><t>x</t></r>", "]]>&amp;<", "http://example.org/",
    "mailto:a@example.org", "internal:'A'!A1", "{=1}", "007", "1e5", "TRUE", "2026-11-01",
    'a,"b";c', "line\nline", "\u202eback", "_x0041_", " round ", "'quoted", "#REF!",
)  # fmt: skip
BROKEN = ("a\x00b\x07\x1bc", "\x00=1", "half \ud83d", "\udc00=", "\ufffe\uffff")
HOSTILE = (*FORMULAS, *OTHERS, *BROKEN)

# For the ids of tests: the texts themselves are no names.
_KINDS = {"formula": FORMULAS, "other": OTHERS, "broken": BROKEN}
NAMES = [f"{kind}{n}" for kind, texts in _KINDS.items() for n, _ in enumerate(texts)]
