"""Which steps of a batch were missed, read from its log: at which stage, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from flows.batch import Batch, Entry, effective

# Why a step counts as missed. The first are what the graph itself tells those above.
REASONS: Mapping[str, str] = {
    "shortened": "the exposure was broken off before its time",
    "refused": "somebody would not do the step",
    "given_up": "the batch was given up",
    "no_method": "no method of disinfection was possible",
    "test": "the function test failed",
    "missing": "a piece was missing",
    "damaged": "a piece was damaged",
    "cycle": "the autoclave's cycle was too weak or too short",
    "indicator": "the indicator did not change",
    "indicator_none": "no indicator was in the load",
    "supplies": "something was used up",
    "early": "out was said before the time was over",
    "again": "it had to be done again",
    "unproven": "READY was asked for and the log did not prove it",
}

EXPOSURES = ("exposure_started", "vinegar_started")
TESTED_FROM = "assembled"  # the mark from which a set is made again whose test failed
Miss = tuple[str, str]
MOST_LETTERS = 40


def misses(batch: Batch) -> tuple[Miss, ...]:
    """The steps missed as (stage, reason), each once, in order of names.

    What was taken back does not count, but for exposures broken off; nor does a batch that was
    begun by mistake.
    """
    if batch.outcome == "cancelled":
        return ()
    return tuple(sorted(set(_found(effective(batch.log)))))


def _found(log: tuple[Entry, ...]) -> Iterator[Miss]:
    before: Entry | None = None  # the answer that an entry follows from
    for entry in log:
        if entry.kind == "answered":
            before = entry
        reason = _word(_reason(entry, before))
        if reason:
            yield _word(_stage(entry, before)), reason


def _word(text: str) -> str:
    """*text* as a word that can be a key anywhere: a log may come from elsewhere."""
    return "".join(c for c in text if c.isprintable() and c not in " :")[:MOST_LETTERS]


def _reason(entry: Entry, before: Entry | None) -> str:
    if entry.kind in ("answered", "aside"):
        return str(entry.facts.get("reason", ""))
    if entry.kind == "interrupted":
        # Loads that are called back are interrupted too, whole exposures among them.
        return "shortened" if entry.mark in EXPOSURES else "again"
    if entry.kind == "again":
        return _repeated(entry, before)
    marked = {("refused", "early"): "early", ("checked", "refused"): "unproven"}
    return marked.get((entry.kind, entry.mark), "")


def _repeated(entry: Entry, before: Entry | None) -> str:
    # What has its own reason, or follows from a release that was refused, is told once.
    if before is None or entry.n != before.n + 1 or before.facts.get("reason"):
        return ""
    if entry.mark == TESTED_FROM:
        return "test" if before.set_id else ""  # a test of one set, or what follows it
    return "again"


def _stage(entry: Entry, before: Entry | None) -> str:
    """The stage on the path: a side question belongs to the step that it was asked at."""
    follows = entry.kind in ("aside", "again") or (
        entry.kind == "interrupted" and entry.mark not in EXPOSURES)
    known = before if follows and before else entry
    return str(known.facts.get("detour", "")) or known.stage
