"""The phones of the demonstration, on a Redis in the process and on a real one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fakeredis import FakeRedis

from bot.mailbox import KEPT, Light, Mailbox

NOW = datetime(2030, 5, 6, 7, 8, 9, tzinfo=UTC)
ASHA, BERYL = "+12025550101", "+12025550102"


@pytest.fixture
def mailbox(redis: Any) -> Mailbox:
    return Mailbox(redis)


def test_messages_lie_in_the_order_they_came(mailbox: Mailbox) -> None:
    first = mailbox.put(ASHA, "one", NOW)
    second = mailbox.put(ASHA, "two", NOW + timedelta(seconds=1))

    got = [(m.n, m.id, m.phone, m.text, m.at) for m in mailbox.messages(ASHA)]
    assert got == [
        (1, first, ASHA, "one", NOW),
        (2, second, ASHA, "two", NOW + timedelta(seconds=1)),
    ]


def test_only_messages_after_the_number_are_given(mailbox: Mailbox) -> None:
    for text in ("one", "two", "three"):
        mailbox.put(ASHA, text, NOW)

    assert [m.text for m in mailbox.messages(ASHA, after=1)] == ["two", "three"]
    assert mailbox.messages(ASHA, after=3) == []


def test_each_phone_has_its_own_messages_and_numbers_but_no_id_comes_twice(
    mailbox: Mailbox,
) -> None:
    ids = [mailbox.put(phone, "hello", NOW) for phone in (ASHA, BERYL, ASHA)]
    ids.append(mailbox.lose(BERYL))

    assert [m.n for m in mailbox.messages(ASHA)] == [1, 2]
    assert [m.n for m in mailbox.messages(BERYL)] == [1]
    assert len(set(ids)) == 4


def test_the_last_two_hundred_are_kept(mailbox: Mailbox) -> None:
    for i in range(1, KEPT + 6):
        mailbox.put(ASHA, f"text {i}", NOW)

    kept = mailbox.messages(ASHA)
    assert len(kept) == 200
    assert (kept[0].n, kept[0].text) == (6, "text 6")
    assert kept[-1].n == 205


@pytest.mark.parametrize(
    "text", ["", " 1 2 ", 'a "quoted" one', "two\nlines", "Ñandú € 🫧", "\\u0000"]
)
def test_a_text_comes_out_as_it_went_in(mailbox: Mailbox, text: str) -> None:
    mailbox.put(ASHA, text, NOW)

    assert [m.text for m in mailbox.messages(ASHA)] == [text]


def test_a_time_without_zone_is_refused_and_nothing_is_kept(mailbox: Mailbox) -> None:
    with pytest.raises(ValueError, match="zone"):
        mailbox.put(ASHA, "hello", NOW.replace(tzinfo=None))

    assert mailbox.messages(ASHA) == []
    assert mailbox.lights([ASHA]) == [Light(newest=0, off=False, lost=0)]


def test_a_phone_is_off_until_it_is_switched_on(mailbox: Mailbox) -> None:
    mailbox.switch(ASHA, off=True)
    assert (mailbox.is_off(ASHA), mailbox.is_off(BERYL)) == (True, False)

    mailbox.switch(ASHA, off=False)
    assert mailbox.is_off(ASHA) is False


def test_lights_tell_of_each_phone_in_the_order_asked(mailbox: Mailbox) -> None:
    mailbox.put(BERYL, "one", NOW)
    mailbox.put(BERYL, "two", NOW)
    mailbox.switch(ASHA, off=True)
    mailbox.lose(ASHA)

    assert mailbox.lights([BERYL, ASHA]) == [Light(2, False, 0), Light(0, True, 1)]
    assert mailbox.lights([]) == []


def test_a_client_that_decodes_its_answers_serves_as_well() -> None:
    mailbox = Mailbox(FakeRedis(decode_responses=True))
    message_id = mailbox.put(ASHA, "Ñandú 1 2", NOW)
    mailbox.switch(ASHA, off=True)

    assert [(m.id, m.text, m.at) for m in mailbox.messages(ASHA)] == [
        (message_id, "Ñandú 1 2", NOW)
    ]
    assert mailbox.lights([ASHA]) == [Light(1, True, 0)]


def test_every_key_is_under_the_demonstrations_prefix(redis: Any) -> None:
    mailbox = Mailbox(redis)
    before = set(redis.keys("*"))
    mailbox.put(ASHA, "one", NOW)
    mailbox.switch(ASHA, off=True)
    mailbox.lose(ASHA)

    made = {k if isinstance(k, str) else k.decode() for k in set(redis.keys("*")) - before}
    assert len(made) == 5
    assert all(key.startswith("sb:demo:") for key in made)
