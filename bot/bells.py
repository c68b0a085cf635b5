"""What a timer or a delivery receipt does to a batch."""

from __future__ import annotations

from dataclasses import replace

from bot.alerting import came_up, not_delivered, raise_alert
from bot.asking import bell
from bot.book import write
from bot.effects import Prompt, SetTimer
from bot.events import Rang, Receipt
from bot.exposures import next_ring
from bot.progress import rang
from bot.reminders import speak
from bot.site import Person
from bot.turn import Turn
from flows.batch import Batch


def ring(turn: Turn, event: Rang) -> None:
    """A timer came up: a reminder speaks; a batch's holder is told, and the next ring is set."""
    if event.batch_id in turn.unit.reminders:
        speak(turn, turn.unit.reminders[event.batch_id])
        return
    if event.batch_id in turn.unit.alerts:
        came_up(turn, turn.unit.alerts[event.batch_id])
        return
    batch = turn.unit.batches.get(event.batch_id)
    if batch is None:
        return
    book = turn.book(batch)
    after, kind = rang(batch, book, turn.said())
    if kind:
        holder = turn.unit.site.by_id(after.holder)
        if holder:
            _send(turn, after, holder, bell(after, book, kind))
        else:  # she left the register while the batch ran
            _to_colleague(turn, after, Person(after.holder, after.holder, "", "nurse"))
    if after is not batch:
        turn.keep(batch, after)
    else:
        due = next_ring(batch, book.protocol)
        if due:
            turn.effects.append(SetTimer(batch.id, due))


def _send(turn: Turn, batch: Batch, holder: Person, text: Prompt) -> None:
    """Send a bell; where the holder is at something else, her next answer chooses first.

    Otherwise a "1" that is already on its way, meant for another batch or for a screen, would be
    taken for "the pieces are out".
    """
    talk = turn.unit.talk(holder.phone)
    if talk.stopped:
        _to_colleague(turn, batch, holder)
        return
    # A USSD screen that is still open shows an older question: its answer is shown this one first.
    talk = replace(talk, ussd_session="")
    if talk.batch == batch.id and not talk.screen:
        turn.unit = turn.unit.put_talk(talk)
    else:
        busy = talk.batch in turn.unit.batches and talk.batch != batch.id
        choices = (batch.id, talk.batch) if busy else (batch.id,)
        turn.unit = turn.unit.put_talk(replace(talk, screen="choose", choices=choices))
    turn.say(holder, text, "bell", batch)


def receipt(turn: Turn, event: Receipt) -> None:
    """What became of a text: a bell that did not arrive goes to a colleague, an alert further."""
    alert = turn.unit.alerts.get(event.batch_id)
    if alert and not event.delivered:
        not_delivered(turn, alert)
    batch = turn.unit.batches.get(event.batch_id)
    person = turn.unit.site.person(event.phone)
    if batch is None or person is None or event.kind != "bell":
        return
    turn.person = person
    after = write(batch, turn.said(), "delivered" if event.delivered else "undelivered")
    turn.keep(batch, after)
    if not event.delivered:
        _to_colleague(turn, after, person)
        raise_alert(
            turn, "undelivered", f"{after.id} {after.stage}", after,
            by=person.id, facts={"sets": after.names},
        )  # fmt: skip


def _to_colleague(turn: Turn, batch: Batch, missed: Person) -> None:
    """Ring whoever else worked on this batch, then the in-charge, then anyone here."""
    tried = {e.by for e in batch.log if e.kind == "undelivered"} | {missed.id}
    worked = [e.by for e in batch.log if e.by]
    people = [p for p in turn.unit.site.people if p.id not in tried]
    people = [p for p in people if not turn.unit.talk(p.phone).stopped]
    if not people:
        for person in turn.above():
            if person.id not in tried:
                turn.say(person, _for_other(batch, missed), "alert", batch)
        return
    best = min(people, key=lambda p: (p.id not in worked, p.role != "in_charge", p.id))
    turn.say(best, _for_other(batch, missed), "bell", batch)


def _for_other(batch: Batch, missed: Person) -> Prompt:
    return Prompt("bell.other", {"sets": batch.names, "name": missed.name})
