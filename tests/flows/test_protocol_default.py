"""The default numbers against the trade's test vectors.

The source stands beside each vector, as the protocol file has it. "Common practice, no source"
and "from memory" are said where they hold: those numbers rest on nothing that was read.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from flows import protocol as module
from flows.batch import Batch, BatchSet, Method
from flows.protocol import Protocol, load

DEFAULT = Path(module.__file__).parent / "protocols" / "default.toml"
PSI = 6.894757  # kPa in one psi


@pytest.fixture(scope="module")
def rules() -> Protocol:
    return load(DEFAULT)


# ---- the default protocol against the trade's vectors -------------------------------------------

SOURCES = {
    "chlorine.target_percent": "Jhpiego 2003 (from memory)",
    "chlorine.exposure_minutes": "Table C-1",
    "chlorine.max_minutes": "common practice, no source",
    "chlorine.solution_life_hours": "EngenderHealth",
    "chlorine.overshoot_factor": "common practice, no source",
    "chlorine.most_percent": "common practice, no source",
    "chlorine.rinses_count": "common practice, no source",
    "boiling.exposure_minutes": "Appendix C",
    "boiling.max_altitude_m": "Favero 1985",
    "steaming.exposure_minutes": "Appendix C",
    "steaming.max_altitude_m": "Appendix C",
    "vinegar.exposure_minutes": "common practice, no source",
    "storage.container_days": "Appendix C",
    "storage.wrapped_days": "Appendix C",
    "autoclave.tolerance_c": "common practice, no source",
    "chlorine.nadcc_hot_above_c": "e0156136",
    "chlorine.nadcc_hot_hours": "e0156136",
    "chlorine.nadcc_hot_hours_weak": "e0156136",
    "chlorine.test_after_days": "common practice, no source",
    "chlorine.test_above_c": "common practice, no source",
    "vinegar.parts_water": "common practice, no source",
    "danger.rinse_minutes": "ICSC 0482",
    "danger.blood_hours": "United Nations Medical Services 2014",
    "danger.ask_after_hours": "common practice, no source",
    "late.most_hours": "common practice, no source",
    "late.before_minutes": "common practice, no source",
    "late.after_minutes": "common practice, no source",
    "late.reply_minutes": "common practice, no source",
}

# After the handbooks: Reference Manual for visual inspection and cryotherapy, Appendix C, Table
# C-1 (IARC); what is marked otherwise in SOURCES rests on that.
VALUES = {
    "chlorine.target_percent": 0.5,
    "chlorine.exposure_minutes": 20,
    "chlorine.max_minutes": 40,
    "chlorine.solution_life_hours": 24,
    "chlorine.overshoot_factor": 1.3,
    "chlorine.most_percent": 1.0,
    "boiling.exposure_minutes": 20,
    "boiling.max_altitude_m": 5500,
    "steaming.exposure_minutes": 20,
    "vinegar.exposure_minutes": 10,
    "storage.container_days": 7,
    "storage.wrapped_days": 7,
    "autoclave.tolerance_c": 4,
    # Iqbal et al., PLoS ONE 2016;11:e0156136: measured to 35 C; at 40 C NaDCC is under 90 % after
    # 0.82 h (0.5 %) and 0.38 h (0.05 %).
    "chlorine.nadcc_hot_above_c": 35,
    "chlorine.nadcc_hot_hours": 0.82,
    "chlorine.nadcc_hot_hours_weak": 0.38,
    "chlorine.test_after_days": 90,
    "chlorine.test_above_c": 30,
    "vinegar.parts_water": 1,
    # ICSC 0482, IPCS 1999: several minutes; product sheets: 10 to 20 min.
    "danger.rinse_minutes": 15,
    # HIV Post-Exposure Prophylaxis Kits guidance, United Nations Medical Services 2014.
    "danger.blood_hours": 72,
    "danger.ask_after_hours": 24,
    # Common practice, no source.
    "late.most_hours": 48,
    "late.before_minutes": 10,
    "late.after_minutes": 10,
    "late.reply_minutes": 60,
}


@pytest.mark.parametrize(("key", "value"), VALUES.items())
def test_the_default_numbers_are_those_of_the_handbooks(
    rules: Protocol, key: str, value: float
) -> None:
    assert rules[key] == value


@pytest.mark.parametrize(("key", "source"), SOURCES.items())
def test_each_default_number_says_what_it_rests_on(rules: Protocol, key: str, source: str) -> None:
    assert source in rules.sources[key]


@pytest.mark.parametrize(
    ("cycle", "machine", "load", "celsius", "minutes", "source"),
    [
        # Reference Manual, Appendix C (IARC): low-resource gravity machine, 121 C.
        ("u121", "gravity", "unwrapped", 121, 20, "Appendix C"),
        # Guideline for Disinfection and Sterilization, CDC 2008, Table 7.
        ("w121", "gravity", "wrapped", 121, 30, "CDC 2008, Table 7"),
        ("w132", "gravity", "wrapped", 132, 15, "CDC 2008, Table 7"),
        ("p132", "prevacuum", "wrapped", 132, 4, "CDC 2008, Table 7"),
    ],
)
def test_the_default_cycles_are_those_of_the_tables(
    rules: Protocol, cycle: str, machine: str, load: str, celsius: float, minutes: float,
    source: str,
) -> None:  # fmt: skip
    found = rules.cycle(cycle)

    assert found is not None
    assert (found.machine, found.load, found.celsius, found.minutes) == (
        machine,
        load,
        celsius,
        minutes,
    )
    assert source in found.source


def test_the_gauge_at_sea_level_is_15_psi_for_121_c_and_27_for_132(rules: Protocol) -> None:
    """Saturated steam, IAPWS-IF97: 103.7 kPa and 185.5 kPa over the atmosphere at sea level."""
    low, high = rules.cycle("w121"), rules.cycle("w132")

    assert low is not None
    assert high is not None
    assert rules.gauge_kpa(low, 0) == pytest.approx(103.7, abs=1)
    assert rules.gauge_kpa(high, 0) == pytest.approx(185.5, abs=1)


@pytest.mark.parametrize(
    ("altitude", "psi"), [(0, 15.04), (1000, 16.70), (1500, 17.47), (2000, 18.21)]
)
def test_the_gauge_rule_keeps_to_saturated_steam_up_to_2000_m(
    rules: Protocol, altitude: float, psi: float
) -> None:
    """IAPWS-IF97 and the standard atmosphere: the handbook rule is good to 0.1 C, 0.16 psi."""
    cycle = rules.cycle("w121")

    assert cycle is not None
    assert rules.gauge_kpa(cycle, altitude) / PSI == pytest.approx(psi, abs=0.16)


def test_below_the_sea_the_gauge_asks_for_no_less(rules: Protocol) -> None:
    cycle = rules.cycle("w121")

    assert cycle is not None
    assert rules.gauge_kpa(cycle, -400) == rules.gauge_kpa(cycle, 0)


def batch_at(altitude: float, *methods: Method, autoclave: str = "") -> Batch:
    started = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
    here: tuple[Method, ...] = ("chlorine", "boiling", "steaming", "autoclave")
    return Batch(
        id="B", facility="F", district="D", altitude_m=altitude, facility_methods=here,
        protocol="default-1", flow="reprocess-1", opened_at=started, opened_by="P1", holder="P1",
        sets=(BatchSet("BAG-1", "BAG", "bag", 7, methods or here),), stage="method",
        autoclave=autoclave,
    )  # fmt: skip


@pytest.mark.parametrize(("altitude", "offered"), [(2000, True), (5500, True), (5600, False)])
@pytest.mark.parametrize("method", ["boiling", "steaming"])
def test_boiling_is_refused_above_what_the_handbook_covers(
    rules: Protocol, method: str, altitude: float, offered: bool
) -> None:
    """Reference Manual, Appendix C (Favero 1985): to 5500 m, and 20 min all the way up."""
    assert (method in rules.methods_for(batch_at(altitude))) is offered
    assert rules.exposure_seconds(method) == 20 * 60


def test_only_methods_that_every_set_allows_are_offered(rules: Protocol) -> None:
    batch = batch_at(300, "chlorine", "boiling")
    other = BatchSet("SUC-2", "SUC", "suction", 2, ("chlorine",))

    assert rules.methods_for(batch) == ("chlorine", "boiling")
    assert rules.methods_for(replace(batch, sets=(*batch.sets, other))) == ("chlorine",)
    left = replace(batch, sets=(*batch.sets, replace(other, aside="damaged")))
    assert rules.methods_for(left) == ("chlorine", "boiling")


def test_an_autoclave_without_a_cycle_in_the_table_is_not_offered(rules: Protocol) -> None:
    assert "autoclave" not in rules.methods_for(batch_at(300))
    assert "autoclave" not in rules.methods_for(batch_at(300, autoclave="kettle"))
    assert "autoclave" in rules.methods_for(batch_at(300, autoclave="gravity"))
    assert {c.id for c in rules.cycles_for("prevacuum")} == {"p132"}


def test_hastening_divides_exposures_and_the_over_soak_alike(rules: Protocol) -> None:
    assert rules.exposure_seconds("chlorine", hasten=20) == 60
    assert rules.max_seconds("chlorine", hasten=20) == 120
    assert rules.max_seconds("boiling") is None
    assert rules.exposure_seconds("autoclave", "p132") == 4 * 60


@pytest.mark.parametrize(("exposure", "cycle"), [("freezing", ""), ("autoclave", "x9")])
def test_an_exposure_that_the_protocol_does_not_know(
    rules: Protocol, exposure: str, cycle: str
) -> None:
    with pytest.raises(KeyError):
        rules.exposure_seconds(exposure, cycle)


def test_a_week_of_storage_is_a_week(rules: Protocol) -> None:
    """Stored 1 March 09:00, checked 8 March 09:01: over (Reference Manual, Appendix C)."""
    stored = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)

    life = timedelta(days=rules["storage.container_days"])

    assert stored + life < datetime(2026, 3, 8, 9, 1, tzinfo=UTC)
    assert stored + life >= datetime(2026, 3, 8, 9, 0, tzinfo=UTC)
