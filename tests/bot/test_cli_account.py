"""`soakbell account`: what is done, what it ends with, and that a password is shown only once."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from bot.account_store import Accounts
from bot.cli import main
from bot.cli_account import random_password
from bot.clock import utc_now
from bot.config import local_store_url
from bot.passwords import Passwords
from bot.store import Store
from tests.bot.store_stand import demo_register
from tests.bot.trade_stand import Ask

ADD = ("add", "juma", "--role", "supervisor", "--place", "TAM")


class Desk:
    """The command on one folder, and whether a password opens an account there."""

    def __init__(self, data: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.url = local_store_url(data)
        self._capsys = capsys

    def account(self, *words: str) -> tuple[int, str, str]:
        try:
            ended = main(("account", *words))
        except SystemExit as stop:  # the parser's own way out
            ended = int(str(stop.code))
        said = self._capsys.readouterr()
        return ended, said.out, said.err

    def opens(self, name: str, password: str) -> bool:
        store = Store(self.url)
        try:
            accounts = Accounts(store.database, Passwords())
            return accounts.check(name, password, utc_now()) is not None
        finally:
            store.close()


@pytest.fixture
def desk(
    ask: Ask, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Desk:
    """With the demonstration's register; *ask* has taken the machine's settings away."""
    monkeypatch.setenv("SOAKBELL_DATA", str(tmp_path))
    made = Desk(tmp_path, capsys)
    store = Store(made.url)
    store.migrate()
    store.save_register(demo_register())
    store.close()
    return made


def test_an_account_is_made_with_a_password_that_is_shown_once(desk: Desk) -> None:
    ended, out, err = desk.account(*ADD, "--person", "P8", "--called", "Juma, district")
    [password] = re.findall(r"shown this once: (\S+)", out)
    listed = desk.account("list")[1]

    assert (ended, err) == (0, "")
    assert desk.opens("juma", password)
    assert "juma: supervisor TAM, code to P8" in listed
    assert password not in listed


def test_a_password_from_a_file_is_not_shown_at_all(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "word").write_text("reed-boat-lamp\n")
    ended, out, _ = desk.account(*ADD, "--password-file", str(tmp_path / "word"))

    assert ended == 0
    assert "reed" not in out
    assert desk.opens("juma", "reed-boat-lamp")


def test_another_password_takes_the_place_of_the_first(desk: Desk) -> None:
    first = json.loads(desk.account(*ADD, "--json")[1])["password"]
    second = json.loads(desk.account("password", "juma", "--json")[1])["password"]

    assert not desk.opens("juma", first)
    assert desk.opens("juma", second)


def test_a_disabled_account_opens_again_only_when_it_is_enabled(desk: Desk) -> None:
    password = json.loads(desk.account(*ADD, "--json")[1])["password"]
    assert desk.account("disable", "juma")[0] == 0
    assert not desk.opens("juma", password)
    assert json.loads(desk.account("list", "--json")[1])["accounts"][0]["disabled"] is True

    assert desk.account("enable", "juma")[0] == 0
    assert desk.opens("juma", password)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("add", "x1", "--role", "in_charge", "--place", "NONE"), "no facility NONE"),
        (("add", "x1", "--role", "supervisor", "--place", "LOWF"), "no district LOWF"),
        (("add", "x1", "--role", "administrator", "--place", "TAM"), "is *"),
        ((*ADD, "--person", "P99"), "no person P99"),
        (("disable", "nobody"), "no account nobody"),
        (("password", "nobody"), "no account nobody"),
    ],
)
def test_what_is_not_there_ends_with_1_and_changes_nothing(
    desk: Desk, words: tuple[str, ...], why: str
) -> None:
    ended, out, err = desk.account(*words)

    assert (ended, out) == (1, "")
    assert why in err
    assert desk.account("list")[1] == "no account yet\n"


def test_the_same_account_twice_ends_with_1(desk: Desk) -> None:
    password = json.loads(desk.account(*ADD, "--json")[1])["password"]

    assert desk.account(*ADD)[0] == 1
    assert desk.opens("juma", password)


def test_bad_usage_ends_with_2(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "short").write_text("reed\n")
    bad: list[tuple[str, ...]] = [
        (), ("add",), ("add", "x1", "--role", "boss", "--place", "*"),
        ("add", "Juma", "--role", "supervisor", "--place", "TAM"),
        (*ADD, "--password-file", str(tmp_path / "short")),
        (*ADD, "--password-file", str(tmp_path / "none")),
    ]  # fmt: skip

    assert [desk.account(*words)[0] for words in bad] == [2] * len(bad)
    assert desk.account("list")[1] == "no account yet\n"


@pytest.mark.parametrize("action", ["add", "list", "disable", "enable", "password"])
def test_every_action_has_a_help_with_an_example(desk: Desk, action: str) -> None:
    ended, out, _ = desk.account(action, "--help")

    assert ended == 0
    assert f"example: soakbell account {action}" in " ".join(out.split())


def test_passwords_made_here_differ_and_are_long() -> None:
    made = {random_password() for _ in range(100)}

    assert len(made) == 100
    assert {len(word.replace("-", "")) for word in made} == {16}
