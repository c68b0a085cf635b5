"""Water that a stove boils off, against the steam table of another program and by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS97

from flows import heat

NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize("altitude_m", [0, 1000, 2000, 3000, 4000, 5500])
def test_a_stove_boils_off_at_least_what_the_steam_table_says(altitude_m: float) -> None:
    """Latent heat at the boiling point there, and water poured at 30 C, by another program."""
    kelvin = heat.boiling_point_c(altitude_m) + 273.15
    latent = IAPWS97(T=kelvin, x=1).h - IAPWS97(T=kelvin, x=0).h  # kJ/kg
    kg_per_litre = IAPWS97(T=303.15, P=0.101325).rho / 1000
    exact = 1000 * 20 * 60 / 1000 / latent / kg_per_litre

    found = heat.boiled_off_litres(20, watts=1000)

    assert exact <= found <= exact * 1.03


def test_a_steamer_that_lasts_and_one_that_runs_dry() -> None:
    lasts = heat.steamer(0.8, 20, litres_per_hour=1.5)
    dry = heat.steamer(0.4, 20, litres_per_hour=1.5)

    assert (lasts.boiled_off_litres, lasts.left_litres) == pytest.approx((0.5, 0.3))
    assert lasts.minutes_to_dry == pytest.approx(32)
    assert not lasts.runs_dry
    assert (dry.boiled_off_litres, dry.left_litres) == pytest.approx((0.4, 0.0))
    assert dry.minutes_to_dry == pytest.approx(16)
    assert dry.runs_dry


def test_water_that_is_gone_on_the_minute_is_gone() -> None:
    assert heat.steamer(0.5, 20, litres_per_hour=1.5).runs_dry


@given(st.floats(0, 20), st.floats(0, 600), st.floats(1, 5000))
def test_a_steamer_runs_dry_when_its_time_to_dry_is_up(
    litres: float, minutes: float, watts: float
) -> None:
    found = heat.steamer(litres, minutes, watts=watts)

    assert found.boiled_off_litres + found.left_litres == pytest.approx(litres)
    if abs(found.minutes_to_dry - minutes) > 1e-6:
        assert found.runs_dry is (found.minutes_to_dry < minutes)


@pytest.mark.parametrize(
    ("minutes", "watts", "litres_per_hour", "sentence"),
    [
        (20, None, None, "either"),
        (20, 1000, 1.5, "either"),
        (-1, 1000, None, "minutes"),
        (NAN, 1000, None, "minutes"),
        (20, 0, None, "watts"),
        (20, NAN, None, "watts"),
        (20, None, 0, "litres an hour"),
        (20, None, INF, "litres an hour"),
    ],
)
def test_an_impossible_stove_is_refused(
    minutes: float, watts: float | None, litres_per_hour: float | None, sentence: str
) -> None:
    with pytest.raises(ValueError, match=sentence):
        heat.steamer(1, minutes, watts=watts, litres_per_hour=litres_per_hour)


@pytest.mark.parametrize("litres", [-0.1, NAN, INF])
def test_an_impossible_amount_of_water_is_refused(litres: float) -> None:
    with pytest.raises(ValueError, match="water"):
        heat.steamer(litres, 20, watts=1000)
