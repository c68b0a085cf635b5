"""The desk's page of messages: what did not arrive, what waits too long, what went out last.

Whoever may see a message may have it tried again or let it go, each with a line in the trail. No
phone is on the page; the words of a message only where it did not arrive, and only of one to
somebody in the register: a log-in code is nobody else's to read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from flask import Blueprint, abort, g, redirect, render_template, request, url_for
from redis import Redis
from redis.exceptions import RedisError
from werkzeug.wrappers import Response as AnyResponse

from bot import audit
from bot.accounts import EVERYWHERE, sees
from bot.cursors import Page, Row
from bot.desk_said import Teller
from bot.desk_scope import Desk
from bot.message import record_id, without_numbers
from bot.outbox import Dead, Outgoing
from bot.site import DISTRICT, Site
from bot.store import MessageFilter
from bot.undelivered import Undelivered, is_late

MOST_STUCK = 40  # on one page; the first must be decided before the others are seen
MOST_LAST = 100
MOST_ID = 300  # characters of a message's own id in a form
FAILED_DAYS = 3  # as long as receipts come

KINDS = {"ask": "a step or an answer", "bell": "a bell", "note": "a note", "alert": "an alert"}
STATES = {
    "queued": "to be tried again",
    "sent": "sent, no receipt yet",
    "delivered": "on her phone",
    "failed": "did not reach her phone",
    "refused": "refused",
    "let go": "let go",
}
DEEDS = {"retry": "message.retried", "let_go": "message.let_go"}
DONE = {
    "retry": "It is in the line again, behind what her phone has still to hear.",
    "let_go": "It was let go: it will not be sent.",
}
GONE = "Nothing was done: that message has gone out, or somebody has decided about it already."
NOT_ANSWERING = ("Nothing was done: the conversations do not answer. Please try again in a"
                 " minute.")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stuck:
    """A message that does not arrive, in words. *text* is "" where it is not to be read here."""

    id: str
    again: int
    to: str
    place: str
    kind: str
    about: str
    when: str
    why: str
    text: str


@dataclass(frozen=True, slots=True)
class Told:
    """A message as it is on record, in words."""

    to: str
    place: str
    kind: str
    about: str
    when: str
    state: str
    segments: int


class _Undone(Exception):
    """The decision was not taken, so its line in the trail is not kept."""


def messages(desk: Desk, redis: Redis) -> Blueprint:
    """The pages of `/desk/messages`, to stand under the desk's own."""
    pages = Blueprint("messages", __name__, url_prefix="/messages")
    views = _Views(desk, Undelivered(redis))
    pages.add_url_rule("", "shown", views.shown)
    pages.add_url_rule("/about/<about>", "about", views.about)
    pages.add_url_rule("/decide", "decide", views.decide, methods=["POST"])
    return pages


@dataclass(frozen=True, slots=True)
class _Views:
    desk: Desk
    undelivered: Undelivered

    def shown(self) -> str:
        """What did not arrive, what waits, what went out last."""
        words = _Words(self._sites(), self.desk.teller())
        try:
            dead = [d for d in self.undelivered.dead() if _mine(d.item)]
            queued = [w for w in self.undelivered.waiting() if _mine(w)]
        except RedisError:
            dead, queued, fresh = [], [], False
        else:
            fresh = True
        waiting = [w for w in queued if is_late(w, self.desk.clock())]
        page = self._recorded(MOST_LAST, after=request.args.get("after", ""))
        failed = self._recorded(MOST_STUCK, state="failed")
        return render_template(
            "desk_messages.html", fresh=fresh,
            refused=[words.refused(d) for d in dead[:MOST_STUCK]],
            more_refused=len(dead[MOST_STUCK:]),
            waiting=[words.waiting(w) for w in waiting[:MOST_STUCK]],
            more_waiting=len(waiting[MOST_STUCK:]), on_their_way=len(queued) - len(waiting),
            failed=[words.told(row) for row in failed.rows],
            last=[words.told(row) for row in page.rows], after=page.next,
            first_page="after" not in request.args,
            done=DONE.get(request.args.get("done", ""), ""),
        )  # fmt: skip

    def _sites(self) -> Mapping[str, Site]:
        return {s.id: s for s in self.desk.store.load_register().sites()}

    def _recorded(self, limit: int, state: str = "", after: str = "") -> Page:
        account = g.account
        since = self.desk.clock() - timedelta(days=FAILED_DAYS) if state else None
        own = account.place if account.place != EVERYWHERE else ""
        facility = account.role == "in_charge"
        wanted = MessageFilter(
            site=own if facility else "", district="" if facility else own, state=state,
            since=since, limit=limit, after=after,
        )  # fmt: skip
        try:
            return self.desk.store.messages(wanted)
        except ValueError:
            abort(400, "This is not a page of the list: begin with the first.")

    def about(self, about: str) -> AnyResponse:
        """On to the alert or the batch *about*: the two share one row of numbers."""
        if self.desk.store.alert(about):
            return redirect(url_for("desk.alert", alert_id=about), 303)
        return redirect(url_for("desk.batch", batch_id=about), 303)

    def decide(self) -> AnyResponse:
        """Try a message again, or let it go: once, and only with its line in the trail."""
        item_id = request.form.get("id", "")[:MOST_ID]
        again, deed = request.form.get("again", ""), request.form.get("deed", "")
        if deed not in DEEDS or not (again.isascii() and again.isdecimal() and len(again) < 9):
            abort(400, "Nothing was done: the form was not whole.")
        try:
            item = self.undelivered.find(item_id, self.desk.clock())
            if item is None or not _mine(item):
                abort(409, GONE)
            self._decided(item, int(again), deed)
        except _Undone:
            abort(409, GONE)
        except RedisError:
            abort(503, NOT_ANSWERING)
        return redirect(url_for("desk.messages.shown", done=deed), 303)

    def _decided(self, item: Outgoing, again: int, deed: str) -> None:
        now = self.desk.clock()
        facts = {"kind": item.kind, "about": item.batch, "person": item.person, "site": item.site}
        act = self.undelivered.retry if deed == "retry" else self.undelivered.let_go
        with self.desk.store.database.write() as connection:
            audit.note(connection, now, g.account.id, DEEDS[deed], record_id(item.id), facts,
                       district=item.district)  # fmt: skip
            if not act(item.id, again, now):
                raise _Undone


def _mine(item: Outgoing) -> bool:
    """May whoever is logged in see it? One to nobody in the register only those over everything."""
    if not item.site:
        return sees(g.account, "", "")
    facility = "" if item.site.startswith(DISTRICT) else item.site
    return sees(g.account, item.district, facility)


@dataclass(frozen=True, slots=True)
class _Words:
    sites: Mapping[str, Site]
    teller: Teller

    def refused(self, dead: Dead) -> Stuck:
        when = self._moment(dead.item.site, dead.at)
        why = f"The gateway takes nothing for this number: {dead.reason or 'it gave no reason'}."
        return self._stuck(dead.item, when, why)

    def waiting(self, item: Outgoing) -> Stuck:
        when = self._moment(item.site, item.at)
        return self._stuck(item, when, "Waits since then: the gateway has not taken it.")

    def _stuck(self, item: Outgoing, when: str, why: str) -> Stuck:
        return Stuck(
            id=item.id, again=item.again, to=self._who(item.site, item.person),
            place=self._place(item.site), kind=KINDS.get(item.kind, item.kind), about=item.batch,
            when=when, why=why,
            text=without_numbers(item.text) if item.site else "",
        )  # fmt: skip

    def told(self, row: Row) -> Told:
        state = STATES[row["state"]]
        return Told(
            to=self._who(row["site"], row["person"]), place=self._place(row["site"]),
            kind=KINDS.get(row["kind"], str(row["kind"])), about=row["about"],
            when=self._moment(row["site"], row["at"]),
            state=f"{state}: {row['reason']}" if row["reason"] else state,
            segments=row["segments"],
        )  # fmt: skip

    def _who(self, site_id: str, person: str) -> str:
        site = self.sites.get(site_id)
        found = self.teller.who(site, person)
        return found or ("somebody whose number left the register" if site_id else
                         "a number that is not in the register")  # fmt: skip

    def _place(self, site_id: str) -> str:
        site = self.sites.get(site_id)
        return site.name if site else site_id

    def _moment(self, site_id: str, at: datetime) -> str:
        site = self.sites.get(site_id)
        return self.teller.moment(at, site.zone if site else "UTC")
