"""May this batch be released? Decided from its log alone, with every reason why not.

This file does not know the stage graph and does not trust it. It knows which marks a batch must
carry, in which order, and how long each exposure must have lasted; the protocol can change the
numbers and never the list.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby

from flows.batch import Batch, BatchSet, Entry, Value, effective
from flows.protocol import Protocol
from flows.steam import steam_temp_c

BEFORE = ("protected", "wiped", "apart", "washed", "rinsed", "scale_checked", "method")
HEATED = ("loaded", "exposure_started", "exposed", "dried")
BY_METHOD: dict[str, tuple[str, ...]] = {
    "chlorine": (
        "soak_dry",
        "solution_fresh",
        "solution_strength",
        "exposure_started",
        "exposed",
        "soak_rinsed",
        "dried",
    ),
    "boiling": HEATED,
    "steaming": HEATED,
    "autoclave": (
        "loaded",
        "cycle",
        "exposure_started",
        "exposed",
        "read_temperature",
        "read_pressure",
        "read_minutes",
        "indicator",
        "cooled",  # and dry: both are asked at once
    ),
}
AFTER = ("counted", "inspected", "assembled", "tested", "stored")
VINEGAR = ("vinegar_started", "vinegar_out", "vinegar_rinsed")
PER_SET = ("counted", "tested")

# Every mark in the order of work: "again from X" undoes X and all that comes after it.
ORDER = (
    *BEFORE[:-2],
    *VINEGAR,
    "scale_checked",
    "method",
    "soak_dry",
    "solution_fresh",
    "solution_strength",
    "loaded",
    "cycle",
    "exposure_started",
    "exposed",
    "soak_rinsed",
    "read_temperature",
    "read_pressure",
    "read_minutes",
    "indicator",
    "cooled",
    "dried",
    *AFTER,
)
RANK = {mark: n for n, mark in enumerate(ORDER)}

# Two clocks that tell the same exposure may differ by this much and still agree.
CLOCK_SLACK_SECONDS = 5.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason why a batch may not be released. *mark* is where the work must be taken up."""

    code: str
    mark: str
    set_id: str = ""
    values: dict[str, Value] = field(default_factory=dict)


def findings(batch: Batch, protocol: Protocol) -> list[Finding]:
    """Every reason why *batch* may not be called READY; empty when it may.

    The first finding is the earliest in the order of work.
    """
    found = [*_record(batch, protocol), *_marks(batch), *_vinegar(batch)]
    standing = marks(batch.log)
    found += _method(batch, protocol, standing)
    found += _exposure(batch, protocol, standing)
    found += _values(batch, protocol, standing)
    return sorted(found, key=lambda f: RANK[f.mark])


def marks(log: tuple[Entry, ...]) -> dict[tuple[str, str], Entry]:
    """The marks that stand, by (mark, set id): answers that nobody took back or must redo."""
    standing: dict[tuple[str, str], Entry] = {}
    for entry in effective(log):
        if entry.kind == "answered" and entry.mark:
            standing[entry.mark, entry.set_id] = entry
        elif entry.kind in ("again", "interrupted"):
            rank = RANK[entry.mark]
            standing = {k: e for k, e in standing.items() if RANK[k[0]] < rank}
    return standing


def required(batch: Batch) -> list[tuple[str, str]]:
    """The marks (mark, set id) that *batch* must carry, in order of work."""
    chain = [*BEFORE, *BY_METHOD.get(_chosen(marks(batch.log)), ()), *AFTER]
    return [
        (mark, set_id)
        for mark in chain
        for set_id in ([s.id for s in _remaining(batch)] if mark in PER_SET else [""])
    ]


def missing(batch: Batch) -> list[tuple[str, str]]:
    """The required marks that do not stand, in order of work."""
    standing = marks(batch.log)
    return [need for need in required(batch) if need not in standing]


def gas_risk(log: tuple[Entry, ...]) -> bool:
    """Whether vinegar was on the pieces and no rinse since is confirmed: no chlorine may follow.

    Counts a vinegar answer even if it was taken back: the pieces may have been wet with it.
    """
    taken_back = {e.voids for e in log if e.kind == "taken_back"}
    risk = False
    for entry in log:
        if entry.kind == "answered" and entry.mark in ("vinegar_started", "vinegar_out"):
            risk = True
        elif entry.kind == "answered" and entry.mark == "vinegar_rinsed":
            risk = risk and entry.n in taken_back
    return risk


def exposed_seconds(start: Entry, end: Entry) -> float:
    """How long an exposure lasted, by whichever of the two clocks says less.

    The server's running time counts only where both ends were seen by the same boot of one host.
    """
    wall = (end.at - start.at).total_seconds()
    if start.tick and end.tick and start.tick[0] == end.tick[0]:
        running = end.tick[1] - start.tick[1]
        if running < wall - CLOCK_SLACK_SECONDS:
            return running
    return wall


def _chosen(standing: dict[tuple[str, str], Entry]) -> str:
    entry = standing.get(("method", ""))
    return str(entry.facts.get("method", "")) if entry else ""


def _remaining(batch: Batch) -> list[BatchSet]:
    gone = {e.set_id for e in effective(batch.log) if e.kind == "aside"}
    return [s for s in batch.sets if s.id not in gone]


def _record(batch: Batch, protocol: Protocol) -> Iterator[Finding]:
    """The log itself: whole, in order, on this protocol."""
    if not batch.log or batch.log[0].kind != "opened":
        yield Finding("no_log", BEFORE[0])
    whole = [e.n for e in batch.log] == list(range(len(batch.log)))
    if not whole or list(batch.remaining) != _remaining(batch):
        yield Finding("log_gap", BEFORE[0])
    if batch.protocol != protocol.id or not protocol.for_release:
        yield Finding("other_protocol", BEFORE[0], values={"protocol": batch.protocol})
    if not _remaining(batch):
        yield Finding("no_set", BEFORE[0])
    if len({s.id for s in batch.sets}) != len(batch.sets):
        yield Finding("same_set_twice", BEFORE[0])


def _marks(batch: Batch) -> Iterator[Finding]:
    """Each required mark there, none made before the one it follows."""
    standing = marks(batch.log)
    earlier: list[Entry] = []
    # Sets of one batch may be counted and tested in any order among themselves.
    for mark, needs in groupby(required(batch), key=lambda need: need[0]):
        here: list[Entry] = []
        for _, set_id in needs:
            entry = standing.get((mark, set_id))
            if entry is None:
                yield Finding("missing", mark, set_id, {"what": mark})
                continue
            here.append(entry)
            if any(entry.n < e.n or entry.at < e.at for e in earlier):
                yield Finding("out_of_order", mark, set_id, {"what": mark})
        earlier += here


def _vinegar(batch: Batch) -> Iterator[Finding]:
    if gas_risk(batch.log):
        yield Finding("vinegar_not_rinsed", "vinegar_rinsed")
        return
    standing = marks(batch.log)
    rinsed, start = standing.get(("vinegar_rinsed", "")), standing.get(("exposure_started", ""))
    if rinsed and start and rinsed.n > start.n:
        yield Finding("vinegar_not_rinsed", "soak_dry")


def _method(
    batch: Batch, protocol: Protocol, standing: dict[tuple[str, str], Entry]
) -> Iterator[Finding]:
    if ("method", "") not in standing:
        return  # said already
    method = _chosen(standing)
    if method not in BY_METHOD:
        yield Finding("unknown_method", "method", values={"method": method})
        return
    if method not in batch.facility_methods:
        yield Finding("method_not_here", "method", values={"method": method})
    for reprocessed in _remaining(batch):
        if method not in reprocessed.methods:
            yield Finding("method_not_allowed", "method", reprocessed.id, {"method": method})
    if batch.altitude_m > protocol.values.get(f"{method}.max_altitude_m", float("inf")):
        yield Finding("too_high", "method", values={"method": method})


def _exposure(
    batch: Batch, protocol: Protocol, standing: dict[tuple[str, str], Entry]
) -> Iterator[Finding]:
    start, end = standing.get(("exposure_started", "")), standing.get(("exposed", ""))
    method = _chosen(standing)
    if start is None or end is None or method not in BY_METHOD:
        return
    cycle = standing.get(("cycle", ""))
    try:
        need = protocol.exposure_seconds(
            method, str(cycle.facts.get("cycle", "")) if cycle else "", batch.hasten
        )
    except KeyError:
        yield Finding("unknown_cycle", "cycle")
        return
    lasted = exposed_seconds(start, end)
    if lasted < need:
        yield Finding(
            "too_short",
            "exposure_started",
            values={
                "lasted": int(lasted * batch.hasten // 60),
                "need": int(need * batch.hasten // 60),
            },
        )


def _values(
    batch: Batch, protocol: Protocol, standing: dict[tuple[str, str], Entry]
) -> Iterator[Finding]:
    """Counts and readings against what they must be."""
    for counted in _remaining(batch):
        entry = standing.get(("counted", counted.id))
        if entry and entry.facts.get("value") != counted.pieces:
            yield Finding("count_wrong", "counted", counted.id, {"need": counted.pieces})
    strength = standing.get(("solution_strength", ""))
    if strength and _chosen(standing) == "chlorine":
        value = strength.facts.get("value")
        target = protocol["chlorine.target_percent"]
        if not isinstance(value, int | float) or not value >= target:
            yield Finding("solution_weak", "solution_fresh", values={"need": target})
        if not (fresh := standing.get(("solution_fresh", ""))) or not fresh.said:
            yield Finding("missing", "solution_fresh", values={"what": "solution_fresh"})
        else:
            yield from _solution_age(protocol, standing, fresh)
    yield from _cycle(batch, protocol, standing)


def _solution_age(
    protocol: Protocol, standing: dict[tuple[str, str], Entry], fresh: Entry
) -> Iterator[Finding]:
    """A solution called fresh long before the soak began is not fresh any more."""
    start = standing.get(("exposure_started", ""))
    if start and _hours(fresh, start.at) > protocol["chlorine.solution_life_hours"]:
        yield Finding("solution_old", "solution_fresh")


def solution_stale(batch: Batch, protocol: Protocol, now: datetime) -> bool:
    """Whether the solution that was called fresh is past its life by *now*."""
    fresh = marks(batch.log).get(("solution_fresh", ""))
    return bool(fresh and _hours(fresh, now) > protocol["chlorine.solution_life_hours"])


def _hours(since: Entry, until: datetime) -> float:
    return (until - since.at).total_seconds() / 3600


def contradicts(celsius: object, kpa: object, altitude_m: float, protocol: Protocol) -> bool:
    """Whether a thermometer (C) and a gauge (kPa) cannot both be right about saturated steam.

    Colder than the pressure says is air in the chamber; either way one of the two is wrong.
    """
    if not isinstance(celsius, int | float) or not isinstance(kpa, int | float):
        return False
    try:
        steam = steam_temp_c(kpa, altitude_m)
    except ValueError:  # no pressure that steam can have here
        return True
    return not abs(celsius - steam) <= protocol["autoclave.tolerance_c"]


def _cycle(
    batch: Batch, protocol: Protocol, standing: dict[tuple[str, str], Entry]
) -> Iterator[Finding]:
    chosen = standing.get(("cycle", ""))
    if chosen is None or _chosen(standing) != "autoclave":
        return
    cycle = protocol.cycle(str(chosen.facts.get("cycle", "")))
    if cycle is None:
        return  # said already
    if cycle.machine != batch.autoclave:
        yield Finding("unknown_cycle", "cycle")
    least = {
        "read_temperature": cycle.celsius,
        "read_pressure": protocol.gauge_kpa(cycle, batch.altitude_m),
        "read_minutes": cycle.minutes,
    }
    for mark, need in least.items():
        entry = standing.get((mark, ""))
        value = entry.facts.get("value") if entry else None
        if entry and (not isinstance(value, int | float) or not value >= need):
            yield Finding("cycle_short", "exposure_started", values={"what": mark, "need": need})
    celsius, kpa = (
        entry.facts.get("value") if entry else None
        for entry in (standing.get(("read_temperature", "")), standing.get(("read_pressure", "")))
    )
    if contradicts(celsius, kpa, batch.altitude_m, protocol):
        yield Finding("cycle_contradicts", "exposure_started")
