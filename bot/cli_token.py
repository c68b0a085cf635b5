"""`soakbell token`: which systems may use the API. A token is shown once, when it is made."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from bot.accounts import EVERYWHERE
from bot.audit import COMMAND
from bot.cli_actions import Action, Answer, add_actions, opened_store, run_action
from bot.cli_trade import Row
from bot.clock import utc_now
from bot.errors import TokenRefused
from bot.store import Store
from bot.tokens import DAYS, SCOPES, KeptToken, Token, Tokens, new_secret


class _Door(NamedTuple):
    tokens: Tokens
    store: Store


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of the command."""
    add_actions(parser, ACTIONS)


def run(words: argparse.Namespace) -> int:
    """0 when done, 1 for a token or a district that is not there (or a name that is taken)."""
    return run_action(words, ACTIONS, _door(), TokenRefused, _text)


@contextmanager
def _door() -> Iterator[_Door]:
    with opened_store() as (_, store):
        yield _Door(Tokens(store.database), store)


# ---- add, list, revoke -------------------------------------------------------------------------


def _add_name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="what people call it, such as the system's")


def _add_add(parser: argparse.ArgumentParser) -> None:
    _add_name(parser)
    parser.add_argument("--scope", required=True, choices=SCOPES,
                        help="read answers, ingest records, or both")
    parser.add_argument("--district", required=True, help="one district's id, or * for all")
    parser.add_argument("--days", type=int, default=DAYS, metavar="N",
                        help=f"how long it is good ({DAYS})")


def _add(door: _Door, words: argparse.Namespace) -> Answer:
    known = {d.id for d in door.store.load_register().districts}
    if words.district not in {EVERYWHERE, *known}:
        raise TokenRefused(f"the register has no district {words.district[:40]}")
    district = None if words.district == EVERYWHERE else words.district
    secret, now = new_secret(), utc_now()
    kept = door.tokens.add(
        words.name, Token(words.scope, district), secret, now, COMMAND, words.days)
    return {"token": words.name, "done": f"made, good until {_day(kept.expires_at)}",
            "secret": secret, "expires_at": kept.expires_at}  # fmt: skip


def _list(door: _Door, _words: argparse.Namespace) -> Answer:
    return {"tokens": [_row(kept) for kept in door.tokens.all()]}


def _row(kept: KeptToken) -> Answer:
    return {"name": kept.name, "scope": kept.token.scope,
            "district": kept.token.district or EVERYWHERE, "created_at": kept.created_at,
            "expires_at": kept.expires_at, "last_used_at": kept.last_used_at,
            "revoked_at": kept.revoked_at, "stands": kept.opens(utc_now())}  # fmt: skip


def _revoke(door: _Door, words: argparse.Namespace) -> Answer:
    door.tokens.revoke(words.name, utc_now(), COMMAND)
    return {"token": words.name, "done": "revoked; it opens nothing any more"}


# ---- small parts -------------------------------------------------------------------------------


def _text(answer: Answer) -> str:
    if "tokens" in answer:
        return "\n".join(_line(row) for row in answer["tokens"]) or "no token yet"
    lines = [f"{answer['token']}: {answer['done']}"]
    if "secret" in answer:
        lines.append(f"token, shown this once: {answer['secret']}")
    return "\n".join(lines)


def _line(row: Answer) -> str:
    used = f"last used {_day(row['last_used_at'])}" if row["last_used_at"] else "never used"
    state = "" if row["stands"] else ", REVOKED" if row["revoked_at"] else ", OVER"
    return (f"{row['name']}: {row['scope']} {row['district']}, good until "
            f"{_day(row['expires_at'])}, {used}{state}")


def _day(at: Any) -> str:
    return f"{at:%Y-%m-%d %H:%M} UTC"


def _nothing(_parser: argparse.ArgumentParser) -> None:
    """No arguments."""


ACTIONS = {
    "add": Action("make a token", "soakbell token add figures --scope read --district TAM",
                   _add_add, _add),
    "list": Action("print the tokens, without what opens", "soakbell token list --json",
                    _nothing, _list),
    "revoke": Action("end a token for good", "soakbell token revoke figures",
                      _add_name, _revoke),
}  # fmt: skip

ROW = Row("token", "which systems may use the API: add, list, revoke",
          "soakbell token add figures --scope read --district TAM", add, run)  # fmt: skip
