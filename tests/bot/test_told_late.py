"""LATE through the conversation: nothing kept before it is confirmed, the same rules as live."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bot.desk_words import LATE_AROUND, LATE_LINE
from bot.effects import Conditions, Push
from flows.batch import METHODS
from flows.late import late_words, read_late
from flows.late_entry import missing
from flows.prompts import fits
from flows.release import findings, marks
from tests.nurse import ASHA, BELA, CATALOGUES, PLACE, PROTOCOL, SENA, Ward, play

MORNING = datetime(2025, 11, 25, 4, 0, tzinfo=UTC)  # 07:00 in Nairobi
BOTH = "LATE BAG-1 SUC-1 DONE ALL FRESH STRENGTH 0.5 IN 2130 OUT 2152 COUNT 7 3 TEST GOOD BOX 0640"
BOILED = "LATE BAG-1 DONE ALL BOIL 2130 OUT 2150 COUNT 7 TEST GOOD WRAP 2215"
# At 500 m the gauge must show 103 + 3.4 x 500 / 300 = 108.7 kPa.
LOADED = (
    "LATE BAG-1 DONE ALL AUTO LOAD 41 CYCLE 2 AT 2130 OUT 2200 TEMP 121 PRES 110 MIN 30 IND GOOD"
    " DRY COUNT 7 TEST GOOD BOX 2300"
)
WORDS = late_words(CATALOGUES["en"])
STORED = datetime(2025, 11, 25, 3, 40, tzinfo=UTC)


def ward(now: datetime = MORNING) -> Ward:
    return Ward(now=now)


def kept(text: str = BOTH) -> Ward:
    told = ward()
    assert "1 right" in told.says(text)
    assert "READY, until" in told.says("1")
    return told


# ---- what is kept -------------------------------------------------------------------------------


def test_nothing_is_kept_before_it_is_confirmed() -> None:
    told = ward()

    answer = told.says(BOTH)

    assert "BAG-1+SUC-1 chlorine 0.5%: in 24 Nov 21:30, out 21:52, stored 25 Nov 06:40" in answer
    assert (told.pushes, told.unit.sets, told.unit.batches) == ([], {}, {})
    assert "Nothing kept" in told.says("2")
    assert (told.pushes, told.unit.sets, told.unit.batches) == ([], {}, {})


def test_one_text_and_a_one_make_the_sets_ready_from_when_they_were_stored() -> None:
    told = kept()

    batch = told.ended
    assert (batch.outcome, batch.late, batch.closed_at) == ("released", True, STORED)
    assert batch.expires_at == STORED + timedelta(days=7)  # Reference Manual, Appendix C: 1 week
    assert {told.condition("BAG-1"), told.condition("SUC-1")} == {"READY"}
    assert told.unit.state_of("BAG-1").since == STORED
    assert findings(batch, PROTOCOL) == []
    assert told.unit.batches == {}


def test_the_log_says_of_each_line_that_it_was_told_late_and_when() -> None:
    told = ward()
    told.says(BOTH, sent_at=MORNING - timedelta(minutes=3))
    told.passes(minutes=9)
    told.says("1")

    log = told.ended.log
    assert {(e.via, e.facts["late"], e.facts["sent"], e.tick) for e in log} == {
        ("late", True, (MORNING - timedelta(minutes=3)).isoformat(), None)
    }
    assert [e.at for e in log] == sorted(e.at for e in log)
    assert log[0].at == datetime(2025, 11, 24, 18, 20, tzinfo=UTC)  # ten minutes of work before


@pytest.mark.parametrize("text", [BOTH, BOILED, LOADED])
def test_it_carries_the_same_marks_as_a_batch_that_was_done_live(text: str) -> None:
    told, live = kept(text), Ward()
    play(live, "BAG-1 SUC-1" if "SUC-1" in text else "BAG-1", told.ended.method)  # type: ignore[arg-type]

    assert set(marks(told.ended.log)) == set(marks(live.ended.log))


def test_the_store_is_sent_the_batch_and_its_sets_once() -> None:
    told = ward()
    told.says(BOTH)
    told.says("1")
    effects = told.effects

    [push] = [e for e in effects if isinstance(e, Push)]
    assert [(s.id, s.condition) for s in push.sets] == [("BAG-1", "READY"), ("SUC-1", "READY")]
    assert not any(isinstance(e, Conditions) for e in effects)


@pytest.mark.parametrize("begins", ["late, ", " Late: ", "LATE\n"])
def test_it_is_heard_however_it_is_written(begins: str) -> None:
    """Commas within it are its own: 0,5 is a number."""
    written = BOTH.removeprefix("LATE ").lower().replace("0.5", "0,5").replace("7 3", "7,3")

    assert kept(begins + written).ended.outcome == "released"


def test_vinegar_is_told_with_its_two_times() -> None:
    told = kept(BOTH + " VINEGAR 2040 2050")

    standing = marks(told.ended.log)
    lasted = standing["vinegar_out", ""].at - standing["vinegar_started", ""].at
    assert lasted == timedelta(minutes=10)
    assert ("vinegar_rinsed", "") in standing


def test_a_soak_that_was_too_long_is_noted_and_said_before_it_is_kept() -> None:
    told = ward()

    assert told.says(BOTH.replace("2152", "2211")).startswith("In too long: look for damage.")
    told.says("1")
    assert marks(told.ended.log)["exposed", ""].facts["too_long"] is True


def test_a_load_is_known_by_its_number() -> None:
    assert kept(LOADED).unit.state_of("BAG-1").load == "41"


def test_two_batches_of_one_set_in_one_night_are_told_one_after_the_other() -> None:
    told = kept(BOILED)

    later = BOILED.replace("2130", "2330").replace("2150", "2350").replace("2215", "0030")
    assert "1 right" in told.says(later)
    told.says("1")
    assert told.ended.closed_at == datetime(2025, 11, 24, 21, 30, tzinfo=UTC)


def test_wrapped_or_in_a_container_is_kept_as_told() -> None:
    assert marks(kept(BOILED).ended.log)["stored", ""].said == "2"
    assert marks(kept().ended.log)["stored", ""].said == "1"


def test_a_solution_stronger_than_it_need_be_was_used_so() -> None:
    assert marks(kept(BOTH.replace("0.5", "0.8")).ended.log)["solution_strength", ""].said == "0.8"


def test_a_count_of_nine_pieces_is_no_key() -> None:
    many = replace(PLACE.sets[0], pieces=9)
    told = Ward(site=replace(PLACE, sets=(many, *PLACE.sets[1:])), now=MORNING)

    assert "1 right" in told.says(BOILED.replace("COUNT 7", "COUNT 9"))


# ---- what the next digit does -------------------------------------------------------------------


def test_a_second_one_keeps_nothing_twice() -> None:
    told = kept()

    told.says("1")

    assert len(told.pushes) == 1


def test_a_batch_under_way_stays_where_it_is_and_no_digit_answers_it() -> None:
    told = play(ward(), "BAG-2", until="wash")
    before = told.batch
    told.says(BOTH)
    told.says("1")
    told.says("1")  # which batch now?

    assert told.batch == before


def test_it_is_not_offered_in_practice() -> None:
    told = ward()
    told.says("PRACTISE", "1")

    answer = told.says(BOTH)

    assert "not for practice" in answer
    assert not any(p.batch.late for p in told.pushes)


def test_a_supervisor_has_no_sets_to_tell_of() -> None:
    told = Ward(site=replace(PLACE, sets=(), people=()), now=MORNING)
    told.says(BOTH, phone=SENA)

    assert (told.pushes, told.unit.sets) == ([], {})


def test_somebody_else_may_tell_it() -> None:
    told = ward()
    told.says(BOTH, "1", phone=BELA)

    assert told.ended.opened_by == "BELA"


# ---- what is said when it is wrong --------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "answer"),
    [
        ("FRESH", "FRSH", "FRSH is no word of LATE."),
        ("IN 2130", "IN 2170", "IN: 2170 is no time."),
        ("OUT 2152", "OUT 2129", "2129 comes before 2130"),
        ("LATE", "LATE 26/11", "2130 is still to come."),
        ("LATE", "LATE 22/11", "more than 48 h ago"),
        ("LATE", "LATE 31/11", "31/11 is no day."),
        ("IN 2130", "2130", "2130: which time is it?"),
        ("DONE ALL", "DONE", "DONE: write DONE ALL"),
        ("BOX 0640", "BOX 2155", "Stored 10 min after OUT or sooner"),
    ],
)
def test_each_slip_has_its_plain_sentence(old: str, new: str, answer: str) -> None:
    told = ward()

    said = told.says(BOTH.replace(old, new, 1))

    assert said.startswith("NOT kept. ")
    assert answer in said
    assert (told.pushes, told.unit.batches, told.unit.sets) == ([], {}, {})


def test_what_is_missing_is_named_and_asked_for() -> None:
    told = ward()

    answer = told.says("LATE BAG-1 BOIL 2130 OUT 2150 DONE ALL")

    assert answer.startswith("Missing: COUNT TEST STORED BOX or WRAP. COUNT of BAG-1")
    told.says("7", "1", "2215")
    assert "1 right" in told.says("2")
    told.says("1")
    assert told.condition("BAG-1") == "READY"


# ---- the form -----------------------------------------------------------------------------------

FORM_OF = {
    "chlorine": ("1", "2130", "2152", "1", "0.5"),
    "boiling": ("2", "2130", "2152"),
    "steaming": ("3", "21:30", "2152"),
    "autoclave": ("4", "2130", "2202", "41", "2", "121", "110", "30", "1", "1"),
}


@pytest.mark.parametrize("method", METHODS)
def test_the_form_asks_for_everything_one_by_one(method: str) -> None:
    """BAG-1 and SUC-1 are the first and the third of the list; two screens of boxes, or one."""
    told = ward()
    told.dials("")
    typed = ["LATE", "13", *FORM_OF[method]]
    typed += ["1", "1"]
    told_all = _dialled(told, [*typed, "7", "3", "1", "0640", "1"])

    assert "1 right" in told_all, told_all
    told.dials("*".join([*_typed(told), "1"]))
    batch = told.ended
    assert (batch.outcome, batch.method, batch.late) == ("released", method, True)
    assert batch.names == "BAG-1+SUC-1"


def _dialled(told: Ward, answers: list[str]) -> str:
    """Each answer on its own screen of one session; the last screen."""
    screen = ""
    for answer in answers:
        screen = told.dials("*".join([*_typed(told), answer]))
        assert "Not understood" not in screen, (answer, screen)
    return screen


def _typed(told: Ward) -> list[str]:
    text = told.unit.talk(ASHA).ussd_text
    return text.split("*") if text else []


def test_the_main_screen_leads_to_the_form() -> None:
    told = ward()

    assert "which sets?" in told.says("MENU", "7")


@pytest.mark.parametrize(("screens", "box"), [(("2",), "protection"), (("1", "25"), "dry")])
def test_a_box_that_is_not_ticked_is_said_and_nothing_is_kept(
    screens: tuple[str, ...], box: str
) -> None:
    told = ward()
    told.says(BOTH.replace("DONE ALL ", ""))

    answer = told.says(*screens)

    assert "NOT READY" in answer
    assert box in answer
    assert (told.pushes, told.unit.sets) == ([], {})


@pytest.mark.parametrize("digit", ["12", "8", "", "21", "27"])
def test_a_digit_that_the_boxes_do_not_list_answers_nothing(digit: str) -> None:
    told = ward()
    told.says(BOTH.replace("DONE ALL ", ""), "1")  # five boxes left, with the digits 2 to 6

    told.says(digit)

    assert told.pushes == []
    assert "done=all" not in told.unit.talk(ASHA).choices


def test_back_takes_the_last_answer_of_the_form_and_then_leaves_it() -> None:
    told = ward()
    told.says("LATE", "1", "2", "2130", "2150")

    assert "When OUT?" in told.says("0")
    assert "When did the time begin" in told.says("0")
    told.says("0", "0")
    assert "which sets?" in told.says("LATE")
    assert "begin, a set was used" in told.says("0")


def test_the_day_of_a_form_is_that_of_its_last_answer_not_of_its_first() -> None:
    """Begun before midnight, ended after it: what was stored in between is not still to come."""
    told = ward(datetime(2025, 11, 24, 20, 50, tzinfo=UTC))  # 23:50
    told.says("LATE", "1", "2", "2130", "2150", "1", "1", "7", "1")
    told.passes(minutes=20)

    assert "in 24 Nov 21:30" in told.says("0005", "1")


# ---- what the documents show --------------------------------------------------------------------

README = Path(__file__).parents[2] / "README.md"
BLANKS = {
    "(sets)": "BAG-1 SUC-1", "COUNT __ __": "COUNT 7 3", "____": "2130", "LOAD ___": "LOAD 41",
    "CYCLE _": "CYCLE 2", "TEMP ___": "TEMP 121", "PRES ___": "PRES 110", "MIN __": "MIN 30",
    "STRENGTH __": "STRENGTH 0.5",
}  # fmt: skip


@pytest.mark.parametrize("method", METHODS)
def test_the_line_on_the_paper_log_is_read_whole(method: str) -> None:
    line = LATE_AROUND.format(how=LATE_LINE[method])
    for blank, filled in BLANKS.items():
        line = line.replace(blank, filled)
    parts, slips = read_late(line.removeprefix("LATE "), WORDS, {"BAG-1", "SUC-1"})

    assert (slips, missing(parts), parts["method"]) == ([], [], method)
    assert fits(line)


def test_the_lines_in_the_readme_are_read_whole() -> None:
    text = README.read_text(encoding="utf-8").replace("DRY\n      COUNT", "DRY COUNT")
    lines = re.findall(r"^    LATE (.*)$", text, flags=re.MULTILINE)

    assert len(lines) == 3
    for line in lines:
        parts, slips = read_late(line, WORDS, {"BAG-1", "SUC-1"})
        assert (slips, missing(parts)) == ([], []), line
        assert fits(f"LATE {line}")
