"""The register at the desk: who sees and changes what, two at one row, files, the trail."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from flask.testing import FlaskClient
from werkzeug.datastructures import MultiDict
from werkzeug.test import TestResponse

from bot import audit
from bot.accounts import AccountRole
from bot.register import Register
from bot.register_csv import file_of, read_files
from bot.register_edit import TABLES, cells_of, tables
from bot.store import SetFilter
from bot.wiring import Parts, announce
from tests.bot.desk_stand import As, form_key
from tests.bot.store_stand import batch, demo_register

if TYPE_CHECKING:
    from tests.conftest import FakeClock

NUMBER = re.compile(r"\+?1?2025550\d{3}")
NEEMA, NEW = "+12025550101", "+12025550177"


def typed(page: str) -> MultiDict[str, str]:
    """What a browser would send of the page's form, untouched."""
    form = page.partition('name="mark"')
    assert form[1], "the page has no form of a row"
    body = form[0].rpartition("<form")[2] + form[1] + form[2].partition("</form>")[0]
    found: MultiDict[str, str] = MultiDict()
    for tag in re.findall(r"<input[^>]*>", body):
        facts = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        if facts.get("type") != "checkbox" or " checked" in tag:
            found.add(facts["name"], facts.get("value", ""))
    for name, options in re.findall(r'<select[^>]* name="(\w+)"[^>]*>(.*?)</select>', body):
        chosen = re.findall(r'<option value="([^"]*)" selected', options)
        found.add(name, chosen[0] if chosen else re.findall(r'value="([^"]*)"', options)[0])
    return found


def save(client: FlaskClient, path: str, page: str = "", **cells: Any) -> TestResponse:
    form = typed(page or client.get(path).text)
    for name, value in cells.items():
        form.setlist(name, value if isinstance(value, list) else [value])
    return client.post(path, data=form)


def trail(parts: Parts) -> list[audit.Line]:
    with parts.store.database.read() as connection:
        return [n for n in audit.lines(connection) if n.what.startswith("register.")]


def person(register: Register, person_id: str) -> Any:
    return next(m.person for m in register.people if m.person.id == person_id)


# ---- who sees what ------------------------------------------------------------------------------


@pytest.mark.parametrize(("role", "place", "seen"), [
    ("administrator", "*", {"LOWF", "HIGH"}),
    ("programme", "TAM", {"LOWF", "HIGH"}),
    ("programme", "OTH", set()),
    ("supervisor", "TAM", {"LOWF", "HIGH"}),
    ("supervisor", "OTH", set()),
    ("in_charge", "LOWF", {"LOWF"}),
])  # fmt: skip
def test_everybody_sees_the_rows_of_her_place(
    log_in_as: As, role: AccountRole, place: str, seen: set[str]
) -> None:
    client = log_in_as(role, place)
    found = re.findall(r'/register/facilities/row/(\w+)"',
                       client.get("/desk/register/facilities").text)
    assert set(found) >= seen
    assert bool(found) == bool(seen)
    for facility in ("LOWF", "HIGH"):
        status = client.get(f"/desk/register/facilities/row/{facility}").status_code
        assert status == (200 if facility in seen else 404)


def test_no_page_but_the_form_shows_a_phone_and_that_to_two_roles(log_in_as: As) -> None:
    for role, place, shown in (("administrator", "*", True), ("supervisor", "TAM", True),
                               ("programme", "*", False), ("in_charge", "LOWF", False)):
        client = log_in_as(role, place)
        for path in ("", "/people", "/sets", "/facilities", "/stock", "/models"):
            assert not NUMBER.search(client.get(f"/desk/register{path}").text)
        form = client.get("/desk/register/people/row/P1").text
        assert bool(NUMBER.search(form)) == shown
        assert "Neema" in form


def test_every_page_is_small_and_its_fields_are_labelled(log_in_as: As) -> None:
    client = log_in_as("administrator")
    rows = [f"/{t}/row/{tables(demo_register())[t][0]['id']}" for t in TABLES]
    for path in ["", "/files", *(f"/{t}" for t in TABLES), *(f"/{t}/new" for t in TABLES), *rows]:
        page = client.get(f"/desk/register{path}")
        assert page.status_code == 200, path
        assert len(page.data) < 60_000
        labelled = set(re.findall(r'<label for="([^"]+)"', page.text))
        ids = set(re.findall(r'<(?:input|select)[^>]* id="([^"]+)"', page.text))
        assert ids == labelled
        described = {w for v in re.findall(r'aria-describedby="([^"]+)"', page.text)
                     for w in v.split()}
        assert described <= set(re.findall(r' id="([^"]+)"', page.text))


# ---- one row ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [f"/desk/register/{t}/row/{rows[0]['id']}"
                                  for t, rows in tables(demo_register()).items()])
def test_a_form_sent_back_untouched_changes_nothing(
    parts: Parts, log_in_as: As, path: str
) -> None:
    before = parts.store.load_register()
    assert save(log_in_as("administrator"), path).status_code == 303
    assert parts.store.load_register() == before
    assert trail(parts) == []


def test_a_change_is_in_the_store_the_conversations_and_the_trail(
    parts: Parts, log_in_as: As
) -> None:
    client = log_in_as("supervisor", "TAM")
    answer = save(client, "/desk/register/facilities/row/HIGH", altitude_m="2150.5",
                  methods=["boiling", "autoclave"])  # fmt: skip
    assert (answer.status_code, answer.location) == (303, "/desk/register/facilities?done=saved")

    kept = next(f for f in parts.store.load_register().facilities if f.id == "HIGH")
    assert (kept.altitude_m, kept.methods) == (2150.5, ("boiling", "autoclave"))
    unit = parts.service.sessions.unit("HIGH")
    assert unit
    assert (unit.site.altitude_m, unit.site.methods) == (2150.5, ("boiling", "autoclave"))
    [line] = trail(parts)
    assert (line.who, line.what, line.about, line.district) == (
        "supervisor.tam", "register.facilities.changed", "HIGH", "TAM")  # fmt: skip
    assert line.detail["altitude_m"] == ["2000", "2150.5"]
    assert line.detail["methods"][1] == "boiling autoclave"
    assert set(line.detail) == {"altitude_m", "methods"}


def test_what_is_wrong_is_said_beside_the_field_and_at_the_top_and_what_was_typed_stays(
    parts: Parts, log_in_as: As
) -> None:
    before = parts.store.load_register()
    client = log_in_as("administrator")
    answer = save(client, "/desk/register/facilities/row/HIGH", zone="Mars", altitude_m="up",
                  name="New name")  # fmt: skip
    assert answer.status_code == 400
    assert '<a href="#zone">Time zone</a>: no such time zone' in answer.text
    assert '<strong id="w-altitude_m">an altitude is a number of metres</strong>' in answer.text
    for kept in ('value="Mars"', 'value="up"', 'value="New name"'):
        assert kept in answer.text
    assert (parts.store.load_register(), trail(parts)) == (before, [])


def test_a_protocol_that_no_batch_may_go_by_is_refused(parts: Parts, log_in_as: As) -> None:
    answer = save(log_in_as("administrator"), "/desk/register/facilities/row/HIGH",
                  protocol="none-such")  # fmt: skip
    assert answer.status_code == 400
    assert "no batch may go by this protocol" in answer.text


def test_two_people_at_one_row_the_second_is_told_and_may_save_again(
    parts: Parts, log_in_as: As
) -> None:
    path = "/desk/register/people/row/P1"
    one, two = log_in_as("administrator"), log_in_as("supervisor", "TAM")
    page = two.get(path).text
    assert save(one, path, name="Nia").status_code == 303

    answer = save(two, path, page, name="Nora")
    assert answer.status_code == 409
    assert "Name: Nia (you have: Nora)" in answer.text
    assert person(parts.store.load_register(), "P1").name == "Nia"

    assert save(two, path, answer.text).status_code == 303
    assert person(parts.store.load_register(), "P1").name == "Nora"


def test_a_row_that_was_removed_meanwhile_is_not_made_again(parts: Parts, log_in_as: As) -> None:
    client = log_in_as("administrator")
    path = "/desk/register/sets/row/BAG-1"
    page = client.get(path).text
    save(client, f"{path}/out")
    assert client.post(path, data=typed(page)).status_code == 404
    assert cells_of(parts.store.load_register(), "sets", "BAG-1") is None


def test_a_programme_officer_changes_a_person_without_seeing_her_phone(
    parts: Parts, log_in_as: As
) -> None:
    client = log_in_as("programme")
    path = "/desk/register/people/row/P1"
    assert save(client, path, name="Nia").status_code == 303
    assert person(parts.store.load_register(), "P1").phone == NEEMA
    assert save(client, path, phone=NEW).status_code == 303
    assert person(parts.store.load_register(), "P1").phone == NEW
    assert parts.redis.get(f"sb:phone:{NEW}") == b"LOWF"
    assert parts.redis.get(f"sb:phone:{NEEMA}") is None
    assert NUMBER.search(str(trail(parts))) is None
    assert trail(parts)[0].detail == {"phone": ["a number", "another number"]}


def test_a_phone_of_somebody_else_is_refused_without_saying_whose(log_in_as: As) -> None:
    answer = save(log_in_as("supervisor", "TAM"), "/desk/register/people/row/P1",
                  phone="+12025550105")  # fmt: skip
    assert answer.status_code == 400
    assert "somebody else in the register has this number" in answer.text
    assert "Imani" not in answer.text


def test_a_person_is_added_and_may_write_at_once(parts: Parts, log_in_as: As) -> None:
    client = log_in_as("supervisor", "TAM")
    answer = save(client, "/desk/register/people/new", id="p77", name="Ada", phone=NEW,
                  role="nurse", place="LOWF", language="en")  # fmt: skip
    assert answer.status_code == 303
    assert person(parts.store.load_register(), "P77").name == "Ada"
    unit = parts.service.sessions.unit("LOWF")
    assert unit
    assert unit.site.person(NEW)
    [line] = trail(parts)
    assert (line.what, line.about) == ("register.people.added", "P77")
    assert line.detail["phone"] == ["", "a number"]


def test_a_new_set_begins_as_used(parts: Parts, log_in_as: As, clock: FakeClock) -> None:
    answer = save(log_in_as("in_charge", "LOWF"), "/desk/register/sets/new", id="BAG-77",
                  facility="LOWF", model="BAG-SIL")  # fmt: skip
    assert answer.status_code == 303
    rows = parts.store.sets(SetFilter(facility="LOWF"), clock()).rows
    assert next(r for r in rows if r["id"] == "BAG-77")["condition"] == "USED"


@pytest.mark.parametrize(("role", "place", "path", "cells"), [
    ("in_charge", "LOWF", "sets/new", {"id": "BAG-77", "facility": "HIGH", "model": "BAG-SIL"}),
    ("in_charge", "LOWF", "sets/row/BAG-1", {"facility": "HIGH"}),
    ("supervisor", "TAM", "people/row/P1", {"place": "FARF"}),
])  # fmt: skip
def test_nothing_is_moved_to_where_she_may_not_look(
    parts: Parts, log_in_as: As, role: AccountRole, place: str, path: str, cells: dict[str, str]
) -> None:
    register = demo_register()
    far = replace(register.facilities[0], id="FARF", district="OTH")
    other = replace(register.districts[0], id="OTH")
    announce(parts, replace(register, districts=(*register.districts, other),
                            facilities=(*register.facilities, far)))  # fmt: skip
    before = parts.store.load_register()
    assert save(log_in_as(role, place), f"/desk/register/{path}", **cells).status_code == 403
    assert parts.store.load_register() == before
    assert trail(parts) == []


@pytest.mark.parametrize(("role", "place", "path"), [
    ("in_charge", "LOWF", "people/row/P1"),
    ("in_charge", "LOWF", "facilities/row/LOWF"),
    ("supervisor", "TAM", "models/row/BAG-SIL"),
    ("programme", "TAM", "models/row/BAG-SIL"),
])  # fmt: skip
def test_who_may_only_look_gets_no_form_and_saves_nothing(
    parts: Parts, log_in_as: As, role: AccountRole, place: str, path: str
) -> None:
    client, whole = log_in_as(role, place), log_in_as("administrator")
    page = client.get(f"/desk/register/{path}").text
    assert 'name="mark"' not in page
    assert "does not change it" in page
    form = typed(whole.get(f"/desk/register/{path}").text)
    form["csrf"] = form_key(page)
    form["id"] = "X"
    before = parts.store.load_register()
    assert client.post(f"/desk/register/{path}", data=form).status_code == 403
    assert parts.store.load_register() == before


@pytest.mark.parametrize("path", ["models/new", "districts/new", "facilities/new"])
def test_a_supervisor_adds_no_places_and_models(log_in_as: As, path: str) -> None:
    assert log_in_as("supervisor", "TAM").get(f"/desk/register/{path}").status_code == 403


# ---- out of the register ------------------------------------------------------------------------


def test_a_person_is_removed_after_a_look_at_what_it_means(parts: Parts, log_in_as: As) -> None:
    client = log_in_as("supervisor", "TAM")
    unit = parts.service.sessions.unit("LOWF")
    assert unit
    held = replace(batch("LOWF-9"), holder="P1")
    parts.redis.hset("sb:unit:LOWF", "batch:LOWF-9", msgspec.json.encode(held))
    path = "/desk/register/people/row/P1/out"
    page = client.get(path).text
    assert "She holds LOWF-9" in page
    assert not NUMBER.search(page)

    answer = save(client, path, page)
    assert answer.location == "/desk/register/people?done=gone"
    assert cells_of(parts.store.load_register(), "people", "P1") is None
    assert parts.redis.get(f"sb:phone:{NEEMA}") is None
    assert [(n.what, n.about) for n in trail(parts)] == [("register.people.removed", "P1")]


def test_what_changed_since_the_look_is_not_taken_out(parts: Parts, log_in_as: As) -> None:
    one, two = log_in_as("administrator"), log_in_as("supervisor", "TAM")
    page = two.get("/desk/register/people/row/P1/out").text
    save(one, "/desk/register/people/row/P1", name="Nia")
    assert save(two, "/desk/register/people/row/P1/out", page).status_code == 409
    assert person(parts.store.load_register(), "P1").name == "Nia"


def test_the_only_in_charge_stays(parts: Parts, log_in_as: As) -> None:
    answer = save(log_in_as("administrator"), "/desk/register/people/row/P4/out")
    assert answer.status_code == 400
    assert "only in-charge of LOWF" in answer.text


@pytest.mark.parametrize("path", ["facilities/row/LOWF/out", "models/row/BAG-SIL/out"])
def test_what_others_refer_to_is_not_offered(log_in_as: As, path: str) -> None:
    assert log_in_as("administrator").get(f"/desk/register/{path}").status_code == 403


def test_without_the_conversations_nothing_is_saved(parts: Parts, log_in_as: As) -> None:
    client = log_in_as("administrator")
    page = client.get("/desk/register/people/row/P1").text
    server = parts.redis.connection_pool.connection_kwargs["server"]
    server.connected = False
    assert save(client, "/desk/register/people/row/P1", page, name="Nia").status_code == 503
    server.connected = True
    assert person(parts.store.load_register(), "P1").name == "Neema"


# ---- files --------------------------------------------------------------------------------------


def exported(client: FlaskClient) -> dict[str, str]:
    answer = client.get("/desk/register/files/register.zip")
    assert answer.status_code == 200
    with zipfile.ZipFile(io.BytesIO(answer.data)) as archive:
        return {n.removesuffix(".csv"): archive.read(n).decode() for n in archive.namelist()}


def bring(client: FlaskClient, **files: str) -> TestResponse:
    key = form_key(client.get("/desk/register/files").text)
    data: dict[str, Any] = {t: (io.BytesIO(text.encode()), f"{t}.csv") for t, text in files.items()}
    return client.post("/desk/register/files", data={**data, "csrf": key})


def confirm(client: FlaskClient, page: str) -> TestResponse:
    [key] = re.findall(r'name="key" value="(\w+)"', page)
    return client.post("/desk/register/files/confirm", data={"csrf": form_key(page), "key": key})


def test_what_goes_out_holds_no_phone_and_comes_in_as_the_same_register(
    parts: Parts, log_in_as: As
) -> None:
    client = log_in_as("programme")
    files = exported(client)
    assert set(files) == set(TABLES)
    assert not NUMBER.search("".join(files.values()))
    answer = bring(client, **files)
    assert "nothing would change" in answer.text
    kept = parts.store.load_register()
    assert read_files({t: f.encode() for t, f in files.items()}, kept, None) == kept


def test_a_cell_that_a_spreadsheet_would_run_comes_back_as_it_was() -> None:
    register = demo_register()
    first = replace(register.facilities[0], name="=HYPERLINK(1)", altitude_m=-10.0)
    odd = replace(register, facilities=(first, *register.facilities[1:]))
    text = file_of("facilities", tables(odd)["facilities"])
    assert ",=" not in text
    assert read_files({"facilities": text.encode()}, register, None) == odd


def test_one_district_goes_out_to_its_programme_officer_and_nothing_to_others(
    log_in_as: As,
) -> None:
    assert "LOWF" in exported(log_in_as("programme", "TAM"))["facilities"]
    assert "LOWF" not in exported(log_in_as("programme", "OTH"))["facilities"]
    for role, place in (("supervisor", "TAM"), ("in_charge", "LOWF")):
        client = log_in_as(role, place)
        assert client.get("/desk/register/files/register.zip").status_code == 403
        assert client.get("/desk/register/files/people.csv").status_code == 403
        assert client.get("/desk/register/files").status_code == 403


def test_files_are_looked_at_then_confirmed_and_only_then_change_the_register(
    parts: Parts, log_in_as: As
) -> None:
    client = log_in_as("programme")
    people = exported(client)["people"].replace("Neema", "Nia")
    people = "".join(line for line in people.splitlines(True) if not line.startswith("P2,"))
    people += f"P77,Ada,{NEW},nurse,HIGH,en,\r\n"
    before = parts.store.load_register()

    page = bring(client, people=people)
    assert page.status_code == 200
    for words in ("People: 1 changed", "People: 1 removed", "People: 1 added",
                  "Name Neema &rarr; Nia"):
        assert words in page.text
    assert not NUMBER.search(page.text)
    assert parts.store.load_register() == before
    assert trail(parts) == []

    assert confirm(client, page.text).status_code == 303
    after = parts.store.load_register()
    assert person(after, "P1").phone == NEEMA
    assert (person(after, "P1").name, person(after, "P77").phone) == ("Nia", NEW)
    assert cells_of(after, "people", "P2") is None
    assert after.sets == before.sets
    assert parts.redis.get(f"sb:phone:{NEW}") == b"HIGH"
    assert {(n.what, n.about) for n in trail(parts)} == {
        ("register.people.changed", "P1"), ("register.people.removed", "P2"),
        ("register.people.added", "P77")}  # fmt: skip
    assert NUMBER.search(str(trail(parts))) is None
    assert confirm(client, page.text).status_code == 409  # once


def test_phones_may_be_exchanged_by_a_file(parts: Parts, log_in_as: As) -> None:
    register = parts.store.load_register()
    first, second = person(register, "P1").phone, person(register, "P2").phone
    rows = [dict(row) for row in tables(register)["people"]]
    for row in rows:
        row["phone"] = {"P1": second, "P2": first}.get(row["id"], "")
    text = "\n".join([",".join(TABLES["people"]),
                      *(",".join(row[c] for c in TABLES["people"]) for row in rows)])  # fmt: skip
    client = log_in_as("administrator")
    page = bring(client, people=text).text
    assert confirm(client, page).status_code == 303
    after = parts.store.load_register()
    assert (person(after, "P1").phone, person(after, "P2").phone) == (second, first)


def test_what_was_looked_at_is_not_put_over_somebody_elses_change(
    parts: Parts, log_in_as: As
) -> None:
    client = log_in_as("programme")
    page = bring(client, sets=exported(client)["sets"] + "BAG-77,LOWF,BAG-SIL\r\n").text
    save(client, "/desk/register/people/row/P1", name="Nia")
    answer = confirm(client, page)
    assert answer.status_code == 409
    assert "somebody else has changed the register" in answer.text
    assert cells_of(parts.store.load_register(), "sets", "BAG-77") is None


def test_bad_files_are_told_row_by_row_and_change_nothing(parts: Parts, log_in_as: As) -> None:
    client = log_in_as("administrator")
    before = parts.store.load_register()
    answer = bring(client, sets="id,facility,model\nBAG-1,NONE,BAG-SIL\n",
                   people=f"id,name,phone,role,place,language\nP1,N,{NEW}9999,nurse,LOWF,en\n")
    assert answer.status_code == 400
    assert "sets.csv line 2: facility: there is no NONE in the register" in answer.text
    assert "people.csv line 2: phone: not a valid phone number" in answer.text
    assert NEW not in answer.text
    protocols = exported(client)["facilities"].replace("default", "none-such")
    assert "no batch may go by protocol none-such" in bring(client, facilities=protocols).text
    assert bring(client).status_code == 400
    assert parts.store.load_register() == before


def test_a_programme_officer_of_one_district_brings_nothing(log_in_as: As) -> None:
    assert log_in_as("programme", "TAM").get("/desk/register/files").status_code == 403


# ---- the trail ----------------------------------------------------------------------------------


def test_the_trail_is_of_ones_own_district_newest_first_by_pages(
    parts: Parts, log_in_as: As
) -> None:
    whole, other = log_in_as("administrator"), log_in_as("supervisor", "OTH")
    client = log_in_as("supervisor", "TAM")
    save(whole, "/desk/register/people/row/P1", name="Nia")
    with parts.store.database.write() as connection:
        for n in range(70):
            audit.note(connection, parts.service.clock(), "x", "message.retried", f"M{n}",
                       {"kind": "bell"}, district="TAM")  # fmt: skip
    first = client.get("/desk/audit")
    assert re.findall(r"message tried again (M\d+)", first.text) == [
        f"M{n}" for n in range(69, 9, -1)]
    assert len(first.data) < 60_000
    [older] = re.findall(r'href="(/desk/audit\?after=\d+)"', first.text)
    rest = client.get(older).text
    assert "administrator.all: person changed P1. Name: Neema \u2192 Nia" in rest
    assert "logged in" not in rest
    assert "logged in" in whole.get(f"{older}").text
    assert "None." in other.get("/desk/audit").text
    assert log_in_as("in_charge", "LOWF").get("/desk/audit").status_code == 403
    assert client.get("/desk/audit?after=x").status_code == 400
