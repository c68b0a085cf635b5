"""Commands with a second word, such as `soakbell token add`: their arguments and their answer."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from typing import Any, Generic, NamedTuple, TypeVar

from bot.catalogues import load_catalogues
from bot.config import Config, from_env
from bot.store import Store
from bot.wiring import load_rules, open_store
from bot.wording import Wording

GOOD, FINDING = 0, 1  # 2, for a wrong word or setting, is said by `bot.cli`

Answer = dict[str, Any]
Door = TypeVar("Door")


class Action(NamedTuple, Generic[Door]):
    """One second word: its sentence, its example, and what it does with what *Door* opens."""

    about: str
    example: str
    add: Callable[[argparse.ArgumentParser], None]
    run: Callable[[Door, argparse.Namespace], Answer]


def add_actions(parser: argparse.ArgumentParser, actions: Mapping[str, Action[Door]]) -> None:
    """The arguments of a command that has *actions*."""
    adder = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name, action in actions.items():
        sub = adder.add_parser(name, help=action.about, description=action.about,
                               epilog=f"example: {action.example}")  # fmt: skip
        action.add(sub)
        sub.add_argument("--json", action="store_true", help="print JSON")


def run_action(
    words: argparse.Namespace,
    actions: Mapping[str, Action[Door]],
    door: AbstractContextManager[Door],
    refused: type[Exception],
    text: Callable[[Answer], str],
) -> int:
    """Do what *words* say and print it; 1 where it is *refused*, with the reason."""
    try:
        with door as opened:
            answer = actions[words.action].run(opened, words)
    except refused as refusal:
        print(refusal, file=sys.stderr)
        return FINDING
    print(json.dumps(answer, default=str) if words.json else text(answer))
    return GOOD


@contextmanager
def opened_store() -> Iterator[tuple[Config, Store]]:
    """The store that the settings name, for as long as the command runs."""
    config = from_env(os.environ, needs=())
    store = open_store(config, load_rules(config, Wording(load_catalogues())))
    try:
        yield config, store
    finally:
        store.close()
