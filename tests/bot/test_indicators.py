"""Every measure and indicator is counted twice: by the store, and from the documents one by one.

The second way (`tests.bot.second_count`) was written from the sentences of `flows.indicators`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date

import pytest
from sqlalchemy import Table, select, update

from bot.figures import BY, Counted, Counts
from bot.store import CountFilter, Store
from bot.total_tables import TOTALS, VALUES
from flows.indicators import BY_ID, INDICATORS, MEASURES, SPANS
from tests.bot.lived_district import ENDS, REGISTER, ZONES, lived, never_counted
from tests.bot.second_count import added, chosen
from tests.bot.second_figures import (
    Asked,
    Times,
    ended,
    known,
    measures_of,
    months_owed,
    of_facilities,
    share_told,
    sums_of,
    time_told,
    times_of,
)

AT_ONCE = 700

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


MORE: Sequence[Mapping[str, tuple[str, ...]]] = (
    {}, {}, {"reason": ("shortened", "recall")}, {"stage": ("soak", "")},
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


def questions(by: tuple[str, ...]) -> Iterator[Asked]:
    """Everything in all, in whole months and in other days; some of it in each."""
    for days in DAYS[:3]:
        yield Asked(by, *days, {})
    for days, only in zip(reversed(DAYS), ONLY, strict=False):
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
    missed = [f for f in ended() if f.kind == what]
    over = [f for f in ended() if f.name in ("batches", "cancelled")]
    for number, asked in enumerate(questions(by)):
        more = MORE[number % len(MORE)]
        rows = store.counts(replace(asked.wanted, what=what, stage=more.get("stage", ()),
                                    reason=more.get("reason", ())))
        n: Counter[tuple[str, ...]] = Counter()
        for fact in chosen(asked.among(missed), None, None, more):
            n[tuple(fact.told(b) for b in by)] += fact.n
        of = added(asked.among(over), common)

        assert {tuple(r[b] for b in by): r["n"] for r in rows} == n, (asked, more)
        for row in rows:
            sums = of.get(tuple(row[b] for b in common), Counter())
            assert (row["batches"], row["cancelled"]) == (sums["batches"], sums["cancelled"])


# ---- the indicators --------------------------------------------------------------------------


@pytest.mark.parametrize("by", [g for g in GROUPS if set(g) <= set(BY)], ids="-".join)
def test_every_indicator_is_what_its_sentence_says(store: Store, by: tuple[str, ...]) -> None:
    for asked in questions(by):
        found = store.figures(asked.wanted, ENDS)
        sums, owed = sums_of(asked), months_owed(asked)
        groups = {*added(of_facilities(asked, ended()), by), *owed}
        groups |= set(added(asked.among(known()), by)) if asked.of_places else set()
        groups = {g for g in groups if dict(zip(by, g, strict=True)).get("facility") != ""}

        assert {tuple(g.keys[b] for b in by) for g in found.groups} == (groups if by else {()})
        spans = times_of(asked)
        for group in found.groups:
            key = tuple(group.keys[b] for b in by)
            _agree(group, key, measures_of(asked, sums.get(key, Counter()), owed.get(key)),
                   None if spans is None else spans.get(key, {}))


def _agree(group: Counted, key: tuple[str, ...], measures: Mapping[str, int | None],
           times: Times | None) -> None:
    assert group.measures == measures, key
    for one in INDICATORS:
        figure = group.indicators[one.id]
        told = (figure.numerator, figure.denominator, figure.value)
        again = time_told(one, times) if one.span else share_told(one, measures)
        assert told == again, (key, one.id)


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
