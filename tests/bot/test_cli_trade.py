"""`plan` against printed numbers, and how mix, cycle and plan end alike."""

from __future__ import annotations

import pytest

from bot import cli_plan
from bot.cli_trade_words import CLOSING
from tests.bot.trade_stand import BOTTLE, NEED, Ask, cycle

# ---- plan ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "chances"),
    [
        # Erlang's loss formula, B(k) = A B(k-1) / (k + A B(k-1)), worked out for these.
        (NEED, ["36", "9.3", "1.7", "0.24"]),
        (
            ("--births", "600", "--fraction", "0.17", "--turnaround", "6"),
            ["46", "16", "4.4", "0.93"],
        ),
        (("--births", "300", "--fraction", "0.07", "--turnaround", "4"), ["10.4", "0.61"]),
    ],
)
def test_the_chance_of_finding_none_ready(
    ask: Ask, words: tuple[str, ...], chances: list[str]
) -> None:
    code, said = ask.json("plan", *words, "--risk", "0.01")

    assert code == 0
    assert said["sets_needed"] == len(chances)
    for n, printed in enumerate(chances, start=1):
        decimals = len(printed.partition(".")[2])
        assert f"{said['none_ready'][str(n)] * 100:.{decimals}f}" == printed


@pytest.mark.parametrize(("risk", "sets"), [("0.01", 18), ("0.05", 15)])
def test_ten_sets_away_on_average(ask: Ask, risk: str, sets: int) -> None:
    """Published help of an Erlang function: load 10 takes 17.44 servers at 1 %, 14.30 at 5 %."""
    _, said = ask.json("plan", "--births", "900", "--fraction", "1", "--turnaround", "8",
                       "--risk", risk)  # fmt: skip

    assert said["load"] == pytest.approx(10)
    assert said["sets_needed"] == sets


def test_the_simulation_is_a_second_answer_that_a_seed_repeats(ask: Ask) -> None:
    words = ("plan", *NEED, "--simulate", "--seed")
    code, once = ask.json(*words, "7")
    _, again = ask.json(*words, "7")
    _, other = ask.json(*words, "8")

    assert code == 0
    assert once == again
    assert once["simulation"] != other["simulation"]
    assert once["sets_by_simulation"] == once["sets_needed"] == 4
    assert set(once["simulation"]) == {"1", "2", "3", "4", "5"}
    assert once["agree"] is other["agree"] is True


def test_answers_further_apart_than_chance_allows_are_a_finding(
    ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cli_plan, "MOST_APART", 0.0)
    code, said = ask.text("plan", *NEED, "--simulate")

    assert code == 1
    assert "DISAGREE" in said


def test_supplies_for_a_month(ask: Ask) -> None:
    """300 births x 0.17 are 51 uses; two sets a batch are 26 batches; a tenth more for waste."""
    one = ("plan", *NEED, "--chlorine", "750", "--glove-pairs", "2")
    _, said = ask.json(*one)
    _, pairs = ask.json(*one, "--sets-per-batch", "2", "--margin", "0.1")

    assert said["batches_per_month"] == 51
    assert said["supplies_per_month"] == {
        "chlorine_product": 38250, "vinegar_ml": 0, "cloths": 0, "glove_pairs": 102,
    }  # fmt: skip
    assert pairs["batches_per_month"] == 26
    assert pairs["supplies_per_month"]["chlorine_product"] == 21450
    assert pairs["supplies_per_month"]["glove_pairs"] == 58  # 57.2, whole pairs


# ---- all three ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ("mix", "--liquid", "5", "--litres", "1"),
        ("mix", "--liquid", "0.4", "--litres", "1"),
        ("mix", "--vinegar", "--litres", "1"),
        cycle("--gauge", "15psi", "--altitude", "0"),
        cycle("--gauge", "15psi", "--altitude", "2000"),
        ("plan", *NEED),
        ("plan", *NEED, "--simulate"),
    ],
)
def test_each_answer_ends_with_what_comes_first(ask: Ask, words: tuple[str, ...]) -> None:
    _, text = ask.text(*words)
    _, said = ask.json(*words)

    assert text.splitlines()[-1] == CLOSING == said["note"]
    assert "Training numbers until confirmed" in CLOSING


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("mix", "--litres", "1"), "Say what the stock is"),
        (("mix", "--litres", "1", "--granules"), "Say what the stock is"),
        (("mix", "--liquid", "5", "--powder", "70", "--litres", "1"), "Say what the stock is"),
        (("mix", "--liquid", "-5", "--litres", "1"), "above zero"),
        (("mix", "--liquid", "nan", "--litres", "1"), "above zero"),
        (("mix", "--liquid", "5", "--litres", "0"), "above zero"),
        (("mix", "--liquid", "5", "--litres", "1", "--target", "inf"), "above zero"),
        (("mix", "--liquid", "5", "--litres", "1", "--measure", "jug"), "A measure is written"),
        (("mix", "--liquid", "5", "--litres", "1", "--measure", "jug:1:x"), "A measure is"),
        (("mix", "--liquid", "5", "--litres", "1", "--measure", "jug:1:5:oz"), "A measure is"),
        (("mix", "--liquid", "5", "--litres", "1", "--measure", "jug:1:5"), "larger than what"),
        (("mix", "--powder", "70", "--litres", "1", "--unit", "ppm"), "goes with --liquid"),
        (("mix", "--powder", "70", "--litres", "1", "--product", "bleach"), "not what a powder"),
        (("mix", "--liquid", "5", "--litres", "1", "--protocol", "none"), "no protocol none"),
        (("mix", "--vinegar", "--litres", "1", "--target", "1"), "no --target"),
        ((*BOTTLE, "--bottle-days", "30"), "go together"),
        ((*BOTTLE, "--stored", "30"), "go together"),
        ((*BOTTLE, "--bottle-days", "-1", "--stored", "30"), "from zero up"),
        ((*BOTTLE, "--made-at", "2026-03-01T08:00"), "not a moment in UTC"),
        (cycle("--gauge", "much", "--altitude", "0"), "A gauge shows"),
        (cycle("--gauge", "15atm", "--altitude", "0"), "A gauge shows"),
        (cycle("--gauge=-15psi", "--altitude", "0"), "A gauge shows"),
        (cycle("--gauge", "15psi", "--altitude", "90000"), "The altitude in m"),
        (cycle("--gauge", "15psi", "--altitude", "0", "--minutes", "-1"), "The minutes"),
        (("plan", *NEED, "--risk", "0"), "The risk must lie"),
        (("plan", *NEED, "--fraction", "17"), "The fraction of births"),
        (("plan", *NEED, "--sets-per-batch", "0"), "The sets per batch"),
        (("plan", *NEED, "--margin", "-1"), "The margin"),
        (("plan", *NEED, "--births", "0", "--simulate"), "uses per hour"),
    ],
)
def test_bad_usage_is_a_sentence_and_ends_with_2(
    ask: Ask, words: tuple[str, ...], sentence: str
) -> None:
    said = ask.wrong(*words)

    assert sentence in said
    assert "\n" not in said
