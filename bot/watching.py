"""What nobody says and somebody must notice: each facility's own clock looks, after every turn.

Every matter here has a moment from which it is one. What is past is raised, what is no more is
over, and the timer is set for the next moment. So nothing is polled, and a facility that nobody
touches still looks at its time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from bot.alert_words import digest_prompt
from bot.alerting import find, keep, over, raise_alert, settled_key
from bot.board import moved
from bot.check_clock import RULE as CHECK
from bot.check_clock import keep_time
from bot.day_count import count_day
from bot.effects import ClearTimer, Say, SetTimer
from bot.events import Event, Heard, Rang
from bot.gaps import note
from bot.model import Unit
from bot.turn import Turn
from flows.batch import Batch, Kind, short

WATCH = "watch"  # the name of the facility's own timer; no batch has it
HEARD_EVERY = timedelta(minutes=15)  # finer than this nobody needs to know when a word last came


@dataclass(frozen=True, slots=True)
class Matter:
    """Something that is an alert of *rule* from *moment* on, for as long as it is found."""

    rule: str
    name: str
    moment: datetime
    batch: Batch | None = None
    by: str = ""
    facts: Mapping[str, str] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """Its name among those that were called solved."""
        return settled_key(self.rule, self.name)


def look(turn: Turn, before: Unit, event: Event) -> None:
    """After everything else of a turn: raise, close, and set the timer for the next look."""
    if not turn.unit.site.sets:
        _no_sets(turn, before)
        return
    _note(turn, before, event)
    count_day(turn, before)
    woken = [clock(turn) for clock in CLOCKS]
    matters = [m for provide in PROVIDERS for m in provide(turn)]
    now = {(m.rule, m.name): m for m in matters if m.moment <= turn.now}
    for alert in tuple(turn.unit.alerts.values()):
        if alert.rule in LASTING and (alert.rule, alert.matter) not in now:
            over(turn, alert)
    settled = _settled(turn, matters)
    for matter in now.values():
        known = find(turn, matter.rule, matter.name)
        if known and known.facts != matter.facts:
            keep(turn, replace(known, facts=matter.facts))
        elif known is None and matter.key not in settled:
            raise_alert(
                turn, matter.rule, matter.name, matter.batch, by=matter.by, facts=matter.facts
            )
    moments = [*(m.moment for m in matters), *(m for m in woken if m), *settled.values()]
    due = min((m for m in moments if m > turn.now), default=None)
    rung = isinstance(event, Rang) and event.batch_id == WATCH
    if due and (rung or due != turn.unit.watch.due):
        turn.effects.append(SetTimer(WATCH, due))
    elif due is None and (rung or turn.unit.watch.due):
        turn.effects.append(ClearTimer(WATCH))
    if due != turn.unit.watch.due:
        turn.unit = replace(turn.unit, watch=replace(turn.unit.watch, due=due))
    _together(turn)


def _together(turn: Turn) -> None:
    """What the clock found at one moment is one text for each person, the first by name."""
    told: dict[str, list[Say]] = {}
    for effect in turn.effects:
        if isinstance(effect, Say) and effect.prompt.key in ("alert.told", "alert.nudge"):
            alert = turn.unit.alerts.get(effect.batch_id)
            if alert and alert.rule in LASTING:
                told.setdefault(effect.phone, []).append(effect)
    for says in told.values():
        if len(says) > 1:
            alerts = [turn.unit.alerts[s.batch_id] for s in says]
            one = replace(says[0], prompt=digest_prompt(alerts))
            rest = [e for e in turn.effects if not any(e is s for s in says)]
            turn.effects = [*rest, one]


def _settled(turn: Turn, matters: Iterable[Matter]) -> Mapping[str, datetime]:
    """What was called solved and is still so: it is not raised again before its moment."""
    watch, lasting = turn.unit.watch, {m.key for m in matters if m.moment <= turn.now}
    left = {k: until for k, until in watch.settled.items() if k in lasting and turn.now < until}
    if left != watch.settled:
        turn.unit = replace(turn.unit, watch=replace(watch, settled=left))
    return left


def _no_sets(turn: Turn, before: Unit) -> None:
    """Its last set left: nothing can be READY, and nobody waits for it."""
    if turn.unit.watch.empty:
        turn.unit = replace(turn.unit, watch=replace(turn.unit.watch, empty=note(turn, before)))


def _note(turn: Turn, before: Unit, event: Event) -> None:
    """What the matters count from: when a word last came, since when no set is READY."""
    watch = turn.unit.watch
    heard = isinstance(event, Heard) and (not watch.heard or turn.now >= watch.heard + HEARD_EVERY)
    least = dict(turn.unit.site.least_ready)
    low = [kind for kind, n in _ready(turn).items() if 0 < n < least.get(kind, 1)]
    noted = replace(
        watch,
        since=watch.since or turn.now,
        heard=turn.now if heard else watch.heard,
        empty=note(turn, before),
        few=_since(watch.few, low, turn),
    )
    if noted != watch:
        turn.unit = replace(turn.unit, watch=noted)


def _since(
    known: Mapping[str, datetime], kinds: Iterable[str], turn: Turn
) -> Mapping[str, datetime]:
    return {kind: known.get(kind, turn.now) for kind in sorted(kinds)}


def _ready(turn: Turn) -> dict[Kind, int]:
    """How many sets of each kind are READY."""
    found: dict[Kind, int] = {}
    for card in turn.unit.site.sets:
        ready = turn.unit.state_of(card.id).now(turn.now) == "READY"
        found[card.kind] = found.get(card.kind, 0) + ready
    return found


# ---- the matters ----------------------------------------------------------------------------


def _after(turn: Turn, rule_id: str) -> timedelta | None:
    """How long a matter of *rule_id* may last; None where nobody watches for it."""
    rule = turn.rules.alerts.rule(rule_id)
    return timedelta(minutes=rule.after_minutes) if rule else None


def _open(turn: Turn) -> list[Batch]:
    return [b for b in turn.unit.batches.values() if not b.practice]


def _standing_still(turn: Turn) -> Iterable[Matter]:
    rule = turn.rules.alerts.rule("still")
    for batch in _open(turn) if rule else ():
        stage = turn.book(batch).stage(batch)
        minutes = rule.patience(stage.id, stage.phase) if rule else None
        if batch.due is None and minutes is not None:
            moment = moved(batch) + timedelta(minutes=minutes)
            facts = {"sets": batch.names, "step": stage.id}
            yield Matter("still", batch.id, moment, batch, batch.holder, facts)


def _left_in(turn: Turn) -> Iterable[Matter]:
    after = _after(turn, "left_in")
    for batch in _open(turn) if after is not None else ():
        if batch.due and after is not None:
            facts = {"sets": batch.names}
            yield Matter("left_in", batch.id, batch.due + after, batch, batch.holder, facts)


def _unstarted(turn: Turn) -> Iterable[Matter]:
    after = _after(turn, "unstarted")
    for card in turn.unit.site.sets if after is not None else ():
        state = turn.unit.state_of(card.id)
        if state.condition == "USED" and state.since and after is not None:
            yield Matter("unstarted", card.id, state.since + after, facts={"sets": card.id})


def _none_ready(turn: Turn) -> Iterable[Matter]:
    """Kinds of which no set is READY: one matter, however many kinds."""
    after, empty = _after(turn, "none_ready"), turn.unit.watch.empty
    if after is None or not empty:
        return
    first = min(empty.values()) + after
    kinds = [kind for kind, since in empty.items() if since + after <= max(first, turn.now)]
    facts = {"kind": kinds[0] if len(kinds) == 1 else "both"}
    yield Matter("none_ready", "facility", first, facts=facts)


def _few_ready(turn: Turn) -> Iterable[Matter]:
    after, least = _after(turn, "few_ready"), dict(turn.unit.site.least_ready)
    for kind, since in turn.unit.watch.few.items() if after is not None else ():
        facts = {"kind": kind, "least": str(least.get(kind, 1))}  # type: ignore[call-overload]
        if after is not None:
            yield Matter("few_ready", kind, since + after, facts=facts)


def _expired(turn: Turn) -> Iterable[Matter]:
    """READY sets past their storage life; those of one batch are one matter."""
    after = _after(turn, "expired")
    by_batch: dict[tuple[str, datetime], list[str]] = {}
    for card in turn.unit.site.sets if after is not None else ():
        state = turn.unit.state_of(card.id)
        if state.condition == "READY" and state.expires_at:
            by_batch.setdefault((state.batch, state.expires_at), []).append(card.id)
    for (batch_id, expires), ids in by_batch.items():
        if after is not None:
            yield Matter("expired", batch_id or ids[0], expires + after, facts={"sets": short(ids)})


def _silent(turn: Turn) -> Iterable[Matter]:
    after, watch = _after(turn, "silent"), turn.unit.watch
    last = watch.heard or watch.since
    if after is not None and last:
        yield Matter("silent", "facility", last + after, facts={"site": turn.unit.site.name})


def _undelivered(turn: Turn) -> Iterable[Matter]:
    """A bell that did not arrive lasts until somebody moves the batch."""
    for alert in turn.unit.alerts.values():
        batch = turn.unit.batches.get(alert.batch)
        if alert.rule == "undelivered" and batch and moved(batch) <= alert.at:
            yield Matter("undelivered", alert.matter, alert.at, batch, facts=alert.facts)


def _unchecked(turn: Turn) -> Iterable[Matter]:
    """The shift check that is due, until one is done: however many are missed, it is one matter."""
    after, check = _after(turn, CHECK), turn.unit.check
    if after is not None and check.due:
        known = find(turn, CHECK, "facility")
        moment = known.at if known else max(check.due, check.asked or check.due) + after
        yield Matter(CHECK, "facility", moment, by=check.asked_of)


# What has something to do at a moment: each does what is due now, and says when it is next.
CLOCKS: tuple[Callable[[Turn], datetime | None], ...] = (keep_time,)

PROVIDERS: tuple[Callable[[Turn], Iterable[Matter]], ...] = (
    _standing_still,
    _left_in,
    _unstarted,
    _none_ready,
    _few_ready,
    _expired,
    _silent,
    _undelivered,
    _unchecked,
)
# Alerts of these rules are over as soon as the matter is no more.
LASTING = frozenset(
    {"still", "left_in", "unstarted", "none_ready", "few_ready", "expired", "silent",
     "undelivered", "check"}
)  # fmt: skip
