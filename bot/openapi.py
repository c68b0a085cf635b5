"""The OpenAPI description of the API, made from the tables of what is asked and answered."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from bot import counts_shape
from bot.api_parameters import ASKED, MOST_TEXT, Parameter
from bot.api_rows import POSTED, components, nullable, one_alert, one_batch, row
from bot.formats import XLSX

Json = dict[str, Any]

_TABLES = {
    "batches": "Batches, newest first",
    "sets": "Sets with their condition now",
    "alerts": "Alerts, newest first; people by their register ids",
    "messages": "Texts to people of the register, newest first, without phone and words; people by "
                "their register ids",
    "checks": "Shift checks, newest first: those that were due, done or missed, and those done "
              "between the times (no slot). gap: uses reported and not counted; null is what "
              "nobody said",
    "gaps": "Times in which no set of a kind was READY, those that began last first; from and to: "
            "those that lie in these days, if only in part. until is null while it lasts",
    "mixes": "Chlorine solutions that were made by MIX, newest first; replaced: another was made "
             "while it was good, outlived: its time passed and none had been. People by their "
             "register ids",
    "facilities": "Facilities",
    "counts": "Every measure and indicator by the facilities' local days, or steps missed by stage "
              "and reason. Where rows are of few facilities, what is below suppressed_below is "
              "null, and so is what would give it away. silent: facilities of which nothing was "
              "heard",
    "indicators": "What every indicator and measure means",
}
_TAKES = {
    "batches": "Take the state of a batch, or a list of them; the batch's id is the key, and an "
               "older or repeated state changes nothing",
    "sets": "Take conditions of a facility's sets that came about without a batch, or a list of "
            "such; of one set the latest stands, and READY only once the released batch that it "
            "names is here (else 409)",
    "alerts": "Take the state of an alert, or a list of them; the alert's id is the key, and an "
              "older or repeated state changes nothing. A rule or a state not known here is "
              "refused (400): keep it, and send it again once this side is brought up to date",
    "messages": "Take what became of a text, or a list of such; the message's id is the key, and "
                "an older or repeated state changes nothing",
    "checks": "Take a shift check, or a list of them; the check's id is the key, and a repeated "
              "one changes nothing",
    "gaps": "Take a gap, or a list of them; the gap's id is the key, and an older or repeated "
            "state changes nothing",
    "mixes": "Take a solution, or a list of them; its id is the key, and an older or repeated "
             "state changes nothing",
}
_WHY = {
    400: "A parameter or the body is not what it may be; the message says what is",
    401: "No valid bearer token",
    403: "The token is for another district or another use",
    404: "There is none, or none that this token may see",
    409: "It cannot be taken as things stand here; try again later",
    413: "Too much at once",
    500: "Something failed here",
    503: "The store does not answer; try again later",
}
_READ, _ONE, _POST = (400, 401, 403, 500, 503), (400, 401, 403, 404, 500, 503), tuple(
    status for status in _WHY if status != 404)

_ERROR: Json = {
    "type": "object", "required": ["error"], "additionalProperties": False,
    "properties": {"error": {
        "type": "object", "required": ["code", "message"], "additionalProperties": False,
        "properties": {
            "code": {"type": "string"}, "message": {"type": "string"},
            "parameter": {"type": "string", "description": "the one to blame, if there is one"}},
    }},
}  # fmt: skip
_TAKEN: Json = {
    "type": "object", "required": ["received", "taken"], "additionalProperties": False,
    "properties": {"received": {"type": "integer", "minimum": 0},
                   "taken": {"type": "integer", "minimum": 0, "description": "new or newer here"}},
}  # fmt: skip


def document() -> Json:
    """The description, as a value for JSON."""
    return {
        "openapi": "3.1.0",
        "info": {"title": "Soakbell", "version": "1",
                 "description": "Batches, conditions of sets, alerts, messages, shift checks, "
                                "gaps, solutions, counts. No phone numbers."},
        "servers": [{"url": "/api/v1"}],
        "security": [{"bearer": []}],
        "paths": _paths(),
        "components": {
            "securitySchemes": {"bearer": {"type": "http", "scheme": "bearer"}},
            "schemas": {"Error": _ERROR, "Taken": _TAKEN, **components()},
        },
    }  # fmt: skip


def _paths() -> Json:
    paths: Json = {f"/{name}": {"get": _table(name)} for name in _TABLES}
    for name in _TAKES:
        paths[f"/{name}"]["post"] = _post(name)
    paths["/batches/{id}"] = {"get": _one("One batch with its log, alerts and messages",
                                          one_batch())}
    paths["/alerts/{id}"] = {"get": _one("One alert with its history", one_alert())}
    itself = _answers({"application/json": {"schema": {"type": "object"}}}, (400, 500))
    paths["/openapi.json"] = {"get": {"summary": "This description", "security": [],
                                      "responses": itself}}
    return paths


def _table(name: str) -> Json:
    beside = counts_shape.answer() if name == "counts" else {}
    page = {"type": "object", "required": [name, "next", *beside], "additionalProperties": False,
            "properties": {name: {"type": "array", "items": row(name)},
                           "next": nullable({"type": "string"}), **beside}}  # fmt: skip
    content: Json = {"application/json": {"schema": page},
                     "text/csv": {"schema": {"type": "string"}}, XLSX: {}}
    if name == "counts":
        content |= {"application/xml": {}, "application/fhir+json": {}}
    answers = _answers(content, _READ)
    answers["200"]["headers"]["X-Next"] = {
        "description": "where the page after begins, if there is one", "schema": {"type": "string"}}
    return {"summary": _TABLES[name], "parameters": [_parameter(p) for p in ASKED[name]],
            "responses": answers}  # fmt: skip


def _one(summary: str, schema: Json) -> Json:
    path = {"name": "id", "in": "path", "required": True,
            "schema": {"type": "string", "minLength": 1, "maxLength": MOST_TEXT}}
    return {"summary": summary, "parameters": [path],
            "responses": _answers({"application/json": {"schema": schema}}, _ONE)}


def _post(name: str) -> Json:
    one = {"$ref": f"#/components/schemas/{POSTED[name].__name__}"}
    body = {"anyOf": [one, {"type": "array", "items": one}]}
    responses = _answers({"application/json": {"schema": _ref("Taken")}}, _POST)
    del responses["304"]
    return {"summary": _TAKES[name], "responses": responses, "requestBody": {
        "required": True, "content": {"application/json": {"schema": body}}}}


def _parameter(asked: Parameter) -> Json:
    found = {"name": asked.name, "in": "query", "description": asked.about, "schema": asked.schema}
    return found | {"style": "form", "explode": True} if asked.many else found


def _answers(content: Json, refusals: Iterable[int]) -> Json:
    mark = {"description": "of what it holds, for If-None-Match", "schema": {"type": "string"}}
    refused = {str(status): {"description": _WHY[status], "content": {
        "application/json": {"schema": _ref("Error")}}} for status in refusals}
    return {"200": {"description": "Done", "content": content, "headers": {"ETag": mark}},
            "304": {"description": "It is what you have"}, **refused}


def _ref(name: str) -> Json:
    return {"$ref": f"#/components/schemas/{name}"}
