"""`soakbell counts`: the numbers of the store, of what each is, who was silent; broken totals."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, update

from bot import cli_counts
from bot.audit import COMMAND, lines
from bot.cli import main
from bot.cli_counts_shown import shown, told_of
from bot.clock import utc_now
from bot.count_queries import CountFilter
from bot.figure import Figure
from bot.figures import counts
from bot.store import Store
from bot.total_tables import TOTALS
from flows.batch import Batch, Entry
from flows.indicators import BY_ID, INDICATORS
from tests.bot.store_stand import (
    START,
    OpenStore,
    batch,
    closed,
    demo_register,
    ready,
    record,
)

DAY = "2025-03-03"  # of START, at the facility as in UTC
Said = pytest.CaptureFixture[str]


def cut_short() -> Batch:
    """A batch that was set aside after its soak was broken off."""
    ended = closed("LOWF-9", "set aside")
    n = len(ended.log)
    return ended.with_entry(Entry(n, START, "interrupted", "soak", "P1", mark="exposure_started"))


def filled(kept: Store) -> Store:
    """Three batches READY at LOWF and one with a soak cut short; HIGH never said anything."""
    kept.migrate()
    kept.save_register(demo_register())
    done = [closed(f"LOWF-{n}") for n in range(3)]
    kept.record([*(record(b, ready(b)) for b in done), record(cut_short())])
    return kept


@pytest.fixture
def settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> pytest.MonkeyPatch:
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("SOAKBELL_DATA", str(tmp_path))
    return monkeypatch


@pytest.fixture
def store(settings: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Store]:
    kept = filled(Store(f"sqlite:///{tmp_path / 'soakbell.db'}"))
    yield kept
    kept.close()


def ask(capsys: Said, *words: str, ends: int = 0) -> str:
    assert main(["counts", *words]) == ends
    return capsys.readouterr().out


# ---- what is shown -----------------------------------------------------------------------------


def test_every_number_is_that_of_the_figures(store: Store, capsys: Said) -> None:
    days = date(2025, 3, 1), date(2025, 3, 31)
    told = json.loads(ask(capsys, "--month", "2025-03", "--by", "facility", "--all", "--json"))

    with store.database.read() as connection:
        wanted = CountFilter(since=days[0], until=days[1], by=("facility",))
        known = counts(connection, wanted, utc_now())
    found = {(r["facility"], r["indicator"]): (r["numerator"], r["denominator"], r["value"])
             for r in told["rows"]}
    for group in known.groups:
        for one in INDICATORS:
            figure = group.indicators[one.id]
            assert found.pop((group.keys["facility"], one.id)) == (
                figure.numerator, figure.denominator, figure.value)
    assert found == {}
    assert (told["expected"], told["silent"]) == (["HIGH", "LOWF"], ["HIGH"])


def test_a_table_has_numerator_and_denominator_and_who_was_silent(
    store: Store, capsys: Said
) -> None:
    said = ask(capsys, "--from", DAY, "--to", DAY, "--indicator", "released")

    assert [line.split() for line in said.splitlines()] == [
        ["indicator", "value", "of"],
        ["Released", "of", "ended", "75.0", "%", "3", "of", "4"],
        ["1", "of", "2", "facilities", "did", "not", "report:", "HIGH"],
    ]


def test_nothing_to_divide_by_is_no_zero_and_what_is_not_told_is_neither(
    store: Store, capsys: Said
) -> None:
    said = ask(capsys, "--from", DAY, "--to", DAY, "--indicator", "checks",
               "--indicator", "use_to_ready_median", "--indicator", "recalls")

    rows = [line.split() for line in said.splitlines()]
    assert ["Shift", "checks", "done", "-", "0", "of", "0"] in rows
    assert ["Recalls", "0"] in rows
    assert ["Use", "to", "READY,", "median", "?"] in rows
    assert "of the whole months" in said
    told = json.loads(ask(capsys, "--from", DAY, "--to", DAY, "--json", "--indicator",
                          "use_to_ready_median"))
    assert told["rows"][0]["denominator"] is None


def test_steps_that_were_missed_stand_beside_the_batches_that_they_are_of(
    store: Store, capsys: Said
) -> None:
    words = ("--by", "stage", "--by", "reason")

    assert ask(capsys, *words).splitlines()[1].split() == ["soak", "shortened", "1", "4", "25.0"]
    [row] = csv.DictReader(io.StringIO(ask(capsys, *words, "--csv")))
    assert row == {"stage": "soak", "reason": "shortened", "n": "1", "of": "4"}
    assert "nothing counted" in ask(capsys, "--reason", "test", "--by", "stage")


def test_a_narrow_place_loses_nothing(
    store: Store, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    wide = ask(capsys, "--all")
    monkeypatch.setenv("COLUMNS", "30")
    narrow = ask(capsys, "--all")

    table = [line for line in narrow.splitlines() if "nothing" not in line and "report" not in line]
    assert max(map(len, table)) <= 30
    assert sorted("".join(narrow.split())) == sorted("".join(wide.split()))
    assert len(narrow.splitlines()) > len(wide.splitlines())
    assert "\x1b" not in narrow


def test_a_place_that_nobody_registered_is_named(store: Store, capsys: Said) -> None:
    assert "not in the register: NOPE" in ask(capsys, "--facility", "NOPE")


@pytest.mark.parametrize(
    ("name", "figure", "told"),
    [
        ("released", Figure(indicator="", place="", since=START.date(), until=START.date(),
                            numerator=1, denominator=3, value=1 / 3), ("33.3 %", "1 of 3")),
        ("early", Figure(indicator="", place="", since=START.date(), until=START.date(),
                         numerator=3, denominator=2, value=1.5), ("1.50", "3 of 2")),
        ("use_to_wipe_p90", Figure(indicator="", place="", since=START.date(), until=START.date(),
                                   numerator=12, denominator=7, value=12), ("12 min", "7 times")),
        ("completeness", Figure(indicator="", place="", since=START.date(), until=START.date(),
                                numerator=None), ("?", "? of ?")),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)  # fmt: skip
def test_a_value_in_words(name: str, figure: Figure, told: tuple[str, str]) -> None:
    assert (shown(BY_ID[name], figure), told_of(BY_ID[name], figure)) == told


# ---- when --------------------------------------------------------------------------------------


def test_days_are_the_facilities_own(store: Store, capsys: Said) -> None:
    late = START.replace(hour=22, minute=30)  # the next day already where LOWF is
    store.record([record(closed("LOWF-20", at=late))])

    for first, number in ((DAY, 4), ("2025-03-04", 1)):
        told = json.loads(ask(capsys, "--from", first, "--to", first, "--json",
                              "--indicator", "released"))
        assert told["rows"][0]["denominator"] == number


def test_the_last_weeks_end_today(
    store: Store, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    for days, number in ((27, 4), (28, 0)):
        now = START + timedelta(days=days)
        monkeypatch.setattr(cli_counts, "utc_now", lambda now=now: now)
        told = json.loads(ask(capsys, "--last", "4w", "--json", "--indicator", "released"))
        assert [row["denominator"] for row in told["rows"]] == [number]


@pytest.mark.parametrize("words", [
    ("--last", "4w", "--month", "2025-03"), ("--from", DAY, "--last", "3d"),
    ("--from", "2025-03-04", "--to", DAY), ("--by", "stage", "--indicator", "released"),
], ids=" ".join)  # fmt: skip
def test_words_that_contradict_each_other_end_with_2(
    store: Store, capsys: Said, words: tuple[str, ...]
) -> None:
    assert ask(capsys, *words, ends=2) == ""


@pytest.mark.parametrize("words", [
    ("--by", "weather"), ("--last", "0d"), ("--last", "4y"), ("--last", "99999w"),
    ("--month", "2025-13"), ("--indicator", "luck"), ("--reason", "rain"), ("--json", "--csv"),
    ("--check", "--mend"),
], ids=" ".join)  # fmt: skip
def test_words_that_mean_nothing_end_with_2(capsys: Said, words: tuple[str, ...]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["counts", *words])
    assert ended.value.code == 2


# ---- definitions -------------------------------------------------------------------------------


def test_the_list_says_of_what_each_indicator_is(capsys: Said) -> None:
    said = ask(capsys, "--list")
    for one in INDICATORS:
        assert f"{one.id}: {one.name}\n  {one.sentence}\n" in said
        assert one.left_out in said
        assert one.why in said
    told = json.loads(ask(capsys, "--list", "--json", "--indicator", "missed"))
    assert told["indicators"][0]["denominator"].endswith("less batches that were begun by mistake")


# ---- the totals --------------------------------------------------------------------------------


def test_true_totals_are_said_to_be_so(store: Store, capsys: Said) -> None:
    assert ask(capsys, "--check") == "the totals are what 4 rows add up to\n"
    assert ask(capsys, "--mend") == "the totals are what 4 rows add up to\n"
    with store.database.read() as connection:
        assert lines(connection) == []


def _break(store: Store) -> None:
    month, days = TOTALS["measures"]["month"], TOTALS["measures"]["day"]
    with store.database.write() as connection:
        connection.execute(update(month).where(month.c.facility == "LOWF", month.c.batches > 0)
                           .values(released=month.c.released + 5))
        connection.execute(days.delete())


def test_broken_totals_are_found_shown_and_mended_once(
    settings: pytest.MonkeyPatch, open_store: OpenStore, store_url: str, capsys: Said
) -> None:
    settings.setenv("SOAKBELL_STORE_URL", store_url)
    store = filled(open_store())
    store.record([record(batch("LOWF-30"))])
    with store.database.read() as connection:
        before = connection.execute(select(TOTALS["measures"]["day"])).all()
    _break(store)

    told = json.loads(ask(capsys, "--check", "--json", ends=1))
    here = {"district": "TAM", "month": "2025-03", "facility": "LOWF", "method": "chlorine"}
    assert {"table": "measures_by_month", "key": here, "measure": "released", "kept": 8,
            "counted": 3} in told["differ"]
    assert {d["kept"] for d in told["differ"] if d["table"] == "measures_by_day"} == {0}
    assert told["rows"] == 5
    said = ask(capsys, "--check", ends=1)
    assert "measures_by_month" in said
    assert "--mend" in said

    assert "were counted anew from 5 rows" in ask(capsys, "--mend")

    assert ask(capsys, "--check") == "the totals are what 5 rows add up to\n"
    with store.database.read() as connection:
        assert connection.execute(select(TOTALS["measures"]["day"])).all() == before
        [line] = lines(connection)
    assert (line.who, line.what, line.detail["differed"]) == (
        COMMAND, "totals.mended", len(told["differ"]))
