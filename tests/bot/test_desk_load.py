"""The record of an autoclave load, from batches that people brought there by SMS."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
import requests

from bot.desk_load import LoadRecord, load_record
from flows.batch import Batch
from tests.bot.desk_stand import PASSWORD, form_key, make_account, without_key
from tests.bot.release_stand import BAG, release_bag, texts
from tests.bot.store_stand import demo_register
from tests.conftest import Connect, FakeClock
from tests.phone import World


@pytest.fixture
def world(connect: Connect, clock: FakeClock, tmp_path: Path) -> Iterator[World]:
    with World(demo_register(), clock, tmp_path, connect()) as made:
        yield made


def page(world: World, batch_id: str, name: str = "desk", word: str = "demo") -> requests.Response:
    """The record's page, asked for over HTTP by whoever logs in as *name*."""
    return read(world, f"/load/{batch_id}", name, word)


def read(world: World, path: str, name: str = "desk", word: str = "demo") -> requests.Response:
    with requests.Session() as browser:
        key = form_key(browser.get(f"{world.url}/desk/login", timeout=30).text)
        typed = {"csrf": key, "name": name, "password": word, "next": f"/desk{path}"}
        return browser.post(f"{world.url}/desk/login", typed, timeout=30)


def recorded(world: World, batch: Batch) -> LoadRecord | None:
    return load_record(batch, world.parts.rules.protocol_of(batch), "UTC", world.parts.wording)


def test_a_released_load_has_every_field_of_its_record(world: World) -> None:
    release_bag(world)
    answer = page(world, world.batch("BAG-5").id)

    assert answer.status_code == 200
    # What Imani texted: load 41, 122 C, 130 kPa, 31 min; HIGH lies 2000 m up.
    for said in ("gravity", "HIGH", "41", "BAG-5", "122 C", "130 kPa", "31 min", "2000 m",
                 "wrapped", "changed", "Cooled and dry", "Released on"):  # fmt: skip
        assert said in answer.text
    assert "Verdict: accepted" in answer.text
    listed = read(world, "/papers").text
    assert f"/desk/load/{world.batch('BAG-5').id}" in listed
    assert "Imani" not in answer.text
    assert world.phones["Imani"].number.lstrip("+") not in answer.text


def test_a_load_under_way_is_not_accepted_and_not_decided(world: World) -> None:
    texts(world, "Imani", "BAG-5", *BAG)
    record = recorded(world, world.batch("BAG-5"))

    assert record is not None
    assert not record.accepted
    assert record.decision.startswith("Not decided yet")
    assert dict(record.fields)["Temperature read"] == "not on record"


def test_a_load_whose_pressure_was_too_low_says_what_was_read_and_why_not(world: World) -> None:
    """15 psi (103 kPa) at 2000 m is 117.4 C: IAPWS-IF97 and ISO 2533."""
    texts(world, "Imani", "BAG-5", *BAG)
    world.passes(timedelta(minutes=30))
    texts(world, "Imani", "1", "122 103 31")
    record = recorded(world, world.batch("BAG-5"))

    assert record is not None
    assert not record.accepted
    fields = dict(record.fields)
    assert fields["Pressure read"].startswith("103 kPa")
    assert "does not count" in fields["Pressure read"]
    assert any("117 C" in reason for reason in record.reasons)


def test_a_released_load_that_the_log_does_not_prove_is_not_accepted(world: World) -> None:
    release_bag(world)
    batch = world.batch("BAG-5")
    log = tuple(
        replace(e, facts={**e.facts, "value": 103}) if e.mark == "read_pressure" else e
        for e in batch.log
    )
    record = recorded(world, replace(batch, log=log))
    unknown = load_record(batch, None, "UTC", world.parts.wording)

    assert record is not None
    assert not record.accepted
    assert "must not be used" in record.decision
    assert unknown is not None
    assert not unknown.accepted


def test_a_batch_that_is_none_or_saw_no_autoclave_has_no_record(world: World) -> None:
    assert page(world, "HIGH-999").status_code == 404

    texts(world, "Neema", "BAG-1", "1")
    assert recorded(world, world.batch("BAG-1")) is None


def test_only_who_sees_the_facility_sees_the_record_of_its_load(world: World) -> None:
    release_bag(world)
    batch_id = world.batch("BAG-5").id
    make_account(world.parts, "high", "in_charge", "HIGH")
    make_account(world.parts, "low", "in_charge", "LOWF")

    assert page(world, batch_id, "high", PASSWORD).status_code == 200
    refused = page(world, batch_id, "low", PASSWORD)
    assert refused.status_code == 404
    missing = page(world, "HIGH-999", "low", PASSWORD)
    assert without_key(refused.text) == without_key(missing.text)
