"""What a person may see of alerts and facilities, as rows for a text: her list, one alert, what is
READY, late, done today. A supervisor sees what the facilities of her district show."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import NamedTuple, get_args
from zoneinfo import ZoneInfo

from bot.alert import Alert, Ended
from bot.alert_words import described, label, short_name, what
from bot.effects import Day, Prompt, Shown
from bot.model import Standing, Underway
from bot.turn import Turn
from flows.alerting import Level
from flows.batch import Kind, short
from flows.supervision import LATE

ANSWERS = ("seen", "taken", "solved", "asked", "passed")  # what a person answers to an alert
LINES = 4  # of an alert's history, the newest first
WORD_SHOWN = 50  # characters of a word in a list; whoever it was for had it whole
CONDITIONS = ("READY", "IN PROCESS", "USED", "SET ASIDE", "EXPIRED")


class Row(NamedTuple):
    """One row of a list: what a digit picks, and its text."""

    id: str
    text: Prompt | str


# ---- alerts --------------------------------------------------------------------------------------


def alerts(turn: Turn) -> list[Alert]:
    """Every open alert that this person sees: those that wait for her first, then the most urgent,
    then the oldest."""
    found = [*turn.unit.alerts.values(), *(a for s in turn.unit.board.values() for a in s.alerts)]
    me = turn.person.id if turn.person else ""

    def order(alert: Alert) -> tuple[bool, bool, bool, int, datetime]:
        rule = turn.rules.alerts.rule(alert.rule)
        level = get_args(Level).index(rule.level) if rule else len(get_args(Level))
        waits = waits_for(alert, me)
        return (not waits, alert.state != "open", me not in alert.told, level, alert.at)

    return sorted((a for a in found if not a.closed), key=order)


def find(turn: Turn, code: str) -> Alert | None:
    """The open alert of that *code*, or None."""
    return next((a for a in alerts(turn) if a.id.upper() == code.upper()), None)


def ended(turn: Turn) -> list[Ended]:
    """The alerts that were closed last, here or in the district."""
    return [*turn.unit.watch.ended, *(e for s in turn.unit.board.values() for e in s.ended)]


def waits_for(alert: Alert, person_id: str) -> bool:
    """Whether she was told of it, nobody answered, and she herself did not pass it on since."""
    if alert.state != "open":
        return False
    hers = [line.what for line in alert.history if line.by == person_id]
    heard = [n for n, deed in enumerate(hers) if deed == "told"]
    return bool(heard) and not any(deed in ANSWERS for deed in hers[heard[-1] :])


def told_at(alert: Alert, person_id: str) -> datetime:
    """When she was told of it last; ValueError where she never was."""
    return max(e.at for e in alert.history if e.by == person_id and e.what == "told")


def name_of(turn: Turn, facility: str, person_id: str) -> str:
    """The first name of whoever has this register id, at a facility or above it; "" if unknown."""
    person = turn.unit.site.by_id(person_id)
    if person:
        return short_name(person.name)
    shown = turn.unit.board.get(facility)
    return short_name(shown.names.get(person_id, "")) if shown else ""


def said_of(turn: Turn, alert: Alert) -> Prompt:
    """The matter of *alert* in a sentence."""
    return described(alert, name_of(turn, alert.facility, alert.by))


def _alert_rows(turn: Turn) -> list[Row]:
    return [Row(a.id, _held(turn, a)) for a in alerts(turn)]


def _held(turn: Turn, alert: Alert) -> Prompt:
    """An alert in a list, with who sees to it."""
    takers = [e.by for e in alert.history if e.what in ("taken", "asked")]
    if alert.state != "taken" or not takers:
        return label(alert)
    name = name_of(turn, alert.facility, takers[-1]) or "?"
    return Prompt("alert.label_held", {"code": alert.id, "what": what(alert), "name": name})


def _one_alert(turn: Turn) -> list[Row]:
    """The alert that her screen is about: what, since when, how often, and what was said of it."""
    alert = find(turn, turn.talk.about)
    if alert is None:
        return []
    rows: list[Shown] = [said_of(turn, alert), Prompt("alert.since", {"since": Day(alert.at)})]
    if alert.count > 1:
        rows.append(Prompt("alert.times", {"times": alert.count}))
    said = [e for e in reversed(alert.history) if e.what not in ("told", "over")]
    for line in said[:LINES]:
        name = name_of(turn, alert.facility, line.by) or "?"
        values: dict[str, Shown] = {"name": name, "word": line.word[:WORD_SHOWN]}
        rows.append(Prompt(f"alert.line.{line.what}", values))
    return [Row("", row) for row in rows if isinstance(row, Prompt)]


# ---- facilities ----------------------------------------------------------------------------------


def _standings(turn: Turn) -> list[Standing]:
    return [turn.unit.board[i] for i in sorted(turn.unit.board)]


def ready(standing: Standing, now: datetime) -> Mapping[Kind, tuple[int, int]]:
    """Of each kind, how many sets are READY at *now*, and how many there are."""
    found: dict[Kind, tuple[int, int]] = {}
    for kind, state in standing.sets:
        good, every = found.get(kind, (0, 0))
        found[kind] = (good + (state.now(now) == "READY"), every + 1)
    return found


def _ready_rows(turn: Turn) -> list[Row]:
    """Facilities with none of a kind come first."""
    counts = {s.facility: ready(s, turn.now) for s in _standings(turn)}
    worst = sorted(counts, key=lambda i: (all(good for good, _ in counts[i].values()), i))
    return [Row(i, _ready_text(i, counts[i])) for i in worst]


def _ready_text(site: str, counts: Mapping[Kind, tuple[int, int]]) -> Prompt:
    if not any(good for good, _ in counts.values()):
        return Prompt("ready.none", {"site": site})
    kinds = [
        Prompt(f"ready.{kind}", {"count": good, "all": every})
        for kind, (good, every) in counts.items()
    ]
    if len(kinds) == 1:
        return Prompt("ready.one", {"site": site, "kind": kinds[0]})
    return Prompt("ready.both", {"site": site, "first": kinds[0], "second": kinds[1]})


def _overdue_rows(turn: Turn) -> list[Row]:
    """Alerts of what is late, and exposures past due that are no alert yet; the oldest first."""
    known = [a for a in alerts(turn) if a.rule in LATE]
    rows = [(a.at, Row(a.id, _overdue_text(a))) for a in known]
    told = {a.batch for a in known if a.batch}
    for shown in _standings(turn):
        for batch in shown.batches:
            if batch.due and batch.due < turn.now and batch.id not in told:
                values: dict[str, Shown] = {
                    "site": shown.facility, "sets": short(batch.sets), "since": Day(batch.due)
                }  # fmt: skip
                rows.append((batch.due, Row(batch.id, Prompt("overdue.batch", values))))
    return [row for _, row in sorted(rows, key=lambda r: r[0])]


def _overdue_text(alert: Alert) -> Prompt:
    values: dict[str, Shown] = {
        "code": alert.id, "what": what(alert), "sets": alert.facts.get("sets", ""),
        "since": Day(alert.at),
    }  # fmt: skip
    return Prompt("overdue.alert" if values["sets"] else "overdue.alone", values)


def _today_rows(turn: Turn) -> list[Row]:
    """What was done today, added up, and who said nothing yet; each facility's own day."""
    shown = _standings(turn)
    tallies = [s.tally for s in shown if s.tally.day == _day(s, turn.now).isoformat()]
    values: dict[str, Shown] = {
        "begun": sum(t.begun for t in tallies),
        "released": sum(t.released for t in tallies),
        "set_aside": sum(t.set_aside for t in tallies),
        "uses": sum(t.uses for t in tallies),
        "alerts": sum(t.alerts for t in tallies),
    }
    rows = [Row("", Prompt("today.work", values))] if shown else []
    silent = [s.facility for s in shown if not (s.heard and _day(s, s.heard) == _day(s, turn.now))]
    named = [f"{i}." if i == silent[-1] else i for i in silent]
    rows += [Row("", Prompt("today.silent", {"site": name})) for name in named[:1]]
    return rows + [Row("", name) for name in named[1:]]


def _day(standing: Standing, at: datetime) -> date:
    return at.astimezone(ZoneInfo(standing.zone)).date()


def _facility_rows(turn: Turn) -> list[Row]:
    rows = []
    for shown in _standings(turn):
        count = sum(not a.closed for a in shown.alerts)
        values: dict[str, Shown] = {"site": shown.facility, "count": count}
        rows.append(Row(shown.facility, Prompt("place", values) if count else shown.facility))
    return rows


def _one_facility(turn: Turn) -> list[Row]:
    """The facility that her screen is about: sets, batches, alerts, when a word last came."""
    shown = turn.unit.board.get(turn.talk.about)
    if shown is None:
        return []
    rows: list[Prompt | str] = [*_conditions(shown, turn.now)]
    rows += [_underway(batch) for batch in shown.batches]
    here = [a for a in alerts(turn) if a.facility == shown.facility]
    rows += [Prompt("place.alert", {"what": _held(turn, a)}) for a in here]
    heard = Prompt("place.heard", {"since": Day(shown.heard)}) if shown.heard else None
    return [Row("", row) for row in (*rows, heard or Prompt("place.never"))]


def _conditions(shown: Standing, now: datetime) -> Sequence[Prompt]:
    found = []
    for condition in CONDITIONS:
        states = [s for _, s in shown.sets if s.now(now) == condition]
        values: dict[str, Shown] = {"sets": short([s.id for s in states])}
        until = [s.expires_at for s in states if s.expires_at and condition == "READY"]
        if until:
            values["until"] = Day(min(until))
        if states:
            found.append(Prompt(f"status.{condition.lower().replace(' ', '_')}", values))
    return found


def _underway(batch: Underway) -> Prompt:
    values: dict[str, Shown] = {
        "sets": short(batch.sets), "step": Prompt(f"{batch.stage}.title")
    }  # fmt: skip
    if batch.due:
        return Prompt("place.due", {**values, "bell": batch.due})
    return Prompt("place.batch", values)


ROWS: Mapping[str, Callable[[Turn], list[Row]]] = {
    "alerts": _alert_rows,
    "alert": _one_alert,
    "ready": _ready_rows,
    "overdue": _overdue_rows,
    "today": _today_rows,
    "facilities": _facility_rows,
    "facility": _one_facility,
}
