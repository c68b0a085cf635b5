"""Numbers that an administrator may not put in force."""

from __future__ import annotations

import re

import pytest

from bot.wiring import PROTOCOLS
from flows.protocol import BOUNDS, ProtocolError, parse

TEXT = (PROTOCOLS / "default.toml").read_text(encoding="utf-8")
EXPOSURES = [key for key in BOUNDS if key.endswith("exposure_minutes")]
BAD = ["0", "-1", "-20", "0.0", "nan", "-inf", "true", '"20"', "[]"]


def with_value(key: str, value: str) -> str:
    """The default file with one number replaced."""
    group, name = key.split(".")
    pattern = rf"(\[{group}\][^\[]*?\n{name} = {{ value = )[^=]+(?=, source)"
    text, count = re.subn(pattern, rf"\g<1>{value}", TEXT, count=1)
    assert count == 1, key
    return text


def test_the_file_that_is_spoilt_below_is_good() -> None:
    assert parse(TEXT).exposure_seconds("chlorine") == 20 * 60


@pytest.mark.parametrize("key", EXPOSURES)
@pytest.mark.parametrize("value", BAD)
def test_an_exposure_of_nothing_or_less_is_refused(key: str, value: str) -> None:
    with pytest.raises(ProtocolError, match=re.escape(key)):
        parse(with_value(key, value))


@pytest.mark.parametrize("key", ["chlorine.exposure_minutes", "boiling.exposure_minutes",
                                 "steaming.exposure_minutes"])  # fmt: skip
def test_an_exposure_shorter_than_any_handbook_prints_is_refused(key: str) -> None:
    with pytest.raises(ProtocolError, match="must lie between"):
        parse(with_value(key, "19.99"))


@pytest.mark.parametrize("key", BOUNDS)
@pytest.mark.parametrize("source", ["", ', source = ""', ', source = "  "', ", source = 3"])
def test_a_number_without_a_source_is_refused(key: str, source: str) -> None:
    group, name = key.split(".")
    pattern = rf'(\[{group}\][^\[]*?\n{name} = {{ value = [^,]+), source = "[^"]*"'
    text, count = re.subn(pattern, rf"\g<1>{source}", TEXT, count=1)
    assert count == 1

    with pytest.raises(ProtocolError, match="has no source"):
        parse(text)


@pytest.mark.parametrize("key", BOUNDS)
def test_a_number_that_is_missing_is_refused(key: str) -> None:
    group, name = key.split(".")
    text, count = re.subn(rf"(\[{group}\][^\[]*?\n){name} = [^\n]+\n", r"\g<1>", TEXT, count=1)
    assert count == 1

    with pytest.raises(ProtocolError, match=re.escape(key)):
        parse(text)


@pytest.mark.parametrize(
    ("line", "bad"),
    [
        ("minutes = 30", "minutes = 0"),
        ("minutes = 30", "minutes = -30"),
        ("minutes = 30", "minutes = nan"),
        ("celsius = 121", "celsius = 99"),
        ("celsius = 121", "celsius = nan"),
        ("gauge_kpa = 103", "gauge_kpa = 0"),
        ("gauge_kpa = 103", "gauge_kpa = nan"),
    ],
)
def test_a_cycle_that_no_autoclave_runs_is_refused(line: str, bad: str) -> None:
    with pytest.raises(ProtocolError, match="cycle"):
        parse(TEXT.replace(line, bad, 1))


@pytest.mark.parametrize("value", ["[0]", "[-5]", "[inf]", "[nan]", "5", '["5"]'])
def test_reminders_at_no_time_are_refused(value: str) -> None:
    with pytest.raises(ProtocolError, match="remind_after_minutes"):
        parse(with_value("bells.remind_after_minutes", value))
