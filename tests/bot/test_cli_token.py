"""`soakbell token`: what is done, what it ends with, and that a token is shown only once."""

from __future__ import annotations

import json
import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from bot.cli import main
from bot.clock import utc_now
from bot.config import local_store_url
from bot.store import Store
from bot.tokens import PREFIX, Token, Tokens
from tests.bot.store_stand import demo_register
from tests.bot.trade_stand import Ask

ADD = ("add", "figures", "--scope", "read", "--district", "TAM")


class Server:
    """The command on one folder, and what a token opens there."""

    def __init__(self, data: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.url = local_store_url(data)
        self._capsys = capsys

    def token(self, *words: str) -> tuple[int, str, str]:
        try:
            ended = main(("token", *words))
        except SystemExit as stop:  # the parser's own way out
            ended = int(str(stop.code))
        said = self._capsys.readouterr()
        return ended, said.out, said.err

    def opens(self, secret: str) -> Token | None:
        store = Store(self.url)
        try:
            return Tokens(store.database).find(secret, utc_now())
        finally:
            store.close()


@pytest.fixture
def server(
    ask: Ask, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Server:
    """With the demonstration's register; *ask* has taken the machine's settings away."""
    monkeypatch.setenv("SOAKBELL_DATA", str(tmp_path))
    made = Server(tmp_path, capsys)
    store = Store(made.url)
    store.migrate()
    store.save_register(demo_register())
    store.close()
    return made


def test_a_token_is_made_and_shown_once(server: Server) -> None:
    ended, out, err = server.token(*ADD)
    [secret] = re.findall(r"shown this once: (\S+)", out)
    listed = server.token("list")[1]

    assert (ended, err) == (0, "")
    assert secret.startswith(PREFIX)
    assert server.opens(secret) == Token("read", "TAM")
    assert listed.startswith("figures: read TAM, good until ")
    assert secret not in listed


def test_json_says_the_same(server: Server) -> None:
    made = json.loads(server.token(*ADD, "--days", "30", "--json")[1])
    [row] = json.loads(server.token("list", "--json")[1])["tokens"]

    assert server.opens(made["secret"]) == Token("read", "TAM")
    assert (row["name"], row["scope"], row["district"]) == ("figures", "read", "TAM")
    assert (row["stands"], row["revoked_at"], row["last_used_at"]) == (True, None, None)
    good = datetime.fromisoformat(row["expires_at"]) - datetime.fromisoformat(row["created_at"])
    assert good == timedelta(days=30)


def test_one_for_every_district(server: Server) -> None:
    made = json.loads(server.token(
        "add", "push", "--scope", "ingest", "--district", "*", "--json")[1])  # fmt: skip

    assert server.opens(made["secret"]) == Token("ingest", None)


def test_a_revoked_token_opens_nothing_and_stays_in_the_list(server: Server) -> None:
    secret = json.loads(server.token(*ADD, "--json")[1])["secret"]

    assert server.token("revoke", "figures")[0] == 0

    assert server.opens(secret) is None
    assert ", REVOKED" in server.token("list")[1]


@pytest.mark.parametrize(("words", "why"), [
    (("add", "x", "--scope", "read", "--district", "NONE"), "no district NONE"),
    (("revoke", "nobody"), "no token nobody"),
])
def test_what_is_not_there_ends_with_1_and_changes_nothing(
    server: Server, words: tuple[str, ...], why: str
) -> None:
    ended, out, err = server.token(*words)

    assert (ended, out) == (1, "")
    assert why in err
    assert server.token("list")[1] == "no token yet\n"


def test_the_same_name_twice_ends_with_1(server: Server) -> None:
    secret = json.loads(server.token(*ADD, "--json")[1])["secret"]

    assert server.token(*ADD)[0] == 1
    assert server.opens(secret)


def test_bad_usage_ends_with_2(server: Server) -> None:
    bad: list[tuple[str, ...]] = [
        (), ("add",), ("add", "x", "--scope", "write", "--district", "*"),
        ("add", "x", "--scope", "read"), (*ADD, "--days", "0"), (*ADD, "--days", "many"),
        ("add", "", "--scope", "read", "--district", "*"),
    ]  # fmt: skip

    assert [server.token(*words)[0] for words in bad] == [2] * len(bad)
    assert server.token("list")[1] == "no token yet\n"


@pytest.mark.parametrize("action", ["add", "list", "revoke"])
def test_every_action_has_a_help_with_an_example(server: Server, action: str) -> None:
    ended, out, _ = server.token(action, "--help")

    assert ended == 0
    assert f"example: soakbell token {action}" in " ".join(out.split())
