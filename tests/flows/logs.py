"""Logs of batches in which all is well, written down from the trade's order of work."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flows import protocol
from flows.batch import METHODS, Batch, BatchSet, Entry, Method, Value
from flows.protocol import Protocol, load

RULES: Protocol = load(Path(protocol.__file__).parent / "protocols" / "default.toml")
START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

# One answer of a batch: minutes since it was opened, mark, the set it is about, facts.
Line = tuple[float, str, str, dict[str, Value]]

CLEANED = ("protected", "wiped", "apart", "washed", "rinsed", "scale_checked")


def lines(method: Method, cycle: str = "w121") -> list[Line]:
    """The answers of a clean batch of BAG-1 (7 pieces) and SUC-1 (3), one minute apart."""
    own: dict[str, list[Line]] = {
        "chlorine": [
            (11, "soak_dry", "", {}),
            (12, "solution_fresh", "", {}),
            (13, "solution_strength", "", {"value": 0.5}),
            (14, "exposure_started", "", {}),
            (34, "exposed", "", {}),
            (35, "soak_rinsed", "", {}),
            (36, "dried", "", {}),
        ],
        "autoclave": [
            (11, "loaded", "", {"value": 417}),
            (12, "cycle", "", {"cycle": cycle}),
            (14, "exposure_started", "", {}),
            (44, "exposed", "", {}),
            (45, "read_temperature", "", {"value": 121}),
            (46, "read_pressure", "", {"value": 126.5}),
            (47, "read_minutes", "", {"value": 30}),
            (48, "indicator", "", {}),
            (49, "cooled", "", {}),
        ],
    }
    heated: list[Line] = [
        (11, "loaded", "", {}),
        (14, "exposure_started", "", {}),
        (34, "exposed", "", {}),
        (36, "dried", "", {}),
    ]
    return [
        *((n, mark, "", {}) for n, mark in enumerate(CLEANED, start=1)),
        (10, "method", "", {"method": method}),
        *own.get(method, heated),
        (50, "counted", "BAG-1", {"value": 7}),
        (51, "counted", "SUC-1", {"value": 3}),
        (52, "inspected", "", {}),
        (53, "assembled", "", {}),
        (54, "tested", "BAG-1", {}),
        (55, "tested", "SUC-1", {}),
        (56, "stored", "", {}),
    ]


def vinegar() -> list[Line]:
    """A vinegar soak with its rinse, between the rinse and the second look for scale."""
    return [
        (5.1, "vinegar_started", "", {}),
        (5.2, "vinegar_out", "", {}),
        (5.3, "vinegar_rinsed", "", {}),
    ]


def batch_of(answers: list[Line], **changes: object) -> Batch:
    """A batch at 2000 m with these answers in its log."""
    log = [Entry(0, START, "opened")]
    for minutes, mark, set_id, facts in answers:
        log.append(
            Entry(len(log), START + timedelta(minutes=minutes), "answered", mark=mark,
                  set_id=set_id, said="1", by="P1", facts=facts)
        )  # fmt: skip
    batch = Batch(
        id="B", facility="F", district="D", altitude_m=2000, facility_methods=METHODS,
        protocol=RULES.id, flow="reprocess-1", opened_at=START, opened_by="P1", holder="P1",
        sets=(
            BatchSet("BAG-1", "BAG", "bag", 7, METHODS),
            BatchSet("SUC-1", "SUC", "suction", 3, METHODS),
        ),
        stage="store", autoclave="gravity", log=tuple(log),
    )  # fmt: skip
    return replace(batch, **changes)  # type: ignore[arg-type]


def clean(method: Method = "chlorine", **changes: object) -> Batch:
    return batch_of(lines(method), **changes)


def with_facts(method: Method, mark: str, facts: dict[str, Value], set_id: str = "") -> Batch:
    """A clean batch but for the facts of one answer."""
    return batch_of([
        (n, m, s, facts if (m, s) == (mark, set_id) else f) for n, m, s, f in lines(method)
    ])  # fmt: skip


def later(answers: list[Line], minutes: float) -> list[Line]:
    return [(n + minutes, m, s, f) for n, m, s, f in answers]


def at(method: Method, mark: str, minutes: float) -> Batch:
    """A clean batch but for the minute of one answer; the log keeps the order of the answers."""
    return batch_of([(minutes if m == mark else n, m, s, f) for n, m, s, f in lines(method)])


def more(batch: Batch, kind: str, **what: object) -> Batch:
    """*batch* with one more line, a minute after its last."""
    last = batch.log[-1]
    entry = Entry(len(batch.log), last.at + timedelta(minutes=1), kind, **what)  # type: ignore[arg-type]
    return batch.with_entry(entry)
