"""One facility's page: sets and their past, people, solutions, autoclave, shift checks, papers."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from flask import Flask

from bot.desk_facility import FacilityPage, facility_page
from bot.desk_said import Teller
from bot.model import Reminder, Spores, Unit
from bot.site import Site
from tests.bot.desk_client import chief, reader
from tests.bot.desk_stand import without_key
from tests.bot.district_stand import alert_of, busy
from tests.bot.release_stand import release_bag, texts
from tests.phone import World

NOW = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)  # 11:00 at the facilities


def page_of(world: World, unit: Unit, **rows: list[dict[str, object]]) -> FacilityPage:
    """The page of a unit as it is given, with rows as the store would list them."""
    lists = {name: rows.get(name, []) for name in ("batches", "loads", "checks")}
    teller = Teller(world.parts.wording, world.parts.rules.alerts, NOW, named=True)
    protocol = world.parts.rules.protocols["default"]
    return facility_page(unit.site, unit, unit.sets, **lists, protocol=protocol, teller=teller)


def place(world: World, facility: str) -> Site:
    return next(s for s in world.register.sites() if s.id == facility)


def test_each_set_has_its_condition_and_its_batches_what_may_not_be_used_first(
    app: Flask, world: World
) -> None:
    busy(world)
    page = chief(app, world).reads("/facility/HIGH")
    sets = page.partition(" Sets ")[2].partition(" People ")[0]

    assert sets.index("SUC-6") < sets.index("SUC-5") < sets.index("BAG-5")
    assert "USED never heard of none" in sets
    assert "READY since 11:36, good until 10 Mar 11:36" in sets
    assert f"{world.batch('BAG-5').id} released 11:36" in sets
    assert f"{world.batch('SUC-5').id} open since 12:07" in sets


def test_a_second_batch_of_a_set_stands_above_its_first(app: Flask, world: World) -> None:
    release_bag(world)
    first = world.batch("BAG-5").id
    texts(world, "Imani", "OPENED BAG-5", "BAG-5")
    second = world.batch("BAG-5").id
    page = chief(app, world).reads("/facility/HIGH")

    assert first != second
    assert page.index(second) < page.index(first)


def test_open_alerts_of_the_facility_and_no_others_stand_on_top(app: Flask, world: World) -> None:
    busy(world)
    desk, code = chief(app, world), alert_of(world, "step")

    assert code in desk.reads("/facility/LOWF").partition(" Sets ")[0]
    assert code not in desk.reads("/facility/HIGH")


def test_people_have_names_and_roles_and_a_programme_officer_reads_ids(
    app: Flask, world: World
) -> None:
    page = chief(app, world).reads("/facility/LOWF")
    people = page.partition(" People ")[2].partition(" Solutions")[0]
    assert people.split()[0] == "Salome,"  # in-charge first
    assert "Neema, nurse, 07:00-19:00" in people
    assert "Juma, supervisor" in people

    ids = reader(app, world.parts, "programme", "*").reads("/facility/LOWF")
    assert "P4, in-charge" in ids
    assert "Salome" not in ids


def test_a_solution_stands_there_until_it_is_poured_away(world: World) -> None:
    over = NOW + timedelta(hours=2)
    made = Reminder("R1", "solution", "P1", NOW - timedelta(hours=1), over,
                    {"percent": "0.5", "over": over.isoformat()})  # fmt: skip
    hurt = Reminder("R2", "blood", "P2", NOW, over)
    unit = replace(Unit(place(world, "LOWF")), reminders={"R1": made, "R2": hurt})

    assert page_of(world, unit).solutions == (
        "0.5 %, made 10:00 by Neema, to be poured away 13:00",)
    past = replace(made, facts={"percent": "0.5", "over": (NOW - timedelta(hours=1)).isoformat()})
    [words] = page_of(world, replace(unit, reminders={"R1": past})).solutions or ()
    assert words.endswith("10:00 PAST ITS TIME")


def test_a_failed_spore_test_stops_the_autoclave_in_words(world: World) -> None:
    high = Unit(place(world, "HIGH"))
    assert page_of(world, high).spores == ("No test was ever told.",)
    assert page_of(world, Unit(place(world, "LOWF"))).spores == ()  # it has no autoclave

    failed = replace(high, spores=Spores(good_since=NOW - timedelta(days=9), failed_at=NOW))
    first, second = page_of(world, failed).spores or ()
    assert "FAILED (said 11:00): the autoclave is stopped" in first
    assert second == "The last good test was of 22 Feb 2025."


def test_a_load_leads_to_its_record(app: Flask, world: World) -> None:
    release_bag(world)
    raw = chief(app, world).opens("/facility/HIGH").text
    assert f'href="/desk/load/{world.batch("BAG-5").id}"' in raw


def test_shift_checks_say_whether_they_were_done_and_what_was_found(world: World) -> None:
    done: dict[str, object] = {
        "slot": NOW, "at": NOW + timedelta(minutes=5), "by": "P1", "done": True, "gap": 1,
        "sets": ["BAG-1:well", "SUC-1:open"], "uses_said": 3, "uses_counted": 2,
    }  # fmt: skip
    missed: dict[str, object] = {"slot": NOW, "at": None, "by": "", "done": False, "gap": None,
                                 "sets": [], "uses_said": None, "uses_counted": 0}  # fmt: skip
    page = page_of(world, Unit(place(world, "LOWF")), checks=[done, missed])

    assert page.checks == (
        "Of 11:00: done 11:05 by Neema. Found SUC-1 open. Uses said 3, counted 2.",
        "Of 11:00: NOT DONE.",
    )


def test_the_checks_of_the_store_come_to_the_page(app: Flask, world: World) -> None:
    release_bag(world)
    assert "Shift checks None is on record." in chief(app, world).reads("/facility/HIGH")
    texts(world, "Imani", "CHECK", "1")
    page = reader(app, world.parts, "in_charge", "HIGH").reads("/facility/HIGH")

    assert "Between the times: done 11:37 by Imani. All sets well." in page


def test_the_protocol_says_whether_it_is_confirmed_and_the_papers_are_a_step_away(
    app: Flask, world: World
) -> None:
    desk = chief(app, world)
    assert "for training: not confirmed" in desk.reads("/facility/LOWF")
    raw = desk.opens("/facility/LOWF").text
    for path in ("/desk/card/LOWF", "/desk/paper/LOWF", "/desk/label?facility=LOWF"):
        assert f'href="{path}"' in raw
        assert desk.client.get(path).status_code == 200


def test_every_way_on_the_page_leads_somewhere(app: Flask, world: World) -> None:
    busy(world)
    desk = chief(app, world)
    for path in ("", "/facility/HIGH", "/facility/LOWF", "/alerts", "/papers"):
        for target in set(re.findall(r'href="(/desk/[^"]*)"', desk.opens(path).text)):
            if target not in ("/desk/register", "/desk/messages"):
                assert desk.client.get(target.replace("&amp;", "&")).status_code == 200, target


def test_a_facility_of_others_is_as_one_that_is_not_there(app: Flask, world: World) -> None:
    low = reader(app, world.parts, "in_charge", "LOWF")
    refused, missing = low.opens("/facility/HIGH"), low.opens("/facility/NONE")
    assert (refused.status_code, missing.status_code) == (404, 404)
    assert without_key(refused.text) == without_key(missing.text)
