"""The desk's living pages: now, a batch, a facility, the alerts and the answers to them.

Here is only what is asked and how it is answered; what a page says is made by `desk_now`,
`desk_batch`, `desk_facility` and `desk_alerts`.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping
from dataclasses import dataclass

from flask import abort, g, make_response, redirect, render_template, request, url_for
from redis.exceptions import RedisError
from werkzeug.wrappers import Response as AnyResponse

from bot import desk_alerts
from bot.accounts import EVERYWHERE, form_key, same
from bot.alert import Alert
from bot.alerting import MOST_WORD
from bot.desk_alerts import Asked, Unanswered, Wanted
from bot.desk_batch import batch_page
from bot.desk_facility import MOST_CHECKS, MOST_LOADS, facility_page
from bot.desk_known import alert_of, known
from bot.desk_now import now_page, open_alerts
from bot.desk_said import FROM_DESK, STATES, Story
from bot.desk_scope import NO_FACILITY, Desk
from bot.effects import Post
from bot.model import SetState, Unit
from bot.site import Site
from bot.store import BatchFilter, CheckFilter
from flows.alerting import RULES
from flows.batch import Batch

NO_BATCH = "There is no such batch here."
NO_ALERT = "There is no such alert here."
CLOSED = "Nothing was sent: this alert is over."
NOT_HANDED = ("Nothing was sent: the conversations do not answer. Go back and send it again in a"
              " minute.")  # fmt: skip
MAY_NOT = "Nothing was sent: this account reads and does not answer."
MOST_PAST = 200  # batches of a facility looked through for the history of its sets
MOST_TYPED = 60  # characters of one field of a filter


@dataclass(frozen=True, slots=True)
class Pages:
    """The views. *desk* is what they read."""

    desk: Desk

    # ---- now -------------------------------------------------------------------------------

    def now(self) -> AnyResponse:
        """What waits, what runs, every facility. The same again is answered as not modified."""
        sites = self.desk.sites()
        districts = sorted({s.district for s in sites})
        chosen = request.args.get("district", "")[:MOST_TYPED]
        if chosen and chosen not in districts:
            abort(404, "There is no such district in the register.")
        sites = [s for s in sites if chosen in ("", s.district)]
        standings = self.desk.standings(sites)
        fresh, teller = standings is not None, self.desk.teller()
        shown = standings if standings is not None else known(self.desk.store, sites, teller.now)
        page = now_page(sites, shown, teller, fresh=fresh)
        zone = sites[0].zone if sites else "UTC"
        one_clock = len({s.zone for s in sites}) < 2
        at = teller.moment(teller.now, zone)
        mark = hashlib.sha256(repr((g.account, chosen, fresh, page)).encode()).hexdigest()[:32]
        answer = make_response(render_template(
            "desk_now.html", page=page, fresh=fresh, at=at, zone=zone, one_clock=one_clock,
            mark=mark, districts=districts, chosen=chosen, empty=not sites,
        ))  # fmt: skip
        answer.headers["X-As-Of"] = at
        answer.set_etag(mark, weak=True)  # the moment on the page differs
        return answer.make_conditional(request)

    # ---- a batch ---------------------------------------------------------------------------

    def batch(self, batch_id: str) -> str:
        """The story of one batch; the newest state of an open one."""
        stored = self.desk.store.document(batch_id)
        site, unit = self._home(batch_id, stored)
        held = unit.batches.get(batch_id) if unit else None
        batch = held or stored
        if batch is None or batch.practice or batch.facility != site.id:
            abort(404, NO_BATCH)
        teller, kept = self.desk.teller(), unit.alerts if unit else {}
        alerts = {a.id: a for a in self._stored_alerts(batch)}
        alerts |= {a.id: a for a in kept.values() if a.batch == batch.id}
        stories = [teller.story(a, site) for a in alerts.values()]
        protocol = self.desk.rules.protocols.get(batch.protocol)
        return render_template(
            "desk_batch.html", page=batch_page(batch, site, protocol, stories, teller), site=site,
            batch=batch, fresh=unit is not None, zone=site.zone,
            settling=unit is not None and held is None and not batch.outcome,
            load=any(e.stage == "auto_load" for e in batch.log) and stored is not None,
        )  # fmt: skip

    def _home(self, batch_id: str, stored: Batch | None) -> tuple[Site, Unit | None]:
        """Where the batch is; one that the store has not heard of is looked for by its name."""
        if stored:
            site = self._site_of(stored.facility, NO_BATCH)
            return site, self.desk.unit(site.id)
        near = [s for s in self.desk.sites() if batch_id.startswith(f"{s.id}-")]
        units = [(site, self.desk.unit(site.id)) for site in near]
        found = next(((s, u) for s, u in units if u and batch_id in u.batches), None)
        if found is None:
            abort(404, NO_BATCH)
        return found

    def _stored_alerts(self, batch: Batch) -> list[Alert]:
        found = self.desk.store.batch(batch.id)
        return [alert_of(row) for row in found["alerts"]] if found else []

    def _site_of(self, facility: str, sorry: str) -> Site:
        """The page of the register of what belongs to *facility*; 404 if it is not hers."""
        found = next((s for s in self.desk.sites() if s.id == facility), None)
        if found is None:
            abort(404, sorry)
        return found

    # ---- a facility ------------------------------------------------------------------------

    def facility(self, facility: str) -> str:
        """Sets, people, solutions, autoclave, and the ways to the sheets."""
        site, teller = self._site_of(facility, NO_FACILITY), self.desk.teller()
        unit = self.desk.unit(site.id)
        batches = self.desk.store.batches(BatchFilter(facility=site.id, limit=MOST_PAST)).rows
        loads = self.desk.store.batches(
            BatchFilter(facility=site.id, method="autoclave", limit=MOST_LOADS)).rows  # fmt: skip
        standing = known(self.desk.store, [site], teller.now) if unit is None else {}
        states: Mapping[str, SetState] = (
            unit.sets if unit else {s.id: s for _, s in standing[site.id].sets})
        protocol = self.desk.rules.protocol_for(site)
        checks = self.desk.store.checks(CheckFilter(facility=site.id, limit=MOST_CHECKS)).rows
        page = facility_page(site, unit, states, batches, loads, checks, protocol, teller)
        alerts = list(unit.alerts.values()) if unit else list(standing[site.id].alerts)
        stories = desk_alerts.in_order(alerts, {site.id: site}, teller)[: desk_alerts.MOST_OPEN]
        return render_template(
            "desk_facility.html", page=page, site=site, fresh=unit is not None,
            stories=stories, **self.desk.head(protocol),
        )  # fmt: skip

    # ---- the alerts ------------------------------------------------------------------------

    def alerts(self) -> tuple[str, int]:
        """Open ones first, then those that are over, a page at a time."""
        sites = {s.id: s for s in self.desk.sites()}
        asked = Asked(*(request.args.get(name, "").strip()[:MOST_TYPED]
                        for name in ("facility", "rule", "state", "from", "to")))  # fmt: skip
        if asked.facility and asked.facility not in sites:
            abort(404, NO_FACILITY)
        zone = sites[asked.facility].zone if asked.facility else _zone(sites)
        wrong, opened, closed, after = "", list[Story](), list[Story](), None
        fresh, more = True, 0
        try:
            wanted = desk_alerts.understood(asked, zone)
            opened, fresh = self._open(sites, wanted)
            closed, after = self._closed(sites, wanted, {s.id for s in opened} if fresh else None)
            opened, more = opened[: desk_alerts.MOST_OPEN], len(opened[desk_alerts.MOST_OPEN :])
        except ValueError as error:
            wrong = str(error)
        teller = self.desk.teller()
        page = render_template(
            "desk_alerts.html", asked=asked, sites=sites.values(), opened=opened, closed=closed,
            more=more, fresh=fresh, wrong=wrong, after=after, states=STATES,
            first_page="after" not in request.args,
            rules=desk_alerts.rules_named(RULES, teller),
        )  # fmt: skip
        return page, 400 if wrong else 200

    def _open(self, sites: Mapping[str, Site], wanted: Wanted) -> tuple[list[Story], bool]:
        """The open ones, fresh where the conversations answer."""
        if wanted.state in ("solved", "over"):
            return [], True
        standings, teller = self.desk.standings(list(sites.values())), self.desk.teller()
        shown = standings
        if shown is None:
            shown = known(self.desk.store, sites.values(), teller.now)
        found = [a for a in open_alerts(shown) if wanted.takes(a)]
        return desk_alerts.in_order(found, sites, teller), standings is not None

    def _closed(
        self, sites: Mapping[str, Site], wanted: Wanted, opened: set[str] | None
    ) -> tuple[list[Story], str | None]:
        """A page of those that are over, as the store has them, and where the next one begins.

        One that the store calls open and no facility does any more (*opened*, if that is known)
        was closed just now: it is neither lost from the page nor shown twice.
        """
        if wanted.state not in ("", "solved", "over"):
            return [], None
        district, facility = _scope()
        page = self.desk.store.alerts(
            wanted.filter(district, facility, request.args.get("after", "")), whole=True)
        teller = self.desk.teller()
        found = [alert_of(row) for row in page.rows
                 if row["closed_at"] or (opened is not None and row["id"] not in opened)]
        return [teller.story(a, sites[a.facility]) for a in found
                if a.facility in sites], page.next  # fmt: skip

    # ---- one alert -------------------------------------------------------------------------

    def alert(self, alert_id: str) -> str:
        """Its story, and the form for an answer; after one, that it was handed over."""
        alert, site, fresh = self._alert(alert_id)
        said = request.args.get("said", "")
        true = same(request.args.get("sent", ""), _proof(alert, said))
        handed = desk_alerts.HANDED.get(said, "") if true else ""
        return self._alert_page(alert, site, fresh, handed=handed)

    def answer(self, alert_id: str) -> AnyResponse:
        """Hand an answer over to the facility, once however often the form is sent."""
        alert, site, fresh = self._alert(alert_id)
        if not _may_answer():
            abort(403, MAY_NOT)
        account = g.account
        by = self.desk.person(account.id) or f"{FROM_DESK}{account.id}"
        try:
            letter = desk_alerts.answer(
                request.form, alert.id, account.id, by, account.name, self.desk.clock())
        except Unanswered as wrong:
            page = self._alert_page(alert, site, fresh, wrong=str(wrong))
            return make_response(page, 400)
        if alert.closed:
            abort(409, CLOSED)
        try:
            self.desk.put(Post(site.id, letter))
        except RedisError:
            abort(503, NOT_HANDED)
        sent = _proof(alert, letter.kind)
        there = url_for("desk.alert", alert_id=alert.id, said=letter.kind, sent=sent)
        return redirect(there, 303)

    def _alert(self, alert_id: str) -> tuple[Alert, Site, bool]:
        """The newest state of an alert that is hers to see, and whether it is fresh."""
        row = self.desk.store.alert(alert_id)
        site = self._site_of(row["facility"] if row else alert_id.rpartition("-")[0], NO_ALERT)
        standings = self.desk.standings([site])
        shown = standings.get(site.id) if standings else None
        held = next((a for a in shown.alerts if a.id == alert_id), None) if shown else None
        alert = held or (alert_of(row) if row else None)
        if alert is None or alert.facility != site.id:
            abort(404, NO_ALERT)
        return alert, site, standings is not None

    def _alert_page(
        self, alert: Alert, site: Site, fresh: bool, handed: str = "", wrong: str = ""
    ) -> str:
        story = self.desk.teller().story(alert, site)
        return render_template(
            "desk_alert.html", story=story, site=site, fresh=fresh, handed=handed, wrong=wrong,
            choices=desk_alerts.CHOICES, may=_may_answer(), most=MOST_WORD,
            once=secrets.token_hex(8), typed=request.form,
        )  # fmt: skip


def _proof(alert: Alert, kind: str) -> str:
    """What only this log-in can know once it has sent such an answer: an address that somebody
    made up must not say that an answer was handed over."""
    return form_key(f"{g.form_key} {alert.id} {kind}")[:16]


def _may_answer() -> bool:
    """Programme officers read; those who answer for a facility or a district answer."""
    return bool(g.account.role != "programme")


def _zone(sites: Mapping[str, Site]) -> str:
    """The clock of the first facility: days are cut by it where none is chosen."""
    return next((s.zone for s in sites.values()), "UTC")


def _scope() -> tuple[str, str]:
    """The district and the facility that the account is for, as the store is asked."""
    account = g.account
    if account.role == "in_charge":
        return "", account.place
    return "" if account.place == EVERYWHERE else account.place, ""
