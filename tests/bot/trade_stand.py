"""Runs the commands of the trade, and the words that their tests share."""

from __future__ import annotations

import json
from typing import Any

import pytest

from bot.cli import main

SOAK = ("--machine", "gravity", "--load", "wrapped", "--celsius", "121", "--minutes", "30",
        "--indicator", "changed")  # fmt: skip
NEED = ("--births", "300", "--fraction", "0.17", "--turnaround", "8")
BOTTLE = ("mix", "--liquid", "5", "--litres", "2")


def cycle(*words: str) -> tuple[str, ...]:
    return ("cycle", *SOAK, *words)


class Ask:
    """Runs a command: its code and JSON, or its code and text."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def json(self, *words: str) -> tuple[int, dict[str, Any]]:
        code = main([*words, "--json"])
        return code, json.loads(self._capsys.readouterr().out)

    def text(self, *words: str) -> tuple[int, str]:
        code = main(words)
        return code, self._capsys.readouterr().out

    def wrong(self, *words: str) -> str:
        """The sentence about bad usage."""
        assert main(words) == 2
        said = self._capsys.readouterr()
        assert said.out == ""
        return said.err.strip()
