"""The `soakbell` command: what needs no worker. `workers.command` adds what starts processes."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from redis.exceptions import RedisError

from bot import cli_account, cli_counts, cli_export, cli_register, cli_report, cli_token
from bot.catalogues import LOCALE, load_catalogues
from bot.cli_trade import ROWS
from bot.clock import utc_now
from bot.config import Config, from_env
from bot.draw import mermaid, mermaid_screens
from bot.errors import BotError, RegisterError
from bot.handset_terminal import Server, run
from bot.prove import joined, prove
from bot.prove_above import prove_above
from bot.wiring import load_alerts, load_protocols, load_rules, open_store
from bot.wording import Wording
from flows import alerting, readiness, supervision
from flows.protocol import Protocol
from flows.release import ORDER
from flows.reprocess import REPROCESS
from flows.stage import check

GOOD, FINDING, USAGE = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Command:
    """One subcommand: its name, a sentence, an example, its arguments and what it does."""

    name: str
    about: str
    example: str
    add: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]


def main(argv: Sequence[str] | None = None, more: Sequence[Command] = ()) -> int:
    """Run one command. Returns 0 when all is good, 1 on a finding, 2 on bad usage or settings."""
    parser = argparse.ArgumentParser(prog="soakbell", description="The whole job: README.md.")
    adder = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for command in (*COMMANDS, *more):
        sub = adder.add_parser(
            command.name,
            help=command.about,
            description=command.about,
            epilog=f"example: {command.example}",
        )
        command.add(sub)
        sub.set_defaults(run=command.run)
    words = parser.parse_args(argv)
    try:
        return int(words.run(words))
    except RegisterError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        print(error, file=sys.stderr)
        return FINDING
    except (BotError, ValueError) as error:
        print(error, file=sys.stderr)
        return USAGE
    except RedisError as error:
        print(f"Redis does not answer ({type(error).__name__})", file=sys.stderr)
        return USAGE


def _json_flag(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print JSON")


def _say(words: argparse.Namespace, data: dict[str, Any], text: str) -> None:
    print(json.dumps(data, default=str) if words.json else text)


def _store_config() -> Config:
    """The settings of a command that only needs the store."""
    return from_env(os.environ, needs=())


# ---- check, prove, draw ---------------------------------------------------------------------


def _check(words: argparse.Namespace) -> int:
    config = _store_config()
    english = load_catalogues(config.locale or LOCALE)["en"]
    found = check(REPROCESS, ORDER, set(english))
    found += supervision.check(supervision.SCREENS, set(english))
    found += readiness.check(readiness.QUESTIONS, readiness.STARTS, set(english))
    alerts = load_alerts(config.alerts)
    found += alerting.check(alerts, REPROCESS, set(english))
    # Raises, naming the file, if one may not be used. By name and by id: each is there twice.
    protocols = {p.id: p for p in load_protocols(config.protocols).values()}
    screens = len(supervision.SCREENS)
    lines = found or [
        f"{REPROCESS.id}: {len(REPROCESS.stages)} stages, nothing wrong",
        f"supervision: {screens} screens, nothing wrong",
        f"readiness: {len(readiness.QUESTIONS)} questions, nothing wrong",
        f"alerts {alerts.name}-{alerts.version}: {len(alerts.rules)} rules, nothing wrong",
    ]
    lines = [*lines, *(_standing(p) for _, p in sorted(protocols.items()))]
    data = {
        "flow": REPROCESS.id,
        "findings": found,
        "alerts": f"{alerts.name}-{alerts.version}",
        "protocols": [
            {"id": id_, "confirmed": p.confirmed, "by": p.confirmed_by, "on": p.confirmed_on}
            for id_, p in sorted(protocols.items())
        ],
    }
    _say(words, data, "\n".join(lines))
    return FINDING if found else GOOD


def _standing(protocol: Protocol) -> str:
    """Who confirmed it and when. That nobody did is told, not held against it."""
    if protocol.confirmed:
        return f"{protocol.id}: confirmed by {protocol.confirmed_by} on {protocol.confirmed_on}"
    return f"{protocol.id}: for training: not confirmed"


def _prove(words: argparse.Namespace) -> int:
    wording = Wording(load_catalogues())
    rules = load_rules(from_env({"SOAKBELL_DEMO": "1"}), wording)
    proof = joined([prove(rules), prove_above(rules)])
    _say(words, proof.as_dict(), proof.as_text())
    return GOOD if proof.holds else FINDING


def _add_draw(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", nargs="?", choices=["batch", "supervision"], default="batch",
                        help="the stages of a batch, or the supervisor's screens")  # fmt: skip


def _draw(words: argparse.Namespace) -> int:
    if words.what == "supervision":
        print(mermaid_screens(supervision.SCREENS), end="")
        return GOOD
    english = load_catalogues()["en"]
    print(mermaid(REPROCESS, lambda stage: english[f"{stage}.title"]), end="")
    return GOOD


# ---- migrate, handset -----------------------------------------------------


def _migrate(_words: argparse.Namespace) -> int:
    config = _store_config()
    open_store(config, load_rules(config, Wording(load_catalogues()))).close()
    print("the store is up to date")
    return GOOD


def _add_handset(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("phone", nargs="?", default="", help="whose phone; default: the first")
    parser.add_argument("--url", default="http://127.0.0.1:8080", help="the demonstration")
    parser.add_argument("--key", default="demo", help="its hook key")


def _handset(words: argparse.Namespace) -> int:
    try:
        phone = words.phone or Server(words.url, words.key).people()[0].phone
    except OSError as error:
        raise ValueError(f"no demonstration answers at {words.url} ({error})") from error
    run(words.url, words.key, phone, sys.stdout, sys.stdin, utc_now)
    return GOOD


def _nothing(_parser: argparse.ArgumentParser) -> None:
    """No arguments."""


COMMANDS = (
    Command("check", "look for faults in the stage graph and protocols", "soakbell check",
            _json_flag, _check),
    Command("prove", "explore every state of the graph", "soakbell prove --json",
            _json_flag, _prove),
    Command("draw", "print the stage graph, or the supervisor's screens, as Mermaid text",
            "soakbell draw supervision > screens.mmd", _add_draw, _draw),
    Command(*cli_register.ROW),
    Command(*cli_counts.ROW),
    Command(*cli_export.ROW),
    Command(*cli_report.ROW),
    Command("migrate", "bring the store's tables up to date", "soakbell migrate",
            _nothing, _migrate),
    Command("handset", "a phone of the demonstration in this terminal", "soakbell handset",
            _add_handset, _handset),
    Command(*cli_account.ROW),
    Command(*cli_token.ROW),
    *(Command(*row) for row in ROWS),
)  # fmt: skip
