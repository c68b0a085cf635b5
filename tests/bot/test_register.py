"""The register is read whole or not at all, and every wrong row is named."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bot.errors import RegisterError
from bot.register_files import COLUMNS, read_register

DEMO = Path(__file__).parents[1] / "register"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in (*COLUMNS, "stock"):
        shutil.copy(DEMO / f"{name}.csv", tmp_path)
    return tmp_path


# The columns that a row of these files may leave empty; tests of other columns leave them out.
EMPTY = {"facilities": ",,", "people": ","}


def add(folder: Path, name: str, *lines: str) -> None:
    with (folder / f"{name}.csv").open("a", encoding="utf-8") as file:
        file.writelines(f"{line}{EMPTY.get(name, '')}\n" for line in lines)


def problems(folder: Path, region: str | None = None) -> list[str]:
    with pytest.raises(RegisterError) as caught:
        read_register(folder, region)
    return caught.value.problems


def test_demo_register_has_two_sites_and_one_for_the_supervisor() -> None:
    high, low, district = read_register(DEMO, None).sites()

    assert (high.id, high.altitude_m, high.autoclave) == ("HIGH", 2000.0, "gravity")
    assert high.methods == ("chlorine", "boiling", "steaming", "autoclave")
    assert [s.id for s in high.sets] == ["BAG-5", "SUC-5", "SUC-6"]
    assert (low.id, low.altitude_m, low.zone) == ("LOWF", 300.0, "Africa/Dar_es_Salaam")
    assert [s.id for s in low.sets] == ["BAG-1", "BAG-2", "SUC-1", "SUC-2"]
    assert [s.pieces for s in low.sets] == [7, 6, 3, 2]
    assert low.sets[3].methods == ("chlorine",)
    assert [p.role for p in low.people] == ["nurse", "nurse", "nurse", "in_charge"]
    assert [p.role for p in low.supervisors] == ["supervisor"]
    assert (district.id, district.name) == ("district-TAM", "Tamarind Valley")
    assert district.zone == "Africa/Dar_es_Salaam"
    assert (district.sets, district.methods, district.people) == ((), (), ())
    assert low.supervisors == district.supervisors


def test_demo_phones_are_fiction_and_its_names_fit_a_text() -> None:
    register = read_register(DEMO, None)

    assert all(p.startswith("+120255501") and len(p) == 12 for p in register.phones())
    assert all(m.person.name.isalpha() and len(m.person.name) <= 10 for m in register.people)
    assert not register.warnings


def test_phones_lead_to_the_site_and_a_supervisor_to_her_district() -> None:
    phones = read_register(DEMO, None).phones()

    assert phones["+12025550101"] == "LOWF"
    assert phones["+12025550105"] == "HIGH"
    assert phones["+12025550108"] == "district-TAM"


def test_phone_without_plus_is_read_in_the_region(folder: Path) -> None:
    add(folder, "people", "P9,Asha,(202) 555-0109,nurse,LOWF,sw")

    member = read_register(folder, "US").people[-1]

    assert (member.person.phone, member.person.language) == ("+12025550109", "sw")
    assert problems(folder) == ["people.csv line 10: phone: not a phone number"]


def test_ids_are_read_in_upper_case(folder: Path) -> None:
    add(folder, "sets", "bag-9,lowf,bag-sil")

    assert "BAG-9" in [s.id for s in read_register(folder, None).sites()[1].sets]


def test_byte_order_mark_of_a_spreadsheet_is_no_part_of_the_header(folder: Path) -> None:
    path = folder / "districts.csv"
    path.write_text("\ufeff" + path.read_text(encoding="utf-8"), encoding="utf-8")

    assert read_register(folder, None) == read_register(DEMO, None)


@pytest.mark.parametrize(("name", "row", "reason"), [
    ("districts", "TAM,Again", "id: the same on lines 2, 3"),
    ("districts", "-X,Name", "id: an id is"),
    ("districts", "ABCDEFGHIJKLM,Name", "id: an id is"),
    ("districts", "OK,", "name: a name has 1 to 40"),
    ("districts", f"OK,{'x' * 41}", "name: a name has 1 to 40"),
    ("districts", "OK", "1 cells where the header has 2"),
    ("facilities", "F,Name,NONE,0,UTC,boiling,,,,", "district: there is no NONE"),
    ("facilities", "F,Name,TAM,9001,UTC,boiling,,,,", "altitude_m: an altitude is between"),
    ("facilities", "F,Name,TAM,-501,UTC,boiling,,,,", "altitude_m: an altitude is between"),
    ("facilities", "F,Name,TAM,nan,UTC,boiling,,,,", "altitude_m: an altitude is between"),
    ("facilities", "F,Name,TAM,high,UTC,boiling,,,,", "altitude_m: an altitude is a number"),
    ("facilities", "F,Name,TAM,0,Mars/Olympus,boiling,,,,", "zone: no such time zone"),
    ("facilities", "F,Name,TAM,0,../etc,boiling,,,,", "zone: no such time zone"),
    ("facilities", "F,Name,TAM,0,Africa,boiling,,,,", "zone: no such time zone"),
    ("facilities", "F,Name,TAM,0,,boiling,,,,", "zone: no such time zone"),
    ("facilities", "F,Name,TAM,0,UTC,boiling baking,,,,", "methods: at least one"),
    ("facilities", "F,Name,TAM,0,UTC,,,,,", "methods: at least one"),
    ("facilities", "F,Name,TAM,0,UTC,autoclave,,,,", "autoclave: its type is needed"),
    ("facilities", "F,Name,TAM,0,UTC,autoclave,pressure,,,", "autoclave: must be one of"),
    ("models", "M,mask,mask:1,boiling", "kind: must be one of: bag, suction"),
    ("models", "M,bag,bag:0,boiling", "pieces_list: a piece is written"),
    ("models", "M,bag,bag:-1,boiling", "pieces_list: a piece is written"),
    ("models", "M,bag,bag,boiling", "pieces_list: a piece is written"),
    ("models", "M,bag,,boiling", "pieces_list: a model has at least one piece"),
    ("models", "M,bag,bag:1,frying", "methods: at least one"),
    ("sets", "TOOLONG-9,LOWF,BAG-SIL", "id: a set id has at most 8"),
    ("sets", "BAG-5,LOWF,BAG-SIL", "id: the same on lines 6, 9"),
    ("sets", "S,NONE,BAG-SIL", "facility: there is no NONE"),
    ("sets", "S,LOWF,NONE", "model: there is no NONE"),
    ("people", "X,Name,+12025550101,nurse,HIGH,en", "phone: the same on lines 2, 10"),
    ("people", "X,Name,+1202555010,nurse,LOWF,en", "phone: not a valid phone number"),
    ("people", "X,Name,none,nurse,LOWF,en", "phone: not a phone number"),
    ("people", "X,Name,+12025550150,doctor,LOWF,en", "role: must be one of"),
    ("people", "X,Name,+12025550150,nurse,TAM,en", "place: there is no TAM"),
    ("people", "X,Name,+12025550150,supervisor,LOWF,en", "place: there is no LOWF"),
    ("people", "X,Name,+12025550150,nurse,LOWF,EN", "language: a language is"),
])
def test_bad_row_is_named_with_file_line_and_reason(
    folder: Path, name: str, row: str, reason: str
) -> None:
    last = len((folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()) + 1
    add(folder, name, row)

    found = problems(folder)

    assert any(p.startswith(f"{name}.csv line {last}: {reason}") for p in found), found


def test_every_problem_is_reported_at_once_and_no_phone_is_quoted(folder: Path) -> None:
    add(folder, "people", "P1,Neema,+12025550101,nurse,HIGH,en", "X,Y,+1202555,nurse,GONE,en")
    add(folder, "sets", "BAG-1,LOWF,NONE")

    found = problems(folder)

    assert len([p for p in found if p.startswith("people.csv line 10")]) == 2
    assert len([p for p in found if p.startswith("people.csv line 11")]) == 2
    assert len([p for p in found if p.startswith("sets.csv line 9")]) == 2
    assert "2025550101" not in " ".join(found)
    assert "1202555" not in " ".join(found)


@pytest.mark.parametrize(("header", "reason"), [
    ("id", "missing column(s): name"),
    ("id,name,colour", "unknown column(s): colour"),
    ("id,name,name", "repeated column(s): name"),
    ("", "missing column(s): id, name"),
])
def test_wrong_header_is_named(folder: Path, header: str, reason: str) -> None:
    (folder / "districts.csv").write_text(f"{header}\nTAM,Valley,x\n", encoding="utf-8")

    assert problems(folder) == [f"districts.csv line 1: {reason}"]


def test_unreadable_file_is_named_and_blames_no_row_that_refers_to_it(folder: Path) -> None:
    (folder / "districts.csv").unlink()
    (folder / "models.csv").write_bytes(b"id,kind,pieces_list,methods\nM,bag,\xff:1,boiling\n")
    add(folder, "people", "X,Name,+12025550150,doctor,LOWF,en")

    found = problems(folder)

    assert [p.split(":")[0] for p in found] == [
        "districts.csv", "models.csv", "people.csv line 10"]
    assert "is not UTF-8" in found[1]


@pytest.mark.parametrize("text", ['id,name\nTAM,"open\n', "id,name\nT\0M,Valley\n"])
def test_broken_csv_is_a_problem_and_no_crash(folder: Path, text: str) -> None:
    (folder / "districts.csv").write_text(text, encoding="utf-8")

    assert problems(folder)[0].startswith("districts.csv")


def test_empty_places_and_sets_that_no_method_suits_are_warnings(folder: Path) -> None:
    add(folder, "districts", "BAO,Baobab Plain")
    add(folder, "facilities", "NEW,New Post,BAO,10,UTC,steaming,,,,")
    add(folder, "sets", "SUC-9,NEW,SUC-PVC")

    register = read_register(folder, None)

    assert len(register.warnings) == 3
    assert "facility NEW has no people" in register.warnings
    assert any("district BAO has no supervisor" in w for w in register.warnings)
    assert any("set SUC-9" in w for w in register.warnings)
