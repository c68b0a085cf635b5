"""The desk's planning: who sees which facility, what it says, what was typed, the purchase list."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import fakeredis
import pytest
from flask import Flask
from selenium.webdriver.common.by import By

from bot.accounts import AccountRole
from bot.register import Register
from tests.bot.browser_stand import chromium, violations
from tests.bot.desk_client import MOST_BYTES, Reader, reader
from tests.bot.district_stand import desk_app, watched_world, wide_register
from tests.bot.planning_stand import DAY, past, solution
from tests.bot.store_stand import START, demo_register
from tests.bot.test_desk_browser import NARROW, type_in
from tests.conftest import FakeClock
from tests.phone import World

HOSTILE = "=HYPERLINK(\"x\")<script>alert(1)</script>"
TYPED = "vinegar_ml=100&cloths=2&glove_pairs=1,5&margin=10"


def two_districts() -> Register:
    """HIGH lies in BAO, the other facilities in TAM; LOWF has a name that would do harm."""
    found = demo_register()
    [tam] = [d for d in found.districts if d.id == "TAM"]
    facilities = tuple(
        replace(f, district="BAO") if f.id == "HIGH" else replace(f, name=HOSTILE)
        if f.id == "LOWF" else f for f in found.facilities)  # fmt: skip
    others = tuple(d for d in found.districts if d.id not in ("TAM", "BAO"))
    bao = replace(tam, id="BAO", name="Bao")
    return replace(found, districts=(*others, tam, bao), facilities=facilities)


@pytest.fixture
def world(
    clock: FakeClock, tmp_path: Path, redis_server: fakeredis.FakeServer
) -> Iterator[World]:
    redis = fakeredis.FakeRedis(server=redis_server)
    with watched_world(clock, tmp_path, redis, two_districts()) as made:
        first = START - 84 * DAY
        made.parts.store.record(
            [*past(first, 84, 12), solution(1, first), solution(2, START - DAY)])
        yield made


@pytest.fixture
def chief(app: Flask, world: World) -> Reader:
    return reader(app, world.parts, "supervisor", "TAM")


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_a_facility_by_its_own_numbers(chief: Reader) -> None:
    """84 bags in 84 days, 12 h each, two owned: B(2, 0.5) = 1/13 is 7.7 %; four are needed."""
    said = chief.reads("/planning/LOWF")

    assert "Needed: 4 (up to 4)" not in said
    assert "Needed: 4. Owned: 2. Short by 2: buy 2." in said
    assert "84 sets came to be cleaned. That is 30 a month" in said
    assert "12 h from the report of a use to READY, the mean of 84 batches" in said
    assert "With the 2 sets owned, 7.7 % of the births that need one find none READY" in said
    assert "2 solutions told by MIX in 84 days, 84 days with a chlorine batch" in said


def test_the_picture_is_one_and_there_is_none_of_what_nobody_knows(
    app: Flask, world: World, chief: Reader
) -> None:
    drawn = chief.opens("/planning/LOWF/bag.svg")
    above = reader(app, world.parts, "programme", "*")

    assert (drawn.status_code, drawn.mimetype) == (200, "image/svg+xml")
    assert above.opens("/planning/HIGH/bag.svg").status_code == 404
    assert "Too little is known yet to say how many are needed." in above.reads("/planning/HIGH")


def test_the_list_has_what_is_short_first(chief: Reader) -> None:
    page = chief.opens("/planning")
    said = chief.reads("/planning")

    assert "sets are short now" in said
    first = said.index("7.7 % find none READY now: 84 uses in 84 days, 12 h to READY")
    assert first < said.index("0 uses in 84 days")
    assert "/desk/planning/LOWF" in page.text
    assert "<script>alert" not in page.text


ACCOUNTS: list[tuple[AccountRole, str, str]] = [
    ("supervisor", "TAM", "LOWF"), ("in_charge", "LOWF", "LOWF"), ("programme", "*", "LOWF HIGH"),
    ("administrator", "*", "LOWF HIGH"), ("supervisor", "BAO", "HIGH"),
    ("in_charge", "HIGH", "HIGH"), ("programme", "BAO", "HIGH"),
]  # fmt: skip


def test_who_sees_what(app: Flask, world: World) -> None:
    for role, place, seen in ACCOUNTS:
        who = reader(app, world.parts, role, place)
        for facility, district in (("LOWF", "TAM"), ("HIGH", "BAO")):
            mine = facility in seen.split()
            assert (who.opens(f"/planning/{facility}").status_code == 200) == mine, role
            assert (who.opens(f"/planning?district={district}").status_code == 200) == mine, role
            bought = who.opens(f"/planning.csv?district={district}")
            assert (bought.status_code == 200) == mine, role
            assert (facility in bought.text) == mine, role
        drawn = who.opens("/planning/LOWF/bag.svg").status_code
        assert (drawn == 200) == ("LOWF" in seen), role


def test_whoever_sees_several_districts_chooses_one(app: Flask, world: World) -> None:
    who = reader(app, world.parts, "programme", "*")

    assert "Choose a district." in who.reads("/planning")
    assert who.opens("/planning.csv").status_code == 400
    assert app.test_client().get("/desk/planning").status_code == 303


def test_the_purchase_list_is_whole_and_opens_without_harm(chief: Reader) -> None:
    """30 batches a month, a tenth more: 3300 mL of vinegar, 66 cloths, 49.5 pairs of gloves."""
    answer = chief.opens(f"/planning.csv?{TYPED}")
    rows = [row for row in rows_of(answer.text) if row["facility"] == "LOWF"]

    assert answer.mimetype == "text/csv"
    assert rows[0]["name"] == f"'{HOSTILE}"
    assert [rows[0][name] for name in ("item", "have", "need", "buy")] == ["set", "2", "4", "2"]
    assert {r["item"]: r["buy"] for r in rows if r["item"] in ("vinegar", "cloths", "gloves")} == {
        "vinegar": "3300", "cloths": "66", "gloves": "50"}  # fmt: skip


def test_what_was_typed_counts_here_and_goes_along(chief: Reader) -> None:
    page = chief.opens(f"/planning/LOWF?{TYPED}")

    assert "3300 mL" in page.text
    assert "glove_pairs=1,5" in page.text or "glove_pairs=1%2C5" in page.text


def test_bad_input_is_kept_and_nothing_is_worked_out_from_it(chief: Reader) -> None:
    for typed in ("vinegar_ml=ten<b>", "cloths=-1", "margin=101", "cloths=nan", "cloths=1e300"):
        for path in ("/planning/LOWF", "/planning", "/planning.csv"):
            answer = chief.opens(f"{path}?{typed}")
            assert answer.status_code == 400, typed
            assert "<b>" not in answer.text.partition("<main")[2]
        kept = typed.partition("=")[2].replace("<b>", "&lt;b&gt;")
        assert f'value="{kept}"' in chief.opens(f"/planning/LOWF?{typed}").text


def test_it_can_be_found(chief: Reader) -> None:
    for path in ("/facility/LOWF", "/counts", "/papers"):
        assert "/desk/planning" in chief.opens(path).text


def test_without_the_conversations_the_store_is_asked(
    chief: Reader, redis_server: fakeredis.FakeServer
) -> None:
    redis_server.connected = False

    assert "Needed: 4. Owned: 2." in chief.reads("/planning/LOWF")


@pytest.mark.browser
def test_for_everybody_on_a_narrow_screen(world: World, tmp_path: Path) -> None:
    """No rule of axe is broken and nothing but the table's own region is wider than the screen."""
    with chromium(tmp_path / "profile") as chrome:
        chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", NARROW)
        chrome.get(f"{world.url}/desk/login")
        type_in(chrome, "demo")
        for path in ("/planning?district=TAM", "/planning/LOWF", "/planning/LOWF?cloths=x"):
            chrome.get(f"{world.url}/desk{path}")
            assert "Sets and supplies" in chrome.find_element(By.TAG_NAME, "h1").text
            assert violations(chrome) == []
            wide = chrome.execute_script("return document.documentElement.scrollWidth")
            assert wide <= NARROW["width"]


def test_a_district_with_many_facilities_is_light(clock: FakeClock, tmp_path: Path) -> None:
    with watched_world(clock, tmp_path, register=wide_register(80, 2)) as wide, \
            desk_app(wide.parts, tmp_path) as app:  # fmt: skip
        answer = reader(app, wide.parts, "supervisor", "TAM").opens("/planning")

    assert answer.status_code == 200
    assert len(answer.data) < MOST_BYTES
    assert "all of them in the purchase list" in answer.text
