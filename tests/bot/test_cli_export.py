"""`soakbell export`: the store's rows as Parquet and CSV, nobody in them, whole or not there."""

from __future__ import annotations

import csv
import glob
import io
import json
import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from bot import cli_export, exporting
from bot.cli import main
from bot.cli_export import export
from bot.exporting import BATCHES, STEPS, Wanted, pages
from bot.store import Store
from flows.batch import Batch, Entry
from tests.bot.store_stand import START, OpenStore, batch, closed, demo_register, ready, record

PHONE, PERSON, NAME = "+12025550142", "P1", "Asha Mwinyi"
HOSTILE = '=cmd|" /c"!A0, \n@x'
Said = pytest.CaptureFixture[str]


def planted(batch_id: str = "LOWF-7") -> Batch:
    """A batch in which people stand wherever they can, and some where they never should."""
    of = closed(batch_id, late=True, holder=NAME, opened_by=PERSON)
    log = (
        *of.log,
        Entry(4, START, "misunderstood", "soak", PERSON, "sms", f"{NAME} {PHONE}"),
        Entry(5, START, "handed", "soak", PERSON, "sms", "HAND", NAME.lower().split()[0]),
        Entry(6, START, "answered", "soak", PERSON, "sms", "1", PERSON, PHONE,
              facts={"who": NAME, "phone": PHONE}),
        Entry(7, START, "answered", NAME, PERSON, "sms", "1", PHONE, "BAG-1"),
        Entry(8, START, "taken_back", "soak", PERSON, "sms", "0", "washed", voids=3),
    )  # fmt: skip
    return replace(of, log=log)


def kept() -> list[Batch]:
    return [closed("LOWF-1"), planted(), batch("LOWF-8", opened_at=START + timedelta(days=40)),
            closed("X-1", facility="X", district="BAO", protocol=HOSTILE)]  # fmt: skip


def fill(store: Store) -> Store:
    store.migrate()
    store.save_register(demo_register())
    store.record([record(b, ready(b)) if b.id == "LOWF-1" else record(b) for b in kept()])
    return store


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Store]:
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("SOAKBELL_DATA", str(tmp_path))
    found = fill(Store(f"sqlite:///{tmp_path / 'soakbell.db'}"))
    yield found
    found.close()


def parquet(path: Path, columns: dict[str, Any]) -> list[dict[str, Any]]:
    """The rows of a file; times as microseconds, which no zone of this machine can move."""
    names = [f'epoch_us("{c}")' if kind == "time" else f'"{c}"' for c, kind in columns.items()]
    query = f"SELECT {', '.join(names)} FROM read_parquet(?)"  # noqa: S608
    found = duckdb.execute(query, [glob.escape(str(path))])
    return [dict(zip(columns, row, strict=True)) for row in found.fetchall()]


def plain_times(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{name: micros(v) if isinstance(v, datetime) else v for name, v in row.items()}
            for row in rows]  # fmt: skip


def micros(at: datetime) -> int:
    return (at - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


# ---- what is in the files ----------------------------------------------------------------------


def test_parquet_read_back_is_what_the_store_holds(
    open_store: OpenStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exporting, "PAGE", 3)  # more than one page
    store = fill(open_store())
    folder = tmp_path / "a [b] *c?"
    targets = {name: folder / f"{name}.parquet" for name in ("batches", "steps")}

    done = export(store, Wanted(), targets, "parquet", io.StringIO())

    rows = parquet(targets["batches"], dict(BATCHES))
    known = {b.id: b for b in kept()}
    assert [row["batch"] for row in rows] == ["LOWF-1", "LOWF-7", "X-1", "LOWF-8"]
    for row in rows:
        of, held = known[row["batch"]], store.batch(row["batch"])
        assert held
        assert row["opened_at"] == micros(of.opened_at)
        assert (row["closed_at"] is None) == (of.closed_at is None)
        assert (row["facility"], row["district"], row["method"], row["outcome"], row["segments"],
                row["late"], row["altitude_m"], row["steps"]) == (
            of.facility, of.district, of.method, of.outcome, of.segments, of.late, of.altitude_m,
            len(of.log))
        assert row["sets"].split() == held["sets"]
        assert row["missed"].split() == held["missed"]
        assert (row["use_to_wipe"], row["use_to_ready"]) == (
            held["use_to_wipe"], held["use_to_ready"])
    with store.database.read() as connection:
        told = list(pages(connection, Wanted()))
    assert len(told) == 2
    assert rows == plain_times([row for page in told for row in page.batches])
    steps = parquet(targets["steps"], dict(STEPS))
    assert steps == plain_times([row for page in told for row in page.steps])
    assert [s["seconds"] for s in steps if s["batch"] == "LOWF-1"] == [0, 60, 120, 180]
    assert {s["n"] for s in steps if s["batch"] == "LOWF-7" and not s["stands"]} == {3, 8}
    assert done == (4, sum(len(b.log) for b in known.values())) == (len(rows), len(steps))


def test_csv_says_the_same_as_parquet(store: Store, tmp_path: Path, capsys: Said) -> None:
    for form in ("csv", "parquet"):
        assert main(["export", str(tmp_path / "out"), "--format", form]) == 0

    rows = parquet(tmp_path / "out" / "steps.parquet", dict(STEPS))
    with (tmp_path / "out" / "steps.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert [(r["batch"], int(r["n"]), float(r["seconds"]), r["kind"], r["mark"],
             r["stands"] == "True") for r in found] == [
        (r["batch"], r["n"], r["seconds"], r["kind"], r["mark"], r["stands"]) for r in rows]


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_nobody_is_in_the_files(store: Store, tmp_path: Path, form: str) -> None:
    assert main(["export", str(tmp_path / "out"), "--format", form]) == 0

    found = []
    for name, columns in (("batches", BATCHES), ("steps", STEPS)):
        path = tmp_path / "out" / f"{name}.{form}"
        if form == "csv":
            with path.open(encoding="utf-8", newline="") as file:
                found += [cell for row in csv.reader(file) for cell in row]
        else:
            found += [str(v) for row in parquet(path, dict(columns)) for v in row.values()]
    assert "LOWF-7" in found
    assert "washed" in found
    for person in (PHONE, PHONE[1:], NAME, *NAME.split(), "asha", PERSON, "P2"):
        assert [cell for cell in found if person in cell.split()] == []
    assert [cell for cell in found if "2025550142" in cell] == []


def test_a_set_or_a_batch_that_is_called_by_a_number_is_not_told() -> None:
    [row] = list(exporting.step_rows(replace(batch(f"LOWF {PHONE}", entries=1))))
    assert PHONE[1:] not in str(row)


def test_hostile_words_do_nothing_in_a_spreadsheet(store: Store, tmp_path: Path) -> None:
    assert main(["export", str(tmp_path / "out.csv")]) == 0

    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as file:
        [row] = [r for r in csv.DictReader(file) if r["batch"] == "X-1"]
    assert row["protocol"] == f"'{HOSTILE}"
    assert not (tmp_path / "steps.csv").exists()


# ---- which ---------------------------------------------------------------------------------------


def test_days_are_the_facilities_own(open_store: OpenStore, tmp_path: Path) -> None:
    store = fill(open_store())
    evening = START.replace(hour=22)  # the next day in Dar es Salaam, not where nobody knows it
    late = [batch("LOWF-20", opened_at=evening), batch("X-2", facility="X", opened_at=evening)]
    store.record([record(b) for b in late])

    def told(**wanted: Any) -> set[str]:
        with store.database.read() as connection:
            return {row["batch"] for page in pages(connection, Wanted(**wanted))
                    for row in page.batches}  # fmt: skip

    day = date(2025, 3, 3)
    assert told(since=day, until=day) == {"LOWF-1", "LOWF-7", "X-1", "X-2"}
    assert told(since=day + timedelta(days=1)) == {"LOWF-20", "LOWF-8"}
    assert told(until=day, district=("BAO",)) == {"X-1"}


# ---- whole or not at all -------------------------------------------------------------------------


def test_what_fails_half_way_leaves_what_was_there(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Said
) -> None:
    folder = tmp_path / "out"
    assert main(["export", str(folder)]) == 0
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert set(before) == {"batches.parquet", "steps.parquet"}

    def broken(*_: object) -> Iterator[exporting.Page]:
        with store.database.read() as connection:
            yield next(pages(connection, Wanted()))
        raise OSError(28, "No space left on device")

    for form in ("parquet", "csv"):
        monkeypatch.setattr(cli_export, "pages", broken)
        assert main(["export", str(folder), "--format", form]) == 2
        assert "No space left" in capsys.readouterr().err
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_parquet_file_that_cannot_be_made_leaves_nothing(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Said
) -> None:
    monkeypatch.setitem(STEPS, "kind", "whole")

    assert main(["export", str(tmp_path / "out")]) == 2

    assert list((tmp_path / "out").iterdir()) == []
    assert "no Parquet file was made" in capsys.readouterr().err


def test_words_that_contradict_each_other_end_with_2(
    store: Store, tmp_path: Path, capsys: Said
) -> None:
    assert main(["export", str(tmp_path / "a.csv"), "--format", "parquet"]) == 2
    (tmp_path / "file").write_text("mine")
    assert main(["export", str(tmp_path / "file")]) == 2
    assert (tmp_path / "file").read_text() == "mine"
    assert capsys.readouterr().out == ""


def test_where_nobody_looks_nothing_but_the_result_is_said(
    store: Store, tmp_path: Path, capsys: Said
) -> None:
    assert main(["export", str(tmp_path / "out"), "--json", "--to", "2020-01-01"]) == 0

    said = capsys.readouterr()
    assert said.err == ""
    assert json.loads(said.out)["batches"] == 0
    assert parquet(tmp_path / "out" / "batches.parquet", dict(BATCHES)) == []


class _Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_on_a_terminal_it_says_how_far_it_is(store: Store, tmp_path: Path) -> None:
    screen = _Screen()

    export(store, Wanted(), {"batches": tmp_path / "b.csv"}, "csv", screen)

    assert "4/4" in screen.getvalue()
