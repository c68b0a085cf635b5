"""What may be asked of each list of the API: one table, by which requests are checked and which the
description of the API shows. Pure: a text comes in, what is wrong with it goes out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, get_args

from bot.alert_queries import STATES
from bot.count_queries import DIMENSIONS
from bot.cursors import MOST_ROWS, read_cursor
from bot.gap_queries import KINDS
from bot.message import STATES as MESSAGE_STATES
from bot.mix_queries import ENDS, STANDING
from bot.model import Condition
from flows.alerting import RULES
from flows.batch import METHODS, Outcome

Json = dict[str, Any]
Kind = Literal["text", "day", "rows", "cursor"]

MOST_TEXT = 200  # characters of a value; no id is as long
MOST_SHOWN = 40  # characters of what somebody sent, said again in a refusal
USUAL_ROWS = 100
FORMATS = ("json", "csv", "xlsx")

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_SCHEMAS: Mapping[Kind, Json] = {
    "text": {"type": "string", "minLength": 1, "maxLength": MOST_TEXT},
    "day": {"type": "string", "format": "date"},
    "rows": {"type": "integer", "minimum": 1, "maximum": MOST_ROWS, "default": USUAL_ROWS},
    "cursor": {"type": "string", "format": "cursor"},
}
_SAYS: Mapping[Kind, str] = {
    "text": f"has 1 to {MOST_TEXT} characters; leave it out to ask for everything",
    "day": "is a date such as 2025-03-31",
    "rows": f"is a whole number from 1 to {MOST_ROWS}",
    "cursor": "is the `next` of the page before, as it was given",
}


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of a question: its name, what it means, and what it may be.

    *one_of* are the only values; *many*: it may be given more than once, and such values with
    commas.
    """

    name: str
    about: str
    kind: Kind = "text"
    one_of: tuple[str, ...] = ()
    many: bool = False

    @property
    def schema(self) -> Json:
        """Its values, as OpenAPI describes them."""
        one: Json = {"type": "string", "enum": list(self.one_of)} if self.one_of else (
            _SCHEMAS[self.kind])
        return {"type": "array", "items": one} if self.many else one

    def problem(self, given: str) -> str:
        """What is wrong with the value *given*, and what is allowed; "" if nothing is."""
        values = given.split(",") if self.many and self.one_of else [given]
        if all(map(self._is_right, values)):
            return ""
        allowed = f"is one of {', '.join(self.one_of)}" if self.one_of else _SAYS[self.kind]
        return f"{self.name} {allowed}"

    def _is_right(self, value: str) -> bool:
        if self.one_of:
            return value in self.one_of
        if self.kind == "rows":
            return re.fullmatch(r"[0-9]{1,9}", value) is not None and 1 <= int(value) <= MOST_ROWS
        if self.kind == "day":
            return read_day(value) is not None
        if self.kind == "cursor":
            return _is_cursor(value)
        return 0 < len(value) <= MOST_TEXT


def read_day(text: str) -> date | None:
    """The day that *text* is in full (2025-03-31), or None."""
    if _DAY.fullmatch(text):
        with suppress(ValueError):
            return date.fromisoformat(text)
    return None


def _is_cursor(text: str) -> bool:
    try:
        read_cursor(text)
    except ValueError:
        return False
    return True


def unknown(name: str, known: Sequence[Parameter]) -> str:
    """What is said of a parameter that is none here."""
    names = ", ".join(p.name for p in known)
    return f"there is no parameter {name[:MOST_SHOWN]} here; " + (
        f"there are {names}" if names else "there are none")


_FROM = Parameter("from", "first day, such as 2025-03-01", "day")
_TO = Parameter("to", "last day, included; not before `from`", "day")
_DISTRICT_ONLY = "a token of one district sees only that"
_DISTRICT = Parameter("district", f"a district's id; {_DISTRICT_ONLY}")
_FACILITY = Parameter("facility", "a facility's id")
_LIMIT = Parameter("limit", "rows of a page", "rows")
_AFTER = Parameter("after", "the `next` of the page before: a place in the list, not a secret",
                   "cursor")
_AFTER_ID = Parameter("after", "the `next` of the page before: the last id on it")
_FORMAT = Parameter("format", "or send Accept: text/csv, or the type of an .xlsx workbook",
                    one_of=FORMATS)
_PAGE = (_LIMIT, _AFTER, _FORMAT)

# By list. One thing of a list, and what is posted to it, takes no parameters.
ASKED: Mapping[str, tuple[Parameter, ...]] = {
    "batches": (
        _FROM, _TO, _DISTRICT, _FACILITY,
        Parameter("outcome", "open is what is under way",
                  one_of=("open", *(o for o in get_args(Outcome) if o))),
        Parameter("method", "how the sets were disinfected", one_of=METHODS),
        Parameter("stage", "at which a step was missed"),
        Parameter("reason", "why a step was missed, as the counts tell it"), *_PAGE),
    "sets": (
        _DISTRICT, _FACILITY,
        Parameter("condition", "at the moment of asking", one_of=get_args(Condition)),
        _LIMIT, _AFTER_ID, _FORMAT),
    "alerts": (
        _FROM, _TO, _DISTRICT, _FACILITY,
        Parameter("state", "open is all that is not solved or over", one_of=STATES),
        Parameter("rule", "what it is about", one_of=RULES),
        Parameter("batch", "a batch's id"), *_PAGE),
    "messages": (
        _FROM, _TO, _DISTRICT,
        Parameter("site", "a facility's id, or district-<id> for its supervisors"),
        Parameter("about", "a batch's or an alert's id"),
        Parameter("state", "what became of it", one_of=MESSAGE_STATES), *_PAGE),
    "checks": (
        _FROM, _TO, _DISTRICT, _FACILITY,
        Parameter("done", "no: those that were missed", one_of=("yes", "no")), *_PAGE),
    "gaps": (
        _FROM, _TO, _DISTRICT, _FACILITY,
        Parameter("kind", "of what none was READY", one_of=KINDS),
        Parameter("lasting", "no: those that are over", one_of=("yes", "no")), *_PAGE),
    "mixes": (
        _FROM, _TO, _DISTRICT, _FACILITY,
        Parameter("ended", "how; standing is what has no end yet", one_of=(STANDING, *ENDS)),
        *_PAGE),
    "facilities": (_DISTRICT, _FORMAT),
    "counts": (
        _FROM, _TO,
        Parameter("by", "what rows are told apart by: stage and reason are those of steps missed, "
                        "all others tell indicators", one_of=DIMENSIONS, many=True),
        Parameter("district", f"districts' ids; {_DISTRICT_ONLY}", many=True),
        Parameter("facility", "facilities' ids", many=True),
        Parameter("method", "of batches; what is no batch has none", one_of=METHODS, many=True),
        Parameter("stage", "at which a step was missed", many=True),
        Parameter("reason", "why a step was missed, or the rule of an alert", many=True),
        Parameter("what", "whose stages and reasons: missed are steps of batches, alert are alerts "
                          "by their rules; missed if not given", one_of=("missed", "alert")),
        Parameter("format", f"{_FORMAT.about}; adx (IHE ADX) and fhir (FHIR R4 MeasureReports) "
                            "need by=district or by=facility and no stages or reasons",
                  one_of=(*FORMATS, "adx", "fhir"))),
    "indicators": (_FORMAT,),
}
