"""What somebody must hear of: rules as data, from alerts/*.toml. Nothing in them moves a batch.

A rule says how long a matter may last before it is one, how urgent it is, and who is told in which
order. The files that ship are common practice; a programme sets its own.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from typing import Any, Literal, get_args

from flows.stage import Flow

__all__ = [
    "RULES", "AlertRule", "AlertRules", "AlertStep", "AlertsError", "Level", "check", "load",
    "parse",
]  # fmt: skip

Level = Literal["now", "soon", "morning"]
To = Literal["nurse", "colleague", "in_charge", "supervisor"]

# Every matter that the conversation can raise; a file may leave one out, never invent one.
RULES = (
    "step", "piece", "load", "recall", "supplies", "danger", "solution", "still", "left_in",
    "undelivered", "unstarted", "none_ready", "few_ready", "expired", "silent", "early", "check",
    "found",
)  # fmt: skip
MOST_MINUTES = 60 * 24 * 31
MOST_STEPS = 8


class AlertsError(ValueError):
    """A file of alert rules that may not be used; the text says why."""


@dataclass(frozen=True, slots=True)
class AlertStep:
    """Who is told next if nobody answered within so many minutes of the step before."""

    to: To
    after_minutes: float


@dataclass(frozen=True, slots=True)
class AlertRule:
    """One matter. *after_minutes*: how long it may last; *reasons*: what a stage graph calls it;
    *patience_minutes*: by stage, else by phase; *times*: how often it may happen before it is one.
    """

    id: str
    level: Level
    steps: tuple[AlertStep, ...]
    after_minutes: float = 0
    reasons: tuple[str, ...] = ()
    patience_minutes: Mapping[str, float] = field(default_factory=dict)
    times: int = 1
    breaks_silence: bool = False

    def patience(self, stage: str, phase: str) -> float | None:
        """Minutes that a batch may stand at *stage* of *phase*; None where nobody said."""
        return self.patience_minutes.get(stage, self.patience_minutes.get(phase))


@dataclass(frozen=True, slots=True)
class AlertRules:
    """Every rule in force, and the hours in which those who sleep are let sleep."""

    name: str = "none"
    version: str = "0"
    rules: Mapping[str, AlertRule] = field(default_factory=dict)
    quiet_from: time = time.min
    quiet_until: time = time.min
    digest_after_minutes: float = 0

    def rule(self, rule_id: str) -> AlertRule | None:
        """The rule for a matter, or None where the programme watches for no such thing."""
        return self.rules.get(rule_id)

    def for_reason(self, reason: str) -> AlertRule | None:
        """The rule that a reason of the stage graph falls under."""
        return next((r for r in self.rules.values() if reason in r.reasons), None)

    def quiet(self, local: time) -> bool:
        """Whether *local* lies in the quiet hours, which may go over midnight."""
        if self.quiet_from <= self.quiet_until:
            return self.quiet_from <= local < self.quiet_until
        return local >= self.quiet_from or local < self.quiet_until


def check(rules: AlertRules, flow: Flow, prompts: Collection[str]) -> list[str]:
    """What is wrong with *rules* for a graph and its texts, a sentence each.

    A matter that no rule names is no mistake: the programme does not watch for it. A reason of the
    graph under no rule is one: what it tells of would be told to nobody.
    """
    stages = flow.stages.values()
    reasons = {o.tell for s in stages for o in s.options.values() if o.tell}
    places = {s.id for s in stages} | {s.phase for s in stages}
    found = [f"alerts: nobody is told of {r}" for r in sorted(reasons) if not rules.for_reason(r)]
    for rule in rules.rules.values():
        strange = [r for r in rule.reasons if r not in reasons]
        found += [f"alert {rule.id}: no stage tells of {r}" for r in strange]
        found += [
            f"alert {rule.id}: {place} is no stage and no phase"
            for place in rule.patience_minutes
            if place not in places
        ]
        found += [
            f"alert {rule.id}: text {key} is missing"
            for key in (f"alert.{rule.id}", f"alert.name.{rule.id}")
            if key not in prompts
        ]
    return found


def load(path: Path) -> AlertRules:
    """The rules in the file at *path*. Raises AlertsError, OSError."""
    return parse(path.read_text(encoding="utf-8"))


def parse(text: str) -> AlertRules:
    """The rules in *text* (TOML); AlertsError says in a sentence what is wrong."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise AlertsError(f"not TOML: {error}") from None
    rules = [_rule(row) for row in _rows(data, "rules")]
    ids = [r.id for r in rules]
    reasons = [reason for r in rules for reason in r.reasons]
    for what, names in (("rule", ids), ("reason", reasons)):
        if twice := sorted({n for n in names if names.count(n) > 1}):
            raise AlertsError(f"{what} {twice[0]} is there twice")
    quiet = data.get("quiet")
    if not isinstance(quiet, dict):
        raise AlertsError("quiet is missing: from and until, as in 20:00")
    return AlertRules(
        name=_word(data, "name"), version=_word(data, "version"),
        rules={r.id: r for r in rules},
        quiet_from=_time(quiet, "from"), quiet_until=_time(quiet, "until"),
        digest_after_minutes=_minutes(quiet, "digest_after_minutes", "quiet"),
    )  # fmt: skip


def _rows(data: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    rows = data.get(key)
    if not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
        raise AlertsError(f"{key} is not a list of tables")
    return rows


def _rule(row: Mapping[str, Any]) -> AlertRule:
    rule_id = _word(row, "id")
    if rule_id not in RULES:
        raise AlertsError(f"rule {rule_id}: there is no such matter; use {', '.join(RULES)}")
    known = {"id", "level", "steps", "after_minutes", "reasons", "patience_minutes", "times",
             "breaks_silence", "source"}  # fmt: skip
    if unknown := sorted(row.keys() - known):
        raise AlertsError(f"rule {rule_id}: {unknown[0]} means nothing here")
    level: Any = row.get("level")
    if level not in get_args(Level):
        raise AlertsError(f"rule {rule_id}: level must be one of {', '.join(get_args(Level))}")
    reasons, patience = row.get("reasons", []), row.get("patience_minutes", {})
    if not isinstance(reasons, list) or not all(isinstance(r, str) for r in reasons):
        raise AlertsError(f"rule {rule_id}: reasons is not a list of words")
    if not isinstance(patience, dict):
        raise AlertsError(f"rule {rule_id}: patience_minutes is not a table")
    times = row.get("times", 1)
    if not isinstance(times, int) or isinstance(times, bool) or times < 1:
        raise AlertsError(f"rule {rule_id}: times must be a whole number from 1 on")
    return AlertRule(
        id=rule_id, level=level, steps=_steps(row, rule_id),
        after_minutes=_minutes({"after_minutes": 0, **row}, "after_minutes", rule_id),
        reasons=tuple(reasons),
        patience_minutes={k: _minutes(patience, k, rule_id) for k in patience},
        times=times, breaks_silence=row.get("breaks_silence") is True,
    )  # fmt: skip


def _steps(row: Mapping[str, Any], rule_id: str) -> tuple[AlertStep, ...]:
    steps = _rows(row, "steps")
    if not 1 <= len(steps) <= MOST_STEPS:
        raise AlertsError(f"rule {rule_id}: 1 to {MOST_STEPS} steps say who is told")
    found = []
    for step in steps:
        if step.get("to") not in get_args(To):
            raise AlertsError(f"rule {rule_id}: to must be one of {', '.join(get_args(To))}")
        found.append(AlertStep(step["to"], _minutes(step, "after_minutes", rule_id)))
    return tuple(found)


def _word(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key)
    if not isinstance(value, str) or not value.strip():
        raise AlertsError(f"{key} is missing")
    return value.strip()


def _minutes(data: Mapping[str, Any], key: str, where: str) -> float:
    value = data.get(key)
    number = isinstance(value, int | float) and not isinstance(value, bool)
    minutes = float(value) if number and value is not None else -1.0
    if not 0 <= minutes <= MOST_MINUTES:  # also false for nan
        raise AlertsError(f"{where}: {key} must be minutes from 0 to {MOST_MINUTES}")
    return minutes


def _time(data: Mapping[str, Any], key: str) -> time:
    try:
        return time.fromisoformat(str(data.get(key, "")))
    except ValueError:
        raise AlertsError(f"quiet: {key} must be a time of day, as in 20:00") from None
