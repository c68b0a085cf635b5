"""The other built-in protocols against the published regimes that they follow."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from flows import protocol as module
from flows.protocol import BOUNDS, Protocol, load, parse
from flows.release import findings
from tests.flows.logs import clean

FOLDER = Path(module.__file__).parent / "protocols"
TABLE_C1 = "Appendix C, Table C-1, distributed by IARC"
TABLE_G1 = "WHO 2014, Annex G, Table G.1"


@pytest.fixture(scope="module")
def default() -> Protocol:
    return load(FOLDER / "default.toml")


@pytest.mark.parametrize(
    ("name", "key", "value", "source"),
    [
        # Reference Manual for visual inspection and cryotherapy, Appendix C, Table C-1 (IARC):
        # high-level disinfection in 0.1 % chlorine made with boiled water, 20 min.
        ("boiled-water", "chlorine.target_percent", 0.1, TABLE_C1),
        ("boiled-water", "chlorine.exposure_minutes", 20, TABLE_C1),
        # Interim IPC Guidance, filovirus, WHO 2014, Annex G, Table G.1: immersion of cleaned
        # items in 0.05 % chlorine, 30 min.
        ("immersion", "chlorine.target_percent", 0.05, TABLE_G1),
        ("immersion", "chlorine.exposure_minutes", 30, TABLE_G1),
        # Iqbal et al., PLoS ONE 2016;11:e0156136: weak NaDCC (0.05 %) at 40 C.
        ("boiled-water", "chlorine.nadcc_hot_hours", 0.38, "e0156136"),
        ("immersion", "chlorine.nadcc_hot_hours", 0.38, "e0156136"),
        # Common practice, no source: not in for more than twice the time.
        ("boiled-water", "chlorine.max_minutes", 40, "common practice, no source"),
        ("immersion", "chlorine.max_minutes", 60, "common practice, no source"),
    ],
)
def test_the_soak_is_that_of_the_published_regime(
    name: str, key: str, value: float, source: str
) -> None:
    rules = load(FOLDER / f"{name}.toml")

    assert rules.id == f"{name}-1"
    assert rules[key] == value
    assert source in rules.sources[key]


@pytest.mark.parametrize(
    ("name", "own"),
    [
        ("boiled-water", {"target_percent", "nadcc_hot_hours"}),
        ("immersion", {"target_percent", "exposure_minutes", "max_minutes", "nadcc_hot_hours"}),
    ],
)
def test_all_else_is_as_in_the_default_protocol(
    default: Protocol, name: str, own: set[str]
) -> None:
    rules = load(FOLDER / f"{name}.toml")

    differ = {key for key in BOUNDS if rules[key] != default[key]}
    assert differ == {f"chlorine.{key}" for key in own}
    assert {key for key in BOUNDS if rules.sources[key] != default.sources[key]} <= {
        f"chlorine.{key}" for key in own
    }
    assert rules.cycles == default.cycles
    assert rules.remind_after_minutes == default.remind_after_minutes


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.toml")), ids=lambda path: path.stem)
def test_nobody_has_confirmed_what_is_shipped(path: Path) -> None:
    """Only a local programme can: what comes along is for training."""
    rules = load(path)

    assert (rules.confirmed, rules.confirmed_by, rules.confirmed_on) == (False, "", None)


def test_the_titles_say_what_must_not_be_missed() -> None:
    assert "made with BOILED water" in load(FOLDER / "boiled-water.toml").title
    assert "GENERAL disinfection only, not high-level" in load(FOLDER / "immersion.toml").title
    for path in FOLDER.glob("*.toml"):
        assert "for training until confirmed locally" in load(path).title


def test_every_built_in_protocol_has_a_name_of_its_own() -> None:
    """The name of the file is the name by which a facility asks for it."""
    assert {path.stem: load(path).name for path in FOLDER.glob("*.toml")} == {
        name: name for name in ("default", "boiled-water", "immersion")
    }


@pytest.mark.parametrize("name", ["boiled-water", "immersion"])
def test_no_batch_goes_by_a_regime_that_the_conversation_cannot_ask_about(name: str) -> None:
    """0.1 % in tap water, or general disinfection, must never come out READY."""
    rules = load(FOLDER / f"{name}.toml")
    batch = replace(clean("boiling"), protocol=rules.id)

    assert not rules.for_release
    assert "other_protocol" in [f.code for f in findings(batch, rules)]


def test_a_misspelt_leave_to_release_is_no_leave() -> None:
    text = (FOLDER / "default.toml").read_text(encoding="utf-8")

    assert load(FOLDER / "default.toml").for_release
    assert not parse('for_release = "yes"\n' + text).for_release
