"""The proof of the supervisor's screens: it holds, and it finds what would not hold."""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import replace

import pytest

from bot import paging, prove_above, supervising
from bot.config import from_env
from bot.wiring import load_rules
from flows.supervision import MAIN, SCREENS, Choice, Screen
from tests.nurse import ALERTS, WORDING, rules_of

RULES = rules_of(alerts=ALERTS)


def small(monkeypatch: pytest.MonkeyPatch, screens: Mapping[str, Screen]) -> list[str]:
    """What is found wrong with *screens* over the boards that are small."""
    boards = {k: v for k, v in prove_above.boards().items() if k != "full board"}
    monkeypatch.setattr(prove_above, "boards", lambda: boards)
    for module in (supervising, paging):
        monkeypatch.setattr(module, "SCREENS", screens)
    return prove_above.prove_above(RULES).faults


def edited(name: str, **changes: object) -> Mapping[str, Screen]:
    return {**SCREENS, name: replace(SCREENS[name], **changes)}  # type: ignore[arg-type]


def test_the_screens_in_service_hold_over_every_board() -> None:
    proof = prove_above.prove_above(RULES)

    assert proof.faults == []
    assert set(proof.scenes) == {
        f"supervisor, {board}, {channel}"
        for board in ("empty board", "no alert", "one alert", "full board")
        for channel in ("sms", "ussd")
    }
    assert proof.scenes["supervisor, full board, ussd"] > 200


def test_a_digit_that_answers_after_the_answer_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    twice = edited("answered", choices={"1": Choice("answered", "taken")})
    faults = small(monkeypatch, twice)

    assert any("answers F1-1, which was not asked for" in fault for fault in faults)


def test_a_screen_from_which_0_leads_nowhere_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    faults = small(monkeypatch, edited("silence", back="silence"))

    assert any("0 does not lead to the main screen" in fault for fault in faults)


def test_a_screen_that_is_not_there_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    lost = {**SCREENS[MAIN].choices, "6": Choice("nowhere")}
    faults = small(monkeypatch, edited(MAIN, choices=lost))

    assert any("raised KeyError: 'nowhere'" in fault for fault in faults)


def test_the_rules_in_service_can_be_handed_to_other_processes() -> None:
    rules = load_rules(from_env({"SOAKBELL_DEMO": "1"}), WORDING)

    copied = pickle.loads(pickle.dumps(rules))  # noqa: S301  # made on the line itself
    assert copied.alerts == rules.alerts
