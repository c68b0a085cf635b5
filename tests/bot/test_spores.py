"""The autoclave's spore test: what a failed one calls back, and what it takes to be trusted again.

Calling back every load since the last good test, and stopping the machine: common practice, the
stricter reading of "Guideline for Disinfection and Sterilization in Healthcare Facilities", CDC
2008 (its recommendations on biological indicators).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from importlib.resources import files

import pytest

from bot.events import Heard
from bot.machine import step
from bot.model import SetState, Spores, Unit
from bot.spores import methods_now
from bot.turn import Turn
from flows.protocol import ProtocolError, parse
from tests.nurse import ASHA, BEGAN, BELA, CHIEF, PLACE, Ward, play, rules_of

DEFAULT = (files("flows") / "protocols" / "default.toml").read_text(encoding="utf-8")
FAR = BEGAN + timedelta(days=30)
OLD = SetState("BAG-1", "READY", BEGAN - timedelta(days=3), FAR, "b-1", "40")
NEW = SetState("SUC-1", "READY", BEGAN - timedelta(hours=2), FAR, "b-2", "41")
BOILED = SetState("BAG-2", "READY", BEGAN - timedelta(hours=2), FAR, "b-3", "")


def ward(**unit: object) -> Ward:
    made = Ward()
    made.unit = replace(made.unit, sets={s.id: s for s in (OLD, NEW, BOILED)}, **unit)  # type: ignore[arg-type]
    return made


def conditions(made: Ward) -> dict[str, str]:
    return {i: s.condition for i, s in made.unit.sets.items()}


def test_a_failed_test_calls_back_every_autoclaved_set_where_none_was_ever_good() -> None:
    made = ward()

    made.says("SPORES")
    made.says("2")

    assert conditions(made) == {"BAG-1": "USED", "SUC-1": "USED", "BAG-2": "READY"}
    told = {phone for phone, _, text in made.said if "BAG-1" in text and "SUC-1" in text}
    assert {BELA, CHIEF} <= told


def test_a_failed_test_leaves_the_loads_from_before_the_last_good_one() -> None:
    made = ward(spores=Spores(good_since=BEGAN - timedelta(days=1)))

    made.says("SPORES")
    made.says("2")

    assert conditions(made) == {"BAG-1": "READY", "SUC-1": "USED", "BAG-2": "READY"}


def test_after_a_failed_test_no_batch_is_offered_the_autoclave() -> None:
    made = ward()
    made.says("SPORES")
    made.says("2")

    made.says("BAG-1")

    assert "autoclave" not in made.batch.facility_methods
    assert "boiling" in made.batch.facility_methods


def test_a_batch_in_the_autoclave_goes_by_another_method() -> None:
    made = play(Ward(), method="autoclave", until="auto")
    made.says("1")
    made.says("SPORES")
    made.says("2")

    assert made.batch.method == ""
    assert made.batch.stage == "method"
    assert made.timers == {}
    made.says("1")
    assert made.batch.stage == "method", "her next digit shows the question first"


def test_only_the_in_charge_reports_a_good_test() -> None:
    made = ward(spores=Spores(failed_at=BEGAN - timedelta(days=2)))

    made.says("SPORES")
    made.says("1")
    assert made.unit.spores.failed_at is not None

    made.says("SPORES", phone=CHIEF)
    made.says("1", phone=CHIEF)
    made.says("01", phone=CHIEF)
    assert made.unit.spores.failed_at is None


def test_a_good_test_run_before_the_failed_one_lifts_nothing() -> None:
    failed = Spores(failed_at=BEGAN - timedelta(days=2))
    made = ward(spores=failed)

    made.says("SPORES", phone=CHIEF)
    made.says("1", phone=CHIEF)
    made.says("5", phone=CHIEF)

    assert made.unit.spores == failed


@pytest.mark.parametrize("nonsense", ["", "many", "-1", "61", "9999999", "٣"])
def test_nonsense_for_the_day_changes_nothing(nonsense: str) -> None:
    failed = Spores(failed_at=BEGAN)
    made = ward(spores=failed)
    made.says("SPORES", phone=CHIEF)
    made.says("1", phone=CHIEF)

    made.says(nonsense, phone=CHIEF)

    assert made.unit.spores == failed


def test_by_a_protocol_of_one_load_only_that_load_is_called_back() -> None:
    rules = rules_of()
    lenient = replace(rules.protocols["default"], recall="one_load")
    rules = replace(rules, protocols={**rules.protocols, "default": lenient, lenient.id: lenient})
    unit = Unit(PLACE, sets={s.id: s for s in (OLD, NEW, BOILED)})

    for n, text in enumerate(("SPORES", "2", "41")):
        at = BEGAN + timedelta(minutes=n)
        unit = step(unit, Heard(f"e{n}", ASHA, "sms", text, at), rules).unit

    ready = {i for i, s in unit.sets.items() if s.condition == "READY"}
    assert ready == {"BAG-1", "BAG-2"}


def test_the_day_of_the_test_is_the_facilitys_day() -> None:
    """08:00 UTC is 11:00 in Nairobi, whose day began at 21:00 UTC of the day before."""
    made = ward()
    made.says("SPORES", phone=CHIEF)
    made.says("1", phone=CHIEF)
    made.says("00", phone=CHIEF)

    assert made.unit.spores.good_since == BEGAN.replace(hour=21) - timedelta(days=1)


def test_without_a_failure_the_autoclave_is_offered() -> None:
    turn = Turn(Unit(PLACE), rules_of(), BEGAN)

    assert methods_now(turn) == PLACE.methods


def test_a_protocol_with_an_unknown_choice_is_refused() -> None:
    with pytest.raises(ProtocolError, match="recall must be one of"):
        parse(DEFAULT.replace('version = "1"', 'version = "1"\nrecall = "none"', 1))
