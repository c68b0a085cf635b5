"""What was done in a batch, step by step: exposures, function tests and cycles, counted from its
log. What was taken back does not count, but for exposures broken off.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

from flows.batch import Batch, Entry, effective

# A bath in vinegar is timed like an exposure and disinfects nothing: it is not counted as one.
EXPOSURE, VINEGAR = "exposure_started", "vinegar_started"
CYCLE_REFUSED = frozenset({"cycle", "indicator", "indicator_none"})


def steps(batch: Batch) -> dict[str, int]:
    """How often each was done, by the names of `flows.indicators.MEASURES`."""
    log = effective(batch.log)
    begun = {e.n for e in log if e.kind == "answered" and e.mark == EXPOSURE}
    cut = _cut_short(batch.log)
    passed = sum(e.kind == "answered" and e.mark == "tested" for e in log)
    failed = sum(bool(e.set_id) and again == "assembled" for e, again in _sent_back(log))
    return {
        "exposures": len(begun | cut), "cut_short": len(cut), "early": _early(batch.log),
        "tests": passed + failed, "tests_failed": failed,
        "cycles_good": _cycles_good(log), "cycles_refused": _cycles_refused(log),
    }  # fmt: skip


def _sent_back(log: Iterable[Entry]) -> Iterator[tuple[Entry, str]]:
    """Each answer after which something must be done again, with the mark from which."""
    for entry, after in pairwise(log):
        if entry.kind == "answered" and after.kind == "again" and after.n == entry.n + 1:
            yield entry, after.mark


def _cut_short(log: Iterable[Entry]) -> set[int]:
    """The lines with which exposures began that were broken off: they did begin, whatever is taken
    back afterwards."""
    found: set[int] = set()
    last: int | None = None
    for entry in log:
        if entry.kind == "answered" and entry.mark == EXPOSURE:
            last = entry.n
        elif entry.kind == "interrupted" and entry.mark == EXPOSURE:
            found.add(entry.n if last is None else last)
    return found


def _early(log: Iterable[Entry]) -> int:
    count, last = 0, ""
    for entry in log:
        if entry.kind == "answered" and entry.mark in (EXPOSURE, VINEGAR):
            last = entry.mark
        elif entry.kind == "refused" and entry.mark == "early":
            count += last != VINEGAR
    return count


def _cycles_good(log: Iterable[Entry]) -> int:
    """Cycles of which every reading passed and whose load came out dry, each once: a pack that was
    found wet afterwards is dried, and its cycle is not judged again."""
    found: set[int] = set()
    judged = -1
    for entry in log:
        if entry.kind == "answered" and entry.mark == "indicator":
            judged = entry.n
        elif entry.kind == "answered" and entry.mark == "cooled":
            found.add(judged)
    return len(found)


def _cycles_refused(log: tuple[Entry, ...]) -> int:
    told = {e.n for e in log if e.kind == "answered" and e.facts.get("reason") in CYCLE_REFUSED}
    return len(told | {e.n for e, again in _sent_back(log) if again == "loaded"})
