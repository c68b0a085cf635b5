"""The register's cells about the day: when the check is, what must be READY, who works when."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import cast, get_args

from flows.batch import Kind

MOST_CHECKS = 6  # every four hours; more often nobody looks any more
MOST_LEAST = 20  # sets of a kind that must be READY: more than any small unit has

_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


def checks(text: str) -> tuple[str, ...]:
    """`07:00 19:00`: the times of the shift check by the facility's clock, each once, in order."""
    found = tuple(text.split())
    if not all(_TIME.fullmatch(time) for time in found):
        raise ValueError("a time of day is written 07:00, with two digits each")
    if len(found) > MOST_CHECKS:
        raise ValueError(f"at most {MOST_CHECKS} times")
    if list(found) != sorted(set(found)):
        raise ValueError("each time once, the earliest first")
    return found


def least_ready(text: str) -> tuple[tuple[Kind, int], ...]:
    """`bag:1 suction:1`: how many sets of a kind must be READY."""
    found = tuple(_least(word) for word in text.split())
    if len({kind for kind, _ in found}) < len(found):
        raise ValueError("a kind is there twice")
    return found


def _least(word: str) -> tuple[Kind, int]:
    kind, _, count = word.partition(":")
    plain = count.isascii() and count.isdecimal() and len(count) <= len(str(MOST_LEAST))
    if kind not in get_args(Kind) or not plain or not 1 <= int(count) <= MOST_LEAST:
        kinds = " or ".join(get_args(Kind))
        raise ValueError(f"written bag:1, with {kinds} and a number from 1 to {MOST_LEAST}")
    return cast("Kind", kind), int(count)


def least_words(least: Iterable[tuple[str, int]]) -> str:
    """What must be READY as its cell has it."""
    return " ".join(f"{kind}:{count}" for kind, count in least)


def shift(text: str) -> str:
    """`07:00-19:00`, which may go over midnight; empty where nobody says."""
    begins, dash, ends = text.partition("-")
    if text and not (dash and _TIME.fullmatch(begins) and _TIME.fullmatch(ends)):
        raise ValueError("a shift is written 07:00-19:00")
    if text and begins == ends:
        raise ValueError("a shift ends at another time than it begins")
    return text
