"""The monthly report as a PDF: pages that open, with the words that it should hold, whatever a name
is made of."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest

from bot.report_parts import Report, Section, Table
from bot.report_pdf import pdf
from bot.store import Store
from flows.indicators import INDICATORS
from tests.bot.report_stand import MARCH, Pdf, fill, reports

# Latin beyond Latin-1, Greek, Cyrillic, Ethiopic, a letter that the font lacks, marks that turn the
# direction, what a PDF's own language is made of.
NAME = "Čaďčić Ωμέγα Жизнь \N{CJK UNIFIED IDEOGRAPH-98A8} \u202e(a) Tj \\) << /JS (x) >> {nb}"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Report]:
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('pdf') / 'store.db'}")
    fill(store, name=NAME)
    yield reports(store).make(MARCH, "TAM")
    store.close()


@pytest.fixture(scope="module")
def raw(report: Report) -> bytes:
    return pdf(report)


@pytest.fixture(scope="module")
def pages(raw: bytes) -> list[str]:
    return Pdf(raw).pages


def together(text: str) -> str:
    """*text* without what a line's end may add or take away."""
    return re.sub(r"\s+", "", text)


def test_every_word_of_the_report_is_on_a_page(report: Report, pages: list[str]) -> None:
    words = together(" ".join(pages))

    assert 3 <= len(pages) <= 12
    for section in report.sections:
        assert together(section.title) in words
    assert together("In 9 of 33 batches that ended a step was missed (27 %).") in words
    for one in INDICATORS:
        assert together(one.name) in words
    assert "LOWF" in words


def test_the_caution_and_the_page_stand_at_every_foot(report: Report, pages: list[str]) -> None:
    for number, page in enumerate(pages, 1):
        assert together(report.caution) in together(page)
        assert page.endswith(f"Page {number} of {len(pages)}")


def test_a_heading_never_stands_alone_at_the_end_of_a_page(
    report: Report, pages: list[str]
) -> None:
    foot = f"{report.caution} {report.title}"

    for section in report.sections:
        assert not any(f"{section.title} {foot}" in page for page in pages)


def test_the_words_of_pictures_are_words(pages: list[str]) -> None:
    words = " ".join(pages)

    assert "batches with a step missed, of all that ended" in words  # above the control chart
    assert "99.8 %" in words  # a limit of the funnel


def test_letters_of_any_name_are_there_and_do_nothing(raw: bytes, pages: list[str]) -> None:
    words = together(" ".join(pages))

    assert "ČaďčićΩμέγαЖизнь" in words
    assert "(a)Tj\\)<</JS(x)>>" in words
    assert not re.search(rb"/(JS|JavaScript|Launch|URI|OpenAction /?S)\b", raw)


def test_it_is_said_in_english_with_a_title_and_words_for_its_pictures(
    report: Report, raw: bytes
) -> None:
    described = sum(1 for _ in report.pictures)

    assert re.search(rb"/Lang \(en\)", raw)
    assert raw.count(b"/Alt (") == described
    assert raw.count(b"/Type /Outlines") == 1


def test_the_same_report_is_the_same_file(report: Report, raw: bytes) -> None:
    assert pdf(report) == raw


def test_nothing_of_it_is_logged(report: Report, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        pdf(report)

    assert [r for r in caplog.records if r.levelno >= logging.WARNING] == []
    assert "Čaďčić" not in caplog.text


def test_a_table_longer_than_a_page_goes_on_with_its_head(report: Report) -> None:
    long = Table("Long", ("Place", "Number"), tuple((f"Row {n}", str(n)) for n in range(120)),
                 (70, 30))  # fmt: skip
    pages = Pdf(pdf(replace(report, sections=(Section("All", (long,)),)))).pages

    assert len(pages) > 2
    assert all("Place Number" in page for page in pages)
    words = " ".join(pages)
    assert all(f"Row {n} {n}" in words for n in range(120))
