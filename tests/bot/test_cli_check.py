"""`check` says of every protocol who confirmed it, and holds nothing against one that is not."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from bot.cli import main
from bot.wiring import PROTOCOLS

TEXT = (PROTOCOLS / "default.toml").read_text(encoding="utf-8")
SHIPPED = ("boiled-water-1", "default-1", "immersion-1")
OWN = TEXT.replace('name = "default"', 'name = "lakeside"', 1)
CONFIRMED = '\n[confirmed]\nby = "Head of newborn care, Lakeside district"\non = 2026-11-20\n'


@pytest.fixture
def folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A programme's own folder of protocols, and no other setting of the machine."""
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("SOAKBELL_PROTOCOLS", str(tmp_path))
    return tmp_path


def check(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["check", *words]) == 0
    return capsys.readouterr().out


@pytest.mark.usefixtures("folder")
def test_what_is_shipped_is_for_training(capsys: pytest.CaptureFixture[str]) -> None:
    lines = check(capsys).splitlines()

    standing = [line for line in lines if "nothing wrong" not in line]
    assert standing == [f"{name}: for training: not confirmed" for name in SHIPPED]
    said = json.loads(check(capsys, "--json"))
    assert said["findings"] == []
    assert said["protocols"] == [
        {"id": name, "confirmed": False, "by": "", "on": None} for name in SHIPPED
    ]


def test_a_confirmed_protocol_says_by_whom_and_when(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "lakeside.toml").write_text(OWN + CONFIRMED, encoding="utf-8")

    line = "lakeside-1: confirmed by Head of newborn care, Lakeside district on 2026-11-20"
    assert line in check(capsys).splitlines()
    assert json.loads(check(capsys, "--json"))["protocols"][-1] == {
        "id": "lakeside-1",
        "confirmed": True,
        "by": "Head of newborn care, Lakeside district",
        "on": "2026-11-20",
    }


def test_a_local_file_that_nobody_confirmed_is_for_training_too(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "lakeside.toml").write_text(OWN, encoding="utf-8")

    assert "lakeside-1: for training: not confirmed" in check(capsys)


def test_half_a_confirmation_names_the_file(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    half = OWN + CONFIRMED.replace("on = 2026-11-20", "")
    (folder / "lakeside.toml").write_text(half, encoding="utf-8")

    assert main(["check"]) == 2
    assert "protocol lakeside.toml: confirmed.on is missing" in capsys.readouterr().err
