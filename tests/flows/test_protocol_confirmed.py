"""Who confirmed a protocol and when: wholly said, or the file is refused."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows import protocol as module
from flows.protocol import ProtocolError, parse

TEXT = (Path(module.__file__).parent / "protocols" / "default.toml").read_text(encoding="utf-8")


def with_table(*lines: str) -> str:
    return "\n".join([TEXT, "[confirmed]", *lines, ""])


def test_a_programme_puts_its_name_and_a_day_to_its_numbers() -> None:
    rules = parse(with_table('by = "Head of newborn care, Lakeside district"', "on = 2026-11-20"))

    assert rules.confirmed
    assert rules.confirmed_by == "Head of newborn care, Lakeside district"
    assert rules.confirmed_on == date(2026, 11, 20)
    plain = parse(TEXT)
    assert not plain.confirmed
    assert (rules.values, rules.cycles, rules.id) == (plain.values, plain.cycles, plain.id)


@pytest.mark.parametrize(
    ("lines", "wrong"),
    [
        ((), "confirmed.by"),
        (("on = 2026-11-20",), "confirmed.by"),
        (('by = ""', "on = 2026-11-20"), "confirmed.by"),
        (('by = "  "', "on = 2026-11-20"), "confirmed.by"),
        (("by = true", "on = 2026-11-20"), "confirmed.by"),
        (("by = 7", "on = 2026-11-20"), "confirmed.by"),
        (('by = "P. Owner"',), "confirmed.on"),
        (('by = "P. Owner"', 'on = "2026-11-20"'), "confirmed.on"),
        (('by = "P. Owner"', "on = 2026"), "confirmed.on"),
        (('by = "P. Owner"', "on = true"), "confirmed.on"),
        (('by = "P. Owner"', "on = 2026-11-20T10:00:00"), "confirmed.on"),
        (('by = "P. Owner"', "on = 2026-11-20T10:00:00Z"), "confirmed.on"),
        (('by = "P. Owner"', "on = 10:00:00"), "confirmed.on"),
    ],
)
def test_half_a_confirmation_is_none_and_is_refused(lines: tuple[str, ...], wrong: str) -> None:
    with pytest.raises(ProtocolError) as refused:
        parse(with_table(*lines))

    assert str(refused.value).startswith(f"{wrong} is missing")


@pytest.mark.parametrize("value", ["true", '"yes"', "2026-11-20", "[]"])
def test_a_bare_word_is_no_confirmation(value: str) -> None:
    with pytest.raises(ProtocolError, match="confirmed must be a table"):
        parse(f"confirmed = {value}\n{TEXT}")


def test_a_day_that_is_not_in_the_calendar_is_refused() -> None:
    with pytest.raises(ProtocolError, match="not readable as TOML"):
        parse(with_table('by = "P. Owner"', "on = 2026-11-31"))


@given(
    st.text(st.characters(codec="utf-8", exclude_characters='"\\', exclude_categories=["C"])),
    st.dates(),
)
def test_a_file_is_confirmed_if_and_only_if_somebody_is_named(by: str, on: date) -> None:
    text = with_table(f'by = "{by}"', f"on = {on.isoformat()}")
    if by.strip():
        rules = parse(text)
        assert rules.confirmed
        assert (rules.confirmed_by.split(), rules.confirmed_on) == (by.split(), on)
    else:
        with pytest.raises(ProtocolError, match=r"confirmed\.by"):
            parse(text)
