"""The desk: who gets in, and what the sheets say. Numbers from outside are named."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from flask import Flask
from werkzeug.test import TestResponse

from bot import desk_card
from bot.accounts import AccountRole
from bot.config import demo_config
from bot.desk_words import STEPS
from bot.register_files import read_register
from bot.site import Bottle, Site
from bot.web import create_app
from bot.wiring import Parts, announce, build, load_protocols
from flows.batch import METHODS
from flows.measures import Measure
from flows.protocol import Protocol
from flows.release import AFTER, BEFORE, BY_METHOD, ORDER
from flows.strengths import Stock
from tests.bot.desk_stand import PASSWORD, log_in, make_account
from tests.bot.store_stand import DEMO

if TYPE_CHECKING:
    from tests.conftest import FakeClock

Get = Callable[..., TestResponse]
TODAY = date(2025, 3, 3)
BLEACH = Bottle("BL", Stock("bleach", "liquid", 3.5), opened=date(2025, 3, 1), celsius=25)
JUGS = (Measure("jug", 1000, 1), Measure("cup", 100, 1))


@pytest.fixture
def protocol() -> Protocol:
    return load_protocols()["default"]


def site(**values: object) -> Site:
    """A place with every method, 2000 m up, with a bucket of 5 L and bleach of 3.5 %."""
    place = Site(
        id="HIGH", name="High Cedar", district="TAM", altitude_m=2000, zone="UTC", methods=METHODS,
        sets=(), people=(), autoclave="gravity", measures=JUGS, soak_ml=5000, stock=(BLEACH,),
    )  # fmt: skip
    return replace(place, **values)  # type: ignore[arg-type]


@pytest.fixture
def parts(tmp_path: Path, clock: FakeClock) -> Iterator[Parts]:
    made = build(demo_config(1, tmp_path), clock=clock)
    announce(made, read_register(DEMO, None))
    yield made
    made.store.close()


@pytest.fixture
def app(tmp_path: Path, parts: Parts) -> Iterator[Flask]:
    made = create_app(demo_config(1, tmp_path), parts)
    yield made
    made.extensions["soakbell_receipts"].close()


@pytest.fixture
def get(app: Flask) -> Get:
    client = app.test_client()
    log_in(client)
    return client.get


# ---- who gets in ----------------------------------------------------------------------------


SHEETS = ["/desk", "/desk/card/HIGH", "/desk/label", "/desk/mix", "/desk/nothing"]


@pytest.mark.parametrize("path", SHEETS)
def test_nobody_reads_a_sheet_without_logging_in(app: Flask, path: str) -> None:
    bare = app.test_client().get(path)

    assert bare.status_code == 303
    assert bare.location == f"/desk/login?next={path}"
    assert app.test_client().get(path, auth=("desk", "demo")).status_code == 303


# Who sees HIGH and LOWF, which both lie in TAM.
ROLES: list[tuple[AccountRole, str, set[str]]] = [
    ("administrator", "*", {"HIGH", "LOWF"}),
    ("programme", "*", {"HIGH", "LOWF"}),
    ("programme", "TAM", {"HIGH", "LOWF"}),
    ("programme", "ELSE", set()),
    ("supervisor", "TAM", {"HIGH", "LOWF"}),
    ("supervisor", "ELSE", set()),
    ("in_charge", "HIGH", {"HIGH"}),
    ("in_charge", "LOWF", {"LOWF"}),
]


@pytest.mark.parametrize(("role", "place", "seen"), ROLES)
def test_each_sees_her_own_and_the_rest_is_as_if_it_were_not_there(
    app: Flask, parts: Parts, role: AccountRole, place: str, seen: set[str]
) -> None:
    make_account(parts, "someone", role, place)
    client = app.test_client()
    log_in(client, "someone", PASSWORD)
    listed = client.get("/desk/papers").text

    for facility in ("HIGH", "LOWF"):
        assert (f"/desk/card/{facility}" in listed) is (facility in seen)
        for path in (f"card/{facility}", f"paper/{facility}", f"label?facility={facility}"):
            answer = client.get(f"/desk/{path}")
            assert answer.status_code == (200 if facility in seen else 404), path
            if facility not in seen:
                assert answer.text == client.get(f"/desk/{path}X").text


def test_the_label_offers_no_facility_of_others(app: Flask, parts: Parts) -> None:
    make_account(parts, "low", "in_charge", "LOWF")
    client = app.test_client()
    log_in(client, "low", PASSWORD)
    page = client.get("/desk/label").text

    assert 'value="LOWF"' in page
    assert "HIGH" not in page


def test_the_page_says_who_is_logged_in(get: Get) -> None:
    assert "Demonstration (administrator)" in get("/desk/papers").text


@pytest.mark.parametrize("path", ["/desk", "/desk/card/HIGH", "/desk/card/NONE"])
def test_every_answer_is_guarded_and_kept_nowhere(get: Get, path: str) -> None:
    headers = get(path).headers

    assert headers["Content-Security-Policy"].startswith("default-src 'self'")
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"


def test_a_page_is_packed_for_who_can_unpack_it(get: Get) -> None:
    plain, packed = get("/desk/card/HIGH"), get(
        "/desk/card/HIGH", headers={"Accept-Encoding": "gzip, br"})

    assert gzip.decompress(packed.data) == plain.data
    assert packed.headers["ETag"] != plain.headers["ETag"]
    assert "Accept-Encoding" in packed.headers["Vary"]
    same = get("/desk/card/HIGH", headers={"If-None-Match": plain.headers["ETag"]})
    assert (same.status_code, same.data) == (304, b"")


# ---- the pages ----------------------------------------------------------------------------


def test_the_list_leads_to_every_sheet_of_every_facility(get: Get) -> None:
    page = get("/desk/papers").text

    for facility in ("LOWF", "HIGH"):
        for sheet in ("card", "paper"):
            assert f'href="/desk/{sheet}/{facility}"' in page
            assert get(f"/desk/{sheet}/{facility}").status_code == 200


@pytest.mark.parametrize("path", ["/desk/papers", "/desk/card/HIGH", "/desk/paper/HIGH"])
def test_a_page_is_light_names_nobody_and_says_that_it_is_for_training(
    get: Get, parts: Parts, path: str
) -> None:
    page = get(path).text

    assert len(page.encode()) < 60_000
    assert "<script" not in page
    assert "for training until the local programme has confirmed" in page
    assert "licensed practice come first" in page
    for member in parts.store.load_register().people:
        assert member.person.phone.lstrip("+") not in page
        assert member.person.name not in page


@pytest.mark.parametrize("path", ["/desk/card/NONE", "/desk/paper/district-TAM", "/desk/x/y"])
def test_what_is_not_there_is_said_kindly(get: Get, path: str) -> None:
    answer = get(path)

    assert answer.status_code == 404
    assert "Sorry" in answer.text


def test_the_card_of_a_place_without_an_autoclave_shows_none(get: Get) -> None:
    page = get("/desk/card/LOWF").text

    assert "Autoclave" not in page
    assert "Boiling: 20 min" in page  # Reference Manual, Appendix C: 20 min from the rolling boil


def test_numbers_that_a_programme_has_confirmed_are_not_called_training(
    tmp_path: Path, parts: Parts, protocol: Protocol
) -> None:
    confirmed = replace(protocol, confirmed_by="the programme", confirmed_on=date(2025, 3, 1))
    protocols = {**parts.rules.protocols, "default": confirmed, confirmed.id: confirmed}
    app = create_app(demo_config(1, tmp_path), replace(
        parts, rules=replace(parts.rules, protocols=protocols)))  # fmt: skip
    app.extensions["soakbell_receipts"].close()
    client = app.test_client()
    log_in(client)
    page = client.get("/desk/card/HIGH").text

    assert "until the local programme has confirmed them" not in page
    assert "Confirmed by the programme on 2025-03-01" in page
    assert "licensed practice come first" in page


def test_a_paper_log_has_a_line_for_every_critical_stage(protocol: Protocol) -> None:
    place = site()
    marks = [row.mark for row in desk_card.before(protocol)]
    assert set(BEFORE) <= set(marks)
    assert [row.mark for row in desk_card.after(protocol)] == list(AFTER)
    for way in desk_card.ways(place, protocol):
        assert [row.mark for row in way.rows] == list(BY_METHOD[way.method])
    assert set(STEPS) == set(ORDER)


# ---- the numbers ----------------------------------------------------------------------------


def test_121_c_at_2000_m_needs_what_steam_needs_there(protocol: Protocol) -> None:
    """IAPWS-IF97 and ISO 2533: 125.5 kPa, 18.21 psi. Rounded up, and by no more than a tenth."""
    for row in desk_card.cycle_rows(site(), protocol):
        if row.cycle.celsius == 121:
            assert 125.5 <= float(row.kpa) <= 125.7
            assert 18.21 <= float(row.psi) <= 18.3


def test_only_cycles_of_the_facilitys_machine_are_shown(protocol: Protocol) -> None:
    for machine in ("gravity", "prevacuum"):
        rows = desk_card.cycle_rows(site(autoclave=machine), protocol)
        assert {row.cycle.machine for row in rows} == {machine}


def test_bleach_of_3_5_to_half_a_per_cent_is_one_and_six(protocol: Protocol) -> None:
    """CDC 2019, Appendix E: 1 part of 3.5 % and 6 parts water; 5 L are 714.3 and 4285.7 mL."""
    [mix] = desk_card.mixes(site(), protocol, TODAY)

    assert mix.parts.startswith("1 part and 6 parts water")
    assert mix.product.startswith("715 mL")
    assert mix.water.startswith("4285 mL")
    assert mix.percent == "0.5"
    assert mix.cautions


@pytest.mark.parametrize(
    "bottle",
    [
        replace(BLEACH, opened=None),
        replace(BLEACH, celsius=None),
        replace(BLEACH, celsius=38),
        replace(BLEACH, opened=date(2024, 3, 1)),
        replace(BLEACH, opened=date(2025, 3, 4)),  # from the future: nobody knows
    ],
)
def test_a_bottle_that_may_have_faded_is_tested_first(protocol: Protocol, bottle: Bottle) -> None:
    [mix] = desk_card.mixes(site(stock=(bottle,)), protocol, TODAY)
    assert mix.doubt.startswith("TEST FIRST")

    [fresh] = desk_card.mixes(site(), protocol, TODAY)
    assert not fresh.doubt.startswith("TEST FIRST")


def test_tablets_are_whole_and_their_mix_has_less_time_in_the_heat(protocol: Protocol) -> None:
    """5 L of 0.5 % hold 25 g of chlorine: 16.7 tablets of 1.5 g, so 17. Iqbal et al. 2016: at
    40 C such a mix is under 90 % of its strength after 0.82 h, which is 49 min."""
    tablets = Bottle("NA", Stock("NaDCC", "tablet", 1.5, "g chlorine"))
    [mix] = desk_card.mixes(site(stock=(tablets,)), protocol, TODAY)

    assert mix.product == "17 tablets"
    assert mix.parts == ""
    assert "doubtful after 49 min" in mix.doubt


def test_a_product_too_weak_for_the_target_gets_no_recipe(protocol: Protocol) -> None:
    weak = replace(BLEACH, stock=Stock("bleach", "liquid", 0.4))
    [mix] = desk_card.mixes(site(stock=(weak,)), protocol, TODAY)

    assert "not stronger than the target" in mix.refused
    assert mix.product == ""


def test_what_the_register_does_not_say_is_named(protocol: Protocol) -> None:
    assert desk_card.unsaid(site()) == ()
    assert len(desk_card.unsaid(site(stock=(), soak_ml=0, measures=()))) == 3


def test_the_boil_of_2000_m_is_told_and_shortens_nothing(protocol: Protocol) -> None:
    """Water boils at 93.3 C there (IF97, ISO 2533); 20 min of it are an A0 of about 25 700."""
    boil = next(w for w in desk_card.ways(site(), protocol) if w.method == "boiling")

    assert 93.0 <= float(boil.boils_at) <= 93.35
    assert 24_000 <= int(boil.a0) <= 25_800
    assert boil.minutes == "20"


def test_a_method_that_is_not_allowed_so_high_up_is_not_offered(protocol: Protocol) -> None:
    """Reference Manual, Appendix C: boiling up to 5500 m."""
    ways = desk_card.ways(site(altitude_m=5600), protocol)

    assert [w.method for w in ways if w.why_not] == ["boiling", "steaming"]
