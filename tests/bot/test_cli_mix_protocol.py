"""`mix` takes every number from the protocol: a file that says otherwise is done otherwise."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from flows import protocol as module
from tests.bot.trade_stand import BOTTLE, Ask

DEFAULT = Path(module.__file__).parent / "protocols" / "default.toml"
MADE = ("--made-at", "2026-03-01T08:00+00:00")
OWN = {
    "name": '"own"',
    "parts_water": "3",
    "nadcc_hot_above_c": "24",
    "nadcc_hot_hours": "0.5",
    "nadcc_hot_hours_weak": "0.25",
    "test_after_days": "20",
    "test_above_c": "22",
}


@pytest.fixture
def ask(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Ask:
    """Asks where a programme has its own protocol: stricter, but for vinegar."""
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    text = DEFAULT.read_text(encoding="utf-8")
    for key, value in OWN.items():
        old = rf"(\n{key} = (?:{{ value = )?)[^,\n]+"
        text, count = re.subn(old, rf"\g<1>{value}", text, count=1)
        assert count == 1, key
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    monkeypatch.setenv("SOAKBELL_PROTOCOLS", str(tmp_path))
    return Ask(capsys)


@pytest.mark.parametrize(
    ("protocol", "vinegar", "water"), [("default", 500, 500), ("own", 250, 750)]
)
def test_vinegar_is_mixed_in_the_protocols_parts(
    ask: Ask, protocol: str, vinegar: float, water: float
) -> None:
    """Worked out: 1 part in 1 + 1 is half a litre, 1 part in 1 + 3 is a quarter."""
    code, said = ask.json("mix", "--vinegar", "--litres", "1", "--protocol", protocol)
    _, text = ask.text("mix", "--vinegar", "--litres", "1", "--protocol", protocol)

    assert code == 0
    assert (said["product"]["total"], said["water"]["total"]) == (vinegar, water)
    assert f"{water / vinegar:g} of water to 1 of vinegar" in text
    assert said["sources"]["vinegar.parts_water"] in text


@pytest.mark.parametrize(
    ("protocol", "celsius", "target", "doubtful"),
    [
        ("default", 35, 0.5, None),  # not above 35
        ("default", 36, 0.5, "08:49"),  # 0.82 h are 49.2 min
        ("default", 36, 0.4, "08:22"),  # weaker than the target of 0.5: 0.38 h are 22.8 min
        ("boiled-water", 36, 0.1, "08:22"),
        ("boiled-water", 36, 0.5, "08:22"),  # the stricter of what that file knows
        ("immersion", 36, 0.05, "08:22"),
        ("own", 24, 0.5, None),
        ("own", 25, 0.5, "08:30"),
        ("own", 25, 0.4, "08:15"),
    ],
)
def test_when_nadcc_is_doubtful_is_the_protocols(
    ask: Ask, protocol: str, celsius: int, target: float, doubtful: str | None
) -> None:
    """Iqbal et al., PLoS ONE 2016: 0.82 h at 0.5 %, 0.38 h at 0.05 %; the rest is invented."""
    _, said = ask.json("mix", "--granules", "60", "--product", "NaDCC", "--litres", "1",
                       "--celsius", str(celsius), "--target", str(target), *MADE,
                       "--protocol", protocol)  # fmt: skip

    warn = said["label"]["warn_at"]
    assert (warn and warn[11:16]) == doubtful
    assert "chlorine.nadcc_hot_above_c" in said["sources"]


@pytest.mark.parametrize(
    ("protocol", "days", "celsius", "doubted"),
    [
        ("default", 90, 30, False),
        ("default", 91, 30, True),
        ("default", 90, 31, True),
        ("own", 20, 22, False),
        ("own", 21, 22, True),
        ("own", 20, 23, True),
    ],
)
def test_when_a_bottle_is_tested_is_the_protocols(
    ask: Ask, protocol: str, days: int, celsius: int, doubted: bool
) -> None:
    """Common practice, no source: over 90 days or above 30 C; the own file is invented."""
    _, said = ask.json(*BOTTLE, "--bottle-days", str(days), "--stored", str(celsius),
                       "--protocol", protocol)  # fmt: skip

    assert ("test_or_replace" in said["bottle"]["cautions"]) is doubted
    assert "chlorine.test_after_days" in said["sources"]


def test_only_the_numbers_that_were_used_have_their_source_said(ask: Ask) -> None:
    _, bleach = ask.json(*BOTTLE)
    _, vinegar = ask.json("mix", "--vinegar", "--litres", "1")

    assert set(bleach["sources"]) == {
        "chlorine.target_percent", "chlorine.overshoot_factor", "chlorine.solution_life_hours"
    }  # fmt: skip
    assert set(vinegar["sources"]) == {"chlorine.overshoot_factor", "vinegar.parts_water"}
