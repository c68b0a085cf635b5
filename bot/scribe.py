"""From what a step says to what a commit writes: texts rendered, segments counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from bot.board import standing
from bot.effects import (
    Amendments,
    Checked,
    ClearTimer,
    Conditions,
    CountsAsked,
    Effect,
    Gap,
    Mixed,
    Post,
    Prompt,
    Push,
    Raised,
    Reply,
    Say,
    SetTimer,
    Step,
)
from bot.errors import BotError
from bot.events import Event, Heard, Rang
from bot.model import Standing, Unit
from bot.outbox import Outgoing
from bot.sessions import Change, Turn
from bot.site import LINE, number_of
from flows.batch import Batch

Render = Callable[[Prompt, str, str, bool, bool], str]
"""(prompt, language, zone, practice, hastened) to the text a person reads."""

LANGUAGE = "en"  # of whoever the register does not know


@dataclass(frozen=True, slots=True)
class Scribe:
    """Writes turns down. *count_parts* says how many SMS segments a text costs."""

    render: Render
    count_parts: Callable[[str], int]

    def turn(self, before: Unit, event: Event, step: Step) -> Turn:
        """The unit after *step*, its version and costs included, and all that goes with it.

        BotError for a turn that leaves the asker on USSD with no answer, or with two.
        """
        effects = step.effects
        messages = self._messages(step.unit, event, effects)
        costs: Counter[str] = Counter()
        for item in messages:
            if item.batch:
                costs[item.batch] += item.segments
        batches = {k: _costlier(b, costs) for k, b in step.unit.batches.items()}
        change = Change(
            event=event,
            body=self._body(step.unit, event, effects),
            outgoing=messages,
            timers=(*_timers(effects), *_forgotten(before, step, event)),
            pushes=tuple(
                replace(e, batch=_costlier(e.batch, costs)) for e in effects if isinstance(e, Push)
            ),
            conditions=tuple(e for e in effects if isinstance(e, Conditions)),
            raised=tuple(e for e in effects if isinstance(e, Raised)),
            checked=tuple(e for e in effects if isinstance(e, Checked)),
            gaps=tuple(e for e in effects if isinstance(e, Gap)),
            mixes=tuple(e for e in effects if isinstance(e, Mixed)),
            amendments=tuple(e for e in effects if isinstance(e, Amendments)),
            counts_asked=tuple(e for e in effects if isinstance(e, CountsAsked)),
            posts=_posts(event, effects),
            standing=_shown(before, step.unit),
        )
        after = replace(step.unit, version=before.version + 1, batches=batches)
        return Turn(before, after, change)

    def text(self, unit: Unit, phone: str, effect: Reply | Say) -> str:
        """What *effect* says, in the language of whoever has *phone*, at the facility's time."""
        speaks = unit.talk(f"{phone}{LINE}").about  # on a phone that several share
        person = unit.site.person(phone) or unit.site.by_id(speaks)
        language = person.language if person else LANGUAGE
        zone = unit.site.zone
        return self.render(effect.prompt, language, zone, effect.practice, effect.hastened)

    def _messages(
        self, unit: Unit, event: Event, effects: tuple[Effect, ...]
    ) -> tuple[Outgoing, ...]:
        said = [s for e in effects if (s := _as_sms(event, e)) is not None]
        return tuple(self._message(unit, event, n, say) for n, say in enumerate(said))

    def _message(self, unit: Unit, event: Event, index: int, say: Say) -> Outgoing:
        person = unit.site.person(say.phone)
        if person and LINE in say.phone:
            named = Prompt("named", {"name": person.name, "text": say.prompt})
            say = replace(say, prompt=named)
        text = self.text(unit, say.phone, say)
        return Outgoing(
            id=f"{event.id}.{index}",
            phone=number_of(say.phone),
            text=text,
            kind=say.kind,
            at=event.at,
            site=unit.site.id,
            batch=say.batch_id,
            person=person.id if person else "",
            district=unit.site.district,
            segments=self.count_parts(text),
        )

    def _body(self, unit: Unit, event: Event, effects: tuple[Effect, ...]) -> str:
        replies = [e for e in effects if isinstance(e, Reply)]
        if not isinstance(event, Heard):
            if replies:
                raise BotError(f"a reply to {type(event).__name__}, which nobody asked")
            return ""
        if event.channel == "sms":
            return ""
        if len(replies) != 1:
            raise BotError(f"{len(replies)} replies on a USSD screen, which shows one")
        word = "END" if replies[0].end else "CON"
        return f"{word} {self.text(unit, event.phone, replies[0])}"


def _posts(event: Event, effects: tuple[Effect, ...]) -> tuple[Post, ...]:
    """The letters, each with an id made from the event: a repeated turn makes the same ones."""
    found = [e for e in effects if isinstance(e, Post)]
    return tuple(
        replace(post, letter=replace(post.letter, id=f"letter:{event.id}.{n}"))
        for n, post in enumerate(found)
    )


def _shown(before: Unit, after: Unit) -> Standing | None:
    """What the facility shows to its district from now on, if that is not what it showed."""
    if not after.site.sets:
        return None
    shown = standing(after)
    return shown if shown != standing(before) or not before.version else None


def _as_sms(event: Event, effect: Effect) -> Say | None:
    if isinstance(effect, Say):
        return effect
    if isinstance(effect, Reply) and isinstance(event, Heard) and event.channel == "sms":
        return Say(
            phone=event.phone,
            prompt=effect.prompt,
            kind="ask",
            batch_id=effect.batch_id,
            practice=effect.practice,
            hastened=effect.hastened,
        )
    return None


def _costlier(batch: Batch, costs: Mapping[str, int]) -> Batch:
    parts = costs.get(batch.id, 0)
    return replace(batch, segments=batch.segments + parts) if parts else batch


def _timers(effects: tuple[Effect, ...]) -> tuple[SetTimer | ClearTimer, ...]:
    return tuple(e for e in effects if isinstance(e, SetTimer | ClearTimer))


def _forgotten(before: Unit, step: Step, event: Event) -> tuple[ClearTimer, ...]:
    """Timers that nobody cleared and that nothing is left for: they must not ring for ever.

    Those are of batches and reminders no longer in the unit, and of a batch that rang with no next
    ring set.
    While its exposure runs a batch keeps its timer even then: a bell is not lost to an oversight.
    """
    after = step.unit.batches
    idle = set(before.batches) - set(after) | set(before.reminders) - set(step.unit.reminders)
    kept = {*step.unit.reminders, *step.unit.alerts}
    if isinstance(event, Rang) and event.batch_id not in kept:
        rung = after.get(event.batch_id)
        if rung is None or rung.due is None:
            idle.add(event.batch_id)
    spoken = {t.batch_id for t in _timers(step.effects)}
    return tuple(ClearTimer(name) for name in sorted(idle - spoken))
