"""The desk's pages of planning: what each facility needs by its own measured use, and what to buy.

Here is only what is asked and how it is answered. Whoever asks sees her own facility, district or
programme; what she may not see is answered as what is not there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from flask import Blueprint, abort, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from bot import need_words, pictures
from bot.desk_counts import svg
from bot.desk_known import known
from bot.desk_now import sets_of
from bot.desk_pictures import Shown
from bot.desk_scope import Desk
from bot.formats import as_csv
from bot.need_queries import observed, with_chlorine
from bot.need_supplies import Supplies, month
from bot.needs import KINDS, Need, Observed, needs, stocks
from bot.pictures import Picture, Risk
from bot.pictures_words import percent
from bot.site import Site
from flows.planning import Amounts

MOST_ROWS = 60  # of the list: the page stays below 60 KB
MOST_TYPED = 20  # characters of an amount
MOST_NAME = 60  # of a district
MOST_AMOUNT = 100_000.0  # a software limit, of one field
NO_DISTRICT = "There is no such district in the register."
CHOOSE = "Choose a district: the list is made for one."
NO_AMOUNT = "Please write a number that is not below zero: {label}."

NOTHING = Amounts(0, 0, 0, 0)
FIELDS: Mapping[str, str] = {
    "vinegar_ml": "Vinegar for one batch, in mL", "cloths": "Cloths for one batch",
    "glove_pairs": "Pairs of gloves for one batch", "margin": "More for waste, in %",
}  # fmt: skip


def planning(desk: Desk) -> Blueprint:
    """The pages `/desk/planning...`, to stand under the desk's own."""
    pages, views = Blueprint("planning", __name__), _Planning(desk)
    routes: Mapping[str, Callable[..., AnyResponse | tuple[str, int]]] = {
        "/planning": views.district,
        "/planning.csv": views.purchases,
        "/planning/<facility>": views.facility,
        f"/planning/<facility>/<any({', '.join(KINDS)}):kind>.svg": views.drawn,
    }
    for path, view in routes.items():
        pages.add_url_rule(path, view.__name__, view)
    return pages


@dataclass(frozen=True, slots=True)
class _Row:
    """One kind at one facility in the list."""

    site: Site
    kind: str
    owned: int
    needed: str
    short: int
    now: str
    why: str


@dataclass(frozen=True, slots=True)
class _Part:
    """One kind on a facility's page."""

    need: Need
    name: str
    verdict: str
    shown: Shown | None
    steps: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Typed:
    """What was typed for one batch, as it was typed and as it is meant."""

    words: Mapping[str, str]
    amounts: Amounts = NOTHING
    margin: float = 0.0
    wrong: str = ""

    @property
    def query(self) -> dict[str, str]:
        """The same as parts of an address, the empty ones left out."""
        return {} if self.wrong else {name: text for name, text in self.words.items() if text}


@dataclass(frozen=True, slots=True)
class _Planning:
    desk: Desk

    def district(self) -> tuple[str, int]:
        """Every facility of one district, those that are short first; else the districts."""
        sites, districts = self._chosen()
        typed, rows = _typed(), list[_Row]()
        found = self._needs(sites)
        if sites:
            pairs = [(site, need, found[site.id][0]) for site in sites
                     for need in found[site.id][1]]  # fmt: skip
            rows = [_row(*pair) for pair in sorted(pairs, key=lambda pair: _order(pair[1]))]
        page = render_template(
            "planning.html", rows=rows[:MOST_ROWS], more=len(rows[MOST_ROWS:]), fields=FIELDS,
            districts=districts, chosen=sites[0].district if sites else "", typed=typed,
            notes=(need_words.UNSEEN, *self._hastened()), short=sum(row.short > 0 for row in rows),
        )  # fmt: skip
        return page, 400 if typed.wrong else 200

    def purchases(self) -> AnyResponse:
        """The purchase list of a district."""
        sites, typed = self._chosen()[0], _typed()
        if not sites or typed.wrong:
            abort(400, typed.wrong or CHOOSE)
        rows = [row for site, (seen, need) in self._each(sites)
                for row in need_words.purchases(site, seen, need,
                                                self._month(site, seen, typed))]  # fmt: skip
        return as_csv(need_words.COLUMNS, rows, "planning")

    def facility(self, facility: str) -> tuple[str, int]:
        """One facility: its curves, its numbers, its supplies."""
        site, typed = self.desk.site(facility), _typed()
        protocol = self.desk.rules.protocol_for(site)
        [(_, (seen, found))] = self._each([site])
        supplies = self._month(site, seen, typed)
        page = render_template(
            "planning_facility.html", site=site, seen=seen, typed=typed, fields=FIELDS,
            about=list(need_words.about(seen, hastened=self.desk.rules.hasten != 1)),
            needs=[_part(site, n, protocol["planning.used_fraction"]) for n in found],
            notes=(need_words.UNSEEN, need_words.ALL_KINDS), supplies=supplies,
            rows=list(need_words.supply_rows(supplies, seen)) if supplies else [],
            spares=list(need_words.spare_rows(seen)), too_little=need_words.TOO_LITTLE,
            **self.desk.head(protocol),
        )  # fmt: skip
        return page, 400 if typed.wrong else 200

    def drawn(self, facility: str, kind: str) -> AnyResponse:
        """The curve alone."""
        site = self.desk.site(facility)
        found = next((n for n in self._needs([site])[site.id][1] if n.kind == kind), None)
        picture = _curve(site, found) if found else None
        if picture is None:
            abort(404, need_words.TOO_LITTLE)
        return svg(picture)

    # ---- what it is made from --------------------------------------------------------------

    def _chosen(self) -> tuple[list[Site], list[str]]:
        """The facilities of the district asked for, or of the only one; and all districts."""
        sites = self.desk.sites()
        districts = sorted({site.district for site in sites})
        asked = request.args.get("district", "")[:MOST_NAME]
        if asked and asked not in districts:
            abort(404, NO_DISTRICT)
        chosen = asked or (districts[0] if len(districts) == 1 else "")
        return [site for site in sites if site.district == chosen], districts

    def _needs(self, sites: Sequence[Site]) -> dict[str, tuple[Observed, tuple[Need, ...]]]:
        now = self.desk.clock()
        standings = self.desk.standings(list(sites))
        if standings is None:
            standings = known(self.desk.store, sites, now)
        with self.desk.store.database.read() as connection:
            seen = observed(connection, sites, now)
        return {
            site.id: (seen[site.id], needs(
                seen[site.id], stocks(sets_of(site, standings.get(site.id)), now),
                self.desk.rules.protocol_for(site)))
            for site in sites
        }  # fmt: skip

    def _each(
        self, sites: Sequence[Site]
    ) -> Iterator[tuple[Site, tuple[Observed, Sequence[Need]]]]:
        """The same with chlorine, one by one."""
        found = self._needs(sites)
        with self.desk.store.database.read() as connection:
            for site in sites:
                seen, need = found[site.id]
                yield site, (with_chlorine(connection, site, seen), need)

    def _month(self, site: Site, seen: Observed, typed: _Typed) -> Supplies | None:
        protocol = self.desk.rules.protocol_for(site)
        return month(site, seen, protocol, typed.amounts, typed.margin)

    def _hastened(self) -> tuple[str, ...]:
        return (need_words.HASTENED,) if self.desk.rules.hasten != 1 else ()


# ---- what is typed -------------------------------------------------------------------------------


def _typed() -> _Typed:
    words = {name: request.args.get(name, "").strip()[:MOST_TYPED] for name in FIELDS}
    try:
        amounts = {name: _amount(text, FIELDS[name]) for name, text in words.items()}
    except ValueError as error:
        return _Typed(words, wrong=str(error))
    margin = amounts.pop("margin") / 100
    if margin > 1:
        return _Typed(words, wrong="More than twice as much is no waste: write at most 100 %.")
    return _Typed(words, Amounts(0, **amounts), margin)


def _amount(text: str, label: str) -> float:
    """The number in *text*, with a point or a comma; 0 for none. ValueError for what is none."""
    try:
        value = float(text.replace(",", ".") or 0)
    except ValueError:
        value = math.nan
    if not 0 <= value <= MOST_AMOUNT:
        raise ValueError(NO_AMOUNT.format(label=label))
    return value


# ---- what is shown -------------------------------------------------------------------------------


def _order(need: Need) -> tuple[bool, float, int]:
    """Those that are short first, by their chance now; those of which nobody can say last."""
    if need.sized is None:
        return True, 0.0, 0
    return False, -need.sized.now if need.short else 1.0, -need.short


def _row(site: Site, need: Need, seen: Observed) -> _Row:
    sized = need.sized
    return _Row(
        site, need_words.NAMES[need.kind], need.stock.owned,
        need_words.up_to(sized) if sized else "not known", need.short,
        f"{percent(sized.now)} find none READY now: " if sized else "", need_words.why(need, seen),
    )  # fmt: skip


def _part(site: Site, need: Need, used_fraction: float) -> _Part:
    picture = _curve(site, need)
    return _Part(
        need, need_words.NAMES[need.kind], need_words.verdict(need),
        Shown(picture) if picture else None, tuple(need_words.steps(need, used_fraction)),
    )  # fmt: skip


def _curve(site: Site, need: Need) -> Picture | None:
    if need.sized is None:
        return None
    risks = [Risk(chance.sets, chance.none_ready) for chance in need.sized.curve]
    word = "not SET ASIDE" if need.stock.aside else "owned"
    title = f"{need_words.NAMES[need.kind]}, {site.name}"
    return pictures.risk_curve("risk", title, risks, need.stock.usable, need.sized.needed,
                               need.risk, word)  # fmt: skip
