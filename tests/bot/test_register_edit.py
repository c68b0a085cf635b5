"""One row of the register by hand: the same rules as the files, the other rows untouched."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bot.register import Register
from bot.register_edit import (
    TABLES,
    Difference,
    RowRefused,
    cells_of,
    differences,
    owner,
    put,
    remove,
    tables,
)
from bot.register_files import Parsed
from bot.rows import Reader, Row
from tests.bot.store_stand import demo_register


@pytest.fixture
def register() -> Register:
    return demo_register()


def typed(register: Register, table: str, row_id: str, **cells: str) -> dict[str, str]:
    found = cells_of(register, table, row_id)
    assert found
    return {**found, **cells}


def wrong(register: Register, table: str, row_id: str, **cells: str) -> dict[str, str]:
    with pytest.raises(RowRefused) as refused:
        put(register, table, row_id, typed(register, table, row_id, **cells))
    return refused.value.problems


def test_the_cells_read_again_are_the_register(register: Register) -> None:
    reader = Reader()
    rows = {name: [Row(name, n, c) for n, c in enumerate(found)]
            for name, found in tables(register).items()}  # fmt: skip
    assert Parsed(reader, rows, None).register() == register
    assert reader.problems == []
    assert {n: tuple(r[0]) for n, r in tables(register).items()} == TABLES


def test_a_row_saved_as_it_is_changes_nothing(register: Register) -> None:
    for table, rows in tables(register).items():
        for row in rows:
            assert put(register, table, row["id"], row) == register


def test_a_changed_row_is_the_only_difference(register: Register) -> None:
    after = put(register, "facilities", "LOWF", typed(register, "facilities", "LOWF",
                                                      name="Low  Ferry Post"))  # fmt: skip
    first = cells_of(register, "facilities", "LOWF")
    assert first
    assert differences(register, after) == [
        Difference("facilities", "LOWF", "changed", {"name": (first["name"], "Low Ferry Post")})]


def test_the_id_of_a_row_stays(register: Register) -> None:
    after = put(register, "sets", "BAG-1", typed(register, "sets", "BAG-1", id="BAG-99"))
    assert after == register


def test_a_row_is_added_in_its_order(register: Register) -> None:
    cells = {"id": "bag-9", "facility": "lowf", "model": "bag-sil"}
    after = put(register, "sets", "", cells)
    assert after.sets == tuple(sorted(after.sets, key=lambda s: s.id))
    [added] = differences(register, after)
    assert (added.kind, added.id) == ("added", "BAG-9")
    assert added.cells == {"facility": ("", "LOWF"), "model": ("", "BAG-SIL")}


@pytest.mark.parametrize(("table", "row_id", "cells", "problems"), [
    ("sets", "BAG-1", {"facility": "NONE"}, {"facility": "there is no NONE in the register"}),
    ("facilities", "HIGH", {"autoclave": ""}, {"autoclave": "its type is needed, gravity or "
                                               "prevacuum"}),
    ("facilities", "HIGH", {"altitude_m": "up", "zone": "X"}, {
        "altitude_m": "an altitude is a number of metres", "zone": "no such time zone"}),
    ("people", "P1", {"phone": "12"}, {"phone": "not a phone number"}),
    ("people", "P1", {"phone": "+12025550105"}, {
        "phone": "somebody else in the register has this number"}),
    ("people", "P1", {"place": "TAM"}, {"place": "there is no TAM in the register"}),
    ("people", "P4", {"role": "nurse"}, {
        "role": "she is the only in-charge of LOWF: name another first"}),
    ("stock", "LOWF-1", {"strength": "0"}, {
        "strength": "the strength on the label: a number from 0.001 to 1e+06"}),
])  # fmt: skip
def test_each_cell_that_cannot_be_so_has_its_sentence(
    register: Register, table: str, row_id: str, cells: dict[str, str], problems: dict[str, str]
) -> None:
    assert wrong(register, table, row_id, **cells) == problems


def test_an_id_is_there_once(register: Register) -> None:
    with pytest.raises(RowRefused) as refused:
        put(register, "people", "", {"id": "P1", "name": "X", "phone": "+12025550150",
                                     "role": "nurse", "place": "LOWF", "language": "en"})
    assert refused.value.problems == {"id": "another row has this id"}


def test_a_row_that_is_gone_is_not_saved(register: Register) -> None:
    cells = typed(register, "sets", "BAG-1")
    after = remove(register, "sets", "BAG-1")
    with pytest.raises(RowRefused, match="not in the register any more"):
        put(after, "sets", "BAG-1", cells)
    with pytest.raises(RowRefused, match="not in the register any more"):
        remove(after, "sets", "BAG-1")


@pytest.mark.parametrize("table", ["districts", "facilities", "models"])
def test_what_others_refer_to_is_not_taken_out_by_hand(register: Register, table: str) -> None:
    with pytest.raises(RowRefused):
        remove(register, table, tables(register)[table][0]["id"])


def test_the_only_in_charge_is_not_removed(register: Register) -> None:
    with pytest.raises(RowRefused, match="only in-charge of LOWF"):
        remove(register, "people", "P4")
    assert len(remove(register, "people", "P1").people) == len(register.people) - 1


def test_a_row_elsewhere_that_breaks_a_later_rule_is_neither_rewritten_nor_in_the_way(
    register: Register,
) -> None:
    old = replace(register.people[1].person, phone="+19")
    before = replace(register, people=(register.people[0], replace(register.people[1], person=old),
                                       *register.people[2:]))  # fmt: skip
    after = put(before, "people", "P1", typed(before, "people", "P1", name="Ada"))
    assert after.people[1].person == old
    assert [d.id for d in differences(before, after)] == ["P1"]


def test_no_difference_shows_a_phone(register: Register) -> None:
    after = put(register, "people", "P1", typed(register, "people", "P1", phone="+12025550177"))
    [changed] = differences(register, after)
    assert changed.cells == {"phone": ("a number", "another number")}
    [gone] = differences(register, remove(register, "people", "P1"))
    assert gone.cells["phone"] == ("a number", "")


def test_where_a_row_belongs(register: Register) -> None:
    def of(table: str, row_id: str) -> tuple[str, str]:
        return owner(register, table, typed(register, table, row_id))

    assert of("districts", "TAM") == ("TAM", "")
    assert of("facilities", "LOWF") == of("people", "P1") == of("sets", "BAG-1") == ("TAM", "LOWF")
    assert of("stock", "HIGH-1") == ("TAM", "HIGH")
    assert of("people", "P8") == ("TAM", "")
    assert of("models", "BAG-SIL") == ("", "")
