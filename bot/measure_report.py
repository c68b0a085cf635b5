"""Figures as HL7 FHIR R4 (4.0.1): a Bundle of MeasureReports.

One report for an indicator at a place in a period. It also keeps to what IHE mADX (trial use) asks
beyond R4: a subject, the indicator as the group's code, strata made of components. mADX wants a
population in every group; a group whose figures are all parts has none, since adding them up would
count twice what is in two parts, and unmask what is masked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any
from urllib.parse import quote
from uuid import NAMESPACE_URL, uuid5

from bot.figure import Figure
from bot.plain import plain

POPULATIONS = "http://terminology.hl7.org/CodeSystem/measure-population"

# The standard's way to say that a value is there and is not told (value set data-absent-reason).
_MASKED = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
                          "valueCode": "masked"}]}  # fmt: skip

Json = dict[str, Any]


def measure_reports(
    figures: Iterable[Figure], *, now: datetime, base: str, names: Mapping[str, str]
) -> Json:
    """The Bundle, a collection; the same one for the same *figures* in any order.

    *base* is the address that measures and code systems are named under; *names* what indicators,
    places, dims and their values are called, by their codes: one without a name goes as it is.
    A suppressed figure has populations and score that are masked. Raises ValueError where two
    figures are the same one, and where *now* has no zone.
    """
    if now.utcoffset() is None:
        raise ValueError("the time of a report needs a zone")
    everything = sorted(figures, key=_order)
    of_parts = frozenset(f.indicator for f in everything if f.denominator is not None)
    writer = _Writer(now.isoformat(timespec="seconds"), base.rstrip("/"), names, of_parts)
    entries = [writer.entry(list(members)) for _, members in groupby(everything, key=_subject)]
    bundle = {"resourceType": "Bundle", "type": "collection", "timestamp": writer.now}
    return bundle | ({"entry": entries} if entries else {})  # FHIR knows no empty list


def _subject(figure: Figure) -> tuple[str, ...]:
    """What one report is about."""
    return figure.place, figure.since.isoformat(), figure.until.isoformat(), figure.indicator


def _order(figure: Figure) -> tuple[object, ...]:
    return (*_subject(figure), sorted(figure.dims), sorted(figure.dims.items()))


def _dims(figure: Figure) -> tuple[str, ...]:
    """What a figure is split by."""
    return tuple(sorted(figure.dims))


@dataclass(frozen=True, slots=True)
class _Writer:
    """What all reports of one bundle have in common; *of_parts* the indicators with a denominator
    (a suppressed figure alone does not say whether it has one)."""

    now: str
    base: str
    names: Mapping[str, str]
    of_parts: frozenset[str]

    def entry(self, figures: Sequence[Figure]) -> Json:
        """The report of *figures*, all of one indicator, place and period."""
        _refuse_doubles(figures)
        one = figures[0]
        # From what it is about: sent again, it is the same report.
        key = str(uuid5(NAMESPACE_URL, "\n".join((self.base, *map(plain, _subject(one))))))
        facility = {"type": "Location", **self._place(one.place)}
        report = {
            "resourceType": "MeasureReport", "id": key, "status": "complete", "type": "summary",
            "measure": f"{self.base}/Measure/{quote(_code(one.indicator), safe='')}",
            "subject": facility, "date": self.now, "reporter": facility,
            "period": {"start": one.since.isoformat(), "end": one.until.isoformat()},
            "group": [self._group(figures)],
        }  # fmt: skip
        return {"fullUrl": f"urn:uuid:{key}", "resource": report}

    def _place(self, place: str) -> Json:
        code = _code(place)
        return {"identifier": {"system": f"{self.base}/place", "value": code},
                "display": _code(self.names.get(place, code))}  # fmt: skip

    def _group(self, figures: Sequence[Figure]) -> Json:
        """The whole, where it is among *figures*, and a stratifier for each way it is split."""
        group = {"code": self._concept("indicator", figures[0].indicator)}
        stratifiers = []
        for dims, parts in groupby(figures, key=_dims):
            if dims:
                stratifiers.append(self._stratifier(dims, list(parts)))
            else:
                group |= self._numbers(next(parts))
        return group | ({"stratifier": stratifiers} if stratifiers else {})

    def _stratifier(self, dims: Sequence[str], figures: Sequence[Figure]) -> Json:
        return {"code": [self._concept("dimension", d) for d in dims],
                "stratum": [self._stratum(f) for f in figures]}  # fmt: skip

    def _stratum(self, figure: Figure) -> Json:
        """A part, by components alone: mrp-2 allows no value beside them."""
        components = [{"code": self._concept("dimension", dim), "value": self._concept(dim, value)}
                      for dim, value in sorted(figure.dims.items())]  # fmt: skip
        return {"component": components, **self._numbers(figure)}

    def _numbers(self, figure: Figure) -> Json:
        """The populations of a figure, and its score where it has a denominator."""
        counts = self._counts(figure)
        shown = {k: v for k, v in counts.items() if figure.suppressed or v is not None}
        found: Json = {}
        if shown:
            found["population"] = [_population(k, v, figure.suppressed) for k, v in shown.items()]
        if "denominator" in counts or not shown:
            found |= _score(figure)
        return found

    def _counts(self, figure: Figure) -> dict[str, int | None]:
        """The numbers of a figure by the code of their population, which is what they count."""
        of_parts = figure.suppressed and figure.indicator in self.of_parts
        if of_parts or figure.denominator is not None:
            return {"denominator": figure.denominator, "numerator": figure.numerator}
        return {"initial-population": figure.numerator}

    def _concept(self, system: str, code: str) -> Json:
        address = f"{self.base}/CodeSystem/{quote(_code(system), safe='')}"
        coding = {"system": address, "code": _code(code)}
        return {"coding": [coding], "text": _code(self.names.get(code, code))}


def _refuse_doubles(figures: Sequence[Figure]) -> None:
    seen: list[Mapping[str, str]] = []
    for figure in figures:
        if figure.dims in seen:
            raise ValueError(f"two figures are {_subject(figure)} {dict(figure.dims)}")
        seen.append(figure.dims)


def _population(code: str, number: int | None, suppressed: bool) -> Json:
    what = {"code": {"coding": [{"system": POPULATIONS, "code": code}]}}
    return what | ({"_count": _MASKED} if suppressed else {"count": number})


def _score(figure: Figure) -> Json:
    """The score, masked or a number; none where nothing is known."""
    if figure.suppressed:
        return {"measureScore": _MASKED}
    return {} if figure.value is None else {"measureScore": {"value": figure.value}}


def _code(text: str) -> str:
    """*text* as a FHIR code or string: never empty, no white space but single spaces inside."""
    return " ".join(plain(text).split()) or "unknown"
