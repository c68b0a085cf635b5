"""The one loop: read the unit, take the step, commit; and what workers do with the promises.

Nothing here decides what a person is told or when a set is ready; `step` does. This file decides
only what is tried again, and who is told when trying again is no use.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal, Protocol

import msgspec

from bot.clock import Tick
from bot.effects import Amendments, CountsAsked, Post, Prompt, Step
from bot.errors import BotError, GatewayDown, GatewayRefused, whereabouts
from bot.events import Event, Heard, Rang, Receipt
from bot.joins import Found, Joins, new_code
from bot.message import reason_of
from bot.model import Unit
from bot.outbox import Outbox, Outgoing
from bot.posts import Posts
from bot.pushes import Pushes
from bot.records_out import Recorder, RecordsOut
from bot.scribe import LANGUAGE, Render, Scribe
from bot.sessions import Sealed, Seen, Sessions, Stale, Turn, seal
from bot.timers import Timers, parted

log = logging.getLogger(__name__)

# How often a turn is taken again when others in the unit are faster. Each time one of them got
# through, so this many in a row means a flood, not a crowd.
TURNS = 20

STRANGER_SECONDS = 86400  # one answer a day: a stranger, or a machine, must not cost more

DOWNS = 3  # after so many failures in a row the rest of the phones wait for their lease to end


class Accepted(Protocol):
    """What a gateway says of a message that it took."""

    @property
    def message_id(self) -> str: ...


class Sender(Protocol):
    """The gateway. GatewayDown: try again later; GatewayRefused: never."""

    def send(self, phone: str, text: str, /) -> Accepted: ...


class ReceiptForm(Protocol):
    """A gateway's word on what became of a message."""

    @property
    def message_id(self) -> str: ...
    @property
    def status(self) -> Literal["delivered", "failed", "pending"]: ...
    @property
    def reason(self) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """The bot, whole. Every method may be called from any thread, and again after a crash."""

    sessions: Sessions
    timers: Timers
    outbox: Outbox
    pushes: Pushes
    posts: Posts
    gateway: Sender
    store: Recorder
    step: Callable[[Unit, Event], Step]
    render: Render
    count_parts: Callable[[str], int]
    clock: Callable[[], datetime]
    tick: Callable[[], Tick]
    joins: Joins
    joining: Callable[[str], str]
    """The code that a text asks to join with, or ""."""
    register: Callable[[Amendments], Iterable[Post]]
    """Changes the register, shows it, and answers. StoreDown: nothing was changed, try again."""
    counting: Callable[[CountsAsked], Iterable[Post]]
    """Answers a question for counts. StoreDown: try again."""
    draw: Callable[[], str] = new_code

    # ---- people ------------------------------------------------------------------------------

    def handle(self, event: Heard) -> str:
        """Take what a person said. Returns the USSD body; "" for SMS, whose answer is queued.

        Whatever goes wrong is raised after nothing was written: the gateway must send it again.
        """
        try:
            drawn = event.draw or self.draw()
            return self._hear(replace(event, tick=event.tick or self.tick(), draw=drawn))
        except Exception as error:
            log.error("a message was not taken: %s", whereabouts(error))  # noqa: TRY400
            raise

    def _hear(self, event: Heard) -> str:
        for _ in range(TURNS):
            seen, unit = self.sessions.read(event.phone, event.id)
            if seen is not None:
                return seen
            if unit is None:
                found = self._invited(event)
                if found.how != "site":
                    return self._meet_stranger(event, wrong=found.how == "wrong")
                unit = _known(self.sessions.unit(found.site))
            turn = self._turn(unit, event)
            verdict = self.sessions.commit(*turn)
            if isinstance(verdict, Seen):
                return verdict.body
            if not isinstance(verdict, Stale):
                return turn.change.body
        raise BotError("the unit moved at every try")

    def _invited(self, event: Heard) -> Found:
        """Where a stranger's words lead: to a facility if they are a code that it gave."""
        code = self.joining(event.text)
        return self.joins.find(code, event.phone, event.id) if code else Found("closed", "")

    def _meet_stranger(self, event: Heard, *, wrong: bool) -> str:
        """Tell a stranger what this number is, once a day; of a *wrong* code each time that it is
        one, which is not often."""
        key = "join.wrong" if wrong else f"stranger.{event.channel}"
        text = self.render(Prompt(key), LANGUAGE, "UTC", False, False)
        if event.channel == "ussd":
            return f"END {text}"
        item = Outgoing(id=f"{event.id}.0", phone=event.phone, text=text, kind="note", at=event.at)
        guard = f"sb:wrong:{event.id}" if wrong else f"sb:stranger:{event.phone}"
        self.outbox.put_once(item, guard, STRANGER_SECONDS)
        return ""

    # ---- clocks and receipts -----------------------------------------------------------------

    def ring(self, members: Sequence[str]) -> None:
        """Ring the timers named *members*, which the caller has leased; cleared ones are skipped.

        A timer whose turn fails is put off, and the others ring.
        """
        held = self.timers.held(members)
        while held:
            # One a unit at a time: the second would have read what the first is about to change.
            first = {parted(name)[0]: name for name in reversed(held)}
            self._ring_together({name: held.pop(name) for name in first.values()})

    def _ring_together(self, held: Mapping[str, float]) -> None:
        """Read the units in one round trip and commit them in another."""
        try:
            units = self.sessions.units([parted(name)[0] for name in held])
        except msgspec.MsgspecError:  # one unit is spoiled: each for itself
            for name, score in held.items():
                self._ring_alone(name, score)
            return
        sealed: dict[str, Sealed] = {}
        for name, score in held.items():
            try:
                turn = self._turn(_known(units[parted(name)[0]]), self._rang(name))
                sealed[name] = seal(turn)
            except Exception as error:  # one bad batch must not silence the rest
                self._put_off(name, score, error)
        verdicts = self.sessions.commit_all(list(sealed.values()))
        for name, verdict in zip(sealed, verdicts, strict=True):
            if isinstance(verdict, Stale):
                self._ring_alone(name, held[name])

    def _rang(self, name: str) -> Rang:
        at = self.clock()
        event_id = f"rang:{name}:{at.isoformat()}"
        return Rang(id=event_id, batch_id=parted(name)[1], at=at, tick=self.tick())

    def _ring_alone(self, name: str, score: float) -> None:
        try:
            self._occur(parted(name)[0], self._rang(name))
        except Exception as error:
            self._put_off(name, score, error)

    def _put_off(self, name: str, score: float, error: Exception) -> None:
        log.error("the timer of batch %s did not ring: %s", parted(name)[1], whereabouts(error))
        self.timers.postpone(name, score, self._now())

    def receive(self, form: ReceiptForm) -> None:
        """Take a gateway's receipt. Pending ones and those of unknown messages say nothing."""
        if form.status == "pending":
            return
        sent = self.outbox.sent(form.message_id)
        if sent is None:
            return
        if sent.message:
            became = replace(sent.message, state=form.status, reason=reason_of(form.reason))
            self.pushes.received(became, self._now())
        if not sent.batch:
            return
        receipt = Receipt(
            id=f"receipt:{form.message_id}:{form.status}",
            phone=sent.phone,
            batch_id=sent.batch,
            kind=sent.kind,
            delivered=form.status == "delivered",
            at=self.clock(),
        )
        self._occur(sent.site, receipt)

    def _occur(self, site_id: str, event: Event) -> None:
        for _ in range(TURNS):
            turn = self._turn(_known(self.sessions.unit(site_id)), event)
            if not isinstance(self.sessions.commit(*turn), Stale):
                return
        raise BotError("the unit moved at every try")

    def _turn(self, unit: Unit, event: Event) -> Turn:
        return Scribe(self.render, self.count_parts).turn(unit, event, self.step(unit, event))

    def post(self, ids: Sequence[str]) -> None:
        """Hand the letters *ids*, which the caller has leased, to their units."""
        for letter_id, raw in self.posts.read(ids).items():
            try:
                post = msgspec.json.decode(raw, type=Post)
                self._occur(post.site_id, post.letter)
            except Exception as error:  # one bad letter must not hold up the rest
                log.error("a letter was not read: %s", whereabouts(error))  # noqa: TRY400
                self.posts.postpone(letter_id, self._now())
            else:
                self.posts.settle(letter_id)

    # ---- messages out ------------------------------------------------------------------------

    def deliver(self, phones: Sequence[str]) -> None:
        """Send what waits for *phones*, which the caller has leased, each phone's in order."""
        downs = 0
        for phone in phones:
            if downs == DOWNS:
                return
            downs = 0 if self._deliver_to(phone) else downs + 1

    def _deliver_to(self, phone: str) -> bool:
        try:
            while (item := self.outbox.head(phone, self._now())) is not None:
                self._send(item)
        except GatewayDown:
            self.outbox.postpone(phone, self._now())
            return False
        except Exception as error:  # one bad message must not silence the rest
            log.error("a message was put off: %s", whereabouts(error))  # noqa: TRY400
            self.outbox.postpone(phone, self._now())
        return True

    def _send(self, item: Outgoing) -> None:
        try:
            accepted = self.gateway.send(item.phone, item.text)
        except GatewayRefused as refusal:
            self._tell_refused(item)
            self.outbox.bury(item, str(refusal), self.clock())
        else:
            self.outbox.settle(item, accepted.message_id, self._now())

    def _tell_refused(self, item: Outgoing) -> None:
        """Told before it is buried: a crash between the two tells again, and is known by its id."""
        log.error("the gateway refused message %s of batch %s", item.kind, item.batch or "(none)")
        if not item.batch:
            return
        receipt = Receipt(
            id=f"refused:{item.id}",
            phone=item.phone,
            batch_id=item.batch,
            kind=item.kind,
            delivered=False,
            at=self.clock(),
        )
        self._occur(item.site, receipt)

    # ---- records out -------------------------------------------------------------------------

    def push(self, names: Sequence[str]) -> None:
        """Record what waits under *names* of batches and sets, which the caller has leased."""
        RecordsOut(self.pushes, self.posts, self.store, self.register, self.counting,
                   self.clock).push(names)  # fmt: skip

    def _now(self) -> float:
        return self.clock().timestamp()


def _known(unit: Unit | None) -> Unit:
    if unit is None:
        raise BotError("the register has no such site")
    return unit
