"""Small numbers stay in their facility: nothing that is told lets anybody work one out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import chain

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.count_masks import Mask, finer
from bot.count_queries import CountFilter
from bot.small_numbers import FAMILIES, FEW, LEFT, Numbers, hidden, may_tell, small, too_small

PRIME = 2**61 - 1  # elimination modulo a prime: as over fractions, but for a chance of 1 in 10^18

Place = tuple[str, str]  # district, facility
Sum = dict[tuple[Place, str], int]  # how often each number is in a sum
Rows = Mapping[Place, Numbers]


# ---- what anybody can work out -----------------------------------------------------------------


class Known:
    """Linear sums whose values somebody knows, and what follows from them."""

    def __init__(self, sums: Iterable[Sum]) -> None:
        self._rows: dict[tuple[Place, str], Sum] = {}  # by the number that each begins with
        for one in sums:
            left = self._reduced(one)
            if left:
                first = min(left)
                inverse = pow(left[first], -1, PRIME)
                self._rows[first] = {k: n * inverse % PRIME for k, n in left.items()}

    def tells(self, wanted: Sum) -> bool:
        return not self._reduced(wanted)

    def _reduced(self, one: Sum) -> Sum:
        left = dict(one)
        while found := [k for k in left if k in self._rows]:
            first = min(found)
            times = left[first]
            for k, n in self._rows[first].items():
                left[k] = (left.get(k, 0) - times * n) % PRIME
            left = {k: n for k, n in left.items() if n}
        return left


def test_the_eliminator_finds_what_follows_and_nothing_else() -> None:
    a, b, c = ((("T", i), "n") for i in "ABC")
    known = Known([{a: 1, b: 1}, {b: 1, c: 1}, {c: 1, a: 1}])
    assert known.tells({a: 1})
    assert known.tells({a: 1, b: 2, c: 5})
    less = Known([{a: 1, b: 1}, {b: 1, c: 1}])
    assert less.tells({a: 1, c: -1 % PRIME})
    assert not less.tells({a: 1})


# ---- invented districts ------------------------------------------------------------------------

COUNT = st.one_of(st.integers(0, 3), st.integers(0, 3), st.integers(4, 12))


@st.composite
def of_batches(draw: st.DrawFn) -> dict[str, int]:
    released, aside, cancelled, unfinished, late = (draw(COUNT) for _ in range(5))
    batches, late = released + aside + cancelled, min(late, released)
    return {"batches": batches, "released": released, "set_aside": aside, "cancelled": cancelled,
            "unfinished": unfinished, "started": batches + unfinished, "late": late,
            "use_to_ready": released - late, "use_to_wipe": draw(COUNT),
            "timed": released - late, "timed_minutes": 90 * (released - late)}  # fmt: skip


@st.composite
def of_alerts(draw: st.DrawFn) -> dict[str, int]:
    over, left, tests = draw(COUNT), draw(COUNT), draw(COUNT)
    answered = min(left, draw(COUNT))
    return {"alerts": over + left, "alerts_over": over, LEFT: left, "tests": tests,
            "alerts_answered": answered, "alert_to_answer": answered}  # fmt: skip


# What adds up in one row, by the name of what is 0 in every row.
SAME: tuple[dict[str, int], ...] = (
    {"batches": -1, "released": 1, "set_aside": 1, "cancelled": 1},
    {"batches": 1, "unfinished": 1, "started": -1},
    {"released": -1, "late": 1, "use_to_ready": 1},
    {"timed": 1, "use_to_ready": -1},
    {"alerts": -1, "alerts_over": 1, LEFT: 1},
    {"alerts_answered": 1, "alert_to_answer": -1},
)


class World:
    """Facilities in districts: their numbers, and those of which anything was heard."""

    def __init__(self, rows: Rows, heard: set[Place], least: int) -> None:
        self.rows, self.least = dict(rows), least
        self.names = list(next(iter(rows.values())))
        self.heard = {d: frozenset(f for e, f in heard if e == d) for d in {d for d, _ in rows}}

    def __repr__(self) -> str:
        return f"World({self.rows}, {self.heard}, {self.least})"

    def mask(self, wanted: CountFilter) -> Mask:
        """The mask of an answer, from the rows that the store gives: none where all is 0."""
        by_facility = "facility" in finer(wanted).by
        fine: list[tuple[Mapping[str, str], Numbers]]
        if by_facility:
            fine = [({"district": d, "facility": f}, n) for (d, f), n in self.rows.items()
                    if any(n.values())]
        else:
            fine = [({"district": d}, self.total([p for p in self.rows if p[0] == d]))
                    for d in self.heard]
        return Mask(wanted, fine, self.heard, (), self.least)

    def total(self, places: Iterable[Place]) -> dict[str, int]:
        rows = [self.rows[place] for place in places]
        return {name: sum(row[name] for row in rows) for name in self.names}

    def answer(self, wanted: CountFilter) -> list[tuple[list[Place], frozenset[str]]]:
        """The places of each row of an answer, and what is hidden there."""
        mask, found = self.mask(wanted), []
        groups: dict[tuple[tuple[str, str], ...], list[Place]] = {}
        for district, facility in self.rows:
            if not wanted.facility or facility in wanted.facility:
                keys = {"district": district, "facility": facility}
                key = tuple((name, keys[name]) for name in wanted.by)
                groups.setdefault(key, []).append((district, facility))
        shown = [key for key, places in groups.items() if any(self.total(places).values())]
        added = [tuple(keys.items()) for keys in mask.absent(map(dict, shown))]
        for key, places in groups.items():
            is_row = key in shown or key in added
            gone = mask.hidden(dict(key), self.total(places)) if is_row else frozenset()
            found.append((places, gone))
        return found


@st.composite
def worlds(draw: st.DrawFn, numbers: st.SearchStrategy[dict[str, int]]) -> World:
    rows, heard = {}, set()
    for d in range(draw(st.integers(1, 3))):
        for f in range(draw(st.integers(1, 4))):
            place, row = (f"D{d}", f"F{d}{f}"), draw(numbers)
            if draw(st.sampled_from("abcd")) == "a":
                row = dict.fromkeys(row, 0)
            rows[place] = row
            if row.get("started") or draw(st.booleans()):
                heard.add(place)
    return World(rows, heard, draw(st.sampled_from((3, 5, 10))))


def sums_of(places: Sequence[Place], name: str) -> Sum:
    return {(place, name): 1 for place in places}


OF_PLACES = 3  # so many of these tell places apart


def asked(world: World, some: Iterable[frozenset[str]]) -> list[CountFilter]:
    """By facility, by district, everything, and the sums of some facilities."""
    questions = [CountFilter(by=by) for by in (
        ("facility",), ("district", "facility"), ("district",), ())]
    return questions + [CountFilter(facility=tuple(sorted(s))) for s in some if s]


CHANCE = settings(max_examples=120, derandomize=True, deadline=None, database=None)


@pytest.mark.parametrize("kind", [of_batches(), of_alerts()], ids=["batches", "alerts"])
def test_no_small_number_follows_from_what_is_told(kind: st.SearchStrategy[dict[str, int]]) -> None:
    """From all rows, the totals of districts and of everything, and sums of any facilities."""

    @CHANCE
    @given(worlds(kind), st.data())
    def holds(world: World, data: st.DataObject) -> None:
        facilities = st.sampled_from(sorted(f for _, f in world.rows))
        some = data.draw(st.lists(st.frozensets(facilities), max_size=3))
        answers = [world.answer(question) for question in asked(world, some)]
        told = [sums_of(places, name) for places, gone in chain(*answers)
                for name in world.names if name not in gone]
        same = [{(place, name): times % PRIME for name, times in one.items()}
                for one in SAME if set(one) <= set(world.names) for place in world.rows]
        silent = [{(place, name): 1} for place, row in world.rows.items()
                  if place[1] not in world.heard[place[0]] and not any(row.values())
                  for name in world.names]
        known = Known([*told, *same, *silent])

        for places, gone in chain(*answers[:OF_PLACES]):
            total = world.total(places)
            for name in (n for n in gone if 0 < total[n] < world.least):
                assert not known.tells(sums_of(places, name)), (places, name)

    holds()


@pytest.mark.parametrize("kind", [of_batches(), of_alerts()], ids=["batches", "alerts"])
def test_every_small_number_of_a_facility_is_hidden(
    kind: st.SearchStrategy[dict[str, int]],
) -> None:
    @CHANCE
    @given(worlds(kind))
    def holds(world: World) -> None:
        for places, gone in world.answer(CountFilter(by=("facility",))):
            [place] = places
            assert {n for n in world.names if 0 < world.rows[place][n] < world.least} <= gone

    holds()


@given(worlds(of_alerts()))
@CHANCE
def test_nothing_else_is_hidden(world: World) -> None:
    """A measure by itself: the small ones, and one more where one alone was small."""
    for district in world.heard:
        rows = {f: {"tests": n["tests"]} for (d, f), n in world.rows.items() if d == district}
        gone = hidden(rows, world.heard[district], world.least)["tests"]
        few = {f for f, n in rows.items() if 0 < n["tests"] < world.least}
        more = sorted(rows[f]["tests"] for f in gone - few)
        larger = sorted(n["tests"] for f, n in rows.items() if n["tests"] >= world.least)
        enough = len(few) != 1 and {rows[f]["tests"] for f in few} != {1}
        assert few <= gone
        assert more == [] if enough else len(more) <= 1
        if more and larger:
            assert more == larger[:1]


@given(worlds(of_batches()))
@CHANCE
def test_0_turns_it_off(world: World) -> None:
    world.least = 0
    for question in asked(world, ()):
        assert all(not gone for _, gone in world.answer(question))


# ---- by hand -----------------------------------------------------------------------------------


def counting(**numbers: int) -> dict[str, dict[str, int]]:
    return {name: {"tests": n} for name, n in numbers.items()}


@pytest.mark.parametrize(("numbers", "gone"), [
    ({"A": 5, "B": 0, "C": 6}, ""),
    ({"A": 4, "B": 0, "C": 6, "D": 9}, "AC"),  # the next smallest, not the largest, not a 0
    ({"A": 4, "B": 1, "C": 6}, "AB"),
    ({"A": 1, "B": 1, "C": 6, "D": 9}, "ABC"),  # 2 in two hidden ones would be 1 and 1
    ({"A": 1, "B": 2, "C": 6}, "AB"),
    ({"A": 4, "B": 0, "C": 0}, "AB"),  # no other counts anything
])  # fmt: skip
def test_what_is_hidden_below_5(numbers: dict[str, int], gone: str) -> None:
    assert hidden(counting(**numbers), {"A", "B", "C", "D"}, 5)["tests"] == set(gone)


def test_a_silent_facility_hides_nobody() -> None:
    """Its 0 is known, since it is listed as silent; one that was heard of takes its part."""
    assert hidden(counting(A=4, B=0), {"A", "C"}, 5)["tests"] == {"A", "C"}
    assert hidden(counting(A=4, B=0), {"A"}, 5)["tests"] == {"A"}


def test_a_total_of_fewer_than_three_facilities_is_as_good_as_theirs() -> None:
    wanted, fine = CountFilter(by=("district",)), [
        ({"district": "T"}, {"tests": 4}), ({"district": "B"}, {"tests": 4})]
    three, two = frozenset("ABC"), frozenset("XY")

    mask = Mask(wanted, fine, {"T": three, "B": two}, (), 5)

    assert len(two) < FEW <= len(three)
    assert mask.hidden({"district": "T"}, {"tests": 4}) == frozenset()
    assert mask.hidden({"district": "B"}, {"tests": 4}) == {"tests"}
    # All together would tell the one that is missing.
    everything = Mask(CountFilter(), fine, {"T": three, "B": two}, (), 5)
    assert everything.hidden({}, {"tests": 8}) == {"tests"}


def test_the_whole_is_hidden_where_fewer_than_three_were_heard_of() -> None:
    fine = [({"district": d}, {"tests": 2}) for d in "TB"]
    heard = {"T": frozenset("A"), "B": frozenset("X")}
    assert Mask(CountFilter(), fine, heard, (), 5).hidden({}, {"tests": 4}) == {"tests"}


def test_the_whole_does_not_tell_by_its_parts_what_is_hidden_in_it() -> None:
    """Batches of one district are hidden in it: those begun less those not over would be they."""
    nothing = dict.fromkeys(("batches", "released", "set_aside", "cancelled", "unfinished",
                             "started"), 0)  # fmt: skip
    rows = {("T", "A"): nothing | {"unfinished": 1, "started": 1},
            ("B", "X"): nothing | {"batches": 1, "cancelled": 1, "started": 1},
            ("B", "Y"): nothing}  # fmt: skip
    [(_, gone)] = World(rows, set(rows), 2).answer(CountFilter())
    assert {"batches", "started", "unfinished"} <= gone


def test_what_adds_up_is_hidden_together() -> None:
    row = {"batches": 20, "released": 17, "set_aside": 0, "cancelled": 3, "late": 6}
    assert small(row, 5) == {"released", "set_aside", "cancelled"}
    assert small({**row, "released": 14, "cancelled": 6}, 5) == frozenset()


def test_a_family_stands_after_those_it_depends_on() -> None:
    known: set[str] = set()
    for family in FAMILIES:
        assert set(family.under) <= known
        assert not known & set(family.members)
        known |= set(family.members)


@pytest.mark.parametrize(("covered", "gone", "told"), [
    ("AB", "", True), ("AB", "C", True), ("AB", "AC", False), ("ABC", "AC", True),
    ("A", "A", False)])
def test_a_sum_is_told_of_all_that_are_hidden_or_of_none(
    covered: str, gone: str, told: bool
) -> None:
    assert may_tell(set(covered), frozenset(gone)) is told


@pytest.mark.parametrize(("number", "least", "gone"), [
    (0, 5, False), (1, 5, True), (4, 5, True), (5, 5, False), (1, 0, False), (1, 1, False)])
def test_1_to_below_the_setting_is_too_small(number: int, least: int, gone: bool) -> None:
    assert too_small(number, least) is gone
