"""Every measure and indicator is counted twice: by the store, and from the documents one by one.

The second way (`tests.bot.second_count`) was written from the sentences of `flows.indicators`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache

import pytest
from sqlalchemy import Table, select, update

from bot.effects import Gap
from bot.figures import BY, Counted, Counts
from bot.store import CountFilter, Store
from bot.total_tables import TOTALS, VALUES
from flows.indicators import BY_ID, EXPECTED, INDICATORS, MEASURES, SPANS, Indicator
from flows.statistics import minute_bin
from tests.bot.lived_district import ENDS, REGISTER, ZONES, lived, never_counted
from tests.bot.second_count import Fact, added, chosen, facts, nearest_rank
from tests.bot.second_expected import Expected

EVERY = (date(2026, 3, 1), date(2026, 5, 31))
AT_ONCE = 700
PLACES = frozenset({"district", "facility", "month"})  # by what months are owed

DAYS: Sequence[tuple[date | None, date | None]] = (
    (None, None), (date(2026, 4, 1), date(2026, 4, 30)), (date(2026, 4, 7), None),
    (date(2026, 3, 30), date(2026, 5, 2)), (date(2026, 4, 7), date(2026, 4, 24)),
)  # fmt: skip
ONLY: Sequence[Mapping[str, tuple[str, ...]]] = (
    {"district": ("TAM",)}, {"facility": ("LOWF", "ISLE", "KORA", "MUTE")},
    {"method": ("chlorine", "autoclave")}, {"district": ("BAO",), "facility": ("LOWF", "ISLE")},
)  # fmt: skip
GROUPS: Sequence[tuple[str, ...]] = (
    (), ("district",), ("facility",), ("month",), ("week",), ("day",), ("method",),
    ("facility", "month"), ("district", "method"), ("facility", "day"), ("month", "week"),
)  # fmt: skip


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """All that the districts told, in an order of its own, the old among the new, some twice."""
    found = Store(f"sqlite:///{tmp_path_factory.mktemp('indicators') / 'store.db'}")
    found.migrate()
    found.save_register(REGISTER)
    docs = [*lived().every(), *never_counted()]
    for first in range(0, len(docs), AT_ONCE):
        found.record(docs[first : first + AT_ONCE])
    yield found
    found.close()


@cache
def ended() -> list[Fact]:
    """What the totals hold: a gap that lasts is in none."""
    docs = [d for d in lived().newest() if not isinstance(d, Gap) or d.until]
    return facts(docs, ZONES, ENDS)


@cache
def known() -> list[Fact]:
    """The same with the gaps that last, of the facilities that somebody still looks after."""
    docs = [d for d in lived().newest() if not isinstance(d, Gap) or d.facility in ZONES]
    return facts(docs, ZONES, ENDS)


@cache
def expected() -> Expected:
    return Expected(REGISTER, known(), ENDS)


@cache
def observed() -> list[Fact]:
    return list(expected().observed())


@dataclass(frozen=True, slots=True)
class Asked:
    """A question, and what of it is needed for the second answer."""

    by: tuple[str, ...]
    since: date | None
    until: date | None
    only: Mapping[str, tuple[str, ...]]

    @property
    def wanted(self) -> CountFilter:
        return CountFilter(by=self.by, since=self.since, until=self.until, **self.only)

    @property
    def of_places(self) -> bool:
        return "method" not in self.by and "method" not in self.only

    def among(self, found: Sequence[Fact]) -> list[Fact]:
        return chosen(found, self.since, self.until, **self.only)


def questions(by: tuple[str, ...]) -> Iterator[Asked]:
    """Everything in all and in some days; some of it in others."""
    for since, until in DAYS:
        yield Asked(by, since, until, {})
    for days, only in zip(DAYS, ONLY, strict=False):
        yield Asked(by, *days, only)


# ---- the measures ----------------------------------------------------------------------------


@pytest.mark.parametrize("by", GROUPS, ids="-".join)
def test_every_measure_is_what_the_documents_add_up_to(store: Store, by: tuple[str, ...]) -> None:
    for asked in questions(by):
        rows = store.counts(asked.wanted)
        sums = added(asked.among(ended()), by)

        counted = {tuple(row[b] for b in by): _nonzero(row, MEASURES) for row in rows}
        if not by:
            sums = {(): sums.get((), Counter())}  # nothing at all is a row of zeros
        assert counted == {key: dict(n) for key, n in sums.items()}, asked


def _nonzero(row: Mapping[str, object], names: Mapping[str, str]) -> dict[str, object]:
    return {name: row[name] for name in names if row[name]}


def test_no_measure_is_left_without_a_count() -> None:
    """So that no agreement is one of zeros."""
    [sums] = added(ended()).values()

    assert set(sums) == set(MEASURES)
    assert {f.name for f in ended() if f.kind == "span"} == set(SPANS)


@pytest.mark.parametrize("what", ["missed", "alert"])
@pytest.mark.parametrize("by", [("stage",), ("reason",), ("stage", "reason"),
                                ("facility", "reason"), ("month", "stage"), ("day", "reason"),
                                ("method", "week", "stage", "reason"), ("district", "stage")],
                         ids="-".join)
def test_steps_missed_are_what_the_logs_say(store: Store, by: tuple[str, ...], what: str) -> None:
    common = tuple(b for b in by if b not in ("stage", "reason"))
    for asked in questions(by):
        for more in ({}, {"reason": ("shortened", "recall")}, {"stage": ("soak", "")}):
            wanted = replace(asked.wanted, what=what, **more)
            rows = store.counts(wanted)
            found = [f for f in chosen(asked.among(ended()), **more) if f.kind == what]
            n: Counter[tuple[str, ...]] = Counter()
            for fact in found:
                n[tuple(fact.told(b) for b in by)] += fact.n
            of = added(asked.among(ended()), common)

            assert {tuple(r[b] for b in by): r["n"] for r in rows} == n, wanted
            for row in rows:
                sums = of.get(tuple(row[b] for b in common), Counter())
                assert row["batches"] == sums["batches"]
                assert row["cancelled"] == sums["cancelled"]


# ---- the indicators --------------------------------------------------------------------------


@pytest.mark.parametrize("by", [g for g in GROUPS if set(g) <= set(BY)], ids="-".join)
def test_every_indicator_is_what_its_sentence_says(store: Store, by: tuple[str, ...]) -> None:
    for asked in questions(by):
        found = store.figures(asked.wanted, ENDS)
        sums, owed = _sums(asked), _owed(asked)
        groups = {*added(_of_facilities(asked, ended()), by), *owed}
        groups |= set(added(asked.among(known()), by)) if asked.of_places else set()
        groups = {g for g in groups if dict(zip(by, g, strict=True)).get("facility") != ""}

        assert {tuple(g.keys[b] for b in by) for g in found.groups} == (groups if by else {()})
        spans = _spans(asked)
        for group in found.groups:
            key = tuple(group.keys[b] for b in by)
            _agree(group, key, _measures(asked, sums.get(key, Counter()), owed.get(key)),
                   None if spans is None else spans.get(key, {}))


def _of_facilities(asked: Asked, found: Sequence[Fact]) -> list[Fact]:
    return [f for f in asked.among(found) if f.facility or "facility" not in asked.by]


def _sums(asked: Asked) -> dict[tuple[str, ...], Counter[str]]:
    """Of places with what lasts and the time heard of; of methods what the totals hold."""
    if not asked.of_places:
        return added(asked.among(ended()), asked.by)
    return added(asked.among([*known(), *observed()]), asked.by)


def _owed(asked: Asked) -> dict[tuple[str, ...], tuple[int, int]]:
    """Months in which anything came, and all of them, by group; none by day, week or method."""
    owed: dict[tuple[str, ...], tuple[int, int]] = {}
    if not set(asked.by) <= PLACES or not asked.of_places:
        return owed
    since, until = asked.since or EVERY[0], asked.until or EVERY[1]
    for place in REGISTER.facilities:
        if (place.district in asked.only.get("district", (place.district,))
                and place.id in asked.only.get("facility", (place.id,))):
            came = expected().came(place, since, until)
            for month in expected().owed(place, since, until):
                told = {"district": place.district, "facility": place.id, "month": month}
                key = tuple(told[b] for b in asked.by)
                got, due = owed.get(key, (0, 0))
                owed[key] = got + (month in came), due + 1
    return owed


def _measures(asked: Asked, sums: Counter[str],
              owed: tuple[int, int] | None) -> dict[str, int | None]:
    measures: dict[str, int | None] = {name: sums[name] for name in MEASURES}
    measures |= dict.fromkeys(EXPECTED)
    if asked.of_places:
        measures["observed_minutes"] = sums["observed_minutes"]
        measures["reports"], measures["reports_due"] = owed or (None, None)
    return measures


Times = Mapping[str, Sequence[float]]
Numbers = tuple[int | None, int | None, float | None]


def _agree(group: Counted, key: tuple[str, ...], measures: Mapping[str, int | None],
           times: Times | None) -> None:
    assert group.measures == measures, key
    for one in INDICATORS:
        figure = group.indicators[one.id]
        told = (figure.numerator, figure.denominator, figure.value)
        assert told == (_time(one, times) if one.span else _told(one, measures)), (key, one.id)


def _told(one: Indicator, measures: Mapping[str, int | None]) -> Numbers:
    top = _over(one.numerator, measures)
    if not one.denominator:
        return top, None, top
    bottom = _over(one.denominator, measures)
    if top is None or bottom is None:
        return None, None, None
    return top, bottom, top / bottom if bottom else None


def _over(names: Sequence[str], measures: Mapping[str, int | None]) -> int | None:
    total = 0
    for name in names:
        number = measures[name.lstrip("-")]
        if number is None:
            return None
        total += -number if name.startswith("-") else number
    return total


def _time(one: Indicator, times: Times | None) -> Numbers:
    """Nearest rank on the times themselves; then its bin."""
    if times is None:
        return None, None, None
    minutes = times.get(one.span, ())
    value = nearest_rank(minutes, one.share)
    edge = None if value is None else minute_bin(value)
    return edge, len(minutes), edge


def _spans(asked: Asked) -> dict[tuple[str, ...], dict[str, list[float]]] | None:
    """All times by group and name, in the whole months asked for; None where there is none."""
    begin, end = _whole_months(asked)
    if {"week", "day"} & set(asked.by) or begin > end:
        return None
    told: dict[tuple[str, ...], dict[str, list[float]]] = {}
    for fact in chosen(ended(), begin, end, **asked.only):
        if fact.kind == "span":
            key = tuple(fact.told(b) for b in asked.by)
            told.setdefault(key, {}).setdefault(fact.name, []).extend([fact.minutes] * fact.n)
    return told


def _whole_months(asked: Asked) -> tuple[date, date]:
    begin, end = asked.since or EVERY[0], asked.until or EVERY[1]
    while begin.day != 1:
        begin += timedelta(days=1)
    while (end + timedelta(days=1)).day != 1:
        end -= timedelta(days=1)
    return begin, end


# ---- what the figures are for ----------------------------------------------------------------


def whole(store: Store, **more: object) -> Counts:
    return store.figures(CountFilter(**more), ENDS)  # type: ignore[arg-type]


def test_shares_are_shares(store: Store) -> None:
    """What is a part of something is no more than it; uses that came back may be more."""
    for by in ((), ("facility",), ("district", "month")):
        for group in whole(store, by=by).groups:
            for figure in group.indicators.values():
                if BY_ID[figure.indicator].unit == "share" and figure.indicator != "reprocessed":
                    assert figure.value is None or 0 <= figure.value <= 1, (group.keys, figure)


def test_who_never_wrote_is_silent_and_owes_its_months(store: Store) -> None:
    found = whole(store, by=("facility",))
    [mute] = [g for g in found.groups if g.keys["facility"] == "MUTE"]

    assert found.silent == ("MUTE",)
    assert set(found.expected) == set(ZONES)
    assert (mute.indicators["completeness"].numerator, mute.measures["reports_due"]) == (0, 3)
    assert mute.indicators["released"].value is None  # none of none is no share, and not 0
    assert mute.indicators["empty"].value is None


@pytest.mark.parametrize("facility", ["MUTE", "ISLE", "LOWF"])
def test_a_facility_owes_the_same_alone_and_among_others(store: Store, facility: str) -> None:
    [alone] = whole(store, facility=(facility,)).groups
    [among] = [g for g in whole(store, by=("facility",)).groups if g.keys["facility"] == facility]

    assert alone.measures == among.measures


def test_a_districts_own_page_is_no_facility(store: Store) -> None:
    names = {g.keys["facility"] for g in whole(store, by=("facility",)).groups}
    rows = {row["facility"]: row["messages"] for row in store.counts(CountFilter(by=("facility",)))}

    assert names == {*ZONES, "KORA"}
    assert rows[""] == 1
    assert "district-TAM" not in rows


def test_indicators_are_not_told_by_stage(store: Store) -> None:
    with pytest.raises(ValueError, match="by stage or reason"):
        whole(store, stage=("soak",))


# ---- drift -----------------------------------------------------------------------------------


def test_after_all_that_the_totals_are_what_the_rows_add_up_to(store: Store) -> None:
    assert store.drift() == []


def test_totals_changed_by_hand_are_found_each_by_its_place(store: Store) -> None:
    changed = {}
    for kind, grains in TOTALS.items():
        for table in grains.values():
            changed[table.name] = _change(store, table, VALUES[kind][0], 3)

    found = store.drift()

    assert len(found) == len(changed)
    for drift in found:
        key, name, kept = changed[drift.table]
        assert (drift.key, drift.measure) == (key, name)
        assert (drift.kept, drift.counted) == (kept + 3, kept)
    for kind, grains in TOTALS.items():
        for table in grains.values():
            _change(store, table, VALUES[kind][0], -3)


def _change(store: Store, table: Table, name: str, by: int) -> tuple[dict[str, object], str, int]:
    """Add *by* to the first row of a table; its key, and what it held."""
    keys = list(table.primary_key.columns)
    with store.database.write() as connection:
        row = connection.execute(select(*keys, table.c[name]).order_by(*keys)).mappings().first()
        assert row is not None
        key = {column.name: row[column.name] for column in keys}
        here = [column == key[column.name] for column in keys]
        connection.execute(update(table).where(*here).values({name: row[name] + by}))
    return key, name, row[name]
