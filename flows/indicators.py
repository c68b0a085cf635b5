"""What is counted, and what the counts are set against: every measure and every indicator.

A measure is a whole number that is added up over days, facilities and methods. An indicator is one
measure over another, or a measure alone, or a percentile of times. Nothing else is counted
anywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

# A shift check done so long after its time is still in time. Common practice, no source.
ON_TIME_MINUTES = 60.0

# Measures by the document they come from. Each is counted on one local day of its facility: a
# batch's beginning on the day it was opened, all else of it on the day it closed; an alert, a text,
# a shift check and a solution on the day it was raised, written, due and made.
OPENED = {
    "started": "batches begun",
    "sets_begun": "sets in the batches begun: uses that were reprocessed",
    "bags_begun": "of these sets, bags",
    "suctions_begun": "of these sets, suction devices",
    "unfinished": "batches begun that are not over by now",
}
CLOSED = {
    "batches": "batches that ended, in any way",
    "released": "batches that ended with their sets READY",
    "set_aside": "batches that ended with every set SET ASIDE",
    "cancelled": "batches that were begun by mistake",
    "sets": "sets in the batches that ended",
    "sets_ready": "sets that became READY",
    "aside": "sets that were SET ASIDE",
    "segments": "segments of the texts about the batches that ended",
    "late": "batches that were done on paper and told afterwards, but for those begun by mistake",
    "missed": "batches that ended in which a step was missed, but for those begun by mistake",
    "timed": "batches that ended READY, those told from paper left out",
    "timed_minutes": "minutes that these took from the report of a use to READY",
    "exposures": "exposures begun that disinfect or sterilise: not those to vinegar",
    "cut_short": "of these, those broken off",
    "early": "times that somebody said out of one before its time was over",
    "tests": "function tests made",
    "tests_failed": "function tests failed",
    "pieces_missing": "sets SET ASIDE for a missing piece with no spare for it",
    "pieces_damaged": "sets SET ASIDE for a damaged piece with no spare for it",
    "cycles_good": "autoclave cycles accepted, the load dry",
    "cycles_refused": "autoclave cycles refused: too weak or short, no indicator that changed, or "
                      "the load wet",
}
CHECKED = {
    "checks_due": "shift checks due",
    "checks_done": "shift checks done of those due",
    "checks_on_time": "shift checks done within the time allowed",
    "uses_asked": "shift checks done at which somebody said how many uses there were",
    "uses_said": "uses that were reported at those checks",
    "uses_counted": "sets that came back used in the same times",
    "births": "births reported at shift checks done",
    "helped": "of these, newborns helped with a bag",
}
RAISED = {
    "alerts": "alerts raised",
    "alerts_answered": "alerts that somebody answered: seen, taken, solved or asked about",
    "alerts_over": "alerts that ended by themselves before anybody answered",
    "recalls": "times that sets were called back from a load in doubt",
}
SENT = {
    "messages": "texts written",
    "message_segments": "segments of these texts",
    "messages_sent": "texts that the gateway took",
    "messages_delivered": "texts of which a phone's receipt came",
    "messages_lost": "texts that were refused, failed or let go",
}
EMPTY = {"empty_minutes": "minutes in which no set of a kind was READY"}
MIXED = {
    "mixed": "solutions made",
    "outlived": "solutions that were not thrown away by the end of their life",
}
MEASURES: Mapping[str, str] = {
    **OPENED, **CLOSED, **CHECKED, **RAISED, **SENT, **EMPTY, **MIXED,
}  # fmt: skip

# What the register and the calendar say, at the time of asking.
EXPECTED: Mapping[str, str] = {
    "observed_minutes": "minutes of facilities and kinds of sets, since each was first heard of",
    "reports": "months of facilities in which anything was heard",
    "reports_due": "months of facilities in the register",
}

# Times of which percentiles are told, in minutes: what and between which two moments.
SPANS: Mapping[str, str] = {
    "use_to_wipe": "from the report of a use to the wipe",
    "use_to_ready": "from the report of a use to READY",
    "alert_to_answer": "from an alert to its first answer",
}

Unit = Literal["share", "per", "count", "minutes", "hours"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Indicator:
    """One thing that a programme looks at. *numerator* and *denominator* are sums of measures, with
    a minus before what is taken off (denominator empty: a plain count), or *span* is the time whose
    percentile *share* it is. *better*: which way is better, "" where neither is."""

    id: str
    name: str
    sentence: str
    why: str
    numerator: tuple[str, ...] = ()
    denominator: tuple[str, ...] = ()
    span: str = ""
    share: float = 0.5
    left_out: str = ""
    unit: Unit = "share"
    better: Literal["more", "less", ""] = ""


NO_PRACTICE = "practice, and batches with hastened times except in a demonstration"


def _times(span: str, name: str, why: str, left_out: str) -> tuple[Indicator, ...]:
    return tuple(
        Indicator(
            id=f"{span}_{suffix}", name=f"{name}, {word}", span=span, share=share, unit="minutes",
            sentence=f"Minutes {SPANS[span]}: {word} of all (nearest rank).", why=why,
            left_out=left_out, better="less",
        )
        for suffix, word, share in (("median", "median", 0.5), ("p90", "90th percentile", 0.9))
    )


INDICATORS: tuple[Indicator, ...] = (
    Indicator(
        id="released", name="Released of ended", numerator=("released",),
        denominator=("batches", "-cancelled"), better="more",
        sentence="Batches that ended READY, of all that ended.",
        left_out=f"batches begun by mistake; {NO_PRACTICE}",
        why="A set that is not READY in the end is missing at the next birth.",
    ),
    Indicator(
        id="set_aside", name="Set aside of ended", numerator=("set_aside",),
        denominator=("batches", "-cancelled"), better="less",
        sentence="Batches that ended with every set SET ASIDE, of all that ended.",
        left_out=f"batches begun by mistake; {NO_PRACTICE}",
        why="Shows broken equipment, missing pieces and supplies.",
    ),
    Indicator(
        id="unfinished", name="Abandoned", numerator=("unfinished",), denominator=("started",),
        better="less", sentence="Batches begun and not over by now, of all that were begun.",
        left_out=f"nothing: those of today may still be under way; {NO_PRACTICE}",
        why="A batch that nobody ends leaves its sets out of use, and nobody knows it.",
    ),
    Indicator(
        id="missed", name="A step missed", numerator=("missed",),
        denominator=("batches", "-cancelled"), better="less",
        sentence="Batches in which a step was left out, cut short, refused or had to be done "
                 "again, of all that ended.",
        left_out=f"answers that were taken back at once; {NO_PRACTICE}",
        why="Where a step is missed again and again, people need help and not another reminder.",
    ),
    Indicator(
        id="cut_short", name="Exposures cut short", numerator=("cut_short",),
        denominator=("exposures",), better="less",
        sentence="Exposures that were broken off, of all that were begun.",
        left_out=f"vinegar; {NO_PRACTICE}",
        why="A short exposure does not disinfect; it was begun again.",
    ),
    Indicator(
        id="early", name="Out said too early", numerator=("early",), denominator=("exposures",),
        unit="per", better="less",
        sentence="How often out was said before the time was over, for each exposure begun.",
        left_out=f"vinegar; {NO_PRACTICE}", why="Shows haste, or a clock that nobody believes.",
    ),
    Indicator(
        id="tests_failed", name="Function tests failed", numerator=("tests_failed",),
        denominator=("tests",), better="less",
        sentence="Function tests that failed, of all that were made.",
        left_out=NO_PRACTICE, why="Says how soon spare parts and new sets are needed.",
    ),
    Indicator(
        id="pieces_missing", name="Pieces missing", numerator=("pieces_missing",),
        denominator=("sets",), better="less",
        sentence="Sets that were SET ASIDE because a piece was missing, of all sets in batches "
                 "that ended.",
        left_out=f"pieces for which there was a spare; {NO_PRACTICE}",
        why="A set without one piece cannot help a newborn.",
    ),
    Indicator(
        id="reprocessed", name="Uses that came back", numerator=("uses_counted",),
        denominator=("uses_said",), better="more",
        sentence="Sets that came back used, of the uses reported at the shift checks of the same "
                 "times. It can be more than all.",
        left_out="times between checks of which nobody said how many uses there were",
        why="A use that never came back was not reprocessed, or not told.",
    ),
    *_times("use_to_wipe", "Use to wipe", "Soil that dries is hard to wash off.",
            "batches told from paper; batches never wiped"),
    *_times("use_to_ready", "Use to READY", "Until then the set is missing.",
            "batches told from paper; batches that did not end READY"),
    Indicator(
        id="empty", name="Hours without a READY set", numerator=("empty_minutes",),
        denominator=("observed_minutes",), better="less",
        sentence="Time in which no set of a kind was READY, of all time of facilities and kinds "
                 "that were heard of.",
        left_out="time before a facility was first heard of",
        why="A birth in that time finds nothing.",
    ),
    Indicator(
        id="checks", name="Shift checks done", numerator=("checks_done",),
        denominator=("checks_due",), better="more",
        sentence="Shift checks done, of those that were due.",
        left_out="checks between the times", why="Nobody sees an open or missing set otherwise.",
    ),
    Indicator(
        id="timeliness", name="Timeliness", numerator=("checks_on_time",),
        denominator=("checks_due",), better="more",
        sentence="Shift checks done within the time allowed, of those that were due (of those "
                 "expected, not of those received).",
        left_out="checks between the times", why="A late check sees the set after the birth.",
    ),
    Indicator(
        id="completeness", name="Completeness", numerator=("reports",),
        denominator=("reports_due",), better="more",
        sentence="Months of facilities in which anything was heard, of all months of facilities in "
                 "the register.",
        left_out="nothing", why="A facility that is silent is not a facility without uses.",
    ),
    Indicator(
        id="late", name="Told late", numerator=("late",), denominator=("batches", "-cancelled"),
        sentence="Batches that were done on paper and told afterwards, of all that ended.",
        left_out=NO_PRACTICE, why="Shows where the network or the phone fails.",
    ),
    Indicator(
        id="cycles_refused", name="Autoclave cycles refused", numerator=("cycles_refused",),
        denominator=("cycles_refused", "cycles_good"), better="less",
        sentence="Autoclave cycles that were refused, of all cycles judged.",
        left_out=NO_PRACTICE, why="Shows a machine, or a way of loading, that does not sterilise.",
    ),
    Indicator(
        id="recalls", name="Recalls", numerator=("recalls",), unit="count", better="less",
        sentence="Times that sets were called back from a load in doubt.",
        left_out="spore tests after which no set had to come back",
        why="Each may have reached a newborn.",
    ),
    Indicator(
        id="outlived", name="Solutions outlived", numerator=("outlived",), denominator=("mixed",),
        better="less",
        sentence="Solutions that nobody threw away or made anew by the end of their life, of all "
                 "that were made by MIX.",
        left_out="solutions that were made without MIX", why="An old solution does not disinfect.",
    ),
    Indicator(
        id="answered", name="Alerts answered", numerator=("alerts_answered",),
        denominator=("alerts", "-alerts_over"), better="more",
        sentence="Alerts that somebody answered, of all that did not end by themselves before.",
        left_out="alerts over before an answer", why="An alert that nobody answers helps nobody.",
    ),
    *_times("alert_to_answer", "Alert to answer", "What waits, goes wrong again.",
            "alerts that nobody answered"),
    Indicator(
        id="delivered", name="Texts delivered", numerator=("messages_delivered",),
        denominator=("messages",), better="more",
        sentence="Texts of which a receipt came, of all that were written.",
        left_out="texts to strangers, log-in codes; gateways without receipts show none",
        why="A bell that does not arrive is a soak that nobody ends.",
    ),
    Indicator(
        id="segments", name="Segments for each batch", numerator=("message_segments",),
        denominator=("started",), unit="per", better="less",
        sentence="Segments of all texts, for each batch begun.",
        left_out="texts to strangers, log-in codes",
        why="Segments are what the programme pays for.",
    ),
)  # fmt: skip
BY_ID: Mapping[str, Indicator] = {one.id: one for one in INDICATORS}


def total(measures: Mapping[str, int], names: tuple[str, ...]) -> int:
    """The sum of the measures *names*, those with a minus taken off."""
    return sum(-measures[n[1:]] if n.startswith("-") else measures[n] for n in names)
