"""What the store is told of the solutions that MIX made: made, replaced by another, outlived."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from bot.effects import Mixed
from tests.mixing_stand import CUP, JUG, NADCC, SPOON, stocked
from tests.nurse import ASHA, BEGAN, BELA, Ward, play, rules_of

LIFE = timedelta(hours=24)  # the default protocol's


def told(ward: Ward, *words: str, phone: str = ASHA) -> list[Mixed]:
    """What the store is told while *words* are said."""
    found: list[Mixed] = []
    for word in words:
        ward.says(word, phone=phone)
        found += mixes(ward)
    return found


def mixes(ward: Ward) -> list[Mixed]:
    return [e for e in ward.effects if isinstance(e, Mixed)]


def rings(ward: Ward) -> list[Mixed]:
    """What it is told while every timer comes up that is due."""
    found = []
    for name, due in sorted(ward.timers.items()):
        if due <= ward.now:
            ward.bell(name)
            found += mixes(ward)
    return found


def test_a_solution_that_is_made_is_told_with_what_and_by_whom() -> None:
    ward = stocked(NADCC, litres=4)  # 20 tablets of 1 g make 4 litres of 0.5 %

    (made,) = told(ward, "MIX", "1", "1")

    assert made == Mixed(
        made.id, "KORA", "TAMBO", BEGAN, BEGAN + LIFE, 0.5, 4.0, "NaDCC", "NA-1", "ASHA")


def test_a_recipe_that_is_only_looked_at_is_no_solution() -> None:
    assert told(stocked(), "MIX", "1", "9", "0") == []


def test_one_whose_time_passes_is_outlived_when_it_is_over_however_late_the_bell() -> None:
    ward = stocked()
    (made,) = told(ward, "MIX", "1", "1")
    ward.restarts(machine=True)
    ward.passes(hours=30)

    assert rings(ward) == [replace(made, closed_at=BEGAN + LIFE, ended="outlived")]
    assert not ward.unit.reminders


def test_one_that_may_be_weak_in_the_heat_stands_until_its_time() -> None:
    ward = stocked(replace(NADCC, celsius=40))
    told(ward, "MIX", "1", "1")
    ward.passes(hours=1)
    assert rings(ward) == []
    ward.passes(hours=23)

    assert [m.ended for m in rings(ward)] == ["outlived"]


def test_another_one_made_while_it_is_good_replaces_it_and_its_bell_adds_nothing() -> None:
    ward = stocked()
    (first,) = told(ward, "MIX", "1", "1", "1")
    ward.passes(hours=20)

    ended, second = told(ward, "MIX", "2", "1", phone=BELA)

    assert ended == replace(first, closed_at=ward.now, ended="replaced")
    assert (second.id != first.id, second.ended, second.by) == (True, "", "BELA")
    ward.passes(hours=4)
    assert rings(ward) == []
    assert "is OVER" in ward.said[-1][2]  # whoever kept it is told all the same
    ward.passes(hours=20)
    assert [(m.id, m.ended) for m in rings(ward)] == [(second.id, "outlived")]


def test_one_already_over_is_outlived_though_its_bell_comes_after_the_next_one() -> None:
    ward = stocked()
    (first,) = told(ward, "MIX", "1", "1", "1")
    ward.passes(hours=25)

    assert [m.ended for m in told(ward, "MIX", "1", "1")] == [""]
    assert [(m.id, m.ended) for m in rings(ward)] == [(first.id, "outlived")]


def test_of_three_each_is_replaced_once() -> None:
    ward = stocked()
    found = []
    for _ in range(3):
        found += told(ward, "MIX", "1", "1", "1")
        ward.passes(hours=2)

    ids = list(dict.fromkeys(m.id for m in found))
    assert [(m.id, m.ended) for m in found] == [
        (ids[0], ""), (ids[0], "replaced"), (ids[1], ""), (ids[1], "replaced"), (ids[2], "")]


def test_practice_is_not_told() -> None:
    ward = stocked()
    ward.says("PRACTISE", "1")
    play(ward, until="solution_age")

    assert told(ward, "2", "MIX", "1", "1") == []
    assert "LABEL it" in ward.answer(ward.effects)


def test_in_a_demonstration_it_says_how_much_faster_exposures_run() -> None:
    ward = stocked(NADCC, litres=4)
    ward.rules = rules_of(hasten=60)

    assert [m.hasten for m in told(ward, "MIX", "1", "1")] == [60]


def test_one_made_before_the_store_heard_of_any_ends_in_silence() -> None:
    ward = stocked(measures=(JUG, CUP, SPOON))
    told(ward, "MIX", "1", "1")
    (reminder,) = ward.unit.reminders.values()
    old = {k: v for k, v in reminder.facts.items() if k in ("percent", "over")}
    ward.unit = ward.unit.put_reminder(replace(reminder, facts=old))
    ward.passes(hours=24)

    assert rings(ward) == []
    assert "is OVER" in ward.said[-1][2]


def test_nobody_s_word_but_mix_tells_of_one() -> None:
    """A batch asks for a fresh solution; that one was mixed is known from MIX alone."""
    ward = stocked()
    seen: list[Mixed] = []

    def look(made: Ward, _stage: str) -> None:
        seen.extend(mixes(made))

    play(ward, before=look)

    assert seen == []
