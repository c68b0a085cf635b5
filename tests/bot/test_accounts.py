"""The rules of accounts: who sees what, when an account is closed, how long a log-in lasts."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.accounts import (
    FREE_FAILURES,
    IDLE,
    LIFE,
    LONGEST_LOCK,
    ROLES,
    Account,
    AccountRole,
    Kept,
    Session,
    code_digest,
    digest,
    form_key,
    id_problem,
    is_locked,
    lock_after,
    password_problem,
    place_problem,
    same,
    sees,
    title,
)

NOW = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
PLACES = st.sampled_from(["", "*", "TAM", "LAKE", "LOWF", "HIGH"])


def account(role: AccountRole, place: str) -> Account:
    return Account("someone", "Someone", role, place)


# ---- who sees what ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "place", "district", "facility", "may"),
    [
        ("administrator", "*", "TAM", "LOWF", True),
        ("administrator", "*", "", "", True),
        ("programme", "*", "TAM", "LOWF", True),
        ("programme", "TAM", "TAM", "LOWF", True),
        ("programme", "TAM", "LAKE", "PIER", False),
        ("supervisor", "TAM", "TAM", "LOWF", True),
        ("supervisor", "TAM", "TAM", "", True),
        ("supervisor", "TAM", "LAKE", "PIER", False),
        ("in_charge", "LOWF", "TAM", "LOWF", True),
        ("in_charge", "LOWF", "TAM", "HIGH", False),
        ("in_charge", "LOWF", "TAM", "", False),  # the district as a whole is not hers
        ("in_charge", "TAM", "TAM", "LOWF", False),  # a place of another kind
        ("supervisor", "LOWF", "TAM", "LOWF", False),
    ],
)
def test_who_sees_what(
    role: AccountRole, place: str, district: str, facility: str, may: bool
) -> None:
    assert sees(account(role, place), district, facility) is may


@pytest.mark.parametrize("role", ["supervisor", "in_charge"])
@given(district=PLACES, facility=PLACES)
def test_a_star_or_no_place_at_all_opens_nothing_to_those_of_one_place(
    role: AccountRole, district: str, facility: str
) -> None:
    assert not sees(account(role, ""), district, facility)
    if "*" not in (district, facility):
        assert not sees(account(role, "*"), district, facility)


def test_the_top_of_a_page_says_what_an_account_is() -> None:
    assert title(account("in_charge", "LOWF")) == "in-charge, LOWF"
    assert title(account("programme", "*")) == "programme"


# ---- what an account may be ---------------------------------------------------------------------


@pytest.mark.parametrize("name", ["juma", "p8", "n.k", "a-b_c", "a" * 40])
def test_names_to_log_in_by(name: str) -> None:
    assert id_problem(name) == ""


BAD_NAMES = ["", "j", "Juma", "8p", "a b", "a" * 41, "jum\u00e1", "ab\n", "(ab)"]


@pytest.mark.parametrize("name", BAD_NAMES)
def test_what_is_no_name_to_log_in_by(name: str) -> None:
    assert "2 to 40" in id_problem(name)


def test_a_password_is_neither_short_nor_endless() -> None:
    assert password_problem("reed-boat-lamp") == ""
    assert password_problem("reed-boat") != ""  # nine
    assert password_problem("x" * 201) != ""


@pytest.mark.parametrize(
    ("role", "place", "good"),
    [
        ("in_charge", "LOWF", True), ("in_charge", "TAM", False), ("in_charge", "*", False),
        ("supervisor", "TAM", True), ("supervisor", "LOWF", False), ("supervisor", "*", False),
        ("programme", "TAM", True), ("programme", "*", True), ("programme", "LOWF", False),
        ("administrator", "*", True), ("administrator", "TAM", False),
    ],
)  # fmt: skip
def test_each_role_has_its_kind_of_place(role: AccountRole, place: str, good: bool) -> None:
    assert (place_problem(role, place, {"LOWF"}, {"TAM"}) == "") is good
    assert role in ROLES


# ---- locks ------------------------------------------------------------------------------------


def test_a_person_may_mistype_four_times_then_waits_a_minute_then_twice_as_long() -> None:
    waits = [until and until - NOW for until in (lock_after(n, NOW) for n in range(8))]

    minutes = [timedelta(minutes=n) for n in (1, 2, 4)]
    assert waits == [None] * 5 + minutes


@given(st.integers(min_value=0, max_value=10**9))
def test_a_lock_never_shortens_and_never_lasts_more_than_an_hour(failures: int) -> None:
    one, next_ = lock_after(failures, NOW), lock_after(failures + 1, NOW)

    assert (one is None) is (failures <= FREE_FAILURES)
    if one:
        assert next_
        assert one <= next_ <= NOW + LONGEST_LOCK


def test_a_lock_ends_by_itself() -> None:
    kept = Kept(account("programme", "*"), locked_until=NOW)

    assert is_locked(kept, NOW - timedelta(seconds=1))
    assert not is_locked(kept, NOW)
    assert not is_locked(replace(kept, locked_until=None), NOW)


# ---- how long a log-in lasts --------------------------------------------------------------------


def test_a_log_in_ends_when_it_lies_idle_and_when_it_is_old() -> None:
    session = Session(account("programme", "*"), "t", NOW, NOW, NOW + LIFE)
    second = timedelta(seconds=1)

    assert session.stands(NOW + IDLE - second)
    assert not session.stands(NOW + IDLE)
    used = replace(session, seen_at=NOW + LIFE - 2 * second)
    assert used.stands(NOW + LIFE - second)
    assert not used.stands(NOW + LIFE)


def test_a_session_shown_in_a_log_does_not_show_its_token() -> None:
    assert "s3cret" not in repr(Session(account("programme", "*"), "s3cret", NOW, NOW, NOW))


# ---- tokens and codes ---------------------------------------------------------------------------


def test_what_is_kept_of_a_token_differs_for_each_use_and_each_token() -> None:
    kept = {digest("a"), form_key("a"), code_digest("a", "123456"), code_digest("a", "123457"),
            digest("b"), form_key("b"), code_digest("b", "123456")}  # fmt: skip

    assert len(kept) == 7
    assert digest("abc") == (  # FIPS 180-4, example of SHA-256 for "abc"
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad")


def test_two_empty_keys_are_not_the_same() -> None:
    assert same("x", "x")
    assert not same("x", "y")
    assert not same("", "")
    assert not same("\u00e9", "x")
