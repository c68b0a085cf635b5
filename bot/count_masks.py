"""What an answer of counts may not tell of one facility, found from the rows of every facility.

Whatever is asked, one facility or twenty, is held against the whole districts: so the same numbers
are hidden in each answer of the same times and methods, and none fills the gap of another.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from bot.count_queries import PLACES, CountFilter
from bot.figures import Counted, Counts
from bot.small_numbers import FEW, LEFT, Hidden, Numbers, hidden, may_tell, small, with_families
from flows.indicators import BY_ID, EXPECTED, INDICATORS, MEASURES, Indicator

Keys = Mapping[str, str]
Cell = tuple[tuple[str, str], ...]  # what a row is besides its place, by dimension

_NOTHING: frozenset[str] = frozenset()
TOTAL = " total"  # no facility's id: those have no space in front


def finer(wanted: CountFilter) -> CountFilter:
    """The question whose rows say what of *wanted* is to be hidden. The districts of the
    facilities asked for are the caller's to add."""
    places = PLACES if _by_facility(wanted) else ("district",)
    return replace(wanted, by=tuple(dict.fromkeys((*wanted.by, *places))), facility=())


def _by_facility(wanted: CountFilter) -> bool:
    return "facility" in wanted.by or bool(wanted.facility)


@dataclass(frozen=True)
class Mask:
    """What is hidden in the rows of *wanted*. *fine* are the keys and numbers of the rows of
    `finer(wanted)`, *heard* by district the facilities of which anything was heard in all the time,
    *quiet* the keys of rows of facilities that were silent for the row's own time."""

    wanted: CountFilter
    fine: Sequence[tuple[Keys, Numbers]]
    heard: Mapping[str, frozenset[str]]
    quiet: Sequence[Keys]
    least: int

    def hidden(self, keys: Keys, numbers: Numbers) -> frozenset[str]:
        """The names that the row of *keys* may not tell."""
        return with_families(self._hidden(keys, numbers), numbers)

    def _hidden(self, keys: Keys, numbers: Numbers) -> frozenset[str]:
        if _by_facility(self.wanted):
            found = self._untold(self._in_facilities.get(_cell(keys), {}), keys)
            return found | (small(numbers, self.least) if self.wanted.facility else _NOTHING)
        districts = [d for d in self.heard if keys.get("district", d) == d]
        few = sum(len(self.heard[d]) for d in districts) < FEW
        found = self._untold({"": self._in_districts.get(_cell(keys), {})}, keys)
        return found | (small(numbers, self.least) if few else _NOTHING)

    def absent(self, rows: Iterable[Keys]) -> list[dict[str, str]]:
        """The keys of rows of which nothing is known but that they hide something: without them
        everybody would read a 0 there."""
        if "facility" not in self.wanted.by:
            return []
        known = {(_cell(keys), keys["facility"], keys.get("district", "")) for keys in rows}
        found = []
        for cell, districts in self._in_facilities.items():
            for district, names in districts.items():
                here = district if "district" in self.wanted.by else ""
                for facility in sorted(frozenset().union(*names.values()) - {TOTAL}):
                    if (cell, facility, here) not in known and self._asks(facility):
                        keys = {**dict(cell), "district": here, "facility": facility}
                        found.append({name: keys[name] for name in self.wanted.by})
        return found

    def _asks(self, facility: str) -> bool:
        return not self.wanted.facility or facility in self.wanted.facility

    def _untold(self, hidden_in: Mapping[str, Hidden], keys: Keys) -> frozenset[str]:
        """The names of which the places that *keys* cover would tell too much, by what is
        *hidden_in* each district (under "": in each of the districts themselves)."""
        return frozenset(
            name for district, names in hidden_in.items()
            if not district or keys.get("district", district) == district
            for name, places in names.items()
            if not may_tell({p for p in places if self._covers(keys, p, district)}, places)
        )

    def _covers(self, keys: Keys, place: str, district: str) -> bool:
        if not district:
            return keys.get("district", place) == place
        return place != TOTAL and keys.get("facility", place) == place and self._asks(place)

    @cached_property
    def _cells(self) -> Mapping[Cell, Mapping[str, Mapping[str, Numbers]]]:
        """The numbers by cell, district and facility ("" where facilities are not told apart)."""
        found: dict[Cell, dict[str, dict[str, Numbers]]] = defaultdict(lambda: defaultdict(dict))
        for keys, numbers in self.fine:
            found[_cell(keys)][keys["district"]][keys.get("facility", "")] = numbers
        return found

    @cached_property
    def _in_facilities(self) -> Mapping[Cell, Mapping[str, Hidden]]:
        quiet = {(_cell(keys), keys["facility"]) for keys in self.quiet}
        return {cell: {district: self._in_one(facilities, {
            f for f in self.heard.get(district, ()) if (cell, f) not in quiet})
            for district, facilities in districts.items()}
            for cell, districts in self._cells.items()}

    def _in_one(self, facilities: Mapping[str, Numbers], heard: Collection[str]) -> Hidden:
        """Where each name is hidden in one district. Where its total is hidden too, all that are
        hidden come to no sum that may be told: TOTAL stands for one more that nobody asks for."""
        found = hidden(facilities, heard, self.least)
        names = next(iter(facilities.values()))
        total = {name: sum(row[name] for row in facilities.values()) for name in names}
        untold = small(total, self.least) if len(heard) < FEW else _NOTHING
        return {name: places | {TOTAL} if name in untold and places else places
                for name, places in found.items()}

    @cached_property
    def _in_districts(self) -> Mapping[Cell, Hidden]:
        """Where the total of a district is as good as told apart by facility, and too small."""
        few_then = {(_cell(keys), keys["district"]) for keys in self.quiet}
        found: dict[Cell, dict[str, frozenset[str]]] = {}
        for cell, districts in self._cells.items():
            names: dict[str, set[str]] = defaultdict(set)
            for district, whole in districts.items():
                few = len(self.heard.get(district, ())) < FEW or (cell, district) in few_then
                for name in small(whole[""], self.least) if few else ():
                    names[name].add(district)
            found[cell] = {name: frozenset(places) for name, places in names.items()}
        return found


def _cell(keys: Keys) -> Cell:
    return tuple(sorted((name, key) for name, key in keys.items() if name not in PLACES))


# ---- what the figures come to without what is hidden -------------------------------------------


def numbers_of(group: Counted) -> dict[str, int]:
    """Every number of *group* that can be too small, by name."""
    found = {name: group.measures[name] or 0 for name in MEASURES}
    for one in INDICATORS:
        if one.span:
            found[one.span] = group.indicators[one.id].denominator or 0
    return found | {LEFT: found["alerts"] - found["alerts_over"]}


def mask_of(wanted: CountFilter, fine: Counts, owners: Mapping[str, str], least: int) -> Mask:
    """The Mask of the figures of *wanted*, from the figures of `finer(wanted)`. *owners* is the
    district of each registered facility by id."""
    heard: dict[str, set[str]] = {d: set() for d in owners.values()}
    for facility in (set(fine.expected) - set(fine.silent)) & owners.keys():
        heard[owners[facility]].add(facility)
    alone = 1 if _by_facility(wanted) else FEW
    quiet = [g.keys for g in fine.groups
             if "month" in g.keys and (n := g.measures["reports"]) is not None and n < alone]
    return Mask(wanted, [(g.keys, numbers_of(g)) for g in fine.groups],
                {d: frozenset(found) for d, found in heard.items()}, quiet, least)


def masked(found: Counts, mask: Mask, fine: Counts) -> Counts:
    """*found* without what *mask*, made from *fine*, hides; rows in order."""
    like = {_cell(g.keys): g for g in fine.groups}
    groups = [_without(g, mask.hidden(g.keys, numbers_of(g))) for g in found.groups]
    for keys in mask.absent(g.keys for g in found.groups):
        nothing = _nothing(keys, like[_cell(keys)])
        groups.append(_without(nothing, mask.hidden(keys, numbers_of(nothing))))
    return replace(found, groups=tuple(sorted(groups, key=lambda g: tuple(g.keys.values()))))


def _nothing(keys: Keys, like: Counted) -> Counted:
    """The row of a place where nothing was counted in the time of *like*."""
    place, nothing = keys["facility"], {**dict.fromkeys(MEASURES, 0), **dict.fromkeys(EXPECTED)}
    figures = {
        i: replace(f, place=place, value=None,
                   numerator=None if BY_ID[i].span or f.numerator is None else 0,
                   denominator=None if f.denominator is None else 0)
        for i, f in like.indicators.items()}
    return replace(like, keys=keys, measures=nothing,
                   indicators=figures)


def _without(group: Counted, names: frozenset[str]) -> Counted:
    measures = {name: None if name in names else n for name, n in group.measures.items()}
    figures = dict(group.indicators)
    for one in INDICATORS:
        if names & _uses(one):
            figures[one.id] = replace(figures[one.id], numerator=None, denominator=None,
                                      value=None, suppressed=True)
    return replace(group, measures=measures, indicators=figures)


def _uses(one: Indicator) -> frozenset[str]:
    names = {n.removeprefix("-") for n in (*one.numerator, *one.denominator)}
    return frozenset(names | {one.span} | ({LEFT} if "-alerts_over" in one.denominator else set()))
