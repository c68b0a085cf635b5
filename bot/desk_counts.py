"""The programme's pages of the desk: what was counted, its pictures, the indicators, the batches
behind each number.

Here is only what is asked and how it is answered. Whoever asks sees her own facility, district or
programme; what she may not see is answered as what is not there. Numbers are not suppressed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from flask import Blueprint, Response, abort, g, make_response, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from bot import pictures, set_line
from bot.accounts import EVERYWHERE
from bot.cursors import MOST_ROWS
from bot.desk_batches import OUTCOMES, Narrow, batch_filter, listed, narrowed
from bot.desk_figures import BY_CHANCE, Front, MissedStep, Seen, front, missed_steps
from bot.desk_indicators import defined
from bot.desk_period import PERIODS, Scope, Unknown, Wanted, said_day, understood
from bot.desk_pictures import PICTURES, Gallery, Shown, chosen
from bot.desk_scope import Desk
from bot.gap_queries import GapFilter
from bot.pictures import Picture, Span, Stay
from bot.site import Site
from flows.batch import METHODS

NO_SUCH = "There is no such district or facility in the register."
NO_SET = "There is no such set in the register."
NOT_A_PAGE = "This is not a page of the list: begin with the first."


def counts(desk: Desk) -> Blueprint:
    """The pages `/desk/counts...`, `/desk/indicators` and `/desk/batches`, to stand under the
    desk's own."""
    pages, views = Blueprint("counts", __name__), _Counts(desk)
    pictures_ = f"<any({', '.join(PICTURES)}):name>"
    routes: Mapping[str, Callable[..., AnyResponse | tuple[str, int]]] = {
        "/counts": views.front,
        f"/counts/{pictures_}": views.picture,
        f"/counts/{pictures_}.svg": views.drawn,
        "/counts/set/<set_id>": views.set_page,
        "/counts/set/<set_id>/line.svg": views.set_drawn,
        "/indicators": views.indicators,
        "/batches": views.batches,
    }
    for path, view in routes.items():
        pages.add_url_rule(path, view.__name__, view)
    return pages


@dataclass(frozen=True, slots=True)
class _Counts:
    desk: Desk

    # ---- the front page ------------------------------------------------------------------------

    def front(self) -> tuple[str, int]:
        """Three questions answered, and who did not report."""
        wanted, wrong = self._wanted()
        page = self._front(wanted) if not wrong else None
        return self._page("counts.html", wanted, wrong, page=page, pictures=PICTURES,
                          by_chance=BY_CHANCE)  # fmt: skip

    def _front(self, wanted: Wanted) -> Front:
        store, scope, teller = self.desk.store, _scope(), self.desk.teller()
        sites = [s for s in self.desk.sites() if wanted.district in ("", s.district)
                 and wanted.facility in ("", s.id)]  # fmt: skip
        everything = wanted.without_method()
        all_methods = store.counts(everything.filter(scope, "facility"))
        seen = Seen(
            wanted, sites, self.desk.standings(sites),
            store.figures(everything.filter(scope), teller.now),
            store.counts(wanted.filter(scope, "stage", "reason")),
            store.counts(wanted.filter(scope, "facility")) if wanted.method else all_methods,
            all_methods, list(self._lasting(everything)),
        )  # fmt: skip
        return front(seen, teller)

    def _lasting(self, wanted: Wanted) -> Iterator[Mapping[str, Any]]:
        """The gaps that have not ended, however many."""
        asked = wanted.filter(_scope())
        gaps = GapFilter(facility=next(iter(asked.facility), ""), lasting=True, limit=MOST_ROWS,
                         district=next(iter(asked.district), ""))  # fmt: skip
        page = self.desk.store.gaps(gaps)
        yield from page.rows
        while page.next:
            page = self.desk.store.gaps(replace(gaps, after=page.next))
            yield from page.rows

    # ---- a picture -----------------------------------------------------------------------------

    def picture(self, name: str) -> tuple[str, int]:
        """The picture, what to see in it, its numbers, the ways to the batches behind them."""
        wanted, wrong = self._wanted(PICTURES[name].period)
        wanted = chosen(name, wanted)
        shown = self._gallery().draw(name, wanted) if not wrong else None
        steps = self._steps(wanted) if name == "stages" and not wrong else []
        return self._page(
            "counts_picture.html", wanted, wrong, name=name, kind=PICTURES[name], shown=shown,
            steps=steps, svg=_address("drawn", wanted.query, name=name), pictures=PICTURES,
        )  # fmt: skip

    def drawn(self, name: str) -> AnyResponse:
        """The picture alone."""
        wanted, wrong = self._wanted(PICTURES[name].period)
        if wrong:
            abort(400, wrong)
        return svg(self._gallery().draw(name, chosen(name, wanted)).picture)

    def _gallery(self) -> Gallery:
        names = {site.id: site.name for site in self.desk.sites()}
        return Gallery(self.desk.store, _scope(), self.desk.clock(), names, _batches_of)

    def _steps(self, wanted: Wanted) -> list[MissedStep]:
        rows = self.desk.store.counts(wanted.filter(_scope(), "stage", "reason"))
        return missed_steps(rows, wanted, self.desk.teller())

    # ---- a set ---------------------------------------------------------------------------------

    def set_page(self, set_id: str) -> tuple[str, int]:
        """The time line of one set."""
        wanted, wrong = self._wanted("3m")
        site = self._site_of(set_id)
        shown = Shown(self._line(set_id, site, wanted)) if not wrong else None
        svg = _address("set_drawn", wanted.query, set_id=set_id)
        return self._page("counts_set.html", wanted, wrong, site=site, set_id=set_id, shown=shown,
                          svg=svg)  # fmt: skip

    def set_drawn(self, set_id: str) -> AnyResponse:
        """Its picture alone."""
        wanted, wrong = self._wanted("3m")
        if wrong:
            abort(400, wrong)
        return svg(self._line(set_id, self._site_of(set_id), wanted))

    def _site_of(self, set_id: str) -> Site:
        found = next((s for s in self.desk.sites() if any(c.id == set_id for c in s.sets)), None)
        if found is None:
            abort(404, NO_SET)
        return found

    def _line(self, set_id: str, site: Site, wanted: Wanted) -> Picture:
        zone, now = ZoneInfo(site.zone), self.desk.clock()
        begin = datetime.combine(wanted.since, time(), zone).astimezone(UTC)
        end = datetime.combine(wanted.until + timedelta(days=1), time(), zone).astimezone(UTC)
        end = min(end, now)
        with self.desk.store.database.read() as connection:
            turns = set_line.turns_of(connection, set_id, site.id, begin, end)
            state = set_line.state_of(connection, set_id)
        spans = [Span(d.condition, d.start, d.end)
                 for d in set_line.conditions(turns, state, begin, end)]  # fmt: skip
        stays = [Stay(t.batch, max(t.opened, begin), min(t.closed or end, end),
                      url_for("desk.batch", batch_id=t.batch))
                 for t in turns if (t.closed or end) > begin]  # fmt: skip
        return pictures.timeline("line", f"{set_id}, {wanted.words}", spans, stays, zone)

    # ---- indicators, batches -------------------------------------------------------------------

    def indicators(self) -> tuple[str, int]:
        """Every definition with its value."""
        wanted, wrong = self._wanted()
        asked = wanted.filter(_scope())
        rows = [] if wrong else defined(self.desk.store.figures(asked, self.desk.clock()))
        return self._page("indicators.html", wanted, wrong, rows=rows)

    def batches(self) -> tuple[str, int]:
        """A page of the list."""
        wanted, wrong = self._wanted()
        narrow, rows, after, teller = Narrow(), [], None, self.desk.teller()
        sites = {site.id: site for site in self.desk.sites()}
        zone = sites[wanted.facility].zone if wanted.facility else self._zone()
        try:
            narrow = narrowed(request.args)
            asked = wanted.filter(_scope())
            if not wrong:
                page = self.desk.store.batches(
                    batch_filter(asked, narrow, zone, request.args.get("after", "")))
                rows, after = list(listed(page.rows, sites, teller)), page.next
        except ValueError as error:
            wrong = NOT_A_PAGE if "cursor" in str(error) else str(error)
        return self._page(
            "batches.html", wanted, wrong, rows=rows, after=after, narrow=narrow, zone=zone,
            about=narrow.words(teller), outcomes=OUTCOMES, first="after" not in request.args,
        )  # fmt: skip

    # ---- what is asked -------------------------------------------------------------------------

    def _wanted(self, period: str = "4w") -> tuple[Wanted, str]:
        """What is asked, and what is wrong with it; 404 for a place that is not hers."""
        sites = self.desk.sites()
        districts, facilities = {s.district for s in sites}, {s.id for s in sites}
        today = self.desk.clock().astimezone(ZoneInfo(self._zone())).date()
        try:
            return understood(request.args, today, districts, facilities, period), ""
        except Unknown:
            abort(404, NO_SUCH)
        except ValueError as error:
            return understood({}, today, districts, facilities, period), str(error)

    def _zone(self) -> str:
        """The clock of the first facility: days are cut by it where several are asked about."""
        return next((site.zone for site in self.desk.sites()), "UTC")

    def _page(self, template: str, wanted: Wanted, wrong: str, **more: Any) -> tuple[str, int]:
        sites = self.desk.sites()
        page = render_template(
            template, wanted=wanted, wrong=wrong, periods=PERIODS, methods=METHODS,
            districts=sorted({s.district for s in sites}), said_day=said_day,
            names={s.id: s.name for s in sites}, **more,
        )  # fmt: skip
        return page, 400 if wrong else 200


def _scope() -> Scope:
    """To what the account is kept."""
    account = g.account
    if account.place == EVERYWHERE:
        return Scope()
    place = (account.place,)
    return Scope(facility=place) if account.role == "in_charge" else Scope(district=place)


def _batches_of(parts: Mapping[str, str]) -> str:
    return _address("batches", parts)


def _address(view: str, query: Mapping[str, str], **parts: str) -> str:
    """The address of one of these views."""
    values: dict[str, Any] = {**query, **parts}
    return url_for(f"desk.counts.{view}", **values)


def svg(picture: Picture) -> Response:
    """The picture as a file that the browser may keep and must ask about each time."""
    answer = make_response(picture.svg)
    answer.mimetype = "image/svg+xml"
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.set_etag(hashlib.sha256(picture.svg).hexdigest()[:32])
    answer.make_conditional(request)
    return answer
