"""Where a code leads, and how often a phone may guess."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from redis import Redis

from bot.amend import Invite, code_in
from bot.joins import GUESS_SECONDS, MOST_GUESSES, Found, Joins, join_ops
from bot.leases import Op

CODE, OTHER = "AB3CDE", "XY7HJK"
PHONE, SECOND = "+12025550198", "+12025550199"


def invite(code: str) -> Invite:
    return Invite(code, "P4", datetime(2025, 3, 5, tzinfo=UTC), "Zuhura")


def carry_out(redis: Redis, ops: list[Op]) -> None:
    for op in ops:
        redis.execute_command(*op)  # type: ignore[no-untyped-call]


@pytest.fixture
def joins(redis: Redis) -> Joins:
    carry_out(redis, join_ops("LOWF", {}, {CODE: invite(CODE)}))
    return Joins(redis)


def test_a_code_leads_to_the_facility_that_gave_it_and_is_no_guess(joins: Joins) -> None:
    for n in range(2 * MOST_GUESSES):
        assert joins.find(CODE, PHONE, f"e{n}") == Found("site", "LOWF")


def test_a_code_that_was_used_up_leads_nowhere(joins: Joins, redis: Redis) -> None:
    carry_out(redis, join_ops("LOWF", {CODE: invite(CODE)}, {OTHER: invite(OTHER)}))

    assert joins.find(CODE, PHONE, "e1").how == "wrong"
    assert joins.find(OTHER, PHONE, "e2") == Found("site", "LOWF")


def test_a_code_that_stays_is_not_given_anew(joins: Joins) -> None:
    assert join_ops("LOWF", {CODE: invite(CODE)}, {CODE: invite(CODE)}) == []


def test_a_phone_that_guessed_too_often_is_not_told_of_a_right_code_either(joins: Joins) -> None:
    for n in range(MOST_GUESSES):
        assert joins.find(OTHER, PHONE, f"e{n}").how == "wrong"

    assert joins.find(CODE, PHONE, "right").how == "closed"
    assert joins.find(CODE, SECOND, "right2").how == "site"


def test_a_message_that_comes_again_is_one_guess(joins: Joins) -> None:
    for _ in range(2 * MOST_GUESSES):
        joins.find(OTHER, PHONE, "the same")

    assert joins.find(CODE, PHONE, "next").how == "site"


def test_guesses_are_forgotten_after_a_day(joins: Joins, redis: Redis) -> None:
    joins.find(OTHER, PHONE, "e1")
    joins.find(OTHER, PHONE, "e2")

    assert 0 < int(redis.ttl(f"sb:guess:{PHONE}")) <= GUESS_SECONDS


@pytest.mark.parametrize(
    ("text", "code"),
    [("AB3CDE", CODE), ("ab3cde", CODE), ("ab3 cde", CODE), ("AB3-CDE.", CODE), ("AB3CD", ""),
     ("AB3CDEF", ""), ("AB0CDE", ""), ("", "")],
)  # fmt: skip
def test_a_code_is_read_however_it_is_typed(text: str, code: str) -> None:
    assert code_in(text) == code
