"""The OpenAPI description of the API."""

from __future__ import annotations

from typing import Any

from bot.alert_queries import STATES
from bot.count_queries import DIMENSIONS
from bot.cursors import MOST_ROWS
from bot.gap_queries import KINDS
from bot.message import STATES as MESSAGE_STATES
from bot.mix_queries import ENDS, STANDING
from flows.alerting import RULES

Json = dict[str, Any]

_FROM = ("from", "first day, such as 2025-03-01")
_TO = ("to", "last day, included")
_DISTRICT = ("district", "a district's id; a token of one district sees only that")
_FACILITY = ("facility", "a facility's id")
_LIMIT = ("limit", f"rows of a page, 1 to {MOST_ROWS}; 100 if not given")
_AFTER = ("after", "the `next` of the page before")
_FORMAT = ("format", "json or csv; or send Accept: text/csv")
_BY = ("by", f"any of {', '.join(DIMENSIONS)}; repeated, or separated by commas")

_ERROR: Json = {
    "type": "object",
    "required": ["error"],
    "properties": {"error": {
        "type": "object",
        "required": ["code", "message"],
        "properties": {"code": {"type": "string"}, "message": {"type": "string"}},
    }},
}


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
            "schemas": {"Error": _ERROR},
        },
    }


def _paths() -> Json:
    return {
        "/batches": {
            "get": _table("Batches, newest first", _FROM, _TO, _DISTRICT, _FACILITY,
                          ("outcome", "released, set aside, cancelled or open"),
                          ("method", "chlorine, boiling, steaming or autoclave"),
                          _LIMIT, _AFTER, _FORMAT),
            "post": _operation("Take the state of a batch, or a list of them; the batch's id is "
                               "the key, and an older or repeated state changes nothing")
            | {"requestBody": {"required": True, "content": {"application/json": {}}}},
        },
        "/batches/{id}": {"get": _operation("One batch with its log, alerts and messages") | {
            "parameters": [_parameter("id", "the batch's id", place="path")]}},
        "/sets": {
            "get": _table("Sets with their condition now", _DISTRICT, _FACILITY,
                          ("condition", "READY, IN PROCESS, USED, SET ASIDE or EXPIRED"),
                          _LIMIT, _AFTER, _FORMAT),
            "post": _operation("Take conditions of a facility's sets that came about without a "
                               "batch, or a list of such; of one set the latest stands, and READY "
                               "only once the released batch that it names is here (else 409)")
            | {"requestBody": {"required": True, "content": {"application/json": {}}}},
        },
        "/alerts": {
            "get": _table("Alerts, newest first; people by their register ids", _FROM, _TO,
                          _DISTRICT, _FACILITY,
                          ("state", f"{', '.join(STATES)}; open is all that is not solved or over"),
                          ("rule", f"what it is about: {', '.join(RULES)}"),
                          ("batch", "a batch's id"), _LIMIT, _AFTER, _FORMAT),
            "post": _operation("Take the state of an alert, or a list of them; the alert's id is "
                               "the key, and an older or repeated state changes nothing. A rule "
                               "or a state not known here is refused (400): keep it, and send it "
                               "again once this side is brought up to date")
            | {"requestBody": {"required": True, "content": {"application/json": {}}}},
        },
        "/alerts/{id}": {"get": _operation("One alert with its history") | {
            "parameters": [_parameter("id", "the alert's id", place="path")]}},
        "/messages": {
            "get": _table("Texts to people of the register, newest first, without phone and words; "
                          "people by their register ids", _FROM, _TO, _DISTRICT,
                          ("site", "a facility's id, or district-<id> for its supervisors"),
                          ("about", "a batch's or an alert's id"),
                          ("state", ", ".join(MESSAGE_STATES)), _LIMIT, _AFTER, _FORMAT),
            "post": _operation("Take what became of a text, or a list of such; the message's id is "
                               "the key, and an older or repeated state changes nothing")
            | {"requestBody": {"required": True, "content": {"application/json": {}}}},
        },
        "/checks": {
            "get": _table("Shift checks, newest first: those that were due, done or missed, and "
                          "those done between the times (no slot). gap: uses reported and not "
                          "counted; null is what nobody said", _FROM, _TO, _DISTRICT, _FACILITY,
                          ("done", "yes or no"), _LIMIT, _AFTER, _FORMAT),
            "post": _operation("Take a shift check, or a list of them; the check's id is the key, "
                               "and a repeated one changes nothing")
            | {"requestBody": {"required": True, "content": {"application/json": {}}}},
        },
        "/gaps": {
            "get": _table("Times in which no set of a kind was READY, those that began last first; "
                          "from and to: those that lie in these days, if only in part. until is "
                          "null while it lasts", _FROM, _TO, _DISTRICT, _FACILITY,
                          ("kind", ", ".join(KINDS)), ("lasting", "yes or no"),
                          _LIMIT, _AFTER, _FORMAT),
            "post": _operation("Take a gap, or a list of them; the gap's id is the key, and an "
                               "older or repeated state changes nothing")
            | {"requestBody": {"required": True, "content": {"application/json": {}}}},
        },
        "/mixes": {
            "get": _table("Chlorine solutions that were made by MIX, newest first; replaced: "
                          "another was made while it was good, outlived: its time passed and none "
                          "had been. People by their register ids", _FROM, _TO, _DISTRICT,
                          _FACILITY, ("ended", f"{STANDING}, {', '.join(ENDS)}"),
                          _LIMIT, _AFTER, _FORMAT),
            "post": _operation("Take a solution, or a list of them; its id is the key, and an "
                               "older or repeated state changes nothing")
            | {"requestBody": {"required": True, "content": {"application/json": {}}}},
        },
        "/facilities": {"get": _table("Facilities", _DISTRICT, _FORMAT)},
        "/counts": {"get": _table("Closed batches, counted by the facility's local day", _FROM,
                                  _TO, _BY, _DISTRICT, _FACILITY, _FORMAT)},
        "/openapi.json": {"get": _operation("This description") | {"security": []}},
    }


def _parameter(name: str, description: str, place: str = "query") -> Json:
    return {"name": name, "in": place, "required": place == "path", "description": description,
            "schema": {"type": "string"}}


def _operation(summary: str) -> Json:
    refused = {"description": "Refused or failed", "content": {"application/json": {
        "schema": {"$ref": "#/components/schemas/Error"}}}}
    return {"summary": summary, "responses": {
        "200": {"description": "Done", "content": {"application/json": {}}}, "default": refused}}


def _table(summary: str, *parameters: tuple[str, str]) -> Json:
    operation = _operation(summary) | {"parameters": [_parameter(*p) for p in parameters]}
    operation["responses"]["200"]["content"]["text/csv"] = {}
    return operation
