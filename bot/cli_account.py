"""`soakbell account`: who may log in at the desk. A password is shown once, or never."""

from __future__ import annotations

import argparse
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from bot.account_store import Accounts
from bot.accounts import ROLES, Account, Kept, place_problem
from bot.audit import COMMAND
from bot.cli_actions import Action, Answer, add_actions, opened_store, run_action
from bot.cli_trade import Row
from bot.clock import utc_now
from bot.errors import AccountRefused
from bot.register import Register
from bot.store import Store
from bot.wiring import accounts_of

# Small letters and digits that nobody takes for one another, in groups, to be typed on a phone:
# 16 of 31 are 79 bits.
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
GROUPS, GROUP = 4, 4


class _Desk(NamedTuple):
    accounts: Accounts
    store: Store


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of the command."""
    add_actions(parser, ACTIONS)


def run(words: argparse.Namespace) -> int:
    """0 when done, 1 for an account, place or person that is not there (or is already)."""
    return run_action(words, ACTIONS, _desk(), AccountRefused, _text)


@contextmanager
def _desk() -> Iterator[_Desk]:
    with opened_store() as (config, store):
        yield _Desk(accounts_of(config, store), store)


# ---- add, list, disable, enable, password ------------------------------------------------------


def _add_add(parser: argparse.ArgumentParser) -> None:
    _add_name(parser)
    parser.add_argument("--role", required=True, choices=ROLES)
    parser.add_argument("--place", required=True, help="facility of an in_charge, district of a "
                        "supervisor, district or * of a programme, * of an administrator")
    parser.add_argument("--called", default="", help="the name that pages show; default: NAME")
    parser.add_argument("--person", default="",
                        help="id of the register: that phone gets a code at each log-in")
    _add_file(parser)


def _add(desk: _Desk, words: argparse.Namespace) -> Answer:
    register = desk.store.load_register()
    _refuse(_place_problem(register, words) or _person_problem(register, words.person))
    account = Account(words.name, words.called or words.name, words.role, words.place)
    password, shown = _password_of(words)
    desk.accounts.add(account, password, utc_now(), COMMAND, words.person)
    return {"account": words.name, "done": "made", **shown}


def _place_problem(register: Register, words: argparse.Namespace) -> str:
    facilities = {f.id for f in register.facilities}
    return place_problem(words.role, words.place, facilities, {d.id for d in register.districts})


def _person_problem(register: Register, person: str) -> str:
    known = {m.person.id for m in register.people}
    return "" if not person or person in known else f"the register has no person {person[:40]}"


def _list(desk: _Desk, _words: argparse.Namespace) -> Answer:
    return {"accounts": [_row(kept) for kept in desk.accounts.all()]}


def _row(kept: Kept) -> Answer:
    return {"name": kept.account.id, "called": kept.account.name, "role": kept.account.role,
            "place": kept.account.place, "person": kept.person, "disabled": kept.disabled,
            "created_at": kept.created_at, "last_login_at": kept.last_login_at,
            "failures": kept.failures, "locked_until": kept.locked_until}  # fmt: skip


def _disable(desk: _Desk, words: argparse.Namespace) -> Answer:
    desk.accounts.set_disabled(words.name, True, utc_now(), COMMAND)
    return {"account": words.name, "done": "disabled; whoever was logged in is out"}


def _enable(desk: _Desk, words: argparse.Namespace) -> Answer:
    desk.accounts.set_disabled(words.name, False, utc_now(), COMMAND)
    return {"account": words.name, "done": "enabled"}


def _add_password(parser: argparse.ArgumentParser) -> None:
    _add_name(parser)
    _add_file(parser)


def _password(desk: _Desk, words: argparse.Namespace) -> Answer:
    password, shown = _password_of(words)
    desk.accounts.set_password(words.name, password, utc_now(), COMMAND)
    return {"account": words.name, "done": "has another password; whoever was logged in is out",
            **shown}  # fmt: skip


# ---- small parts -------------------------------------------------------------------------------


def _add_name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="the log-in name: 2 to 40 small letters")


def _add_file(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--password-file", type=Path, metavar="F",
                        help="its first line is the password; without it one is made and shown")


def _password_of(words: argparse.Namespace) -> tuple[str, Answer]:
    """The password, and what to show of it: all of one that was made here, nothing of a file's."""
    if words.password_file is None:
        made = random_password()
        return made, {"password": made}
    try:
        lines = words.password_file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"{words.password_file}: cannot be read") from error
    return (lines[0] if lines else ""), {}


def random_password() -> str:
    """One that nobody can guess, to be told once."""
    letters = (secrets.choice(LETTERS) for _ in range(GROUPS * GROUP))
    text = "".join(letters)
    return "-".join(text[i : i + GROUP] for i in range(0, len(text), GROUP))


def _refuse(problem: str) -> None:
    if problem:
        raise AccountRefused(problem)


def _text(answer: Answer) -> str:
    if "accounts" in answer:
        lines = [_line(row) for row in answer["accounts"]]
        return "\n".join(lines) or "no account yet"
    lines = [f"{answer['account']}: {answer['done']}"]
    if "password" in answer:
        lines.append(f"password, shown this once: {answer['password']}")
    return "\n".join(lines)


def _line(row: Answer) -> str:
    last = row["last_login_at"]
    code = f", code to {row['person']}" if row["person"] else ""
    state = ", DISABLED" if row["disabled"] else ""
    if row["locked_until"]:  # forgotten at the next log-in
        state += f", wrong tries: closed until {row['locked_until']:%Y-%m-%d %H:%M} UTC"
    seen = f"{last:%Y-%m-%d %H:%M} UTC" if last else "never"
    return f"{row['name']}: {row['role']} {row['place']}{code}, last log-in {seen}{state}"


def _nothing(_parser: argparse.ArgumentParser) -> None:
    """No arguments."""


ACTIONS = {
    "add": Action(
        "make an account", "soakbell account add juma --role supervisor --place TAM --person P8",
        _add_add, _add),
    "list": Action("print the accounts, without passwords", "soakbell account list --json",
                    _nothing, _list),
    "disable": Action("close an account and end its log-ins", "soakbell account disable juma",
                       _add_name, _disable),
    "enable": Action("open a closed account again", "soakbell account enable juma",
                      _add_name, _enable),
    "password": Action("give an account another password; lifts a lock too",
                        "soakbell account password juma", _add_password, _password),
}  # fmt: skip

ROW = Row("account", "who may log in at the desk: add, list, disable, enable, password",
          "soakbell account add nia --role administrator --place '*'", add, run)  # fmt: skip
