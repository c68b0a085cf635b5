"""The text of a batch done on paper: every word of it read, every slip named, every time placed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bot.catalogues import load_catalogues
from flows import protocol as module
from flows.late import late_words, read_late
from flows.late_entry import LateEntry, Slip, boxes, missing
from flows.late_times import place, read_day
from flows.prompts import segments
from flows.protocol import load
from flows.release import BY_METHOD, required
from tests.nurse import released

WORDS = late_words(load_catalogues()["en"])
PROTOCOL = load(Path(module.__file__).parent / "protocols" / "default.toml")
SETS = ("BAG-1", "SUC-1")
ZONE = "Africa/Nairobi"  # three hours ahead of UTC all the year
SENT = datetime(2025, 11, 25, 4, 0, tzinfo=UTC)  # 07:00 there

CHLORINE = "BAG-1 SUC-1 DONE ALL FRESH STRENGTH 0.5 IN 2130 OUT 2152 COUNT 7 3 TEST GOOD BOX 0640"
AUTOCLAVE = (
    "BAG-1 DONE ALL AUTO LOAD 41 CYCLE 2 AT 2130 OUT 2202 TEMP 121 PRES 115 MIN 30 IND GOOD DRY"
    " COUNT 7 TEST GOOD WRAP 2330"
)


def parts(text: str) -> dict[str, str]:
    found, slips = read_late(text, WORDS, SETS)
    assert slips == []
    return found


def slips(text: str) -> list[str]:
    return [s.code for s in read_late(text, WORDS, SETS)[1]]


def placed(text: str, sent: datetime = SENT, zone: str = ZONE) -> LateEntry | Slip:
    return place(parts(text), PROTOCOL, zone, sent, sent)


def entry(text: str, sent: datetime = SENT, zone: str = ZONE) -> LateEntry:
    found = placed(text, sent, zone)
    assert isinstance(found, LateEntry), found
    return found


def slip(text: str, sent: datetime = SENT, zone: str = ZONE) -> str:
    found = placed(text, sent, zone)
    assert isinstance(found, Slip), found
    return found.code


# ---- words --------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [CHLORINE, AUTOCLAVE])
def test_a_whole_entry_goes_by_one_sms(text: str) -> None:
    assert segments(f"LATE {text}")[2] == 1


def test_an_entry_by_chlorine_is_read_whole() -> None:
    assert parts(CHLORINE) == {
        "sets": "BAG-1 SUC-1", "method": "chlorine", "done": "all", "fresh": "good",
        "strength": "0.5", "in": "2130", "out": "2152", "counts": "7 3", "test": "good",
        "pack": "box", "stored": "0640",
    }  # fmt: skip
    assert missing(parts(CHLORINE)) == []


def test_an_entry_by_autoclave_is_read_whole() -> None:
    assert parts(AUTOCLAVE) == {
        "sets": "BAG-1", "method": "autoclave", "done": "all", "load": "41", "cycle": "2",
        "in": "2130", "out": "2202", "temperature": "121", "pressure": "115", "minutes": "30",
        "indicator": "good", "cooled": "good", "counts": "7", "test": "good", "pack": "wrap",
        "stored": "2330",
    }  # fmt: skip
    assert missing(parts(AUTOCLAVE)) == []


@pytest.mark.parametrize(
    "text",
    [
        CHLORINE.lower(),
        " ".join(reversed(CHLORINE.replace(" 7 3", "=7,3").split())).replace("ALL DONE", "DONE ALL")
        .replace("0.5 STRENGTH", "STRENGTH 0,5").replace("2130 IN", "IN 21:30")
        .replace("2152 OUT", "OUT:2152").replace("GOOD TEST", "TEST ok")
        .replace("0640 BOX", "box,0640").replace("SUC-1 BAG-1", "BAG-1 SUC-1"),
        CHLORINE.replace(" IN 2130", ", in2130;").replace("BOX 0640", "STORED BOX 0640"),
        CHLORINE.replace("BOX 0640", "STORED 0640 BOX"),
        CHLORINE.replace("BAG-1 SUC-1", "BAG-1+SUC-1").replace("BOX", "and container"),
        CHLORINE.replace("STRENGTH", "CHLORINE STRENGTH"),
        CHLORINE.replace("IN 2130", "").replace("FRESH", "SOAK 2130 FRESH"),
    ],
)  # fmt: skip
def test_case_order_and_separators_do_not_matter(text: str) -> None:
    assert parts(text) == parts(CHLORINE)


@pytest.mark.parametrize(
    ("text", "method"), [("BOIL 2130", "boiling"), ("STEAM 2130", "steaming"), ("BOIL", "boiling")]
)
def test_a_method_may_carry_the_time_from_which_it_counted(text: str, method: str) -> None:
    found = parts(text)

    assert found.pop("method") == method
    assert found == ({"in": "2130"} if "2130" in text else {})


def test_a_unit_may_stand_apart_from_its_number() -> None:
    assert parts("TEMP 250 F PRES 15 psi") == {"temperature": "250f", "pressure": "15psi"}


def test_words_of_another_language_are_read_where_they_are_given() -> None:
    found, wrong = read_late("SIJUI NJE 2152", {"NJE": "out"}, ())

    assert (found, [s.word for s in wrong]) == ({"out": "2152"}, ["SIJUI"])


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("BAG-1 FOO", "unknown"),
        ("BAG-9", "unknown"),
        ("GOOD", "unknown"),
        ("ALL", "unknown"),
        ("IN 2570", "clock"),
        ("IN", "clock"),
        ("IN OUT 2152", "clock"),
        ("OUT 2460", "clock"),
        ("OUT 2400", "clock"),
        ("BAG-1 0640", "loose"),
        ("STRENGTH weak", "unknown"),
        ("COUNT", "number"),
        ("TEST", "judged"),
        ("TEST maybe", "unknown"),
        ("DONE", "done"),
        ("IN 2130 IN 2131", "twice"),
        ("TEST GOOD TEST BAD", "twice"),
        ("BOX WRAP", "twice"),
        ("24/11 25/11", "days"),
        ("TODAY YESTERDAY", "days"),
    ],
)
def test_a_slip_is_named(text: str, code: str) -> None:
    assert code in slips(text)


def test_what_was_said_twice_alike_is_no_slip() -> None:
    assert slips("BAG-1 BAG-1 IN 2130 IN 2130 TEST GOOD TEST OK") == []
    assert parts("BAG-1 BAG-1") == {"sets": "BAG-1"}


def test_no_more_than_a_few_letters_of_an_unknown_word_are_said_back() -> None:
    _, wrong = read_late("x" * 500, WORDS, SETS)

    assert [len(s.word) for s in wrong] == [12]


# ---- what is missing ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("left_out", "part"),
    [
        ("BAG-1 SUC-1 ", "sets"), ("DONE ALL ", "done"), ("FRESH ", "fresh"),
        ("IN 2130 ", "in"), ("OUT 2152 ", "out"), ("COUNT 7 3 ", "counts"), ("TEST GOOD ", "test"),
    ],
)  # fmt: skip
def test_a_part_that_is_left_out_is_missing_by_name(left_out: str, part: str) -> None:
    lacks = missing(parts(CHLORINE.replace(left_out, "")))

    # Without sets nobody knows how many counts there should be.
    assert set(lacks) == ({"sets", "counts"} if part == "sets" else {part})


def test_fewer_counts_than_sets_are_no_counts() -> None:
    assert missing(parts(CHLORINE.replace("7 3", "7"))) == ["counts"]
    assert missing(parts(CHLORINE.replace("7 3", "7 3 2"))) == ["counts"]


def test_vinegar_needs_its_end() -> None:
    assert missing(parts(CHLORINE + " VINEGAR 2000")) == ["vinegar_out"]


def test_where_a_machine_has_but_one_cycle_it_need_not_be_said() -> None:
    told = parts(AUTOCLAVE.replace("CYCLE 2 ", ""))

    assert missing(told) == ["cycle"]
    assert missing(told, one_cycle=True) == []


@pytest.mark.parametrize("method", BY_METHOD)
def test_every_mark_that_release_asks_for_is_a_box_or_a_part_of_its_own(method: str) -> None:
    """What a box or a part does not cover, nobody would have told."""
    own = {
        "chlorine": {"solution_fresh", "solution_strength"},
        "autoclave": {
            "loaded", "cycle", "read_temperature", "read_pressure", "read_minutes", "indicator",
            "cooled",
        },
    }.get(method, set())  # fmt: skip
    shared = {"method", "exposure_started", "exposed", "counted", "tested", "stored"}
    asked = {mark for mark, _ in required(released(method=method))}  # type: ignore[arg-type]

    assert set(boxes(method, vinegar=False)) | own | shared == asked


def test_a_box_more_where_there_was_vinegar() -> None:
    """Acid left on the pieces and chlorine make gas: the rinse is a box of its own."""
    more = set(boxes("chlorine", vinegar=True)) - set(boxes("chlorine", vinegar=False))

    assert more == {"vinegar_rinsed"}


# ---- when it was --------------------------------------------------------------------------------


def utc(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2025, 11, day, hour, minute, tzinfo=UTC)


def test_the_day_is_the_newest_on_which_nothing_is_still_to_come() -> None:
    found = entry(CHLORINE)

    assert (found.into, found.out, found.stored) == (
        utc(24, 18, 30),
        utc(24, 18, 52),
        utc(25, 3, 40),
    )


def test_a_minute_before_it_was_stored_the_same_words_mean_the_night_before() -> None:
    assert entry(CHLORINE, utc(25, 3, 39)).into == utc(23, 18, 30)
    assert entry(CHLORINE, utc(25, 3, 40)).into == utc(24, 18, 30)


def test_all_on_one_day() -> None:
    found = entry(CHLORINE.replace("BOX 0640", "BOX 2315"))

    assert (found.into, found.stored) == (utc(24, 18, 30), utc(24, 20, 15))


@pytest.mark.parametrize("day", ["23/11", "2311", "23-11"])
def test_a_day_may_be_said(day: str) -> None:
    assert entry(f"{day} {CHLORINE}").into == utc(23, 18, 30)


def test_yesterday_is_the_day_before_by_the_facilitys_clock() -> None:
    """At 22:00 UTC it is the next day there already."""
    found = entry("YESTERDAY " + CHLORINE.replace("0640", "2215"), utc(25, 22))

    assert found.into == utc(25, 18, 30)


def test_what_was_stored_a_day_later_has_both_its_days() -> None:
    """Dried from one morning to the next: longer than twelve hours."""
    told = CHLORINE.replace("IN 2130 OUT 2152", "IN 0630 OUT 0652")

    assert slip(told.replace("BOX 0640", "BOX 2315")) == "order"
    assert slip(told.replace("BOX 0640", "BOX 24/11 2315")) == "order"
    both = "24/11 " + told.replace("BOX 0640", "BOX 24/11 2315")
    assert entry(both).stored == utc(24, 20, 15)


def test_no_exposure_is_a_day_long() -> None:
    told = CHLORINE.replace("IN 2130 OUT 2152", "IN 23/11 2130 OUT 24/11 2129")

    assert slip(told) == "order"


def test_the_day_of_the_first_time_is_the_newest_that_fits_the_days_that_were_said() -> None:
    assert entry(CHLORINE.replace("BOX 0640", "BOX 24/11 0640")).into == utc(23, 18, 30)


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ("OUT 2152", "OUT 2129", "order"),
        ("BOX 0640", "BOX 2151", "order"),
        ("IN 2130 OUT 2152", "IN 24/11 2130 OUT 24/11 2052", "order"),
        ("BOX 0640", "BOX 2201", "quick"),
        ("BAG-1", "26/11 BAG-1", "future"),
        ("BAG-1", "TODAY BAG-1", "future"),
        ("BAG-1", "20/11 BAG-1", "old"),
        ("BAG-1", "31/11 BAG-1", "day"),
        ("IN 2130", "IN 31/11 2130", "day"),
        ("BAG-1", "24/11 BAG-1 VINEGAR 23/11 2040 2052", "days"),
    ],
)
def test_times_that_cannot_be_are_refused(old: str, new: str, code: str) -> None:
    assert slip(CHLORINE.replace(old, new, 1)) == code


def test_the_bounds_are_those_of_the_protocol() -> None:
    """48 hours and ten minutes: the protocol's, common practice without a source."""
    begun = utc(24, 18, 30)
    told = parts("24/11 " + CHLORINE)

    last = place(told, PROTOCOL, ZONE, SENT, begun + timedelta(hours=48))
    over = place(told, PROTOCOL, ZONE, SENT, begun + timedelta(hours=48, seconds=1))
    assert isinstance(last, LateEntry)
    assert over == Slip("old", "48")
    assert isinstance(placed(CHLORINE.replace("BOX 0640", "BOX 2202")), LateEntry)
    assert last.began == begun - timedelta(minutes=10)


def test_vinegar_lies_before_the_soak_and_the_work_before_it() -> None:
    found = entry(CHLORINE + " VINEGAR 2040 2052")

    assert found.vinegar == (utc(24, 17, 40), utc(24, 17, 52))
    assert found.began == utc(24, 17, 30)


def test_a_year_is_the_nearest() -> None:
    january = datetime(2026, 1, 1, 8, 0, tzinfo=UTC)

    assert entry("31/12 " + CHLORINE.replace("0640", "2315"), january).into.year == 2025
    assert read_day("2902", datetime(2026, 2, 28, tzinfo=UTC).date()) is None


# Clocks in Berlin went from 3:00 back to 2:00 on 26 October 2025 (at 01:00 UTC) and from 2:00 on to
# 3:00 on 30 March 2025: EU Directive 2000/84/EC, last Sundays of March and October.
BERLIN = "Europe/Berlin"


def test_an_hour_that_comes_twice_makes_an_exposure_no_longer_than_it_may_have_been() -> None:
    told = CHLORINE.replace("IN 2130 OUT 2152", "IN 0150 OUT 0255")
    found = entry(told, datetime(2025, 10, 26, 8, 0, tzinfo=UTC), BERLIN)

    assert found.out - found.into == timedelta(minutes=65)  # not two hours and five minutes

    within = CHLORINE.replace("IN 2130 OUT 2152", "IN 0210 OUT 0230")
    # Begun in the second of the two, ended in the first, for all that anybody knows.
    assert slip(within, datetime(2025, 10, 26, 8, 0, tzinfo=UTC), BERLIN) == "order"


def test_an_hour_that_the_clocks_skipped_is_no_time() -> None:
    told = "30/03 " + CHLORINE.replace("IN 2130 OUT 2152", "IN 0150 OUT 0212")

    assert slip(told, datetime(2025, 3, 30, 8, 0, tzinfo=UTC), BERLIN) == "no_clock"


def test_an_exposure_over_the_skipped_hour_is_an_hour_shorter_than_its_clock_says() -> None:
    told = CHLORINE.replace("IN 2130 OUT 2152", "IN 0150 OUT 0301")
    found = entry(told, datetime(2025, 3, 30, 8, 0, tzinfo=UTC), BERLIN)

    assert found.out - found.into == timedelta(minutes=11)
