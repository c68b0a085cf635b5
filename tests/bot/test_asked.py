"""EXPIRY, NEED, and the day's word that the numbers are not confirmed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from scipy.stats import poisson

from bot.asked import MOST_BIRTHS
from bot.model import Reminder, SetState
from bot.rules import Rules
from bot.site import SetCard
from flows.batch import METHODS
from flows.prompts import fits
from tests.nurse import BEGAN, BELA, PLACE, PROTOCOL, Ward, play, rules_of

NOTICE = "Training numbers: not confirmed here."
# Names as long as the register takes; another letter each, so that none is part of another.
LONG = [f"{letter}{'W' * 7}" for letter in "ABCDEFGHIJ"]


def ready(set_id: str, **later: float) -> SetState:
    return SetState(set_id, "READY", BEGAN - timedelta(hours=1), BEGAN + timedelta(**later), "b")


def ward(*states: SetState) -> Ward:
    made = Ward()
    cards = tuple(SetCard(s.id, "M", "bag", 7, METHODS) for s in states) or PLACE.sets
    made.unit = replace(
        made.unit, site=replace(PLACE, sets=cards), sets={s.id: s for s in states}
    )
    return made


def local(made: Ward, **later: float) -> str:
    at = (BEGAN + timedelta(**later)).astimezone(ZoneInfo(made.site.zone))
    return f"{at.day} {at:%b %H:%M}"


def solution(made: Ward, name: str, facts: dict[str, str], **later: float) -> None:
    due = BEGAN + timedelta(**later)
    made.unit = made.unit.put_reminder(Reminder(name, "solution", "ASHA", BEGAN, due, facts))
    made.timers[name] = due


# ---- EXPIRY -------------------------------------------------------------------------------------


def test_the_first_to_expire_is_said_first_each_with_its_time() -> None:
    made = ward(ready("BAG-1", days=5), ready("SUC-1", days=2), ready("BAG-2", days=-1))

    text = made.says("EXPIRY")

    assert f"SUC-1 {local(made, days=2)}" in text
    assert f"BAG-1 {local(made, days=5)}" in text
    assert text.index("SUC-1") < text.index("BAG-1")
    assert "EXPIRED: BAG-2" in text


def test_sets_of_one_batch_are_said_together() -> None:
    made = ward(ready("BAG-1", days=5), ready("SUC-1", days=5))

    assert f"BAG-1+SUC-1 {local(made, days=5)}" in made.says("EXPIRES")


def test_a_set_that_expires_now_is_expired() -> None:
    text = ward(ready("BAG-1", days=0)).says("EXPIRY")

    assert "NONE READY" in text
    assert "EXPIRED: BAG-1" in text


def test_nothing_ready_is_said() -> None:
    assert "NONE READY" in ward().says("EXPIRY")


@pytest.mark.parametrize("gone", [0, 3])
@pytest.mark.parametrize("stands", [False, True])
def test_however_many_there_are_it_fits_and_counts_the_rest(gone: int, *, stands: bool) -> None:
    lasting = [ready(name, days=n + 1) for n, name in enumerate(LONG[gone:])]
    made = ward(*(ready(name, days=-1) for name in LONG[:gone]), *lasting)
    if stands:
        over = (BEGAN + timedelta(hours=9)).isoformat()
        solution(made, "s-1", {"percent": "0.55", "over": over}, hours=1)
        solution(made, "s-2", {"percent": "0.55", "over": over}, hours=1)

    text = made.says("EXPIRY")

    assert fits(text), text
    named = [s.id for s in lasting if s.id in text]
    assert named == LONG[gone : gone + len(named)]
    assert named
    assert f"+{len(lasting) - len(named)}" in text
    assert ("EXPIRED: AWWWWWWW" in text) == bool(gone)
    assert (f"pour away {local(made, hours=9)}. +1" in text) == stands


@pytest.mark.parametrize("facts", [{}, {"over": "soon"}, {"over": "2025-03-03"}])
def test_a_solution_kept_in_another_way_is_over_when_it_rings(facts: dict[str, str]) -> None:
    made = ward()
    solution(made, "s-1", facts, hours=3)

    assert f"pour away {local(made, hours=3)}" in made.says("EXPIRY")


def test_asking_leaves_the_batch_where_it_is() -> None:
    made = play(Ward(), until="wash")
    before = made.batch

    made.says("EXPIRY")

    assert made.batch == before
    made.says("1")
    assert made.stage != before.stage


# ---- NEED ---------------------------------------------------------------------------------------


def expected(births: int) -> int:
    """The fewest servers by Erlang's formula as a ratio of Poisson terms (scipy), not by recursion.

    A month has 30 days, as in the planning tables.
    """
    load = births * PROTOCOL["planning.used_fraction"] / 720 * PROTOCOL["planning.turnaround_hours"]
    sets = 1
    while poisson.pmf(sets, load) / poisson.cdf(sets, load) > PROTOCOL["planning.risk"]:
        sets += 1
    return sets


@pytest.mark.parametrize("births", [1, 8, 30, 100, 300, 600, 2500, MOST_BIRTHS])
def test_the_sets_that_a_facility_needs(births: int) -> None:
    made = Ward()

    assert "births a month" in made.says("NEED")
    text = made.says(f"{births:02}")

    assert f"{births} births a month: {expected(births)} sets of each kind" in text
    assert "Here: 2 bag, 1 suction" in text
    assert fits(text)


def test_the_answer_names_what_it_takes_for_granted() -> None:
    text = Ward().says("NEED", "30")

    for piece in ("at most 1 in 100", "used at 10 in 100 births", "back in 6 h"):
        assert piece in text


@pytest.mark.parametrize(
    "text", ["00", "0000", "10000", "-1", "3.5", "many", "\u0663", "\u00b2", "1e3"]
)
def test_what_is_no_number_of_births_is_asked_again(text: str) -> None:
    made = Ward()

    made.says("NEED")

    assert "births a month here?" in made.says(text)
    assert "30 births a month: " in made.says("30")


def test_with_a_batch_its_question_comes_after_the_answer_and_no_digit_answers_it() -> None:
    made = play(Ward(), until="wash")
    before = made.batch

    made.says("NEED", "30")
    again = made.says("0")

    assert "WASH" in again
    assert made.batch == before
    made.says("NEED", "30", "1")
    assert made.batch == before


def test_back_leaves_the_question() -> None:
    assert "1 begin" in Ward().says("NEED", "0")


# ---- the numbers are for training ---------------------------------------------------------------


def confirmed() -> Rules:
    rules = rules_of()
    by = {"confirmed_by": "District health office", "confirmed_on": BEGAN.date()}
    protocols = {k: replace(p, **by) for k, p in rules.protocols.items()}  # type: ignore[arg-type]
    return replace(rules, protocols=protocols)


def test_each_is_told_once_a_day_of_the_facility() -> None:
    made = Ward()  # 11:00 in Nairobi

    assert made.says("MENU").startswith(NOTICE)
    assert NOTICE not in made.says("MENU")
    assert NOTICE not in made.says("BAG-1")
    assert NOTICE in made.says("SUC-1", phone=BELA)
    made.passes(hours=12)  # 23:00
    assert NOTICE not in made.says("MENU", "0")
    made.passes(hours=1)  # the next day there; still 21:00 UTC of the same day
    made.unit = replace(made.unit, batches={})
    assert NOTICE in made.says("MENU")


def test_the_first_question_of_a_batch_says_it_and_asks() -> None:
    text = Ward().says("BAG-1")

    assert text.startswith(NOTICE)
    assert "gloves" in text.lower()
    assert fits(text)


def test_it_is_no_message_of_its_own() -> None:
    made = Ward()

    made.says("BAG-1")

    assert made.said == []


def test_confirmed_numbers_are_not_called_training() -> None:
    made = Ward(rules=confirmed())

    assert NOTICE not in made.says("MENU")
    assert NOTICE not in made.says("BAG-1")


def test_practice_says_that_it_is_practice() -> None:
    made = Ward(rules=rules_of())

    made.says("MENU")
    made.passes(days=1)
    text = made.says("PRACTISE", "1")

    assert text.startswith("PRACTICE")
    assert NOTICE not in text
