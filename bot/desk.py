"""The desk: the addresses of its pages, and its papers, sheets to read or to print.

The papers are read from the store and from the protocols; they name no person of the register and
no phone, only ids. What an account may not see is answered as what is not there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from flask import Blueprint, abort, g, render_template, request
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from bot import desk_card, desk_label, desk_sums
from bot.accounts import sees
from bot.coding import settled
from bot.desk_load import load_record
from bot.desk_pages import Pages
from bot.desk_scope import Desk
from bot.desk_words import FIRST, TRAINING
from bot.errors import StoreDown
from bot.login import Door
from bot.pages import guard
from bot.site import Site
from bot.store import BatchFilter
from flows.protocol import Protocol

MOST_TYPED = 40  # characters of one field
# Software limits: with both of them reached the page of papers stays below 60 KB.
MOST_BATCHES = 3  # of one facility there; its own page has more
MOST_FACILITIES = 40


def desk(read: Desk, door: Door) -> Blueprint:
    """The blueprint of `/desk`; its pages find whoever is logged in as `flask.g.account`."""
    pages = Blueprint("desk", __name__, url_prefix="/desk")
    views, living = _Papers(read), Pages(read)
    door.add_to(pages)
    pages.after_request(guard)
    pages.after_request(lambda answer: settled(answer, request))
    pages.register_error_handler(HTTPException, _sorry)
    pages.register_error_handler(StoreDown, _store_down)
    routes: Mapping[str, Callable[..., AnyResponse | str | tuple[str, int]]] = {
        "": living.now,
        "/batch/<batch_id>": living.batch,
        "/facility/<facility>": living.facility,
        "/alerts": living.alerts,
        "/alert/<alert_id>": living.alert,
        "/papers": views.papers,
        "/card/<facility>": views.card,
        "/paper/<facility>": views.paper,
        "/load/<batch_id>": views.load,
        "/label": views.label,
    }
    for path, view in routes.items():
        pages.add_url_rule(path, view.__name__, view)
    pages.add_url_rule("/alert/<alert_id>", "answer", living.answer, methods=["POST"])
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


# ---- the papers --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Papers:
    desk: Desk

    def papers(self) -> str:
        """Every facility with the ways to its sheets, by id and a page at a time."""
        after = request.args.get("after", "")[:MOST_TYPED]
        rows = [row for row in self.desk.store.facilities()
                if row["id"] > after and sees(g.account, row["district"], row["id"])]  # fmt: skip
        more = rows[MOST_FACILITIES - 1]["id"] if len(rows) > MOST_FACILITIES else ""
        rows = rows[:MOST_FACILITIES]
        protocols = {s.id: self.desk.rules.protocol_for(s).id
                     for s in self.desk.store.load_register().sites()}  # fmt: skip
        loads = {row["id"]: self._loads(row["id"]) for row in rows if row["autoclave"]}
        return render_template("desk_papers.html", rows=rows, protocols=protocols, loads=loads,
                               more=more, training=TRAINING, first=FIRST)  # fmt: skip

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
