"""The monthly report at the desk: who reads which, as a page and as a PDF."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from bot.wiring import Parts
from tests.bot.desk_stand import As
from tests.bot.report_stand import APRIL_3, fill

if TYPE_CHECKING:
    from tests.conftest import FakeClock


@pytest.fixture
def _at_work(parts: Parts, clock: FakeClock) -> None:
    clock.now = APRIL_3
    fill(parts.store)


@pytest.mark.usefixtures("_at_work")
def test_whoever_sees_a_district_reads_its_report(log_in_as: As) -> None:
    hers = log_in_as("supervisor", "TAM").get("/desk/report")  # her district, the last month
    asked = log_in_as("programme").get("/desk/report?month=2025-03&district=TAM")

    for answer in (hers, asked):
        assert answer.status_code == 200
        assert "(TAM), March 2025</h1>" in answer.text
        assert "In 9 of 33 batches" in answer.text
        assert "/desk/report.pdf?month=2025-03&amp;district=TAM" in answer.text
        assert len(answer.data) < 60_000
        assert "+1202555" not in answer.text
        assert "Neema" not in answer.text


def test_what_is_not_hers_is_not_there(log_in_as: As) -> None:
    for client, asked in (
        (log_in_as("supervisor", "BAO"), "?district=TAM"), (log_in_as("in_charge", "LOWF"), ""),
        (log_in_as("in_charge", "LOWF", "2"), "?district=TAM"),
        (log_in_as("programme", "BAO"), "?district=TAM"),
        (log_in_as("administrator"), "?district=NONE"),
    ):  # fmt: skip
        assert client.get(f"/desk/report{asked}").status_code == 404
        assert client.get(f"/desk/report.pdf{asked}").status_code == 404


def test_a_month_that_cannot_be_is_told_kindly(log_in_as: As) -> None:
    client = log_in_as("supervisor", "TAM")

    for month in ("2025-13", "soon", "2025-05", "0001-01", "9999-12"):
        page = client.get(f"/desk/report?month={month}")
        assert page.status_code == 400
        assert 'role="alert"' in page.text
        assert client.get(f"/desk/report.pdf?month={month}").status_code == 400


@pytest.mark.usefixtures("_at_work")
def test_it_comes_as_a_pdf_too(log_in_as: As) -> None:
    answer = log_in_as("supervisor", "TAM").get("/desk/report.pdf?month=2025-03")

    assert answer.mimetype == "application/pdf"
    assert answer.data.startswith(b"%PDF-")
    assert 'filename="report-2025-03-TAM.pdf"' in answer.headers["Content-Disposition"]
    assert answer.headers["Cache-Control"] == "no-store"
