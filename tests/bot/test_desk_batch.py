"""The story of a batch: its time line, its exposures, its alerts, what stands against it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from flask import Flask

from bot.desk_batch import batch_page
from bot.desk_said import Teller
from flows.release import findings
from tests.bot.desk_client import chief, reader
from tests.bot.desk_stand import without_key
from tests.bot.district_stand import (
    GIVEN_UP,
    QUESTION,
    SOAKING,
    WORDS,
    alert_of,
)
from tests.bot.release_stand import release_bag, texts
from tests.phone import World


def test_a_released_batch_tells_how_it_ended_what_it_cost_and_every_step(
    app: Flask, world: World
) -> None:
    release_bag(world)
    batch = world.batch("BAG-5")
    page = chief(app, world).reads(f"/batch/{batch.id}")

    assert "It ended 3 Mar 2025 11:36: released. BAG-5 READY until 10 Mar 2025 11:36." in page
    assert f"Cost {batch.segments} SMS segments" in page
    assert "Nothing in its log stands against READY." in page
    assert "11:03 Imani: At heat: answered “1”. On record: exposure." in page
    assert "Imani: Count for BAG-5: answered “7”. On record: count." in page
    assert page.index("Begins the batch") < page.index("The batch is over: released.")


def test_an_exposure_stands_beside_what_the_protocol_asks_for(app: Flask, world: World) -> None:
    """Wrapped load: 30 min at 121 C (the protocol's w121); 31 min passed by the clock here."""
    release_bag(world)
    page = chief(app, world).reads(f"/batch/{world.batch('BAG-5').id}")

    assert "autoclave 11:03 to 11:34 30 min of 30 min: long enough" in page


def test_one_that_runs_says_so_and_one_broken_off_does_not_count(
    app: Flask, world: World
) -> None:
    texts(world, "Baraka", *SOAKING)
    world.passes(timedelta(minutes=6))
    desk, batch = chief(app, world), world.batch("SUC-1").id
    assert "chlorine 11:01 to now 6 min of 20 min: still in" in desk.reads(f"/batch/{batch}")

    texts(world, "Baraka", "2", "1")  # it was opened: the soak begins again
    page = desk.reads(f"/batch/{batch}")
    assert "6 min of 20 min: broken off: does not count" in page
    assert "broken off: this exposure does not count." in page


def test_a_shorter_time_than_asked_for_is_called_too_short(world: World) -> None:
    """A log that claims a release after 29 of 30 minutes, as an edited one would."""
    release_bag(world)
    batch, site = world.batch("BAG-5"), next(s for s in world.register.sites() if s.id == "HIGH")
    start = next(e for e in batch.log if e.mark == "exposure_started")
    log = tuple(
        replace(e, at=start.at + timedelta(minutes=29), tick=None) if e.mark == "exposed" else e
        for e in batch.log
    )
    short, rules = replace(batch, log=log), world.parts.rules
    protocol = rules.protocol_of(batch)
    teller = Teller(world.parts.wording, rules.alerts, world.clock(), named=True)
    page = batch_page(short, site, protocol, [], teller)

    assert page.exposures[0].verdict == "TOO SHORT"
    assert len(page.against) == len(findings(short, protocol)) > 0
    unknown = batch_page(short, site, None, [], teller)
    assert "nothing can be judged" in unknown.against[0]
    assert unknown.exposures[0].verdict == "not judged"


def test_what_was_taken_back_stays_and_is_called_so(app: Flask, world: World) -> None:
    texts(world, "Neema", "BAG-1", "1", "1", "0")
    page = chief(app, world).reads(f"/batch/{world.batch('BAG-1').id}")

    assert "Wipe: answered “1”. On record: wipe. Taken back at 11:01: does not count." in page
    assert "Neema: Takes back Wipe of 11:01." in page
    assert "Step missing: wipe." in page


def test_alerts_and_the_answers_to_them_stand_in_their_place_in_time(
    app: Flask, world: World
) -> None:
    texts(world, "Neema", *GIVEN_UP)
    texts(world, "Juma", "4", QUESTION)
    code = alert_of(world, "step")
    texts(world, "Neema", f"{code} {WORDS}")
    page = chief(app, world).reads(f"/batch/{world.batch('BAG-1').id}")

    order = ["Begins the batch with BAG-1.", f"Alert {code}: BAG-1: a critical step",
             f"Alert {code}: Salome was told.", f"Alert {code}: Juma asks: “{QUESTION}”",
             f"Alert {code}: Neema answers: “{WORDS}”"]  # fmt: skip
    places = [page.index(words) for words in order]
    assert places == sorted(places)


def test_an_open_batch_is_as_fresh_as_the_last_answer(app: Flask, world: World) -> None:
    """The answer was taken; the store has not heard of it."""
    texts(world, "Neema", "BAG-1", "1")
    batch = world.batch("BAG-1").id
    form = {**world.last_sms, "text": "1", "id": "sms-fresh"}
    assert world.posts("sms", form).status_code == 200

    stored = world.parts.store.document(batch)
    assert stored is not None
    assert "wiped" not in [e.mark for e in stored.log]
    assert "On record: wipe." in chief(app, world).reads(f"/batch/{batch}")


def test_a_batch_that_the_store_never_heard_of_is_found(app: Flask, world: World) -> None:
    texts(world, "Neema", "STATUS")
    form = {**world.last_sms, "text": "BAG-1", "id": "sms-new"}
    assert world.posts("sms", form).status_code == 200
    batch = world.batch("BAG-1").id

    assert world.parts.store.document(batch) is None
    assert "It is still open." in chief(app, world).reads(f"/batch/{batch}")
    assert reader(app, world.parts, "in_charge", "HIGH").opens(f"/batch/{batch}").status_code == 404


def test_a_batch_from_paper_is_marked_so(world: World) -> None:
    release_bag(world)
    batch, site = world.batch("BAG-5"), next(s for s in world.register.sites() if s.id == "HIGH")
    late = replace(batch, late=True)
    rules = world.parts.rules
    teller = Teller(world.parts.wording, rules.alerts, world.clock(), named=True)

    facts = dict(batch_page(late, site, rules.protocol_of(batch), [], teller).facts)
    assert facts["LATE ENTRY"].startswith("told from paper afterwards")
    assert "LATE ENTRY" not in dict(
        batch_page(batch, site, rules.protocol_of(batch), [], teller).facts)  # fmt: skip


def test_practice_has_no_page(app: Flask, world: World) -> None:
    texts(world, "Neema", "PRACTISE", "1", "1")
    played = [b for u in world.units() for b in u.batches.values() if b.practice]
    assert played
    assert chief(app, world).opens(f"/batch/{played[0].id}").status_code == 404


def test_a_batch_of_others_is_as_one_that_is_not_there(app: Flask, world: World) -> None:
    release_bag(world)
    batch = world.batch("BAG-5").id
    hers = reader(app, world.parts, "in_charge", "HIGH")
    low = reader(app, world.parts, "in_charge", "LOWF")

    assert hers.opens(f"/batch/{batch}").status_code == 200
    refused, missing = low.opens(f"/batch/{batch}"), low.opens("/batch/HIGH-999")
    assert (refused.status_code, missing.status_code) == (404, 404)
    assert without_key(refused.text) == without_key(missing.text)


def test_a_programme_officer_reads_who_did_it_as_an_id(app: Flask, world: World) -> None:
    release_bag(world)
    page = reader(app, world.parts, "programme", "TAM").reads(f"/batch/{world.batch('BAG-5').id}")

    assert "P5: Begins the batch" in page
    assert "Imani" not in page


def test_a_log_without_end_is_shown_by_its_beginning_and_its_end(world: World) -> None:
    texts(world, "Neema", "BAG-1", "1")
    batch, site = world.batch("BAG-1"), next(s for s in world.register.sites() if s.id == "LOWF")
    first, last = batch.log[0], batch.log[-1]
    log = (first, *(replace(last, n=n, stage=f"x{n}") for n in range(1, 262)))
    rules = world.parts.rules
    teller = Teller(world.parts.wording, rules.alerts, world.clock(), named=True)
    lines = batch_page(replace(batch, log=log), site, None, [], teller).lines

    assert len(lines) == 201
    assert lines[50].what == "62 lines before this are left out here."
    assert lines[0].what == "Begins the batch with BAG-1."
    assert lines[-1].what.startswith("X261")
