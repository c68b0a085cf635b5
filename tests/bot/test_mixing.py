"""MIX: from the facility's own stock to a labelled solution, alone and in the middle of a batch.

Amounts are from outside: CDC 2019 (Best Practices for Environmental Cleaning, Appendix E): 1 part
of 3.5 % bleach to 6 of water, 14.29 g of 35 % powder to a litre, for 0.5 %. A tablet of 1 g of
chlorine makes 200 mL of 0.5 %, by what per cent means (g in 100 mL).
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from bot.effects import Say
from bot.events import Rang
from bot.site import Bottle
from flows.measures import Measure
from flows.strengths import Stock
from tests.mixing_stand import BLEACH, HTH, JUG, NADCC, OPENED, SPOON, stocked
from tests.nurse import ASHA, BEGAN, BELA, CHIEF, PROTOCOL, Ward, play

DAYS = int(PROTOCOL["chlorine.test_after_days"])
WARMEST = PROTOCOL["chlorine.test_above_c"]
LIFE = timedelta(hours=PROTOCOL["chlorine.solution_life_hours"])
OVER_HEARD = {ASHA, CHIEF}


def heard(ward: Ward) -> set[str]:
    """Who got an SMS in the last turn."""
    return {e.phone for e in ward.effects if isinstance(e, Say)}


def old(days: int = DAYS + 1, celsius: float | None = 25, percent: float = 8) -> Bottle:
    opened = OPENED - timedelta(days=days)
    return Bottle("OLD-1", Stock("bleach", "liquid", percent), opened, celsius)


# ---- how much of what ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("digit", "water", "product"),
    [
        ("1", "COLD water 6000mL (jug 6x1000)", "bleach 1000mL (jug 1x1000)"),
        ("2", "COLD water 7000mL (jug 7x1000)", "HTH 100g (scale 2x50)"),
        ("3", "COLD water 7000mL (jug 7x1000)", "NaDCC tabs 35."),
    ],
)
def test_three_kinds_of_stock_in_the_measures_there_are(
    digit: str, water: str, product: str
) -> None:
    ward = stocked(litres=7)

    listed = ward.says("MIX")
    told = ward.says(digit)

    assert "1 bleach 3.5% 2 HTH 35% 3 NaDCC tabs 1g" in listed
    assert told.index(water) < told.index(product)  # water first
    assert "Gives 0.5%." in told


def test_ten_tablets_of_one_gram_make_two_litres() -> None:
    ward = stocked(NADCC, litres=2)
    ward.says("MIX")

    assert "water 2000mL (jug 2x1000), then NaDCC tabs 10." in ward.says("1")


def test_a_bottle_within_the_limits_is_counted_with_what_may_be_left_never_with_more() -> None:
    """8 % makes 7 L from 437.5 mL; a bottle that stood for weeks wants more of it, not less."""
    fine = (Measure("jug", 10_000, 0.5),)
    amounts = []
    for days in (0, DAYS):
        ward = stocked(old(days, 25), litres=7, measures=fine)
        ward.says("MIX")
        found = re.search(r"bleach ([\d.]+)mL", ward.says("1"))
        assert found
        amounts.append(float(found[1]))

    assert amounts[0] == 437.5
    assert amounts[1] > amounts[0]


def test_what_is_rounded_is_rounded_to_the_strong_side_and_the_real_strength_is_told() -> None:
    """5 L of 0.5 % from 3.5 %: 714.29 mL in 4285.71 mL of water, by the same 1 to 6."""
    ward = stocked(litres=5)
    ward.says("MIX")

    told = ward.says("1")

    found = re.search(r"water (\d+)mL.*bleach (\d+)mL.*Gives ([\d.]+)%", told)
    assert found
    water, product, gives = float(found[1]), float(found[2]), float(found[3])
    assert product >= 714.29
    assert water <= 4285.71
    real = product * 3.5 / (product + water)
    assert 0.5 <= gives <= real < gives + 0.01


def test_help_tells_the_arithmetic_and_the_recipe_still_stands() -> None:
    ward = stocked(litres=5)
    ward.says("MIX", "1")

    why = ward.says("9")

    # 0.5 g in 100 mL is 25 g in 5 L; 25 g at 3.5 g in 100 mL is 714.3 mL.
    assert "25 g chlorine = 714.3mL of 3.5% bleach" in why
    assert ward.says("1").startswith("LABEL it")


def test_by_ussd_it_is_the_same() -> None:
    ward = stocked(litres=7)
    ward.dials("")

    assert "1 bleach 3.5%" in ward.dials("MIX")
    assert "jug 6x1000" in ward.dials("MIX*1")
    assert "LABEL it" in ward.dials("MIX*1*1")
    assert "LABEL it" in ward.dials("", session="s2")  # a dropped session loses nothing
    assert len(ward.unit.reminders) == 1


def test_stronger_than_it_should_be_is_warned_of() -> None:
    """One bleach cap of 100 mL of 8 % in 1 L of water: (100 x 8) / 1100 = 0.727 %, 1.45 times."""
    ward = stocked(old(0), litres=1.1, measures=(Measure("cap", 100, 100),))
    ward.says("MIX")

    assert "TOO STRONG: 0.72%" in ward.says("1")


@pytest.mark.parametrize(
    ("stock", "measures", "reason"),
    [
        (replace(BLEACH, stock=Stock("bleach", "liquid", 0.4)), (JUG,), "not stronger"),
        (HTH, (JUG,), "No measure"),
        (BLEACH, (SPOON,), "No measure"),
        (BLEACH, (Measure("drum", 9000, 9000),), "too coarse"),
        (replace(BLEACH, stock=Stock("bleach", "liquid", 15)), (Measure("jug", 1000, 1000),),
         "too strong: it harms"),
    ],
)  # fmt: skip
def test_what_cannot_be_mixed_says_why_and_offers_other_stock(
    stock: Bottle, measures: tuple[Measure, ...], reason: str
) -> None:
    ward = stocked(stock, measures=measures)
    ward.says("MIX")

    told = ward.says("1")

    assert reason in told
    assert "1 other stock" in told
    assert "Stock?" in ward.says("1")
    assert not ward.unit.reminders


@pytest.mark.parametrize(
    ("gone", "named"),
    [
        ({"stock": ()}, "stock"),
        ({"soak_ml": 0}, "bucket size"),
        ({"measures": ()}, "measures"),
        ({"stock": (), "soak_ml": 0, "measures": ()}, "stock, bucket size, measures"),
    ],
)
def test_a_facility_that_the_register_does_not_know_enough_of_is_told_whom_to_ask(
    gone: dict[str, object], named: str
) -> None:
    ward = stocked(BLEACH)
    ward.unit = replace(ward.unit, site=replace(ward.unit.site, **gone))  # type: ignore[arg-type]

    told = ward.says("MIX")

    assert f"does not know your {named}. Ask Chipo" in told
    assert "label and local chart" in told
    assert "begin, a set was used" in ward.says("0")


def test_the_same_product_twice_is_told_apart_by_its_bottles() -> None:
    ward = stocked(BLEACH, replace(BLEACH, id="BL-2", opened=None))

    assert "1 BL-1 2 BL-2" in ward.says("MIX")


# ---- bottles in doubt ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bottle", "doubted"),
    [
        (old(DAYS, WARMEST), False),
        (old(DAYS + 1, WARMEST), True),
        (old(DAYS, WARMEST + 0.5), True),
        (old(0, None), True),
        (replace(old(), opened=None), True),
        (old(-1), True),  # opened tomorrow: nobody knows when
        (NADCC, False),
        (HTH, False),
    ],
)
def test_a_bottle_is_doubted_past_the_protocols_limits_and_where_nobody_knows(
    bottle: Bottle, doubted: bool
) -> None:
    ward = stocked(bottle)
    ward.says("MIX")

    told = ward.says("1")

    assert ("Test strip or fresh stock first." in told) == doubted
    assert ("COLD water" in told) == (not doubted)


def test_the_day_is_the_facilitys() -> None:
    """At 21:30 UTC it is the next day in Nairobi."""
    ward = stocked(old(DAYS))
    ward.passes(hours=13, minutes=30)
    ward.says("MIX")

    assert "Test strip" in ward.says("1")


def test_what_an_old_bottle_may_be_down_to_is_told_and_is_under_its_label() -> None:
    ward = stocked(old())
    ward.says("MIX")

    found = re.search(r"down to about ([\d.]+)%", ward.says("1"))

    assert found
    assert 0 < float(found[1]) < 8


def test_chlorinated_lime_in_doubt_is_replaced_and_never_tested() -> None:
    lime = Bottle("L-1", Stock("chlorinated lime", "powder", 30), date(2024, 1, 1), 25)
    ward = stocked(lime)
    ward.says("MIX")

    assert "fresh bag. 1 other stock" in ward.says("1")


@pytest.mark.parametrize("strip", ["3", "3.0", "3,0", "3 %", "3%"])
def test_a_strip_that_shows_less_than_the_label_is_what_is_mixed_from(strip: str) -> None:
    """7 L of 0.5 % hold 35 g: 1166.7 mL of 3 %, so 1200 mL to a mark."""
    ward = stocked(old(percent=3.5), litres=7)
    ward.says("MIX", "1", "1")

    told = ward.says(strip)

    assert "bleach 1200mL" in told
    assert "water 5800mL" in told


@pytest.mark.parametrize("strip", ["3.5", "8.0", "19"])
def test_a_strip_that_shows_more_than_the_label_changes_nothing(strip: str) -> None:
    ward = stocked(old(percent=3.5), litres=7)
    ward.says("MIX", "1", "1")

    assert "bleach 1000mL" in ward.says(strip)


def test_a_strip_that_shows_too_little_sends_to_other_stock() -> None:
    ward = stocked(old(), BLEACH, litres=7)
    ward.says("MIX", "1", "1")

    assert "not stronger" in ward.says("0.5")
    assert "2 bleach 3.5%" in ward.says("1")
    assert "bleach 1000mL" in ward.says("2")


@pytest.mark.parametrize("nonsense", ["strong", "-3", "nan", "inf", "21", "1e9", "", "3 4"])
def test_what_no_strip_can_show_is_asked_again(nonsense: str) -> None:
    ward = stocked(old())
    ward.says("MIX", "1", "1")

    assert "What does the strip show" in ward.says(nonsense)
    assert "COLD water" in ward.says("3.1")


@pytest.mark.parametrize("nonsense", ["7", "12", "x", "", "1 2"])
def test_a_number_that_is_not_on_the_list_is_asked_again(nonsense: str) -> None:
    ward = stocked()
    ward.says("MIX")

    assert "1 bleach 3.5%" in ward.says(nonsense)


def test_a_recipe_left_open_until_its_bottle_is_in_doubt_is_not_taken_for_made() -> None:
    ward = stocked(old(DAYS))
    ward.says("MIX", "1")
    ward.passes(days=1)

    assert "Test strip" in ward.says("1")
    assert not ward.unit.reminders


def test_stock_that_left_the_register_leaves_the_screen() -> None:
    ward = stocked()
    ward.says("MIX", "1")
    ward.unit = replace(ward.unit, site=replace(ward.unit.site, stock=(HTH,)))

    assert "1 HTH 35%" in ward.says("1")
    assert not ward.unit.reminders


# ---- made: the label and its bell ---------------------------------------------------------------


def test_the_label_says_what_when_by_whom_and_until_when() -> None:
    ward = stocked(litres=7)
    ward.says("MIX", "1")

    label = ward.says("1")

    # 08:00 UTC is 11:00 in Nairobi; the default protocol gives a solution 24 h.
    assert "chlorine 0.5%, made 11:00 by Asha, POUR AWAY 4 Mar 11:00." in label


def test_the_clear_part_of_hth_is_asked_for() -> None:
    ward = stocked()
    ward.says("MIX", "2")

    assert "use the clear part" in ward.says("1")


def test_when_it_is_over_the_maker_and_the_in_charge_are_told_once() -> None:
    ward = stocked()
    ward.says("MIX", "1", "1")
    [reminder] = ward.unit.reminders.values()
    assert ward.timers == {reminder.id: BEGAN + LIFE}

    ward.passes(hours=LIFE.total_seconds() / 3600)
    ward.bells()

    assert heard(ward) == OVER_HEARD
    assert "by Asha is OVER. Pour it away" in ward.said[-1][2]
    assert ward.timers == {}
    ward.take(Rang("again", reminder.id, ward.now))
    assert ward.effects == ()


def test_the_bell_outlives_the_process_and_says_nothing_early() -> None:
    ward = stocked()
    ward.says("MIX", "1", "1")
    [reminder] = ward.unit.reminders
    ward.restarts()
    ward.passes(hours=20)

    ward.bell(reminder)
    assert heard(ward) == set()
    ward.passes(hours=4)
    ward.bell(reminder)
    assert heard(ward) == OVER_HEARD


def test_nadcc_in_the_heat_is_doubted_first_and_over_later() -> None:
    """At 40 C a solution of NaDCC loses its strength within the hour (Iqbal et al. 2016)."""
    ward = stocked(replace(NADCC, celsius=40))
    ward.says("MIX", "1")
    assert "Hot: from 11:49 test strip" in ward.says("1")  # 0.82 h = 49.2 min

    ward.passes(minutes=50)
    ward.bells()
    assert heard(ward) == OVER_HEARD
    assert "may be weak in the heat" in ward.said[-1][2]
    assert list(ward.timers.values()) == [BEGAN + LIFE]

    ward.passes(hours=24)
    ward.bells()
    assert "is OVER" in ward.said[-1][2]
    assert ward.timers == {}


def test_nadcc_whose_warmth_nobody_knows_is_taken_for_hot_and_a_late_bell_says_over() -> None:
    ward = stocked(replace(NADCC, celsius=None))
    ward.says("MIX", "1", "1")
    ward.passes(hours=25)

    ward.bells()

    assert "is OVER" in ward.said[-1][2]
    assert ward.timers == {}


def test_where_the_maker_has_left_the_in_charge_is_told() -> None:
    ward = stocked()
    ward.says("MIX", "1", "1")
    people = tuple(p for p in ward.unit.site.people if p.id != "ASHA")
    ward.unit = replace(ward.unit, site=replace(ward.unit.site, people=people))
    ward.passes(hours=24)

    ward.bells()

    assert heard(ward) == {CHIEF}


def test_two_solutions_have_two_bells() -> None:
    ward = stocked()
    ward.says("MIX", "1", "1", "1")
    ward.says("MIX", "2", "1", phone=BELA)

    assert len(ward.timers) == 2


# ---- in the middle of a batch -------------------------------------------------------------------


def remaking(ward: Ward) -> Ward:
    play(ward, until="solution_age")
    ward.says("2")
    assert ward.stage == "solution_remake"
    return ward


def test_the_question_for_a_new_solution_names_mix() -> None:
    ward = remaking(stocked())

    assert "MIX" in ward.says("nonsense")


def test_a_mix_leaves_the_batch_where_it_is_and_comes_back_to_its_question() -> None:
    ward = remaking(stocked())
    before = ward.batch

    ward.says("MIX", "1")
    label = ward.says("1")
    assert label.startswith("LABEL it")
    assert ward.batch == before
    question = ward.says("1")

    assert "NEW 0.5% made" in question
    assert ward.batch == before
    ward.says("1")
    assert ward.stage == "solution_strength"
    # Her own answer is judged, whatever was mixed.
    ward.says("0.4")
    assert ward.stage == "solution_remake"


@pytest.mark.parametrize("at", [["MIX"], ["MIX", "1"], ["MIX", "1", "1"], ["MIX", "1", "9"]])
def test_back_from_every_screen_of_the_mix_is_the_batchs_question(at: list[str]) -> None:
    ward = remaking(stocked())
    before = ward.batch
    ward.says(*at)

    assert "NEW 0.5% made" in ward.says("0")
    assert ward.batch == before


def test_no_answer_on_the_screens_of_the_mix_reaches_the_batch() -> None:
    ward = remaking(stocked(old()))
    before = ward.batch
    for word in ("MIX", "1", "1", "1.5", "1"):
        ward.says(word)
        assert ward.batch == before


def test_a_practice_mix_rings_nobody() -> None:
    ward = stocked()
    ward.says("PRACTISE", "1")
    play(ward, until="solution_age")
    ward.says("2", "MIX", "1")

    assert ward.says("1").startswith("LABEL it")
    assert not ward.unit.reminders


def test_no_chlorine_is_mixed_while_vinegar_may_be_on_the_pieces() -> None:
    ward = stocked()
    play(ward, until="scale")
    ward.says("2", "1")  # scale: vinegar it is, and the pieces are in
    assert ward.stage == "vinegar"

    told = ward.says("MIX")

    assert "NO CHLORINE" in told
    assert "Rinse the vinegar off first" in told
    assert "NO CHLORINE" in ward.says("1")
    assert "COLD water" not in ward.says("0")
