"""What the rows of the API's answers are, as JSON schemas made from the tables and types that the
rows come from; and what may be posted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, get_args, get_type_hints

import msgspec

from bot import (
    alert_queries,
    check_queries,
    gap_queries,
    message_queries,
    mix_queries,
    queries,
)
from bot.alert import Alert, AlertLine, AlertState
from bot.counts_shape import count_row, definition_row
from bot.effects import Checked, Conditions, Gap, Mixed, MixEnd, Push, Pushed, Raised
from bot.message import STATES, Message
from bot.model import Condition, SetState
from bot.tables import facilities, messages, models, set_states, sets
from flows.batch import Batch, BatchSet, Entry, Outcome

Json = dict[str, Any]

TEXT: Json = {"type": "string"}
TIME: Json = {"type": "string", "format": "date-time"}
WHOLE: Json = {"type": "integer"}
FLAG: Json = {"type": "boolean"}
WORDS: Json = {"type": "array", "items": TEXT}
_KINDS: Mapping[type, Json] = {
    str: TEXT, datetime: TIME, int: WHOLE, float: {"type": "number"}, bool: FLAG}

# Every type that stands in what may be posted.
_POSTED = (Push, Batch, BatchSet, Entry, SetState, Conditions, Raised, Alert, AlertLine, Message,
           Checked, Gap, Mixed)
POSTED: Mapping[str, type[Pushed]] = {
    "batches": Push, "sets": Conditions, "alerts": Raised, "messages": Message, "checks": Checked,
    "gaps": Gap, "mixes": Mixed}


def nullable(schema: Json) -> Json:
    """The same, or null."""
    return {"anyOf": [schema, {"type": "null"}]}


def _one_of(values: Sequence[str]) -> Json:
    return {"type": "string", "enum": list(values)}


def _columns(columns: Iterable[Any]) -> dict[str, Json]:
    """Columns of the store's tables, by name."""
    found = {str(c.name): (_KINDS[getattr(c.type, "impl", c.type).python_type], c) for c in columns}
    return {name: nullable(schema) if column.nullable else schema
            for name, (schema, column) in found.items()}


def _by(columns: Iterable[Any]) -> dict[str, Json]:
    """The same; whose id it is, is said as `by`."""
    return {("by" if name == "by_id" else name): schema
            for name, schema in _columns(columns).items()}


def _fields(of: type, *but: str) -> dict[str, Json]:
    """Fields of a type of ours, by name."""
    described = components()[of.__name__]["properties"]
    return {name: {k: v for k, v in schema.items() if k != "default"}
            for name, schema in described.items() if name not in but}


def components() -> Json:
    """What may be posted, as components of the description."""
    _, found = msgspec.json.schema_components(_POSTED, ref_template="#/components/schemas/{name}")
    for of in _POSTED:
        for name, hint in get_type_hints(of).items():
            if datetime in (hint, *get_args(hint)):  # the library names no format
                described = found[of.__name__]["properties"][name]
                found[of.__name__]["properties"][name] = described | (
                    nullable(TIME) if get_args(hint) else TIME)
    return found


def _obj(properties: Mapping[str, Json]) -> Json:
    """An object with all of *properties* and nothing else."""
    return {"type": "object", "properties": dict(properties), "required": list(properties),
            "additionalProperties": False}


def _sets() -> dict[str, Json]:
    states = _columns(set_states.c)
    return {**_columns([sets.c.id, sets.c.facility, facilities.c.district, sets.c.model,
                        models.c.kind]),
            "condition": _one_of(get_args(Condition)),
            "since": nullable(TIME), "expires_at": states["expires_at"], "batch": TEXT}


_BATCH = {**_columns(queries.LISTED), "sets": WORDS, "missed": WORDS, "late": FLAG,
          "outcome": _one_of(get_args(Outcome))}  # fmt: skip
_ALERT = {**_columns(alert_queries.LISTED), "told": WORDS, "state": _one_of(get_args(AlertState))}
_ALERT_WHOLE = {**_ALERT, **{name: schema for name, schema in _fields(Alert).items()
                             if name in {"by", "due", "facts"}},
                "history": {"type": "array", "items": _obj(_fields(AlertLine))}}  # fmt: skip
_MESSAGE = {**_columns(message_queries.LISTED), "state": _one_of(STATES)}
_TOLD = _columns([messages.c.kind, messages.c.at, messages.c.state, messages.c.segments])

# A row of each list, by the names of its columns in their order.
ROWS: Mapping[str, Mapping[str, Json]] = {
    "batches": _BATCH,
    "sets": _sets(),
    "alerts": _ALERT,
    "messages": _MESSAGE,
    "checks": {**_by(check_queries.LISTED), "sets": WORDS, "gap": nullable(WHOLE)},
    "gaps": {**_columns(gap_queries.LISTED), "kind": _one_of(gap_queries.KINDS)},
    "mixes": {**_by(mix_queries.LISTED), "ended": _one_of(get_args(MixEnd))},
    "facilities": {**_columns(facilities.c), "methods": WORDS, "measures": WORDS,
                   "district_name": TEXT, "sets": WHOLE},
}  # fmt: skip


def columns(name: str) -> tuple[str, ...]:
    """The columns of a row of the list *name*."""
    return tuple(ROWS[name])


def row(name: str) -> Json:
    """A row of the list *name*."""
    made = {"counts": count_row, "indicators": definition_row}
    return made[name]() if name in made else _obj(ROWS[name])


def one_batch() -> Json:
    """A batch with its log, alerts and messages."""
    return _obj({**_BATCH, "log": _many(_fields(Entry, "tick")), "alerts": _many(_ALERT_WHOLE),
                 "messages": _many(_TOLD)})


def one_alert() -> Json:
    """An alert with its history."""
    return _obj(_ALERT_WHOLE)


def _many(properties: Mapping[str, Json]) -> Json:
    return {"type": "array", "items": _obj(properties)}
