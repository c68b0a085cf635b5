"""The label: until when a solution may be used, and when it is doubtful before that."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from flows.label import What
from flows.solutions import Label, label

MONDAY = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
# Derived from Iqbal et al., PLoS ONE 2016, 11, e0156136: NaDCC 0.5 % at 40 C keeps 90 % for 0.82 h.
HOT_HOURS = 0.82


def made(
    what: What = "bleach",
    celsius: float | None = 25,
    *,
    at: datetime = MONDAY,
    percent: float = 0.5,
    hours: float = 24,
    hot_hours: float = HOT_HOURS,
) -> Label:
    return label(
        what,
        percent,
        at,
        "p1",
        life_hours=hours,
        celsius=celsius,
        hot_above_celsius=35,
        hot_life_hours=hot_hours,
    )


def after(**passed: float) -> datetime:
    return MONDAY + timedelta(**passed)


@pytest.mark.parametrize(
    ("what", "celsius", "now", "condition"),
    [
        ("bleach", 25, MONDAY, "fresh"),
        ("bleach", 25, after(hours=24, seconds=-1), "fresh"),
        ("bleach", 25, after(hours=24), "discard"),
        ("bleach", 25, after(hours=24, minutes=1), "discard"),  # second-hand: 24 h, PHC guideline
        ("bleach", 25, after(seconds=-1), "discard"),
        ("bleach", 40, after(minutes=50), "fresh"),
        ("NaDCC", 40, after(minutes=49), "fresh"),
        ("NaDCC", 40, after(minutes=49, seconds=12), "doubtful"),
        ("NaDCC", 40, after(minutes=50), "doubtful"),  # derived: 0.82 h are 49.2 min
        ("NaDCC", 40, after(hours=24), "discard"),
        ("NaDCC", 35, after(minutes=50), "fresh"),
        ("NaDCC", 35.1, after(minutes=50), "doubtful"),
        ("NaDCC", None, after(minutes=50), "doubtful"),
        ("NaDCC", float("nan"), after(minutes=50), "doubtful"),
    ],
)
def test_condition(what: What, celsius: float | None, now: datetime, condition: str) -> None:
    assert made(what, celsius).condition(now) == condition


def test_the_label_says_what_strength_who_and_when() -> None:
    assert made("NaDCC", 40, hot_hours=1) == Label(
        what="NaDCC",
        percent=0.5,
        made_at=MONDAY,
        by="p1",
        discard_at=datetime(2026, 3, 3, 8, 0, tzinfo=UTC),
        warn_at=datetime(2026, 3, 2, 9, 0, tzinfo=UTC),
    )


def test_doubt_never_comes_after_the_end() -> None:
    found = made("NaDCC", 40, hours=1, hot_hours=5)
    assert found.warn_at == found.discard_at


@pytest.mark.parametrize(
    "moment",
    [
        MONDAY.replace(tzinfo=None),
        MONDAY.replace(tzinfo=timezone(timedelta(hours=3))),
    ],
)
def test_moments_that_are_not_utc_are_refused(moment: datetime) -> None:
    with pytest.raises(ValueError, match="not a moment in UTC"):
        made(at=moment)
    with pytest.raises(ValueError, match="not a moment in UTC"):
        made().condition(moment)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_numbers_that_cannot_be_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        made(percent=bad)
    with pytest.raises(ValueError, match="above zero"):
        made(hours=bad)
    with pytest.raises(ValueError, match="above zero"):
        made("NaDCC", 40, hot_hours=bad)


def test_a_name_that_no_rule_knows_is_refused() -> None:
    with pytest.raises(ValueError, match="not a solution"):
        made("nadcc", 40)  # type: ignore[arg-type]


def test_a_life_without_end_is_refused() -> None:
    with pytest.raises(ValueError, match="too long"):
        made(hours=1e12)
