"""Tokens on each engine of the store: what opens, until when, and what is kept of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, text

from bot import audit
from bot.accounts import digest
from bot.errors import StoreDown, TokenRefused
from bot.store import Store
from bot.tables import tokens as table
from bot.tokens import PREFIX, Token, Tokens, new_secret

NOW = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
TAM = Token("read", "TAM")
SECRET = "soakbell_reed-boat-lamp"


@pytest.fixture
def kept(store: Store) -> Tokens:
    made = Tokens(store.database, {digest("first"): Token("all")})
    made.add("figures", TAM, SECRET, NOW, audit.COMMAND)
    return made


def trail(store: Store) -> list[tuple[str, str, str, str]]:
    with store.database.read() as connection:
        return [(line.who, line.what, line.about, line.district)
                for line in reversed(audit.lines(connection))]  # fmt: skip


def used(kept: Tokens) -> datetime | None:
    return kept.all()[0].last_used_at


def test_a_token_opens_what_it_was_made_for_and_no_near_one_does(kept: Tokens) -> None:
    assert kept.find(SECRET, NOW) == TAM
    for wrong in ("", SECRET[:-1], SECRET + "x", SECRET.upper(), digest(SECRET), "figures"):
        assert kept.find(wrong, NOW) is None


def test_one_of_the_settings_opens_too_and_never_ends(kept: Tokens) -> None:
    assert kept.find("first", NOW + timedelta(days=10_000)) == Token("all")
    assert [k.name for k in kept.all()] == ["figures"]


def test_the_digest_alone_is_kept(store: Store, kept: Tokens) -> None:
    with store.database.read() as connection:
        row = connection.execute(select(table)).one()

    assert row.digest == digest(SECRET)
    assert SECRET not in str(row)
    assert SECRET not in str(trail(store))


@pytest.mark.parametrize(("after", "opens"), [
    (timedelta(0), True), (timedelta(days=30, seconds=-1), True), (timedelta(days=30), False),
    (timedelta(days=31), False)])
def test_it_opens_until_its_time_is_over(store: Store, after: timedelta, opens: bool) -> None:
    tokens = Tokens(store.database)
    tokens.add("short", Token("ingest"), SECRET, NOW, "", days=30)

    assert (tokens.find(SECRET, NOW + after) is not None) is opens


def test_a_year_is_the_usual_time(kept: Tokens) -> None:
    assert kept.all()[0].expires_at == NOW + timedelta(days=365)


def test_one_that_is_revoked_opens_nothing_at_once_in_every_process(
    store: Store, kept: Tokens
) -> None:
    beside = Tokens(store.database)
    assert beside.find(SECRET, NOW) == TAM

    kept.revoke("figures", NOW, "nia")

    assert beside.find(SECRET, NOW) is None
    assert kept.all()[0].revoked_at == NOW
    with pytest.raises(TokenRefused, match="no token figures"):
        kept.revoke("figures", NOW, "nia")


def test_making_and_revoking_stand_in_the_trail_of_its_district(
    store: Store, kept: Tokens
) -> None:
    kept.add("all of it", Token("all"), "another", NOW, "nia")
    kept.revoke("figures", NOW, "nia")

    assert trail(store) == [
        (audit.COMMAND, "token.made", "figures", "TAM"), ("nia", "token.made", "all of it", ""),
        ("nia", "token.revoked", "figures", "TAM")]


def test_what_cannot_be_is_refused_and_changes_nothing(store: Store, kept: Tokens) -> None:
    before = kept.all(), trail(store)

    with pytest.raises(TokenRefused, match="already"):
        kept.add("figures", TAM, "other", NOW, "")
    with pytest.raises(TokenRefused, match="no token nobody"):
        kept.revoke("nobody", NOW, "")
    for name in ("", " x", "a\nb", "n" * 41):
        with pytest.raises(ValueError, match="1 to 40"):
            kept.add(name, TAM, "other", NOW, "")
    for days in (0, -1, 3651):
        with pytest.raises(ValueError, match="1 to 3650 days"):
            kept.add("other", TAM, "other", NOW, "", days)
    assert (kept.all(), trail(store)) == before


def test_a_name_stays_taken_when_its_token_is_revoked(kept: Tokens) -> None:
    kept.revoke("figures", NOW, "")

    with pytest.raises(TokenRefused, match="already"):
        kept.add("figures", TAM, "other", NOW, "")


def test_the_last_use_is_written_once_an_hour(kept: Tokens) -> None:
    assert used(kept) is None
    for minutes, written in ((0, 0), (30, 0), (59, 0), (60, 60), (119, 60), (125, 125)):
        kept.find(SECRET, NOW + timedelta(minutes=minutes))
        assert used(kept) == NOW + timedelta(minutes=written)


def test_a_store_that_takes_no_writing_still_lets_read(tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    tokens = Tokens(store.database)
    tokens.add("figures", TAM, SECRET, NOW, "")
    with store.database.write() as connection:
        connection.execute(text(
            "CREATE TRIGGER held BEFORE UPDATE ON tokens BEGIN SELECT RAISE(FAIL, 'no'); END"))

    assert tokens.find(SECRET, NOW) == TAM
    assert used(tokens) is None
    store.close()


def test_a_store_that_is_down_opens_nothing() -> None:
    down = Store("sqlite:////no/such/folder/store.db")
    tokens = Tokens(down.database, {digest("first"): Token("all")})

    with pytest.raises(StoreDown):
        tokens.find(SECRET, NOW)
    assert tokens.find("first", NOW) == Token("all")


def test_secrets_are_ours_to_see_and_nobodys_to_guess() -> None:
    made = {new_secret() for _ in range(100)}

    assert len(made) == 100
    assert all(secret.startswith(PREFIX) and len(secret) >= len(PREFIX) + 43 for secret in made)
    assert all(secret.isascii() and secret.isprintable() for secret in made)
