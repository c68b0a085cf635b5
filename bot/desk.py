"""The desk: sheets to read on a cheap phone or to print, for whoever is logged in.

Everything is read from the store and from the protocols; nothing here changes anything. No page
names a person of the register or a phone: only ids. What an account may not see is answered as
what is not there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from flask import Blueprint, abort, g, render_template, request
from werkzeug.exceptions import HTTPException

from bot import desk_card, desk_label, desk_sums
from bot.accounts import sees
from bot.desk_load import load_record
from bot.desk_words import FIRST, TRAINING
from bot.errors import StoreDown
from bot.login import Door
from bot.model import Site
from bot.pages import guard
from bot.rules import Rules
from bot.store import BatchFilter, Store
from bot.wording import Wording
from flows.protocol import Protocol

MOST_TYPED = 40  # characters of one field
MOST_BATCHES = 10  # of one facility, on the first page


@dataclass(frozen=True, slots=True)
class Desk:
    """What the pages read: the store, the rules in force, the texts, the time."""

    store: Store
    rules: Rules
    wording: Wording
    clock: Callable[[], datetime]

    def sites(self) -> list[Site]:
        """The facilities that whoever asks may see."""
        return [s for s in self.store.load_register().sites()
                if s.methods and sees(g.account, s.district, s.id)]  # fmt: skip

    def site(self, facility: str) -> Site:
        """The facility's page of the register; 404 for one that is not there for her."""
        found = next((s for s in self.sites() if s.id == facility), None)
        if found is None:
            abort(404, "There is no such facility in the register.")
        return found

    def head(self, protocol: Protocol) -> dict[str, Any]:
        """What every sheet carries: protocol, warnings."""
        training = TRAINING
        if protocol.confirmed:
            training = f"Confirmed by {protocol.confirmed_by} on {protocol.confirmed_on}."
        return {"protocol": protocol, "training": training, "first": FIRST}


def desk(store: Store, rules: Rules, wording: Wording, clock: Callable[[], datetime],
         door: Door) -> Blueprint:  # fmt: skip
    """The blueprint of `/desk`; its pages find whoever is logged in as `flask.g.account`."""
    pages = Blueprint("desk", __name__, url_prefix="/desk")
    views = _Views(Desk(store, rules, wording, clock))
    door.add_to(pages)
    pages.after_request(guard)
    pages.register_error_handler(HTTPException, _sorry)
    pages.register_error_handler(StoreDown, _store_down)
    routes: Mapping[str, Callable[..., str | tuple[str, int]]] = {
        "": views.facilities,
        "/card/<facility>": views.card,
        "/paper/<facility>": views.paper,
        "/load/<batch_id>": views.load,
        "/label": views.label,
    }
    for path, view in routes.items():
        pages.add_url_rule(path, view.__name__, view)
    pages.add_url_rule("/<any(mix, cycle, plan):name>", "sums", desk_sums.page)
    pages.add_url_rule("/<path:_rest>", "nothing", _nothing)
    return pages


def _nothing(_rest: str) -> str:
    abort(404, "There is nothing at this address.")


def _sorry(error: HTTPException) -> tuple[str, int]:
    return render_template("desk_sorry.html", sorry=error.description), error.code or 500


def _store_down(_: StoreDown) -> tuple[str, int]:
    said = "The store does not answer. Nothing is lost: please try again in a minute."
    return render_template("desk_sorry.html", sorry=said), 503


# ---- the pages ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Views:
    desk: Desk

    def facilities(self) -> str:
        """Every facility with the ways to its sheets."""
        rows = [row for row in self.desk.store.facilities()
                if sees(g.account, row["district"], row["id"])]  # fmt: skip
        protocols = {s.id: self.desk.rules.protocol_for(s).id
                     for s in self.desk.store.load_register().sites()}  # fmt: skip
        loads = {row["id"]: self._loads(row["id"]) for row in rows if row["autoclave"]}
        return render_template("desk_list.html", rows=rows, protocols=protocols, loads=loads,
                               training=TRAINING, first=FIRST)  # fmt: skip

    def _loads(self, facility: str) -> list[Any]:
        """The newest autoclave batches of *facility*."""
        wanted = BatchFilter(facility=facility, method="autoclave", limit=MOST_BATCHES)
        return list(self.desk.store.batches(wanted).rows)

    def card(self, facility: str) -> str:
        """The bench card: the facility's own methods and numbers."""
        site = self.desk.site(facility)
        protocol = self.desk.rules.protocol_for(site)
        today = self.desk.clock().astimezone(ZoneInfo(site.zone)).date()
        return render_template(
            "desk_card.html",
            **self.desk.head(protocol),
            **_sheet(site, protocol),
            numbers=desk_card.numbers(protocol),
            mixes=desk_card.mixes(site, protocol, today),
            lacking=desk_card.unsaid(site),
            first_aid=desk_card.first_aid(protocol),
            sources=desk_card.sources(site, protocol),
            today=today,
        )

    def paper(self, facility: str) -> str:
        """The form to fill in by hand on the day when nothing works."""
        site = self.desk.site(facility)
        protocol = self.desk.rules.protocol_for(site)
        return render_template(
            "desk_paper.html", **self.desk.head(protocol), **_sheet(site, protocol),
            numbers=desk_card.numbers(protocol),
        )  # fmt: skip

    def load(self, batch_id: str) -> str:
        """The sterilisation record of an autoclave batch."""
        batch = self.desk.store.document(batch_id)
        if batch is None or not sees(g.account, batch.district, batch.facility):
            abort(404, "There is no such batch in the store.")
        sites = self.desk.store.load_register().sites()
        zone = next((s.zone for s in sites if s.id == batch.facility), "UTC")
        protocol = self.desk.rules.protocols.get(batch.protocol)
        record = load_record(batch, protocol, zone, self.desk.wording)
        if record is None:
            abort(404, "This batch was not in an autoclave, so there is no record of a load.")
        head = self.desk.head(protocol) if protocol else {"training": TRAINING, "first": FIRST}
        return render_template("desk_load.html", record=record, batch=batch_id, **head)

    def label(self) -> tuple[str, int]:
        """The form for a solution's label, and the label once it is filled in."""
        sites = self.desk.sites()
        if not sites:
            abort(404, "No facility is in the register for you.")
        site = self.desk.site(request.args.get("facility") or sites[0].id)
        protocol, now = self.desk.rules.protocol_for(site), self.desk.clock()
        typed = desk_label.blank(protocol, site.zone, now)
        filled = "percent" in request.args
        typed |= {k: v[:MOST_TYPED] for k, v in request.args.items() if k in desk_label.FIELDS}
        tag, wrong = None, ""
        try:
            tag = desk_label.printed(typed, site, protocol, now) if filled else None
        except desk_label.Wrong as kind:
            wrong = str(kind)
        page = render_template(
            "desk_label.html", **self.desk.head(protocol), site=site, sites=sites, typed=typed,
            products=desk_label.PRODUCTS, tag=tag, wrong=wrong,
        )  # fmt: skip
        return page, 400 if wrong else 200


def _sheet(site: Site, protocol: Protocol) -> dict[str, Any]:
    return {
        "site": site,
        "before": desk_card.before(protocol),
        "ways": desk_card.ways(site, protocol),
        "after": desk_card.after(protocol),
    }
