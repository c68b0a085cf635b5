"""What a facility has to mix with: measures, the soak container, stock; all or nothing, kindly."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot.errors import RegisterError
from bot.register import Register
from bot.register_files import COLUMNS, read_register
from bot.rows_stock import as_if_new, measure_words, measures
from bot.site import Bottle
from flows.measures import Measure
from flows.strengths import Stock

if TYPE_CHECKING:
    from bot.store import Store

DEMO = Path(__file__).parents[1] / "register"
HEADER = "id,facility,product,form,strength,unit,opened,celsius\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in (*COLUMNS, "stock"):
        shutil.copy(DEMO / f"{name}.csv", tmp_path)
    return tmp_path


def stocked(folder: Path, *lines: str) -> Register:
    (folder / "stock.csv").write_text(HEADER + "\n".join(lines) + "\n", encoding="utf-8")
    return read_register(folder, None)


def problems(folder: Path, *lines: str) -> list[str]:
    with pytest.raises(RegisterError) as caught:
        stocked(folder, *lines)
    return caught.value.problems


def test_a_row_is_a_bottle_of_its_facility(folder: Path) -> None:
    register = stocked(folder, "LOWF-9,LOWF,calcium-hypochlorite,powder,65,%,2026-03-01,31.5")

    low = next(s for s in register.sites() if s.id == "LOWF")
    stock = Stock("calcium hypochlorite", "powder", 65, "%")
    assert low.stock == (Bottle("LOWF-9", stock, date(2026, 3, 1), 31.5),)
    assert next(s for s in register.sites() if s.id == "HIGH").stock == ()


def test_what_nobody_knows_is_not_taken_for_fresh_or_cool(folder: Path) -> None:
    register = stocked(folder, "B-1,LOWF,bleach,liquid,12,degrees,,")

    [item] = register.stock
    assert (item.bottle.opened, item.bottle.celsius) == (None, None)


def test_a_register_from_before_has_neither_file_nor_column(folder: Path) -> None:
    (folder / "stock.csv").unlink()
    path = folder / "facilities.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0].endswith("protocol,soak_ml,checks,least_ready")
    path.write_text("\n".join(line.rsplit(",", 3)[0] for line in lines), encoding="utf-8")

    register = read_register(folder, None)

    assert register.stock == ()
    assert {f.soak_ml for f in register.facilities} == {0}


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("B-1,LOWF,bleach,liquid,much,%,,", "strength"),
        ("B-1,LOWF,bleach,liquid,nan,%,,", "strength"),
        ("B-1,LOWF,bleach,liquid,25,%,,", "more than such a product can hold"),
        ("B-1,LOWF,bleach,liquid,3,g-chlorine,,", "not given in"),
        ("B-1,LOWF,vinegar,liquid,3,%,,", "product"),
        ("B-1,LOWF,bleach,gas,3,%,,", "form"),
        ("B-1,LOWF,bleach,liquid,3,%,1 May,", "a day is written"),
        ("B-1,LOWF,bleach,liquid,3,%,,200", "how warm"),
        ("B-1,NOWHERE,bleach,liquid,3,%,,", "there is no NOWHERE"),
        (",LOWF,bleach,liquid,3,%,,", "id"),
    ],
)
def test_what_cannot_be_is_named_with_its_line(folder: Path, line: str, wrong: str) -> None:
    [problem] = problems(folder, line)

    assert problem.startswith("stock.csv line 2: ")
    assert wrong in problem


def test_the_same_id_twice_and_too_many_for_the_list_are_named(folder: Path) -> None:
    twice = [f"B-1,LOWF,bleach,liquid,{n},%,," for n in (3, 4)]
    assert any("the same on lines 2, 3" in p for p in problems(folder, *twice))

    many = [f"B-{n},LOWF,bleach,liquid,{n + 1},%,," for n in range(6)]
    assert any("more than 5 of LOWF" in p for p in problems(folder, *many))


def test_measures_are_read_and_written() -> None:
    text = "jug:1000:50 spoon:4:4:g"

    found = measures(text)

    assert found == (Measure("jug", 1000, 50), Measure("spoon", 4, 4, "g"))
    assert measures(measure_words(found)) == found
    assert measures("") == ()


@pytest.mark.parametrize(
    "cell",
    ["jug", "jug:1000", "jug:big:50", "jug:50:1000", "jug:0:0", "jug:1000:50:litres",
     "pill:1:1:tablet", "jug:1000:50 jug:500:10", "jug:inf:1", "9:10:1"],
)
def test_measures_that_cannot_be_are_refused_with_a_sentence(cell: str) -> None:
    with pytest.raises(ValueError, match=r"(?i)measure|step"):
        measures(cell)


def test_the_store_gives_back_what_it_was_given(store: Store) -> None:
    register = read_register(DEMO, None)

    store.save_register(register)

    assert store.load_register() == register


def test_a_register_put_in_the_place_of_another_leaves_nothing_of_it(
    store: Store, folder: Path
) -> None:
    store.save_register(read_register(DEMO, None))

    fewer = stocked(folder, "B-1,LOWF,bleach,liquid,3.5,%,,")
    store.save_register(fewer)

    assert store.load_register() == fewer


def test_the_cupboard_of_a_demonstration_keeps_its_distances() -> None:
    """LOWF-4 is 193 days older than LOWF-1, by the calendar, whenever the demonstration runs."""
    aged = {
        h.bottle.id: h.bottle.opened
        for h in as_if_new(read_register(DEMO, None).stock, date(2030, 1, 1))
    }

    assert aged["LOWF-1"] == date(2030, 1, 1)
    assert aged["LOWF-4"] == date(2030, 1, 1) - (date(2026, 11, 10) - date(2026, 5, 1))
    assert aged["LOWF-2"] is None
