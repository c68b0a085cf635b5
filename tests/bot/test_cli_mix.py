"""`mix` against the printed tables, what it refuses, its label and its bottle."""

from __future__ import annotations

import math

import pytest

from bot.cli_trade_words import CAUTIONS
from tests.bot.trade_stand import BOTTLE, Ask

FINE = ("--measure", "jug:10000:1:mL", "--measure", "scales:1000:0.1:g")


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
