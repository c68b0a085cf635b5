"""What is asked of the pages of the counts: days, weeks and months, and what they become."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.desk_period import BY_WEEK, PERIODS, Scope, Unknown, Wanted, stretches, understood

TODAY = date(2025, 5, 31)


def wanted(asked: dict[str, str], today: date = TODAY) -> Wanted:
    return understood(asked, today, {"TAM"}, {"LOWF"})


@pytest.mark.parametrize(
    ("period", "first"),
    [("4w", date(2025, 5, 4)), ("3m", date(2025, 3, 1)), ("12m", date(2024, 6, 1))],
)
def test_a_period_ends_today(period: str, first: date) -> None:
    """Three months before the 31st of May is the last of February."""
    found = wanted({"period": period})

    assert (found.since, found.until) == (first, TODAY)


@given(st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.sampled_from(sorted(PERIODS)))
def test_every_day_has_its_periods(today: date, period: str) -> None:
    found = wanted({"period": period}, today)
    least, most = {"4w": (28, 28), "3m": (89, 92), "12m": (365, 366)}[period]

    assert least <= (found.until - found.since).days + 1 <= most


def test_days_that_are_chosen_win_and_are_never_to_come() -> None:
    found = wanted({"period": "12m", "from": "2025-05-01", "to": "2025-12-31"})

    assert (found.since, found.until, found.period) == (date(2025, 5, 1), TODAY, "")
    assert understood(found.query, TODAY, {"TAM"}, {"LOWF"}) == found


@pytest.mark.parametrize("asked", [{"district": "BAO"}, {"facility": "HIGH"}])
def test_a_place_that_is_not_hers_is_unknown(asked: dict[str, str]) -> None:
    with pytest.raises(Unknown):
        wanted(asked)


def test_the_scope_holds_whatever_is_asked() -> None:
    district = wanted({"district": "TAM"}).filter(Scope(facility=("LOWF",)))
    whole = wanted({}).filter(Scope(district=("TAM",)), "week")

    assert (district.district, district.facility) == (("TAM",), ("LOWF",))
    assert (whole.district, whole.facility, whole.by) == (("TAM",), (), ("week",))


@given(st.dates(date(2020, 1, 1), TODAY), st.integers(0, 400))
def test_the_points_of_a_series_cover_every_day_once(since: date, days: int) -> None:
    found = Wanted(since, since + timedelta(days=days))
    points = stretches(found)

    assert points[0].first <= found.since
    assert points[-1].last >= found.until
    assert all(a.last + timedelta(days=1) == b.first
               for a, b in pairwise(points))
    assert found.grain == ("week" if timedelta(days=days) <= BY_WEEK else "month")
    for point in points:
        year, week, _ = point.first.isocalendar()
        assert point.key in (f"{year}-W{week:02}", f"{point.first:%Y-%m}")
