"""Who holds a batch, and which sets are in one: begin, take over, hand over, opened."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from bot.asking import title
from bot.book import write
from bot.effects import Prompt, Shown
from bot.model import SetState
from bot.showing import LISTED, held, mine, show
from bot.site import Person
from bot.spores import methods_now
from bot.turn import Turn, remembered
from flows.batch import Batch, BatchSet, Value

# Their list, and "all" after it, must fit the digits 1 to 7.
MOST_SETS = 6


def opened(turn: Turn, set_ids: list[str]) -> None:
    """A READY set was used, opened or got wet: it is USED from now on."""
    for set_id in set_ids:
        state = turn.unit.state_of(set_id)
        if state.condition == "READY":
            turn.put_set(SetState(set_id, "USED"))
        elif state.condition == "IN PROCESS":
            # Begun by mistake, perhaps: cancelling must not make it READY with its seal broken.
            turn.put_set(replace(state, expires_at=turn.now))
        else:
            # No change, but a new date: a report from paper of work before now is void.
            turn.put_set(state)
    turn.put_talk(screen="" if turn.batch() else "home", choices=())
    show(turn, Prompt("note.opened", {"sets": "+".join(set_ids)}))


def begin(turn: Turn, set_ids: list[str]) -> None:
    """Open a batch with these sets, unless one of them is in another."""
    practice = turn.talk.practice and turn.talk.screen == "sets"
    if len(set_ids) > MOST_SETS:
        show(turn, Prompt("note.too_many", {"most": MOST_SETS}))
        return
    for set_id in set_ids:
        other = held(turn, set_id)
        if other and not practice and turn.person and other.holder == turn.person.id:
            turn.put_talk(screen="", batch=other.id, choices=(), stepwise=False)
            turn.ask(other, Prompt("note.chosen", {"sets": other.names}))
            return
        if other and not practice:
            holder = turn.unit.site.by_id(other.holder)
            values = {"set": set_id, "name": holder.name if holder else "?"}
            turn.put_talk(screen="" if turn.batch() else "home", choices=())
            show(turn, Prompt("note.held", values))
            return
    batch = new_batch(turn, set_ids, practice=practice)
    facts: dict[str, Value] = {"sets": batch.names, "methods": " ".join(batch.facility_methods)}
    for set_id in set_ids:
        if kept := remembered(turn.unit.state_of(set_id)):
            facts[f"was {set_id}"] = kept
    batch = write(batch, turn.said("+".join(set_ids)), "opened", facts=facts)
    turn.unit = replace(turn.unit, serial=turn.unit.serial + 1)
    turn.put_talk(screen="", batch=batch.id, choices=(), practice=False, stepwise=False)
    turn.keep(None, batch, push=True)
    turn.ask(batch)


def new_batch(turn: Turn, set_ids: list[str], *, practice: bool = False) -> Batch:
    """A batch with these sets as the register has them, at its first stage and with no log."""
    site, person = turn.unit.site, turn.person
    protocol = turn.rules.protocol_for(site)
    hasten = turn.rules.hasten
    if practice:
        hasten = max(hasten, protocol["practice.hasten_factor"])
    cards = {c.id: c for c in site.sets}
    return Batch(
        id=f"{site.id}-{_stamp(turn.now)}-{turn.unit.serial + 1}",
        facility=site.id,
        district=site.district,
        altitude_m=site.altitude_m,
        facility_methods=methods_now(turn),
        protocol=protocol.id,
        flow=turn.rules.flow.id,
        opened_at=turn.now,
        opened_by=person.id if person else "",
        holder=person.id if person else "",
        sets=tuple(
            BatchSet(c.id, c.model, c.kind, c.pieces, c.methods)
            for c in (cards[i] for i in set_ids)
        ),
        stage=turn.rules.flow.start,
        autoclave=site.autoclave,
        practice=practice,
        hasten=hasten,
    )


def _stamp(now: datetime) -> str:
    return now.strftime("%Y%m%d-%H%M%S")


def take_over(turn: Turn, batch: Batch) -> None:
    """This person holds *batch* from now on; whoever held it is told."""
    me = turn.person
    if me is None:
        return
    before = turn.unit.site.by_id(batch.holder)
    if batch.holder != me.id:
        after = write(replace(batch, holder=me.id), turn.said(), "handed", mark=me.id)
        turn.keep(batch, after)
        if before:
            _release_talk(turn, before, batch)
            values = {"name": me.name, "sets": batch.names}
            turn.say(before, Prompt("note.taken", values), "note", batch)
        batch = after
    turn.put_talk(screen="", batch=batch.id, choices=(), stepwise=False)
    turn.ask(batch)


def hand_over(turn: Turn, batch: Batch, to: Person) -> None:
    """Give *batch* to a colleague, who is asked its present question."""
    after = write(replace(batch, holder=to.id), turn.said(), "handed", mark=to.id)
    turn.keep(batch, after)
    from_name = turn.person.name if turn.person else "?"
    theirs = turn.unit.talk(to.phone)
    busy = theirs.batch in turn.unit.batches
    turn.unit = turn.unit.put_talk(
        replace(theirs, screen="choose", choices=(batch.id, theirs.batch) if busy else (batch.id,))
    )
    step = title(turn.book(after).stage(after))
    values: dict[str, Shown] = {"name": from_name, "sets": batch.names, "step": step}
    turn.say(to, Prompt("note.handed", values), "note", after)
    rest = mine(turn)
    turn.put_talk(
        screen="choose" if rest else "",
        batch=rest[0] if rest else "",
        choices=rest[:LISTED],
        stepwise=False,
    )
    turn.reply(Prompt("handed", {"name": to.name, "sets": batch.names}), end=True)


def _release_talk(turn: Turn, person: Person, batch: Batch) -> None:
    theirs = turn.unit.talk(person.phone)
    if batch.id in (theirs.batch, *theirs.choices):
        turn.unit = turn.unit.put_talk(replace(theirs, batch="", screen="", choices=()))
