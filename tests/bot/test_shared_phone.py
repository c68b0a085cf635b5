"""A phone that several share: whose words they are is asked, and nobody answers for another."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from bot.effects import Say
from bot.errors import RegisterError
from bot.events import Heard
from bot.register_files import read_register
from bot.scribe import Scribe
from bot.site import Site
from bot.store import Store
from flows.prompts import segments
from tests.bot.store_stand import DEMO, demo_register
from tests.nurse import ASHA, CHIEF, PLACE, WORDING, Ward

SHARED = ASHA
ASHAS, BELAS = f"{ASHA}#ASHA", f"{ASHA}#BELA"


def shared(place: Site = PLACE) -> Site:
    lines = {"ASHA": ASHAS, "BELA": BELAS}
    return replace(place, people=tuple(
        replace(p, phone=lines.get(p.id, p.phone)) for p in place.people))  # fmt: skip


@pytest.fixture
def ward() -> Ward:
    return Ward(site=shared())


# ---- the register --------------------------------------------------------------------------------


def with_phones(folder: Path, **phones: str) -> Path:
    shutil.copytree(DEMO, folder / "register")
    people = folder / "register" / "people.csv"
    lines = people.read_text(encoding="utf-8").splitlines()
    for n, line in enumerate(lines):
        cells = line.split(",")
        if cells[1] in phones:
            cells[2] = phones[cells[1]]
            lines[n] = ",".join(cells)
    people.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "register"


def test_people_of_one_facility_may_share_a_phone(tmp_path: Path, store: Store) -> None:
    register = read_register(with_phones(tmp_path, Zawadi="+12025550101"), None)
    store.save_register(register)

    assert store.load_register() == register
    site = next(s for s in register.sites() if s.id == "LOWF")
    assert [p.name for p in site.sharers("+12025550101")] == ["Neema", "Zawadi"]
    assert register.phones()["+12025550101"] == "LOWF"


@pytest.mark.parametrize("name", ["Imani", "Juma"])  # of another facility; the supervisor
def test_nobody_else_may(name: str, tmp_path: Path) -> None:
    with pytest.raises(RegisterError) as caught:
        read_register(with_phones(tmp_path, **{name: "+12025550101"}), None)

    assert "phone: the same on lines 2, " in caught.value.problems[0]


def test_a_phone_of_one_person_is_her_line() -> None:
    for site in demo_register().sites():
        assert not any("#" in p.phone for p in (*site.people, *site.supervisors))


# ---- who speaks ----------------------------------------------------------------------------------


def test_nothing_that_is_said_first_is_done_for_anybody(ward: Ward) -> None:
    assert "Who is this? 1 Asha 2 Bela" in ward.says("BAG-1", phone=SHARED)

    assert ward.unit.batches == {}


def test_what_is_said_is_logged_under_her_who_said_that_she_speaks(ward: Ward) -> None:
    ward.says("BAG-1", "2", "BAG-1", "1", phone=SHARED)

    assert ward.batch.holder == "BELA"
    assert {e.by for e in ward.batch.log} == {"BELA"}


def test_each_has_her_own_batch_and_who_is_asked_shows_her_hers(ward: Ward) -> None:
    ward.says("hello", "1", "BAG-1", "WHO", "2", "SUC-1", phone=SHARED)
    held = {b.holder: b.names for b in ward.unit.batches.values()}
    assert held == {"ASHA": "BAG-1", "BELA": "SUC-1"}

    assert "BAG-1" in ward.says("WHO", "1", phone=SHARED)
    assert "BAG-1: gloves" in ward.says("1", phone=SHARED)


def test_half_an_hour_without_a_word_and_it_may_be_anybody(ward: Ward) -> None:
    ward.says("hello", "1", "BAG-1", phone=SHARED)
    ward.passes(minutes=29)
    assert "WIPE" in ward.says("1", phone=SHARED)
    log = ward.batch.log

    ward.passes(minutes=30)

    assert "Who is this?" in ward.says("1", phone=SHARED)
    assert ward.batch.log == log


def test_after_a_text_to_one_the_others_digit_is_no_answer(ward: Ward) -> None:
    ward.says("hello", "1", phone=SHARED)
    ward.says("BRIEF", "BAG-1", "1", "1", "0.5", phone=SHARED)
    assert ward.stage == "soak"
    ward.says("WHO", "2", "SUC-1", phone=SHARED)
    logs = {b.id: b.log for b in ward.unit.batches.values()}
    ward.passes(minutes=20)
    ward.bells()
    rung = {b.id: b.log for b in ward.unit.batches.values()}
    assert [phone for phone, kind, _ in ward.said if kind == "bell"] == [ASHAS]

    assert "Who is this?" in ward.says("1", phone=SHARED)

    assert {b.id: b.log for b in ward.unit.batches.values()} == rung
    assert logs.keys() == rung.keys()


def test_a_text_to_her_who_speaks_asks_nobody(ward: Ward) -> None:
    ward.says("hello", "1", "BRIEF", "BAG-1", "1", "1", "0.5", phone=SHARED)
    ward.passes(minutes=20)
    ward.bells()

    assert "RINSE" in ward.says("1", phone=SHARED)


def test_somebody_hurt_is_helped_before_anybody_is_asked(ward: Ward) -> None:
    assert "Who is this?" not in ward.says("DANGER", phone=SHARED)

    assert {phone for phone, kind, _ in ward.said if kind == "alert"} >= {CHIEF}


def test_what_the_carrier_was_told_is_so_for_both(ward: Ward) -> None:
    ward.says("STOP", phone=SHARED)
    assert [ward.unit.talk(p).stopped for p in (ASHAS, BELAS)] == [True, True]

    ward.says("START", phone=SHARED)
    assert [ward.unit.talk(p).stopped for p in (ASHAS, BELAS)] == [False, False]


def test_leave_is_hers_alone(ward: Ward) -> None:
    ward.says("hello", "1", "AWAY 3", phone=SHARED)

    assert ward.unit.talk(ASHAS).absent(ward.now)
    assert not ward.unit.talk(BELAS).absent(ward.now)


def test_by_dialling_the_session_goes_on_after_the_answer(ward: Ward) -> None:
    assert "Who is this?" in ward.dials("", phone=SHARED)
    assert "Bela:" in ward.dials("2", phone=SHARED)

    assert "Which sets" in ward.dials("2*1", phone=SHARED)


def test_the_word_on_a_phone_of_ones_own_says_so() -> None:
    assert "Asha alone" in Ward().says("WHO", phone=ASHA)


# ---- texts ---------------------------------------------------------------------------------------


def test_a_text_goes_to_the_phone_with_the_name_in_front(ward: Ward) -> None:
    ward.says("hello", "1", "BRIEF", "BAG-1", "1", "1", "0.5", phone=SHARED)
    before = ward.unit
    ward.passes(minutes=20)
    ward.bells()
    scribe = Scribe(WORDING.render, lambda text: segments(text)[2])
    [bell] = [e for e in ward.effects if isinstance(e, Say)]
    event = Heard("e", CHIEF, "ussd", "", ward.now)

    item = scribe._message(before, event, 0, bell)  # noqa: SLF001

    assert item.phone == SHARED
    assert item.person == "ASHA"
    assert item.text.startswith("Asha: BELL BAG-1")


# ---- shared since, or no more --------------------------------------------------------------------


def test_a_batch_goes_on_when_a_phone_comes_to_be_shared() -> None:
    ward = Ward()
    ward.says("BAG-1", "1")
    ward.unit = replace(ward.unit, site=shared())
    log = ward.batch.log

    assert "Who is this?" in ward.says("1", phone=SHARED)
    assert "BAG-1" in ward.says("1", phone=SHARED)

    assert ward.batch.log == log


def test_a_talk_goes_on_when_a_phone_is_hers_alone_again(ward: Ward) -> None:
    ward.says("hello", "1", "BRIEF", "BAG-1", phone=SHARED)
    alone = tuple(replace(p, phone=ASHA) if p.id == "ASHA" else p
                  for p in PLACE.people if p.id != "BELA")  # fmt: skip
    ward.unit = replace(ward.unit, site=replace(PLACE, people=alone))

    assert "METHOD" in ward.says("1", phone=SHARED)

    assert set(ward.unit.talks) == {ASHA}
    assert ward.unit.talk(ASHA).pace == "brief"
