"""When a facility checks its sets, what must be READY there, who works when: read and refused."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot.errors import RegisterError
from bot.register import Register
from bot.register_files import COLUMNS, read_register
from bot.rows_shift import least_ready, least_words
from bot.site import Person, Site

if TYPE_CHECKING:
    from bot.store import Store

DEMO = Path(__file__).parents[2] / "bot" / "demo"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in (*COLUMNS, "stock"):
        shutil.copy(DEMO / f"{name}.csv", tmp_path)
    return tmp_path


def changed(folder: Path, name: str, row_id: str, **cells: str) -> Register:
    """The register with other *cells* in one row."""
    path = folder / f"{name}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    rows = [{**row, **(cells if row["id"] == row_id else {})} for row in rows]
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)
    return read_register(folder, None)


def site(register: Register, site_id: str) -> Site:
    return next(s for s in register.sites() if s.id == site_id)


def person(register: Register, person_id: str) -> Person:
    return next(m.person for m in register.people if m.person.id == person_id)


def test_a_facility_has_the_times_and_the_least_of_its_row(folder: Path) -> None:
    register = changed(
        folder, "facilities", "LOWF", checks="06:30 14:00 22:15", least_ready="bag:2 suction:1"
    )

    low = site(register, "LOWF")
    assert low.checks == ("06:30", "14:00", "22:15")
    assert low.least_ready == (("bag", 2), ("suction", 1))


def test_a_facility_that_says_nothing_is_asked_nothing(folder: Path) -> None:
    low = site(changed(folder, "facilities", "LOWF", checks="", least_ready=""), "LOWF")

    assert (low.checks, low.least_ready) == ((), ())


@pytest.mark.parametrize(
    ("cells", "wrong"),
    [
        ({"checks": "7:00"}, "checks: a time of day is written 07:00"),
        ({"checks": "24:00"}, "checks: a time of day"),
        ({"checks": "07:60"}, "checks: a time of day"),
        ({"checks": "07:00,19:00"}, "checks: a time of day"),
        ({"checks": "19:00 07:00"}, "checks: each time once, the earliest first"),
        ({"checks": "07:00 07:00"}, "checks: each time once"),
        ({"checks": "00:00 01:00 02:00 03:00 04:00 05:00 06:00"}, "checks: at most 6"),
        ({"least_ready": "mask:1"}, "least_ready: written bag:1"),
        ({"least_ready": "bag"}, "least_ready: written bag:1"),
        ({"least_ready": "bag:0"}, "least_ready: written bag:1"),
        ({"least_ready": "bag:21"}, "least_ready: written bag:1"),
        ({"least_ready": "bag:1:1"}, "least_ready: written bag:1"),
        ({"least_ready": "bag:-1"}, "least_ready: written bag:1"),
        ({"least_ready": "bag:1 bag:2"}, "least_ready: a kind is there twice"),
    ],
)
def test_what_cannot_be_meant_is_refused(folder: Path, cells: dict[str, str], wrong: str) -> None:
    with pytest.raises(RegisterError) as caught:
        changed(folder, "facilities", "LOWF", **cells)

    assert [f"facilities.csv line 2: {wrong}" in p for p in caught.value.problems] == [True]


@pytest.mark.parametrize("shift", ["", "07:00-19:00", "19:00-07:00", "00:00-23:59"])
def test_a_person_works_when_her_row_says(folder: Path, shift: str) -> None:
    assert person(changed(folder, "people", "P1", shift=shift), "P1").shift == shift


@pytest.mark.parametrize("shift", ["day", "07:00", "7-19", "07:00-", "07:00-24:00", "07:00-07:00"])
def test_a_shift_that_is_none_is_refused(folder: Path, shift: str) -> None:
    with pytest.raises(RegisterError) as caught:
        changed(folder, "people", "P1", shift=shift)

    assert ["people.csv line 2: shift: a shift" in p for p in caught.value.problems] == [True]


def test_registers_from_before_have_none_of_these_columns(folder: Path) -> None:
    for name, more in (("facilities", 2), ("people", 1)):
        path = folder / f"{name}.csv"
        lines = path.read_text(encoding="utf-8").splitlines()
        path.write_text("\n".join(x.rsplit(",", more)[0] for x in lines), encoding="utf-8")

    register = read_register(folder, None)

    assert {(f.checks, f.least_ready) for f in register.facilities} == {((), ())}
    assert {m.person.shift for m in register.people} == {""}


def test_what_must_be_ready_is_written_as_it_is_read() -> None:
    assert least_words(least_ready("suction:1 bag:2")) == "suction:1 bag:2"


def test_the_store_keeps_them(folder: Path, store: Store) -> None:
    register = changed(folder, "facilities", "HIGH", checks="00:00 23:59", least_ready="bag:20")

    store.save_register(register)
    loaded = store.load_register()

    assert loaded == register
    assert site(loaded, "HIGH").checks == ("00:00", "23:59")
    assert site(loaded, "HIGH").least_ready == (("bag", 20),)
    assert person(loaded, "P2").shift == "19:00-07:00"
