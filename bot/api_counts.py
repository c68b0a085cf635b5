"""Counts and their definitions, as the API gives them: JSON, tables, ADX and FHIR."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import msgspec
from flask import Response, abort, request

from bot.adx import adx
from bot.api_asked import day, form, mark_weakly, or_400, several, text
from bot.api_errors import Blamed
from bot.count_masks import finer, mask_of, masked
from bot.count_queries import MISSED, CountFilter
from bot.counts_shape import (
    DEFINED,
    columns,
    definitions,
    flat,
    reason_rows,
    row_of,
    tells_reasons,
)
from bot.figure import Figure
from bot.figures import Counts
from bot.formats import XLSX, as_csv, as_file, as_json
from bot.measure_report import measure_reports
from bot.store import Store
from bot.tokens import Token
from bot.workbook import workbook
from flows.indicators import BY_ID

DATA_SET = "NEWBORN_RESUSCITATION_REPROCESSING"
_LAST = date(9998, 12, 31)  # dates end a year later, and a month after the last one is looked at

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class CountViews:
    """The views. *least*: counts below it do not leave their facility; 0 lets all out."""

    store: Store
    clock: Callable[[], datetime]
    least: int

    def indicators(self, _token: Token) -> Response:
        """What every number means."""
        rows, asked = definitions(), form()
        if asked == "csv":
            answer = as_csv(DEFINED, rows, "indicators")
        elif asked == "xlsx":
            book = workbook({"indicators": (DEFINED, rows)})
            answer = mark_weakly(as_file(book, XLSX, "indicators.xlsx"), rows)
        else:
            answer = as_json({"indicators": rows, "next": None})
        answer.vary.add("Accept")
        return answer

    def counts(self, token: Token) -> Response:
        """Every measure and indicator, or steps missed by stage and reason."""
        wanted, asked = _wanted(token), form()
        if asked in {"adx", "fhir"}:
            return self._message(wanted, asked)
        found = self._figures(_of_figures(wanted))
        rows = (self._reasons(wanted, found) if tells_reasons(wanted)
                else [row_of(group, wanted.by) for group in found.groups])
        answer = self._table(wanted, found, rows, asked)
        answer.vary.add("Accept")
        return answer

    def _table(self, wanted: CountFilter, found: Counts, rows: list[Row], asked: str) -> Response:
        if asked == "json":
            return as_json({
                "counts": rows, "expected": len(found.expected), "silent": found.silent,
                "from": wanted.since, "to": wanted.until, "suppressed_below": self.least,
                "next": None})  # fmt: skip
        head = columns(wanted)
        table = rows if tells_reasons(wanted) else [flat(row) for row in rows]
        if asked == "csv":
            return as_csv(head, table, "counts")
        silent = [{"facility": facility} for facility in found.silent]
        book = workbook({"counts": (head, table), "definitions": (DEFINED, definitions()),
                         "silent": (("facility",), silent)})
        return mark_weakly(as_file(book, XLSX, "counts.xlsx"), [table, silent])

    # ---- what is hidden ------------------------------------------------------------------------

    def _figures(self, wanted: CountFilter) -> Counts:
        now = self.clock()
        found: Counts = or_400(self.store.figures, wanted, now)
        if not self.least:
            return found
        asked, fine = self._fine(wanted)
        return masked(found, mask_of(asked, fine, self._owners(), self.least), fine)

    def _fine(self, wanted: CountFilter) -> tuple[CountFilter, Counts]:
        """The question in whole districts, and the figures that say what of it is hidden."""
        asked = self._whole_districts(_of_figures(wanted))
        return asked, self.store.figures(finer(asked), self.clock())

    def _owners(self) -> dict[str, str]:
        return {row["id"]: row["district"] for row in self.store.facilities()}

    def _whole_districts(self, wanted: CountFilter) -> CountFilter:
        """*wanted* in the districts that its facilities are in, or were."""
        if not wanted.facility or wanted.district:
            return wanted
        were = self.store.counts(CountFilter(by=("district",), facility=wanted.facility))
        owners = self._owners()
        now = {owners[facility] for facility in wanted.facility if facility in owners}
        return replace(wanted, district=tuple(sorted(now | {row["district"] for row in were})))

    def _reasons(self, wanted: CountFilter, found: Counts) -> list[Row]:
        rows = or_400(self.store.counts, wanted)
        if self.least:
            rows = self._told(wanted, rows)
        return reason_rows(rows, found.groups, wanted)

    def _told(self, wanted: CountFilter, rows: list[Row]) -> list[Row]:
        asked = self._whole_districts(wanted)
        fine = [(_keys(row, finer(asked).by), {"n": row["n"]})
                for row in self.store.counts(finer(asked))]
        figures = mask_of(*self._fine(wanted), self._owners(), self.least)
        mask = replace(figures, wanted=asked, fine=fine)
        told = [{**row, "n": None if mask.hidden(_keys(row, wanted.by), {"n": row["n"]})
                 else row["n"]} for row in rows]
        told += [{**keys, "n": None} for keys in mask.absent(_keys(row, wanted.by) for row in rows)]
        return sorted(told, key=lambda row: tuple(_keys(row, wanted.by).values()))

    # ---- ADX and FHIR --------------------------------------------------------------------------

    def _message(self, wanted: CountFilter, asked: str) -> Response:
        _refuse_what_no_message_says(wanted)
        found = self._figures(wanted)
        figures = [figure for group in found.groups for figure in group.indicators.values()]
        if not figures:
            abort(400, "there is nothing to send: nothing was counted of what is asked")
        answer = or_400(self._adx if asked == "adx" else self._fhir, figures)
        said = [msgspec.to_builtins(figure) for figure in figures]
        return mark_weakly(answer, said)

    def _adx(self, figures: list[Figure]) -> Response:
        message = adx(figures, exported=self.clock(), data_set=DATA_SET)
        return as_file(message, "application/xml", "counts.xml")

    def _fhir(self, figures: list[Figure]) -> Response:
        names = {row["district"]: row["district_name"] for row in self.store.facilities()}
        names |= {row["id"]: row["name"] for row in self.store.facilities()}
        names |= {i: one.name for i, one in BY_ID.items()}
        bundle = measure_reports(figures, now=self.clock(), base=f"{request.host_url}api/v1",
                                 names=names)
        return as_file(msgspec.json.encode(bundle), "application/fhir+json", "counts.json")


def _of_figures(wanted: CountFilter) -> CountFilter:
    """The same without stages and reasons."""
    by = tuple(name for name in wanted.by if name not in MISSED)
    return replace(wanted, by=by, stage=(), reason=())


def _keys(row: Row, by: tuple[str, ...]) -> dict[str, str]:
    return {name: row[name] for name in by}


def _wanted(token: Token) -> CountFilter:
    districts = several("district")
    if token.district is not None:
        if set(districts) - {token.district}:
            raise Blamed("district", "this token is for another district", 403)
        districts = (token.district,)
    return CountFilter(
        since=_day("from"), until=_day("to"), by=tuple(dict.fromkeys(several("by", commas=True))),
        district=districts, facility=several("facility"), method=several("method", commas=True),
        stage=several("stage"), reason=several("reason"), what=text("what") or "missed",
    )


def _day(name: str) -> date | None:
    asked = day(name)
    return min(asked, _LAST) if asked else None


def _refuse_what_no_message_says(wanted: CountFilter) -> None:
    for name, problem in _not_said(wanted):
        raise Blamed(name, problem)


def _not_said(wanted: CountFilter) -> Iterator[tuple[str, str]]:
    """What ADX and FHIR messages have no place for, by the parameter that asks for it."""
    if tells_reasons(wanted):
        name = next((n for n in MISSED if getattr(wanted, n)), "by")
        yield name, "ADX and FHIR tell indicators; stages and reasons come as json, csv or xlsx"
    if not {"district", "facility"} & set(wanted.by):
        yield "by", "ADX and FHIR need a place: add by=facility or by=district"
    if wanted.facility and "facility" not in wanted.by:
        yield "by", "a message would not say which facilities were asked: add by=facility"
    if wanted.method and "method" not in wanted.by:
        yield "by", "a message would not say which methods were asked: add by=method"
