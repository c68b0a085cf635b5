"""What the commands of the trade share: how they end, print, and find the numbers in force."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from typing import Any, NamedTuple

from bot.cli_trade_words import CLOSING
from bot.config import from_env
from bot.wiring import load_protocols
from flows.protocol import Protocol

GOOD, FINDING = 0, 1  # bad usage is a ValueError, which the program turns into 2


def add_shared(parser: argparse.ArgumentParser, *, protocol: bool) -> None:
    """The arguments that every command of the trade takes."""
    if protocol:
        parser.add_argument("--protocol", default="default", help="whose numbers; default: default")
    parser.add_argument("--json", action="store_true", help="print JSON")


def chosen_protocol(name: str) -> Protocol:
    """The protocol *name* or id, of the built-in ones and those of the settings."""
    found = load_protocols(from_env(os.environ, needs=()).protocols)
    if name not in found:
        raise ValueError(f"There is no protocol {name}, only: {', '.join(sorted(found))}.")
    return found[name]


class Answer(NamedTuple):
    """What a command found: how it ends, its data for JSON, its lines for people."""

    code: int
    data: dict[str, Any]
    lines: list[str]


def tell(words: argparse.Namespace, found: Answer) -> int:
    """Print *found*; the code the program ends with."""
    say(words, found.data, found.lines)
    return found.code


def say(words: argparse.Namespace, data: dict[str, Any], lines: Sequence[str]) -> None:
    """Print *data* as JSON or *lines* as text; either ends with the same sentence."""
    if words.json:
        print(json.dumps({**data, "note": CLOSING}, default=str))
    else:
        print("\n".join((*lines, CLOSING)))
