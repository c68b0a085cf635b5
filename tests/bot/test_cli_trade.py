"""The commands mix, cycle and plan against the trade's printed numbers, and how they end."""

from __future__ import annotations

import json
import math
import os
from typing import Any

import pytest

from bot import cli_plan
from bot.cli import main
from bot.cli_trade_words import CAUTIONS, CLOSING, REASONS
from flows.heat import kpa_to_psi

FINE = ("--measure", "jug:10000:1:mL", "--measure", "scales:1000:0.1:g")
SOAK = ("--machine", "gravity", "--load", "wrapped", "--celsius", "121", "--minutes", "30",
        "--indicator", "changed")  # fmt: skip
NEED = ("--births", "300", "--fraction", "0.17", "--turnaround", "8")


@pytest.fixture(autouse=True)
def _no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)


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


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Ask:
    return Ask(capsys)


# ---- mix: the printed tables --------------------------------------------------------------------

# Best Practices for Environmental Cleaning, CDC, App. E; Interim IPC Guidance, WHO 2014, Annex G,
# Table G.1; the last of all: worked out from stock / target - 1.
PARTS = [
    (("--liquid", "3.5"), 0.5, 6),  # CDC
    (("--liquid", "35", "--unit", "g/L"), 0.5, 6),  # the same, 1 % is 10 g/L
    (("--liquid", "35000", "--unit", "ppm"), 0.5, 6),  # and 10 000 ppm
    (("--liquid", "5"), 0.1, 49),  # CDC, example 3
    (("--liquid", "5"), 0.05, 99),  # WHO
    (("--liquid", "2.5"), 0.05, 49),  # WHO
    (("--liquid", "12", "--unit", "degrees"), 0.5, 6.2),  # 12 degrees are 3.6 %: CDC's note
    (("--liquid", "8", "--unit", "degrees"), 0.5, 3.8),
]


@pytest.mark.parametrize(("stock", "target", "parts"), PARTS)
def test_bleach_is_mixed_as_the_handbooks_print_it(
    ask: Ask, stock: tuple[str, ...], target: float, parts: float
) -> None:
    code, said = ask.json("mix", *stock, "--litres", "10", "--target", str(target), *FINE)

    assert code == 0
    assert said["water_exact_ml"] / said["product_exact"] == pytest.approx(parts)
    assert said["water"]["total"] / said["product"]["total"] == pytest.approx(parts, rel=0.02)
    assert target <= said["percent"] <= 1.02 * target


@pytest.mark.parametrize(
    ("percent", "grams"),
    [
        (35, 14.2857),  # CDC, App. E: 14.3 g
        (70, 7.142857),  # target / powder x 1000; the WHO lab manual's Table 12 has 7.0, under it
    ],
)
@pytest.mark.parametrize("form", ["--powder", "--granules"])
def test_grams_of_powder_for_a_litre(ask: Ask, form: str, percent: int, grams: float) -> None:
    code, said = ask.json("mix", form, str(percent), "--litres", "1", *FINE)

    assert code == 0
    assert said["product_exact"] == pytest.approx(grams, rel=1e-5)
    assert grams <= said["product"]["total"] <= grams + 0.1
    assert said["water"]["total"] == 1000
    assert CAUTIONS["let_stand"] in said["cautions"]


@pytest.mark.parametrize(
    ("grams", "litres", "tablets", "percent"),
    [
        (1.0, 2, 10, 0.5),  # cholera tables, UNICEF and MSF: 5 a litre
        (1.5, 1, 4, 0.6),  # WHO lab manual, Table 12: 4 tablets, really 0.6 %
        (5.0, 1, 1, 0.5),
    ],
)
def test_tablets_are_counted_whole(
    ask: Ask, grams: float, litres: float, tablets: int, percent: float
) -> None:
    code, said = ask.json("mix", "--tablets", str(grams), "--litres", str(litres))

    assert code == 0
    assert said["product"]["total"] == tablets
    assert said["percent"] == pytest.approx(percent)


def test_five_litres_from_bleach_of_3_5_percent(ask: Ask) -> None:
    """Worked out: 714.29 mL of bleach and 4285.71 mL of water; rounded to the safe side."""
    code, said = ask.json("mix", "--liquid", "3.5", "--litres", "5", *FINE)

    assert code == 0
    assert said["product_exact"] == pytest.approx(714.29, abs=0.005)
    assert said["water_exact_ml"] == pytest.approx(4285.71, abs=0.005)
    assert (said["product"]["total"], said["water"]["total"]) == (715, 4285)


def test_both_amounts_are_said_water_first(ask: Ask) -> None:
    """Worked out: 2 L of 0.5 % from 5 % are 200 mL and 1800 mL."""
    code, said = ask.text("mix", "--liquid", "5", "--litres", "2")

    assert code == 0
    assert said.index("Water first: 1800 mL") < said.index("Then add the bleach: 200 mL")
    assert "2000 mL of 0.5 %" in said
    assert "took for granted: jug of 1000 mL by 50, syringe of 20 mL by 1" in said


def test_vinegar_is_mixed_with_as_much_water(ask: Ask) -> None:
    """Common practice, no source: equal parts."""
    code, said = ask.json("mix", "--vinegar", "--litres", "1")

    assert code == 0
    assert said["product"]["total"] == said["water"]["total"] == 500
    assert said["cautions"] == [CAUTIONS["never_with_chlorine"], CAUTIONS["rinse_before_chlorine"]]
    assert said["label"] is None


@pytest.mark.parametrize(("name", "target"), [("boiled-water", 0.1), ("immersion", 0.05)])
def test_the_target_is_that_of_the_protocol(ask: Ask, name: str, target: float) -> None:
    code, said = ask.json("mix", "--liquid", "5", "--litres", "1", "--protocol", name)
    _, text = ask.text("mix", "--liquid", "5", "--litres", "1", "--protocol", name)

    assert code == 0
    assert said["target_percent"] == target
    assert said["protocol"] == f"{name}-1"
    assert said["sources"]["chlorine.target_percent"] in text


def test_a_weaker_target_than_the_protocols_is_said(ask: Ask) -> None:
    _, weaker = ask.text("mix", "--liquid", "5", "--litres", "1", "--target", "0.1")
    _, stronger = ask.text("mix", "--liquid", "5", "--litres", "1", "--target", "1")

    assert "WEAKER than default-1 asks: 0.5 %" in weaker
    assert "WEAKER" not in stronger
    assert "not that of default-1, 0.5 %" in stronger


# ---- mix: what is found, refused and cautioned --------------------------------------------------


def test_whole_cups_that_come_out_far_too_strong_are_a_finding(ask: Ask) -> None:
    """One cup of 250 mL in a litre of 5 % bleach is 1.25 %: 2.5 times the target."""
    code, said = ask.json("mix", "--liquid", "5", "--litres", "1", "--measure", "cup:250:250")

    assert code == 1
    assert not said["within_limit"]
    assert said["overshoot"] == pytest.approx(2.5)
    assert CAUTIONS["too_strong"] in said["cautions"]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--liquid", "0.4"), "not stronger than the target"),
        (("--liquid", "25"), "more than such a product can hold"),
        (("--powder", "101"), "more than such a product can hold"),
        (("--liquid", "5", "--container", "metal"), "never metal"),
        (("--liquid", "5", "--water", "hot"), "never hot"),
        (("--liquid", "5", "--add", "vinegar"), "poisonous gas"),
        (("--liquid", "5", "--add", "detergent"), "Add nothing"),
        (("--vinegar", "--add", "bleach"), "poisonous gas"),
    ],
)
def test_what_the_trade_refuses_is_a_finding_and_gives_no_amounts(
    ask: Ask, words: tuple[str, ...], why: str
) -> None:
    code, said = ask.json("mix", *words, "--litres", "1")
    _, text = ask.text("mix", *words, "--litres", "1")

    assert code == 1
    assert why in said["refused"]
    assert "product" not in said
    assert "mL" not in text


def test_every_caution_is_a_whole_sentence(ask: Ask) -> None:
    """MSF cholera guideline, App. 15, and ICSC 0482: what the trade asks for with chlorine."""
    _, said = ask.text("mix", "--liquid", "5", "--litres", "1")

    for word in ("Water first", "plastic", "cold water", "Add nothing", "gloves", "apron",
                 "eye cover", "open air", "Label"):  # fmt: skip
        assert word in said
    assert "let it stand" not in said
    for sentence in CAUTIONS.values():
        assert sentence[0].isupper()
        assert sentence.endswith(".")


# ---- mix: the label and the bottle --------------------------------------------------------------


def test_the_label_says_what_how_strong_and_until_when(ask: Ask) -> None:
    """A South African primary-care guideline: 24 h."""
    made = ("mix", "--liquid", "5", "--litres", "2", "--made-at", "2026-03-01T08:00+00:00")
    _, said = ask.text(*made, "--by", "P1")
    _, zone = ask.text(*made[:-1], "2026-03-01T10:00+02:00", "--by", "P1")

    assert (
        "Label: bleach, 0.5 %, made 2026-03-01 08:00 UTC by P1, discard 2026-03-02 08:00 UTC."
        in said
    )
    assert zone == said


@pytest.mark.parametrize(
    ("celsius", "doubtful"),
    [
        (("--celsius", "40"), "2026-03-01 08:49"),  # 0.82 h: Iqbal et al., PLoS ONE 2016, 40 C
        ((), "2026-03-01 08:49"),  # nobody knows: taken for hot
        (("--celsius", "25"), None),
    ],
)
def test_tablets_in_the_heat_are_doubtful_within_the_hour(
    ask: Ask, celsius: tuple[str, ...], doubtful: str | None
) -> None:
    made = ("--made-at", "2026-03-01T08:00+00:00", *celsius)
    _, said = ask.json("mix", "--tablets", "1", "--litres", "1", *made)

    warn = said["label"]["warn_at"]
    assert (warn and warn[:16]) == doubtful


def test_weak_tablets_in_the_heat_are_doubtful_sooner(ask: Ask) -> None:
    """Iqbal et al., PLoS ONE 2016: 0.38 h at 0.05 % and 40 C."""
    _, said = ask.json("mix", "--tablets", "1", "--litres", "2", "--target", "0.05",
                       "--made-at", "2026-03-01T08:00+00:00")  # fmt: skip

    assert said["label"]["warn_at"][:16] == "2026-03-01 08:22"


BOTTLE = ("mix", "--liquid", "5", "--litres", "2")


@pytest.mark.parametrize(("celsius", "percent"), [(25, 3.21), (30, 2.36), (35, 1.57)])
def test_an_old_bottle_shows_the_pessimistic_figure(ask: Ask, celsius: int, percent: float) -> None:
    """Adam and Gordon, Inorg. Chem. 1999, with three OCl- a turn: 5 % after 180 days."""
    age = ("--bottle-days", "180", "--stored", str(celsius))
    code, said = ask.json(*BOTTLE, *age)
    _, text = ask.text(*BOTTLE, *age)

    assert code == 1
    assert said["bottle_too_weak"]
    assert said["bottle"]["shown_percent"] == pytest.approx(percent, abs=0.01)
    assert f"no more than {math.floor(percent * 10) / 10:g} % of the 5 %" in text
    assert CAUTIONS["test_or_replace"] in text


def test_no_bottle_is_leave_to_mix_otherwise(ask: Ask) -> None:
    """Neither more nor less product, whatever the bottle may have lost."""
    _, plain = ask.json(*BOTTLE)
    _, old = ask.json(*BOTTLE, "--bottle-days", "120", "--stored", "30")

    for key in ("product", "water", "percent", "made_ml", "overshoot"):
        assert old[key] == plain[key]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--liquid", "3.5", "--bottle-days", "30", "--stored", "25"), "strength"),
        (("--liquid", "5", "--bottle-days", "30", "--stored", "10"), "temperature"),
        (("--liquid", "5", "--bottle-days", "30", "--stored", "25", "--clear-bottle"), "light"),
    ],
)
def test_a_bottle_that_nobody_can_tell_is_a_finding(
    ask: Ask, words: tuple[str, ...], why: str
) -> None:
    """Outside what was measured (0.7 to 3.0 M, 15 to 55 C, in the dark) it is not known."""
    code, said = ask.text("mix", *words, "--litres", "1")

    assert code == 1
    assert "is not known" in said
    assert why in said
    assert CAUTIONS["test_or_replace"] in said


# ---- cycle --------------------------------------------------------------------------------------


def cycle(*words: str) -> tuple[str, ...]:
    return ("cycle", *SOAK, *words)


@pytest.mark.parametrize(
    ("words", "accepted"),
    [
        # CDC 2008, Table 7; the shorter time for what is not wrapped: Reference Manual, App. C.
        ((), True),
        (("--minutes", "20"), False),
        (("--minutes", "20", "--load", "unwrapped"), True),
        (("--minutes", "19", "--load", "unwrapped"), False),
        (("--celsius", "132", "--gauge", "27psi", "--minutes", "15"), True),
        (("--celsius", "132", "--gauge", "27psi", "--minutes", "14"), False),
        (("--machine", "prevacuum", "--celsius", "132", "--gauge", "27psi", "--minutes", "4"),
         True),
        (("--machine", "prevacuum", "--celsius", "132", "--gauge", "27psi", "--minutes", "3"),
         False),
        (("--celsius", "120"), False),
        (("--indicator", "unchanged"), False),  # CDC 2008: do not use the items
        (("--indicator", "none"), False),
        (("--wet",), False),
        (("--gauge", "14psi"), False),
    ],
)  # fmt: skip
def test_cycles_are_judged_by_the_tables(ask: Ask, words: tuple[str, ...], accepted: bool) -> None:
    code, said = ask.json(*cycle("--gauge", "15psi", "--altitude", "0", *words))

    assert said["accepted"] is accepted
    assert code == (0 if accepted else 1)
    assert bool(said["reasons"]) is not accepted


def test_15_psi_at_2000_m_is_too_cold_and_says_what_it_needs(ask: Ask) -> None:
    """IAPWS-IF97 and the standard atmosphere: 117.41 C there; 121 C needs 18.21 psi, 125.5 kPa."""
    code, said = ask.text(*cycle("--gauge", "15psi", "--altitude", "2000"))

    assert code == 1
    assert (
        "15 psi here gives 117 C. It needs 18.3 psi (126 kPa), or ask for another method." in said
    )
    assert "NOT ACCEPTED" in said


@pytest.mark.parametrize(
    ("altitude", "psi", "kpa"),
    [(0, 15.04, 103.7), (1000, 16.70, 115.2), (1500, 17.47, 120.5), (2000, 18.21, 125.5),
     (2400, 18.77, 129.4), (3000, 19.57, 134.9), (4000, 20.80, 143.4)],
)  # fmt: skip
def test_what_the_gauge_needs_is_that_of_saturated_steam_and_is_said_no_lower(
    ask: Ask, altitude: int, psi: float, kpa: float
) -> None:
    """121 C, IAPWS-IF97 less the standard atmosphere."""
    words = cycle("--gauge", "10psi", "--altitude", str(altitude))
    _, said = ask.json(*words)

    needed = said["needed_gauge_kpa"]
    assert needed == pytest.approx(kpa, abs=0.06)
    assert kpa_to_psi(needed) == pytest.approx(psi, abs=0.006)
    _, text = ask.text(*words)
    line = next(line for line in text.splitlines() if line.startswith(f"At {altitude} m"))
    shown_psi, shown_kpa = (float(w.strip("(")) for w in line.split() if w.strip("(")[0].isdigit()
                            and float(w.strip("(")) != altitude)  # fmt: skip
    assert needed <= shown_kpa < needed + 1
    assert kpa_to_psi(needed) <= shown_psi < kpa_to_psi(needed) + 0.1


def test_what_it_says_is_needed_is_enough(ask: Ask) -> None:
    for altitude in range(0, 4001, 250):
        refused = ask.json(*cycle("--gauge", "10psi", "--altitude", str(altitude)))[1]
        need = refused["reasons"][0]["text"].split("It needs ")[1].split()
        for gauge in (f"{need[0]}psi", need[2].strip("(")):
            assert ask.json(*cycle("--gauge", gauge, "--altitude", str(altitude)))[0] == 0


@pytest.mark.parametrize(("altitude", "minutes"), [(0, 29.0), (1000, 19.1), (2000, 12.8)])
def test_f0_is_told_of_the_steam_and_changes_nothing(
    ask: Ask, altitude: int, minutes: float
) -> None:
    """F0 of 30 minutes of the steam that 15 psi gives there, at 121.1 C and z 10."""
    _, said = ask.json(*cycle("--gauge", "15psi", "--altitude", str(altitude)))
    _, text = ask.text(*cycle("--gauge", "15psi", "--altitude", str(altitude)))

    assert said["f0_minutes_information_only"] == pytest.approx(minutes, abs=0.05)
    assert "it shortens no time" in text


def test_a_high_f0_does_not_accept_a_short_cycle(ask: Ask) -> None:
    """4 min at 132 C are an F0 of 49.2, and still too short for a gravity machine."""
    words = ("--celsius", "132", "--gauge", "27.5psi", "--minutes", "4", "--altitude", "0")
    code, said = ask.json(*cycle(*words))

    assert said["f0_minutes_information_only"] == pytest.approx(49.2, abs=0.1)
    assert code == 1
    assert [r["code"] for r in said["reasons"]] == ["too_short"]


@pytest.mark.parametrize("gauge", ["15psi", "15 PSI", "103.42", "103.42kPa", "1.0342bar",
                                   "1,0342 bar"])  # fmt: skip
def test_a_gauge_is_read_in_its_own_unit(ask: Ask, gauge: str) -> None:
    """1 psi is 6.894757 kPa and 1 bar is 100 kPa, by definition."""
    code, said = ask.json(*cycle("--gauge", gauge, "--altitude", "0"))

    assert code == 0
    assert said["gauge_kpa"] == pytest.approx(103.42, abs=0.005)


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("--celsius", "112", "--gauge", "103"), "Air is in the chamber"),  # a quarter of air
        (("--celsius", "130", "--gauge", "103"), "have them checked"),
        (("--celsius", "121", "--gauge", "103", "--wet"), REASONS["wet"]),
        (
            (
                "--celsius",
                "121",
            ),
            "Nobody read the pressure",
        ),
        (("--indicator", "unchanged", "--gauge", "103"), REASONS["indicator_unchanged"]),
        (("--indicator", "none", "--gauge", "103"), REASONS["indicator_none"]),
    ],
)
def test_every_reason_says_what_to_do(ask: Ask, words: tuple[str, ...], reason: str) -> None:
    code, said = ask.text(*cycle("--altitude", "0", *words))

    assert code == 1
    assert reason in said
    assert "{" not in said


def test_every_sentence_about_a_load_ends_with_something_to_do() -> None:
    for sentence in REASONS.values():
        assert sentence.count(".") >= 2, sentence


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
