"""The monthly report: its answers, its tables, what it leaves out; as a page, by the command."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from bot import cli_report
from bot.cli import main
from bot.figures import Counts
from bot.report import caution
from bot.report_html import html
from bot.report_parts import Report, Section
from bot.report_quality import Months, quality
from bot.store import Store
from flows.indicators import INDICATORS
from tests.bot.report_stand import APRIL_3, FEBRUARY, MARCH, fill, reports, said, table
from tests.nurse import PROTOCOLS

HOSTILE = "</title><script>alert(1)</script>\"'&{{ 7*7 }} Čaďčić \u202e ነፋስ 風"


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('report') / 'store.db'}")
    fill(store)
    yield store
    store.close()


@pytest.fixture(scope="module")
def report(filled: Store) -> Report:
    return reports(filled).make(MARCH, "TAM")


@pytest.fixture(scope="module")
def to_send(filled: Store) -> Report:
    return reports(filled).make(MARCH, "TAM", least=5)


# ---- what it says ------------------------------------------------------------------------------


def test_the_three_answers_are_told_with_what_each_is_of(report: Report) -> None:
    ready, missed, visit = report.summary

    assert "0 of" in ready
    assert missed.startswith("In 9 of 33 batches that ended a step was missed (27 %).")
    assert missed.endswith("In the month before it was 25 %.")
    assert "(LOWF)" in visit
    assert "(F02)" in visit
    assert "(HIGH)" not in visit


def test_every_indicator_has_numerator_denominator_and_the_month_before(report: Report) -> None:
    rows = table(report, "What is counted, of what")

    assert list(rows) == [one.name for one in INDICATORS]
    assert rows["A step missed"][:4] == ("27 %", "9", "33", "25 %")
    assert rows["Released of ended"][:4] == ("100 %", "33", "33", "100 %")
    assert rows["Completeness"][:4] == ("80 %", "4", "5", "20 %")
    assert rows["Use to READY, median"][:3] == ("1 h", "60", "33")
    assert all(row[4] for row in rows.values())


def test_who_did_not_report_is_named_and_no_zero(report: Report) -> None:
    words = said(report)

    assert "of 4 of 5 facilities in the register anything was heard in this month (80 %)" in words
    assert "number 02 (F02): Did not report in this time." in words
    assert table(report, "Time without a READY set, by facility")[
        "Upper Long Meadow Health Post number 02 (F02)"] == ("none heard", "0", "none")


def test_a_facilitys_month_is_held_against_its_own_earlier_ones(report: Report) -> None:
    rows = table(report, "Batches that ended, against earlier months")

    assert rows["Low Ferry Clinic (LOWF)"] == ("12", "4.0", "3.00", "fewer than 5 months")
    assert rows["High Cedar Maternity (HIGH)"][:3] == ("8", "none", "none")


def test_an_outlier_is_one_by_its_own_months(report: Report) -> None:
    # Mean 5, SD 1: 8 lies 3 SD away, 7 lies 2, 6 lies 1.
    usual = (4, 4, 4, 5, 6, 6, 6)
    months = Months({"A": 8, "B": 7, "C": 6}, dict.fromkeys("ABC", usual), None)
    blocks = quality(Counts((), (), ()), (), months, {"A": "Ash", "B": "Birch", "C": "Cedar"})
    words = said(replace(report, sections=(Section("", blocks),)))

    assert "Outliers: Ash (A) and Birch (B)." in words
    assert re.search(r"Ash \(A\) \| 8 \| 5.0 \| 1.60 \| extreme outlier", words)
    assert re.search(r"Birch \(B\) \| 7 \| 5.0 \| 1.40 \| moderate outlier", words)
    assert re.search(r"Cedar \(C\) \| 6 \| 5.0 \| 1.20 \| within", words)


def test_a_training_protocol_is_never_told_as_a_confirmed_one(report: Report) -> None:
    protocol = PROTOCOLS["default"]
    confirmed = replace(protocol, confirmed_by="Head of newborn care", confirmed_on=MARCH)

    assert report.caution.startswith("The numbers are for training")
    assert caution([confirmed]).startswith(f"{protocol.id} confirmed by Head of newborn care on")
    assert caution([confirmed, protocol]).startswith("The numbers are for training")
    assert caution([]).startswith("The numbers are for training")


def test_a_month_that_is_not_over_says_so(filled: Store, report: Report) -> None:
    early = reports(filled, APRIL_3 - timedelta(days=20)).make(MARCH, "TAM")

    assert early.title.endswith("March 2025, so far")
    assert report.title.endswith("March 2025")


@pytest.mark.parametrize(("month", "district"), [
    (date(2025, 5, 1), "TAM"), (date(1900, 1, 1), "TAM"), (MARCH, "NONE")])
def test_what_cannot_be_reported_is_refused(filled: Store, month: date, district: str) -> None:
    with pytest.raises(ValueError, match=r"month|district"):
        reports(filled).make(month, district)


def test_a_month_without_anything_is_a_report_all_the_same(filled: Store) -> None:
    words = said(reports(filled).make(date(2024, 12, 1), "TAM"))

    assert "No batch ended in this month." in words
    assert "Nothing was heard, so nobody knows" in words


# ---- what does not leave -----------------------------------------------------------------------


def test_what_leaves_tells_no_small_number_of_a_facility(report: Report, to_send: Report) -> None:
    here, sent = said(report), said(to_send)

    assert "In 9 of 33 batches that ended a step was missed" in sent
    assert "number 00 | 1 | 7 | 14 %" in here  # one batch of F00's
    assert "number 00 |" not in sent
    assert "8 of 12" in here  # and what would give it away, with the 9 of all
    assert "8 of 12" not in sent
    assert "| 8 | 12 |" not in sent


def test_what_leaves_tells_no_month_in_which_one_facility_was_alone(
    report: Report, to_send: Report
) -> None:
    assert "Feb 2025 | 4 | 4" in said(report)
    assert "Feb 2025" not in said(to_send)
    assert table(to_send, "What is counted, of what")["A step missed"][3] == "not told"


def test_a_report_of_few_facilities_has_no_picture_of_all(filled: Store) -> None:
    february = reports(filled).make(FEBRUARY, "TAM", least=5)

    assert "Pictures of the district are left out" in said(february)
    assert not any(name in said(february) for name in ("of 4 batches", "| 4 |"))


# ---- as a page ---------------------------------------------------------------------------------


def test_the_page_is_whole_and_asks_for_nothing_from_elsewhere(report: Report) -> None:
    page = html(report)

    assert "<script" not in page
    assert not re.search(r"(src|href)=[\"'](?!#)", page)
    assert not re.search(r"url\(", page)
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert len(re.findall("<svg ", page)) == len(list(report.pictures)) > 3
    for name in (one.name for one in INDICATORS):
        assert name in page


def test_names_that_are_meant_to_harm_are_letters(tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    fill(store, name=HOSTILE)
    page = html(reports(store).make(MARCH, "TAM"))
    store.close()

    assert "<script" not in page
    assert "alert(1)" in page  # it is there, as letters
    assert "7*7" in page
    assert "ነፋስ" in page
    assert "\u202e" not in page
    body = re.search(r"<main.*</main>", page, re.DOTALL)
    assert body
    ET.fromstring(body[0])  # noqa: S314  (our own page)


# ---- the command -------------------------------------------------------------------------------


@pytest.fixture
def folder(filled: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("SOAKBELL_STORE_URL", str(filled.database.engine.url))
    return tmp_path


def ask(*words: str, ends: int = 0) -> None:
    assert main(["report", "--month", "2025-03", "--district", "TAM", *words]) == ends


def test_the_command_writes_both_files_and_says_the_answers(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ask("--html", str(folder / "r.html"), "--pdf", str(folder / "r.pdf"), "--json")
    told = json.loads(capsys.readouterr().out)

    assert "In 9 of 33 batches" in told["summary"][1]
    assert sorted(p.name for p in folder.iterdir()) == ["r.html", "r.pdf"]
    assert "In 9 of 33 batches" in (folder / "r.html").read_text("utf-8")
    assert "| 8 | 12 |" not in (folder / "r.html").read_text("utf-8")


def test_files_to_send_are_without_small_numbers(folder: Path, report: Report) -> None:
    ask("--html", str(folder / "sent.html"), "--to-send")

    assert "8 of 12 batches" in html(report)
    assert "8 of 12 batches" not in (folder / "sent.html").read_text("utf-8")


def test_a_file_that_cannot_be_made_leaves_the_old_one_and_nothing_beside(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(_report: Report) -> bytes:
        raise OSError(28, "No space left on device")

    (folder / "r.html").write_text("old", "utf-8")
    monkeypatch.setattr(cli_report, "FORMATS", {**cli_report.FORMATS, "pdf": full})
    ask("--html", str(folder / "r.html"), "--pdf", str(folder / "r.pdf"), ends=2)

    assert "No space left" in capsys.readouterr().err
    assert {p.name: p.read_text("utf-8") for p in folder.iterdir()} == {"r.html": "old"}


def test_a_place_that_is_not_there_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ask("--pdf", str(folder / "none" / "r.pdf"), ends=2)

    assert "there is no folder" in capsys.readouterr().err
