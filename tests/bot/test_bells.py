"""Bells, reminders, and what becomes of one that does not arrive."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.nurse import ASHA, BELA, CHIEF, PLACE, SENA, Ward, play


def soaking() -> Ward:
    """A ward in which an exposure of twenty minutes has just begun."""
    ward = play(Ward(), until="soak_in")
    ward.says("1")
    ward.said.clear()
    return ward


def rung(ward: Ward) -> list[tuple[str, str]]:
    """Who was rung, and the first word of the text."""
    return [(phone, text.split(maxsplit=1)[0]) for phone, kind, text in ward.said if kind == "bell"]


def test_the_bell_rings_the_holder_with_the_name_of_the_set() -> None:
    ward = soaking()
    ward.passes(minutes=20)

    ward.bells()

    assert len(rung(ward)) == 1
    phone, kind, text = ward.said[-1]
    assert (phone, kind) == (ASHA, "bell")
    assert "BAG-1" in text
    assert ward.batch.log[-1].kind == "rang"


def test_a_bell_before_its_time_rings_nobody_and_is_set_again() -> None:
    ward = soaking()
    due = ward.timers[ward.batch.id]
    ward.passes(minutes=19, seconds=59)

    ward.bell(ward.batch.id)

    assert rung(ward) == []
    assert ward.timers == {ward.batch.id: due}


def test_reminders_come_until_she_answers() -> None:
    ward = soaking()
    start = ward.now
    moments: list[float] = []

    while ward.timers:
        ward.passes(seconds=(ward.timers[ward.batch.id] - ward.now).total_seconds())
        ward.bells()
        moments.append((ward.now - start).total_seconds() / 60)

    assert moments == [20, 25, 30, 40]
    assert [e.mark for e in ward.batch.log if e.kind == "rang"] == [
        "bell",
        "remind",
        "remind",
        "late",
    ]
    assert len(rung(ward)) == 4


def test_an_answer_stops_the_reminders() -> None:
    ward = soaking()
    ward.passes(minutes=20)
    ward.bells()

    ward.says("1")

    assert ward.timers == {}
    ward.passes(hours=1)
    ward.bell(ward.batch.id)
    assert len(rung(ward)) == 1


def test_the_last_ring_says_that_the_pieces_have_been_in_too_long() -> None:
    ward = soaking()
    ward.passes(minutes=40)

    ward.bells()

    assert ward.batch.log[-1].mark == "late"
    assert "TOO LONG" in ward.said[-1][2]


def test_a_sweep_that_comes_late_rings_once_for_all_that_is_due() -> None:
    ward = soaking()
    ward.passes(minutes=31)

    ward.bells()

    assert len(rung(ward)) == 1
    assert ward.timers[ward.batch.id] == ward.now + timedelta(minutes=9)


def test_a_ring_for_a_batch_that_is_over_or_unknown_does_nothing() -> None:
    ward = play(Ward())
    before = ward.unit

    ward.bell(ward.ended.id)
    ward.bell("KORA-20200101-000000-9")

    assert ward.unit == before
    assert ward.effects == ()


def test_the_bell_calls_back_from_a_side_question() -> None:
    """The pieces must come out now, whatever was being asked."""
    ward = soaking()
    ward.says("8", "5")
    aside = ward.stage
    ward.passes(minutes=20)

    ward.bells()

    assert aside == "away"
    assert ward.stage == "soak"
    ward.says("1")
    assert ward.stage == "soak_rinse"


def test_the_bell_calls_back_from_the_menu_and_the_digit_that_was_meant_for_it_only_chooses() -> (
    None
):
    ward = soaking()
    ward.says("MENU")
    ward.passes(minutes=20)

    ward.bells()
    ward.says("1")
    first = ward.stage
    ward.says("1")

    assert (first, ward.stage) == ("soak", "soak_rinse")


def two_batches() -> Ward:
    """Asha's bag soaks; she has begun on the suction device meanwhile."""
    ward = soaking()
    ward.says("SUC-1", "1", "1")
    return ward


def stages(ward: Ward) -> dict[str, str]:
    return {b.names: b.stage for b in ward.unit.batches.values()}


def test_a_bell_for_another_batch_lets_the_next_digit_choose_and_answer_nothing() -> None:
    ward = two_batches()
    before = stages(ward)
    ward.passes(minutes=20)
    ward.bells()

    ward.says("1")
    chosen = stages(ward)
    ward.says("1")

    assert before == chosen == {"BAG-1": "soak", "SUC-1": "apart"}
    assert stages(ward) == {"BAG-1": "soak_rinse", "SUC-1": "apart"}


def test_the_second_choice_goes_on_with_what_she_was_at() -> None:
    ward = two_batches()
    ward.passes(minutes=20)
    ward.bells()

    ward.says("2", "1")

    assert stages(ward) == {"BAG-1": "soak", "SUC-1": "wash"}


# ---- bells that do not arrive -----------------------------------------------------------------


def test_a_bell_that_did_not_arrive_rings_a_colleague_and_is_written_down() -> None:
    ward = soaking()
    ward.passes(minutes=20)
    ward.bells()

    ward.receipt(ward.batch.id, ASHA, delivered=False)

    assert [phone for phone, _ in rung(ward)] == [ASHA, CHIEF]
    assert ward.batch.log[-1].kind == "undelivered"
    assert "Asha" in ward.said[-1][2]


def test_a_colleague_who_worked_on_the_batch_is_rung_before_the_in_charge() -> None:
    ward = play(Ward(), until="wash")
    ward.says("TAKE", "1", "1", phone=BELA)
    ward.says("TAKE", "1")
    play(ward, until="soak")
    ward.passes(minutes=20)
    ward.bells()

    ward.receipt(ward.batch.id, ASHA, delivered=False)

    assert [phone for phone, _ in rung(ward)][-1] == BELA


def test_bells_that_reach_nobody_at_the_facility_go_to_the_supervisor() -> None:
    ward = soaking()
    ward.passes(minutes=20)
    ward.bells()
    batch = ward.batch.id

    for phone in (ASHA, CHIEF, BELA):
        ward.receipt(batch, phone, delivered=False)

    assert ward.said[-1][:2] == (SENA, "alert")


def test_a_bell_that_arrived_is_written_down_and_rings_nobody_else() -> None:
    ward = soaking()
    ward.passes(minutes=20)
    ward.bells()

    ward.receipt(ward.batch.id, ASHA, delivered=True)

    assert ward.batch.log[-1].kind == "delivered"
    assert len(rung(ward)) == 1


@pytest.mark.parametrize("kind", ["ask", "note", "alert"])
def test_receipts_of_other_messages_change_nothing(kind: str) -> None:
    ward = soaking()
    before = ward.unit

    ward.receipt(ward.batch.id, ASHA, delivered=False, kind=kind)

    assert ward.unit == before
    assert ward.effects == ()


def test_a_holder_who_stopped_her_texts_is_not_rung_but_a_colleague_is() -> None:
    ward = soaking()
    ward.says("STOP")
    ward.passes(minutes=20)

    ward.bells()

    assert [phone for phone, _ in rung(ward)] == [CHIEF]


def test_a_colleague_who_stopped_her_texts_is_passed_over() -> None:
    ward = soaking()
    ward.says("STOP")
    ward.says("STOP", phone=CHIEF)
    ward.passes(minutes=20)

    ward.bells()

    assert [phone for phone, _ in rung(ward)] == [BELA]


def test_who_starts_her_texts_again_is_rung_again() -> None:
    ward = soaking()
    ward.says("STOP", "START")
    ward.passes(minutes=20)

    ward.bells()

    assert [phone for phone, _ in rung(ward)] == [ASHA]


def test_the_bell_of_a_holder_who_left_the_register_rings_a_colleague() -> None:
    ward = soaking()
    ward.unit = replace(ward.unit, site=replace(PLACE, people=PLACE.people[1:]))
    ward.passes(minutes=20)

    ward.bells()

    assert [phone for phone, _ in rung(ward)] == [CHIEF]
