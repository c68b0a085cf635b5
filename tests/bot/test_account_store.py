"""Accounts, log-ins and the trail, on each engine of the store."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from argon2 import PasswordHasher
from sqlalchemy import select

from bot import audit
from bot.account_sessions import LogIns
from bot.account_store import Accounts
from bot.accounts import Account
from bot.errors import AccountRefused
from bot.passwords import Passwords, quick
from bot.store import Store
from bot.tables import account_sessions, accounts

NOW = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
JUMA = Account("juma", "Juma", "supervisor", "TAM")
WORD = "reed-boat-lamp"


@pytest.fixture
def kept(store: Store) -> Accounts:
    made = Accounts(store.database, quick())
    made.add(JUMA, WORD, NOW, audit.COMMAND, "P8")
    return made


@pytest.fixture
def log_ins(store: Store) -> LogIns:
    return LogIns(store.database)


def trail(store: Store) -> list[tuple[str, str]]:
    with store.database.read() as connection:
        return [(line.who, line.what) for line in reversed(audit.lines(connection))]


def test_an_account_comes_back_as_it_was_made(kept: Accounts) -> None:
    [found] = kept.all()

    assert (found.account, found.person, found.created_at) == (JUMA, "P8", NOW)
    assert (found.failures, found.locked_until, found.disabled) == (0, None, False)
    assert kept.any()


def test_the_password_is_kept_as_an_argon2id_hash_alone(store: Store, kept: Accounts) -> None:
    with store.database.read() as connection:
        row = connection.execute(select(accounts)).one()

    assert row.password.startswith("$argon2id$")
    assert WORD not in str(row)


def test_what_cannot_be_is_refused_and_changes_nothing(store: Store, kept: Accounts) -> None:
    before = kept.all(), trail(store)

    with pytest.raises(AccountRefused, match="already"):
        kept.add(JUMA, WORD, NOW, "")
    with pytest.raises(AccountRefused, match="no account"):
        kept.set_password("nobody", WORD, NOW, "")
    with pytest.raises(AccountRefused, match="no account"):
        kept.set_disabled("nobody", True, NOW, "")
    with pytest.raises(ValueError, match="10 to 200"):
        kept.set_password("juma", "short", NOW, "")
    with pytest.raises(ValueError, match="log-in name"):
        kept.add(Account("Juma", "x", "programme", "*"), WORD, NOW, "")
    with pytest.raises(ValueError, match="a name has"):
        kept.add(Account("other", "", "programme", "*"), WORD, NOW, "")
    assert (kept.all(), trail(store)) == before


def test_many_tries_at_once_are_as_many_wrong_tries(store: Store, kept: Accounts) -> None:
    """Five are looked at, as one after the other would be; the rest meet a closed account."""
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda n: kept.check("juma", f"wrong-guess-{n}", NOW), range(20)))

    assert found == [None] * 20
    with store.database.read() as connection:
        why = [line.detail.get("why") for line in audit.lines(connection)]
    assert (why.count("password"), why.count("locked")) == (5, 15)
    assert kept.check("juma", WORD, NOW) is None
    assert kept.check("juma", WORD, NOW + timedelta(minutes=1)) is not None


def test_another_password_or_a_closed_account_ends_every_log_in(
    kept: Accounts, log_ins: LogIns
) -> None:
    assert log_ins.open(JUMA, "t1", NOW)
    kept.set_password("juma", "lamp-reed-boat", NOW, "nia")
    assert log_ins.find("t1", NOW) is None
    assert kept.check("juma", WORD, NOW) is None

    assert log_ins.open(JUMA, "t2", NOW)
    kept.set_disabled("juma", True, NOW, "nia")
    assert log_ins.find("t2", NOW) is None
    assert not log_ins.open(JUMA, "t3", NOW)  # who was disabled between password and session
    assert log_ins.find("t3", NOW) is None


def test_a_hash_of_other_costs_is_made_anew_at_a_log_in(store: Store, kept: Accounts) -> None:
    dearer = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    Accounts(store.database, Passwords(dearer)).check("juma", WORD, NOW)

    with store.database.read() as connection:
        row = connection.execute(select(accounts)).one()
    assert "m=16,t=2" in row.password
    assert kept.check("juma", WORD, NOW) is not None


@pytest.mark.usefixtures("kept")
def test_old_sessions_are_cleared_at_a_log_in(store: Store, log_ins: LogIns) -> None:
    log_ins.open(JUMA, "old", NOW)
    log_ins.open(JUMA, "new", NOW + timedelta(days=1))

    with store.database.read() as connection:
        assert len(connection.execute(select(account_sessions)).all()) == 1


def test_many_codes_at_once_are_no_more_than_five_tries(
    store: Store, kept: Accounts, log_ins: LogIns
) -> None:
    [juma] = kept.all()
    log_ins.open_unconfirmed(juma, "pending", "271828", NOW)

    def guess(n: int) -> str:
        return log_ins.confirm("pending", f"{n:06}", f"fresh{n}", NOW)

    with ThreadPoolExecutor(8) as pool:
        said = list(pool.map(guess, range(20)))

    assert (said.count("wrong"), said.count("over")) == (4, 16)
    assert trail(store).count(("juma", "login.code_wrong")) == 5
    assert log_ins.confirm("pending", "271828", "fresh", NOW) == "over"


def test_a_code_is_good_once_and_for_ten_minutes(kept: Accounts, log_ins: LogIns) -> None:
    [juma] = kept.all()
    for token in ("one", "two"):
        log_ins.open_unconfirmed(juma, token, "271828", NOW)

    late = NOW + timedelta(minutes=10)
    assert log_ins.confirm("one", "271828", "fresh1", late) == "over"
    assert log_ins.confirm("two", "271828", "fresh2", late - timedelta(seconds=1)) == "in"
    assert log_ins.confirm("two", "271828", "fresh3", NOW) == "over"
    assert log_ins.find("fresh2", late)
    assert not log_ins.find("fresh1", late)
    assert not log_ins.find("fresh3", late)


def test_whoever_is_disabled_between_password_and_code_does_not_get_in(
    kept: Accounts, log_ins: LogIns
) -> None:
    [juma] = kept.all()
    kept.set_disabled("juma", True, NOW, "nia")
    log_ins.open_unconfirmed(juma, "pending", "271828", NOW)

    assert log_ins.find("pending", NOW) is None
    assert log_ins.confirm("pending", "271828", "fresh", NOW) == "over"
    assert log_ins.find("fresh", NOW) is None


# ---- the trail ----------------------------------------------------------------------------------


def test_the_trail_tells_newest_first_by_district_and_in_pages(store: Store) -> None:
    with store.database.write() as connection:
        for n in range(5):
            audit.note(connection, NOW + timedelta(n), "nia", "register.changed", f"SET-{n}",
                       {"n": n}, district="TAM" if n % 2 else "LAKE")  # fmt: skip
    with store.database.read() as connection:
        first = audit.lines(connection, limit=2)
        rest = audit.lines(connection, after=first[-1].id)
        tam = audit.lines(connection, district="TAM")

    assert [line.about for line in (*first, *rest)] == [f"SET-{n}" for n in (4, 3, 2, 1, 0)]
    assert [line.about for line in tam] == ["SET-3", "SET-1"]
    assert first[0].at == NOW + timedelta(4)
    assert first[0].detail == {"n": 4}


def test_a_number_of_a_phone_never_gets_into_the_trail(store: Store) -> None:
    with store.database.write() as connection:
        audit.note(connection, NOW, "nia", "register.changed", "P1", {"phone": "+12025550101"})
    with store.database.read() as connection:
        [line] = audit.lines(connection)

    assert line.detail == {"phone": "(phone)"}


def test_what_is_undone_leaves_no_line(store: Store) -> None:
    def fail() -> None:
        with store.database.write() as connection:
            audit.note(connection, NOW, "nia", "register.changed", "P1")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert trail(store) == []
