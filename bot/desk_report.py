"""The monthly report at the desk, as a page and as a PDF, for whoever sees a whole district.

Nothing in it is too small to be told: who reads it sees each facility's own page as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from flask import Blueprint, Response, abort, g, make_response, render_template, request

from bot.accounts import EVERYWHERE
from bot.desk_scope import Desk
from bot.report_found import Reports, before
from bot.report_html import drawing
from bot.report_parts import Report
from bot.report_pdf import pdf

MONTHS = 24  # that can be chosen; an older one can be asked for by its address
NOBODYS = "There is nothing at this address."
NO_DISTRICT = "There is no such district in the register."
NO_MONTH = "A month is written as 2026-10."


def report_pages(desk: Desk) -> Blueprint:
    """The pages `/desk/report` and `/desk/report.pdf`, to stand under the desk's own."""
    pages, views = Blueprint("report", __name__), _Report(desk)
    pages.add_url_rule("/report", "page", views.page)
    pages.add_url_rule("/report.pdf", "printed", views.printed)
    return pages


@dataclass(frozen=True, slots=True)
class _Report:
    desk: Desk

    def page(self) -> tuple[str, int]:
        """The report to read, with the way to the PDF."""
        districts, district = self._district()
        month, wrong = self._month()
        report = None
        if not wrong:
            report, wrong = self._made(month, district)
        page = render_template(
            "desk_report.html", report=report, svg=drawing, wrong=wrong, districts=districts,
            district=district, months=self._months(month), month=f"{month:%Y-%m}",
        )  # fmt: skip
        return page, 400 if wrong else 200

    def printed(self) -> Response:
        """The same as a PDF."""
        _, district = self._district()
        month, wrong = self._month()
        report, wrong = (None, wrong) if wrong else self._made(month, district)
        if report is None:
            abort(400, wrong)
        answer = make_response(pdf(report))
        answer.mimetype = "application/pdf"
        answer.headers["Content-Disposition"] = f'inline; filename="{report.file_name}.pdf"'
        return answer

    def _made(self, month: date, district: str) -> tuple[Report | None, str]:
        reports = Reports(self.desk.store, self.desk.rules, self.desk.wording, self.desk.clock)
        try:
            return reports.make(month, district), ""
        except ValueError as error:
            return None, f"{str(error).capitalize()}."

    # ---- what is asked -------------------------------------------------------------------------

    def _district(self) -> tuple[list[str], str]:
        """The districts that may be chosen, and the one that is; 404 for whoever sees none."""
        account = g.account
        if account.role == "in_charge":
            abort(404, NOBODYS)
        known = sorted({site.district for site in self.desk.sites()})
        asked = request.args.get("district", "")
        if account.place != EVERYWHERE:
            asked = asked or account.place
        if asked and asked not in known:
            abort(404, NO_DISTRICT)
        return known, asked

    def _month(self) -> tuple[date, str]:
        """The month asked for, or the last whole one; and what is wrong with it."""
        last = before(self.desk.clock().date().replace(day=1))
        asked = request.args.get("month", "")
        try:
            return (date.fromisoformat(f"{asked}-01") if asked else last), ""
        except ValueError:
            return last, NO_MONTH

    def _months(self, chosen: date) -> Mapping[str, str]:
        today = self.desk.clock().date().replace(day=1)
        months = sorted({chosen, *(before(today, n) for n in range(MONTHS))}, reverse=True)
        return {f"{month:%Y-%m}": f"{month:%B %Y}" for month in months}
