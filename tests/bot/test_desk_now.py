"""The desk's first page: what waits, what runs, what each facility has, fresh."""

from __future__ import annotations

import gzip
import re
from datetime import timedelta
from pathlib import Path

import fakeredis
import msgspec
import pytest
from flask import Flask

from bot.accounts import IDLE
from bot.alert import Alert, AlertLine
from bot.desk_said import DEEDS, STATES
from bot.effects import Raised
from bot.model import SetState, Standing, Underway
from flows.alerting import RULES
from tests.bot.desk_client import MOST_BYTES, Reader, reader
from tests.bot.district_stand import (
    QUESTION,
    SOAKING,
    WORDS,
    alert_of,
    busy,
    desk_app,
    watched_world,
    wide_register,
)
from tests.bot.release_stand import texts
from tests.conftest import FakeClock
from tests.phone import World


@pytest.fixture
def chief(app: Flask, world: World) -> Reader:
    """The supervisor of TAM."""
    return reader(app, world.parts, "supervisor", "TAM")


def part(page: str, begins: str, ends: str) -> str:
    """The words of one part of the page."""
    return page.partition(f" {begins} ")[2].partition(f" {ends} ")[0]


# ---- what it says ------------------------------------------------------------------------------


def test_before_anybody_said_a_word_every_facility_is_there_and_nothing_is_ready(
    chief: Reader,
) -> None:
    page = chief.reads("")

    assert "No alert waits for an answer." in page
    assert "No batch is open." in page
    assert "Low Ferry Clinic" in page
    assert "bag and mask NONE of 2" in page


def test_an_alert_stands_first_until_somebody_answers_and_then_with_the_answers(
    world: World, chief: Reader
) -> None:
    texts(world, "Neema", "BRIEF", "BAG-1", "1", "1", "0.5", "8", "6")
    waiting = part(chief.reads(""), "Waits for an answer", "In process")
    assert alert_of(world, "step") in waiting
    assert "BAG-1: a critical step cannot be done" in waiting
    assert "Not answered." in waiting
    assert "Told: Salome, Juma." in waiting

    texts(world, "Juma", "4", QUESTION)
    texts(world, "Neema", f"{alert_of(world, 'step')} {WORDS}")
    page = chief.reads("")
    assert "No alert waits for an answer." in page
    answered = part(page, "Answered, not over", "In process")
    assert f"Juma asks: “{QUESTION}”" in answered
    assert f"Neema answers: “{WORDS}”" in answered


def test_a_batch_moves_from_the_next_hour_to_late_and_then_it_is_untouched_no_more(
    world: World, chief: Reader
) -> None:
    """Five texts 20 s apart end at 11:01:40 there; the protocol's soak lasts 20 min."""
    texts(world, "Baraka", *SOAKING)
    page = chief.reads("")
    assert "Bell in the next hour: 1 SUC-1 Low Ferry Clinic Soak, 11:01 11:21" in page

    world.passes(timedelta(minutes=21))
    page = chief.reads("")
    assert "Bell past, pieces not out: 1 SUC-1" in page
    assert "11:21 LATE" in page
    assert "LATE: 1." in part(page, "Facilities", "Soakbell")

    texts(world, "Baraka", "1")
    page = chief.reads("")
    assert "LATE" not in page
    assert "No clock runs: the longest untouched first: 1 SUC-1" in page


def test_what_is_ready_is_counted_by_kind_with_when_the_first_expires(
    app: Flask, world: World
) -> None:
    busy(world)
    page = part(reader(app, world.parts, "supervisor", "TAM").reads(""), "Facilities", "Soakbell")

    assert page.index("Low Ferry Clinic") < page.index("High Cedar Maternity")  # no set READY
    assert "bag and mask 1 of 1 suction NONE of 2 first expires 10 Mar" in page
    world.passes(timedelta(days=8))
    again = reader(app, world.parts, "in_charge", "HIGH")
    later = part(again.reads(""), "Facilities", "Soakbell")
    assert "EXPIRED: BAG-5" in later
    assert "bag and mask NONE of 1" in later


def test_when_a_word_last_came_is_told(world: World, chief: Reader) -> None:
    texts(world, "Neema", "STATUS")
    page = chief.reads("")
    assert "Last word: 11:00." in page  # LOWF
    assert "Last word: no word yet." in page  # HIGH


def test_practice_is_nobodys_business(world: World, chief: Reader) -> None:
    texts(world, "Neema", "PRACTISE", "1")
    assert "No batch is open." in chief.reads("")


# ---- who sees what -----------------------------------------------------------------------------


def test_each_sees_her_own_facilities_only(app: Flask, world: World) -> None:
    busy(world)
    in_charge = reader(app, world.parts, "in_charge", "HIGH")
    other = reader(app, world.parts, "supervisor", "ELSE")

    assert "Low Ferry" not in in_charge.reads("")
    assert "High Cedar Maternity" in in_charge.reads("")
    assert "No facility is in the register for you yet." in other.reads("")
    assert other.opens("?district=TAM").status_code == 404


def test_a_programme_officer_reads_ids_and_no_names(app: Flask, world: World) -> None:
    busy(world)
    page = reader(app, world.parts, "programme", "*").reads("")

    assert "P1 answers" in page
    assert "Neema" not in page
    assert "Juma" not in page


# ---- again, and by itself ----------------------------------------------------------------------


def test_the_same_again_is_answered_in_a_few_bytes_and_with_the_time(
    world: World, chief: Reader
) -> None:
    mark = chief.opens("").headers["ETag"]
    world.clock.passes(minutes=5)
    same = chief.opens("", **{"If-None-Match": mark})
    assert (same.status_code, same.data, same.headers["X-As-Of"]) == (304, b"", "11:05")

    texts(world, "Neema", "BAG-1")
    changed = chief.opens("", **{"If-None-Match": mark})
    assert changed.status_code == 200
    assert changed.headers["ETag"] != mark


def test_a_browser_that_unpacks_is_not_sent_the_same_again_either(chief: Reader) -> None:
    """The page's script sends the mark that stands on it; the browser adds what it unpacks."""
    page = chief.opens("")
    [mark] = re.findall(r'data-mark="(\w+)"', page.text)

    packed = chief.opens("", **{"Accept-Encoding": "gzip"})
    assert gzip.decompress(packed.data) == page.data
    for asked in (f'"{mark}"', packed.headers["ETag"]):
        headers = {"Accept-Encoding": "gzip", "If-None-Match": asked}
        assert chief.opens("", **headers).status_code == 304


def test_nobody_elses_page_is_taken_for_the_same(app: Flask, world: World, chief: Reader) -> None:
    mark = chief.opens("").headers["ETag"]
    other = reader(app, world.parts, "in_charge", "LOWF")
    assert other.opens("", **{"If-None-Match": mark}).status_code == 200


def test_a_page_that_renews_itself_keeps_nobody_logged_in(world: World, chief: Reader) -> None:
    half = IDLE / 2 + timedelta(minutes=1)
    world.clock.passes(seconds=half.total_seconds())
    assert chief.opens("", **{"X-Unattended": "1"}).status_code == 200
    world.clock.passes(seconds=half.total_seconds())
    assert chief.opens("").status_code == 303


def test_a_page_that_is_used_keeps_her_logged_in(world: World, chief: Reader) -> None:
    half = IDLE / 2 + timedelta(minutes=1)
    world.clock.passes(seconds=half.total_seconds())
    assert chief.opens("").status_code == 200
    world.clock.passes(seconds=half.total_seconds())
    assert chief.opens("").status_code == 200


def test_where_the_conversations_do_not_answer_it_says_so_and_shows_what_the_store_knows(
    app: Flask, world: World, redis_server: fakeredis.FakeServer
) -> None:
    busy(world)
    chief = reader(app, world.parts, "supervisor", "TAM")
    fresh = chief.reads("")
    redis_server.connected = False
    try:
        page = chief.reads("")
    finally:
        redis_server.connected = True

    assert "The conversations do not answer just now." in page
    assert "The conversations do not answer" not in fresh
    for known in (alert_of(world, "step"), "SUC-1 Low Ferry Clinic", "bag and mask 1 of 1",
                  f"Juma asks: “{QUESTION}”"):  # fmt: skip
        assert known in fresh
        assert known in page


def test_a_board_that_another_version_wrote_is_no_answer(world: World, chief: Reader) -> None:
    texts(world, "Neema", "BAG-1", "1")
    world.redis.hset("sb:board:TAM", "LOWF", b'{"facility": 7}')
    page = chief.reads("")

    assert "The conversations do not answer just now." in page
    assert "BAG-1 Low Ferry Clinic" in page


# ---- how much ----------------------------------------------------------------------------------


def crowded(facility: str, name: str, sets: int, clock: FakeClock) -> Standing:
    """A facility where everything is open at once, each text as long as it can be."""
    now = clock()
    states = ("READY", "IN PROCESS", "USED", "SET ASIDE", "READY", "SET ASIDE", "SET ASIDE")
    ids = [f"BAG-{facility.removeprefix('F')}-{k}" for k in range(sets)]
    told = tuple(AlertLine(now, f"P{n}", "told") for n in range(4))
    asked = AlertLine(now, "P8", "asked", "w" * 80)
    return Standing(
        facility, name, "Africa/Dar_es_Salaam",
        sets=tuple(("bag", SetState(i, states[k % 7], now, now + timedelta(days=k)))  # type: ignore[arg-type]
                   for k, i in enumerate(ids)),
        batches=tuple(
            Underway(f"{facility}-20250303-08002{k}-{k}", tuple(ids), "soak", "chlorine", now, now,
                     now + timedelta(minutes=15 * k - 10))
            for k in range(4)
        ),
        alerts=tuple(
            Alert(f"{facility}-{k}", facility, "step", f"m{k}", now, now,
                  {"sets": "+".join(ids[:2]), "step": "soak", "reason": "refused"},
                  state="taken" if k else "open", history=(*told, asked, asked))
            for k in range(4)
        ),
        heard=now,
    )  # fmt: skip


def over(facility: str, n: int, clock: FakeClock) -> Raised:
    """An alert of the past with a story as long as one can get in a week."""
    now = clock()
    story = tuple(AlertLine(now, "P8", "asked", "w" * 80) for _ in range(12))
    closed = AlertLine(now, "P8", "solved", "w" * 80)
    return Raised("TAM", Alert(
        f"{facility}-{900 + n}", facility, "step", f"m{n}", now, now,
        {"sets": "BAG-00-1+BAG-00-2", "step": "soak", "reason": "refused"}, by="P1",
        state="solved", history=(*story, closed)))  # fmt: skip


def test_forty_facilities_with_seven_sets_each_make_light_pages(
    clock: FakeClock, tmp_path: Path
) -> None:
    register = wide_register(40, 7)
    with watched_world(clock, tmp_path, register=register) as world:
        for n, place in enumerate(register.facilities):
            shown = crowded(place.id, place.name, 7, clock)
            world.redis.hset("sb:board:TAM", place.id, msgspec.json.encode(shown))
            world.parts.store.record([over(place.id, n, clock)])
        with desk_app(world.parts, tmp_path) as app:
            desk = reader(app, world.parts, "supervisor", "TAM")
            page = desk.reads("")
            for path in ("/alerts", "/papers", "/facility/F07", "/alerts?facility=F07"):
                assert len(desk.opens(path).data) < MOST_BYTES, path
            listed = desk.reads("/papers") + desk.reads("/papers?after=F37")

    for place in register.facilities:
        assert place.name in page.partition(" Facilities ")[2]
        assert f"{place.name} ({place.id})" in listed
    assert "And 17 more: all that nobody has answered." in page  # 42 open, 25 of them shown


def test_every_rule_state_and_deed_has_its_words(world: World, chief: Reader) -> None:
    page = chief.reads("/alerts")
    for rule in RULES:
        assert world.parts.wording.catalogues["en"][f"alert.name.{rule}"] in page
    assert set(STATES) == set(msgspec.json.schema(Alert)["$defs"]["Alert"]["properties"]["state"][
        "enum"])  # fmt: skip
    deeds = msgspec.json.schema(AlertLine)["$defs"]["AlertLine"]["properties"]["what"]["enum"]
    assert set(DEEDS) == set(deeds)


# ---- words of strangers ------------------------------------------------------------------------


def test_what_people_typed_is_text_and_names_no_phone(world: World, chief: Reader) -> None:
    hostile = "<script>alert(1)</script> \" ' +12025550199"
    texts(world, "Neema", "BRIEF", "BAG-1", "1", "1", "0.5", "8", "6")
    texts(world, "Juma", "4", hostile)
    code = alert_of(world, "step")
    batch = world.batch("BAG-1").id
    for path in ("", "/alerts", f"/alert/{code}", f"/batch/{batch}", "/facility/LOWF"):
        raw = chief.opens(path).text
        assert "<script>alert" not in raw
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in raw, path
        assert "5550199" not in raw
