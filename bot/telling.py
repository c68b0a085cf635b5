"""What a stage graph's reasons come to: a line in the log of the batch, and an alert."""

from __future__ import annotations

from bot.alerting import raise_alert
from bot.answering import Answered
from bot.book import write
from bot.turn import Turn
from flows.batch import Batch


def tell(turn: Turn, batch: Batch, reasons: tuple[str, ...], stage: str) -> Batch:
    """Raise an alert for each reason, one for the same reason at the same stage of a batch."""
    for reason in reasons:
        rule = turn.rules.alerts.for_reason(reason)
        if batch.practice or rule is None:
            continue
        # Refusing a step and then giving it up is one matter.
        same = {"refused", "given_up"} if reason == "given_up" else {reason}
        told = [e for e in batch.log if e.kind == "told" and e.facts.get("of") == stage]
        known = next((e.mark for e in told if e.mark in same), "")
        if not known:
            batch = write(batch, turn.said(), "told", mark=reason, facts={"of": stage})
        raise_alert(
            turn, rule.id, f"{batch.id} {known or reason} {stage}", batch,
            by=turn.person.id if turn.person else "",
            facts={"sets": batch.names, "step": stage, "reason": reason},
        )  # fmt: skip
    return batch


def tell_habits(turn: Turn, before: Batch, after: Batch, done: Answered) -> None:
    """What no single answer tells: "out" said too early again and again, pieces that went into a
    solution past its time."""
    by = turn.person.id if turn.person else ""
    facts = {"sets": after.names}
    stages = turn.book(after).flow.stages
    new = [e for e in after.log[len(before.log) :] if e.kind == "again"]
    if any(
        e.mark == "solution_fresh" and stages[e.stage].forward.mark == "exposure_started"
        for e in new
    ):
        raise_alert(turn, "solution", after.id, after, by=by, facts=facts)
    rule = turn.rules.alerts.rule("early")
    if done.how == "early" and rule:
        start = max((e.n for e in after.log if e.mark == "exposure_started"), default=0)
        times = sum(e.kind == "refused" and e.mark == "early" and e.n > start for e in after.log)
        if times >= rule.times:
            raise_alert(turn, "early", f"{after.id} {start}", after, by=by, facts=facts)
