"""Phones, texts and dates as gateways write them, and the one spelling that the bot keeps."""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.channels import clean, heard_sms, heard_ussd, phone_of, read_date
from bot.gateway import read_shape
from bot.shape import DateShape

FORM = read_shape()
AT = datetime(2025, 3, 1, 6, 0, tzinfo=UTC)
TICK = ("boot-1", 12.5)
PHONE = "+12025550101"

# ---- texts ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ("  1 \r\n", "1"),
        ("ready\tbag  01", "ready bag 01"),
        ("12", "12"),  # full-width digits
        ("١٢", "12"),  # Arabic-Indic
        ("۱۲", "12"),  # extended Arabic-Indic
        ("१२", "12"),  # Devanagari
        ("1²", "1²"),  # a superscript is not a second digit
        ("①", "①"),
        ("\u200f1\u200e\ufeff\x00", "1"),
        ("cafe\u0301", "café"),
        ("می\u200cخواهم", "می\u200cخواهم"),  # the joiner belongs to the word
    ],
)
def test_a_text_is_cleaned(said: str, text: str) -> None:
    assert clean(said) == text


@settings(deadline=None)
@given(st.text(max_size=200))
def test_whatever_is_said_is_one_clean_line_with_plain_digits(said: str) -> None:
    line = clean(said)

    assert line == " ".join(line.split())
    assert all(c in "\u200c\u200d" or unicodedata.category(c)[0] != "C" for c in line)
    assert all(c in "0123456789" for c in line if unicodedata.category(c) == "Nd")
    assert clean(line) == line
    line.encode()


# ---- phones --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "raw",
    [
        "+12025550101",
        " 12025550101",  # a plus sign that was not escaped in a form
        "12025550101",
        "+1 202 555 0101",
        "+1 (202) 555-0101",
        "+١٢٠٢٥٥٥٠١٠١",
    ],
)
def test_a_phone_has_one_spelling(raw: str) -> None:
    assert phone_of(raw) == PHONE
    assert phone_of(raw, "KE") == PHONE


def test_a_national_number_needs_the_region() -> None:
    assert phone_of("(202) 555-0101", "US") == PHONE
    assert phone_of("0202 555 0101") is None


@pytest.mark.parametrize("region", ["", "US", "KE", "DE"])
@pytest.mark.parametrize(
    "raw",
    [
        *("20880", "+20880", "SOAKBELL", "1-800-SOAKBELL", "VM-GATEWAY", "999", "*384#"),
        *("+", "+1", "+0000000", "1" * 25, "+1202555010155555"),
        *("me@example.org", "12025550101;ext=5"),
    ],
)
def test_a_sender_that_is_not_a_phone_is_never_answered(raw: str, region: str) -> None:
    assert phone_of(raw, region) is None
    assert heard_sms({"from": raw, "text": "1"}, FORM, AT, TICK, region) is None
    assert (
        heard_ussd({"phoneNumber": raw, "sessionId": "s", "text": ""}, FORM, AT, TICK, region)
        is None
    )


@settings(deadline=None)
@given(st.text(max_size=40), st.sampled_from(["", "KE", "US"]))
def test_no_sender_breaks_the_reading(raw: str, region: str) -> None:
    phone = phone_of(raw, region)

    assert phone is None or re.fullmatch(r"\+[1-9][0-9]{6,16}", phone)


# ---- dates ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "dates"),
    [
        ("2025-03-01T05:59:30Z", DateShape()),
        ("2025-03-01T08:59:30+03:00", DateShape(zone="Asia/Kolkata")),
        ("2025-03-01 08:59:30", DateShape(zone="Africa/Nairobi")),
        ("01/03/2025 05:59:30", DateShape(formats=("iso", "%d/%m/%Y %H:%M:%S"))),
        ("1740808770", DateShape(formats=("unix",))),
        ("1740808770000", DateShape(formats=("unix_ms",))),
    ],
)
def test_a_date_is_read_into_utc(raw: str, dates: DateShape) -> None:
    read = read_date(raw, dates)

    assert read == datetime(2025, 3, 1, 5, 59, 30, tzinfo=UTC)
    assert read is not None
    assert read.tzinfo is UTC


@pytest.mark.parametrize("raw", ["", "yesterday", "2025-02-30", "nan", "inf", "9" * 400])
def test_a_date_that_cannot_be_read_is_none(raw: str) -> None:
    assert read_date(raw, DateShape(formats=("iso", "unix", "unix_ms", "%d %m %Y"))) is None


def test_a_date_at_the_end_of_the_calendar_is_none() -> None:
    assert read_date("9999-12-31T23:59:59-05:00", DateShape()) is None
