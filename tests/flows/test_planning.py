"""Sets and supplies needed, against published tables and exact fractions.

Each row ends with its source and how far that source was seen. P: published, and read. M:
published, from memory. D: derived from the formula that the row names; it guards against change
and is no authority.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows import planning
from flows.planning import Amounts, erlang_b, offered_load, sets_for, sets_needed

CLASSICAL = "classical tables of Erlang's loss formula: M, recomputed"
RECURSION = "Erlang's loss formula, recursion: formula P, value D"
HELP_TEXT = "help text of an Erlang function in a spreadsheet library: P"

NAN, INF = float("nan"), float("inf")

# ---- Erlang B ---------------------------------------------------------------------------------

LOADS = [
    # sets, load lost at 1 %, at 0.1 %, at 5 %
    (1, 0.0101, 0.0010, 0.0526),
    (2, 0.1526, 0.0458, 0.3813),
    (3, 0.4555, 0.1938, 0.8994),
    (4, 0.8694, 0.4393, 1.5246),
    (5, 1.3608, 0.7621, 2.2185),
    (6, 1.9090, 1.1459, 2.9603),
    (7, 2.5009, 1.5786, 3.7378),
    (8, 3.1276, 2.0513, 4.5430),
    (10, 4.4612, 3.0920, 6.2157),
    (20, 12.0306, 9.4115, 15.2493),
]


@pytest.mark.parametrize(
    ("sets", "load", "risk", "source"),
    [
        (sets, load, risk, CLASSICAL if risk == 0.01 else RECURSION)
        for sets, *loads in LOADS
        for load, risk in zip(loads, (0.01, 0.001, 0.05), strict=True)
    ],
)
def test_the_load_that_so_many_sets_carry(sets: int, load: float, risk: float, source: str) -> None:
    """The table gives four decimals of the load: the risk lies between those of its neighbours."""
    half_digit = 0.00005

    assert erlang_b(sets, load - half_digit) <= risk <= erlang_b(sets, load + half_digit), source
    assert sets_for(load - half_digit, risk) == sets


@pytest.mark.parametrize(
    ("sets", "load", "blocked", "source"),
    [
        (2, 1, 0.200000, RECURSION),
        (2, 0.5, 0.076923, RECURSION),
        (5, 2, 0.036697, RECURSION),
        (18, 10, 0.007142, RECURSION),
        (0, 3, 1.0, RECURSION),
        (4, 0, 0.0, RECURSION),
    ],
)
def test_fractions_lost(sets: int, load: float, blocked: float, source: str) -> None:
    assert erlang_b(sets, load) == pytest.approx(blocked, abs=5.1e-7), source


@pytest.mark.parametrize(
    ("load", "risk", "servers", "sets"), [(10, 0.01, 17.44497, 18), (10, 0.05, 14.30043, 15)]
)
def test_the_published_number_of_servers_rounded_up(
    load: float, risk: float, servers: float, sets: int
) -> None:
    """The source solves for servers as a real number; the next whole one is what can be bought."""
    assert sets_for(load, risk) == sets == math.ceil(servers), HELP_TEXT


def exact(sets: int, load: Fraction) -> Fraction:
    """Erlang's formula as he wrote it: the last term of the sum over the whole sum."""
    terms = [load**k / math.factorial(k) for k in range(sets + 1)]
    return terms[-1] / sum(terms)


@given(st.integers(0, 60), st.fractions(0, 80, max_denominator=1000))
def test_the_recursion_is_the_sum_in_exact_fractions(sets: int, load: Fraction) -> None:
    assert erlang_b(sets, float(load)) == pytest.approx(float(exact(sets, load)), rel=1e-12)


@given(st.integers(1, 200), st.floats(0.01, 300))
def test_one_more_set_loses_less_and_more_load_loses_more(sets: int, load: float) -> None:
    here = erlang_b(sets, load)

    assert erlang_b(sets + 1, load) < here or here == 0
    assert erlang_b(sets, load * 1.1) > here or here == 0


def test_a_risk_that_is_met_exactly_is_met() -> None:
    """At a load of 1 Erlang one set loses a half and two lose a fifth."""
    assert (sets_for(1, 0.5), sets_for(1, 0.2)) == (1, 2)


@given(st.floats(0, 200), st.floats(1e-6, 0.999))
def test_sets_needed_is_the_fewest(load: float, risk: float) -> None:
    sets = sets_for(load, risk)

    assert sets >= 1
    assert erlang_b(sets, load) <= risk < erlang_b(sets - 1, load)


# ---- births to sets ---------------------------------------------------------------------------

FACILITIES = [
    # births a month, fraction, hours, load, percent without a set by number of sets (half a digit)
    (100, 0.07, 4, 0.0389, [(3.7, 0.05), (0.07, 0.005), (0.0, 0.01)]),
    (300, 0.07, 4, 0.1167, [(10.4, 0.05), (0.61, 0.005), (0.02, 0.005)]),
    (300, 0.17, 8, 0.5667, [(36, 0.5), (9.3, 0.05), (1.7, 0.05), (0.24, 0.005)]),
    (600, 0.17, 6, 0.8500, [(46, 0.5), (16, 0.5), (4.4, 0.05), (0.93, 0.005)]),
]


@pytest.mark.parametrize("row", FACILITIES, ids=lambda row: f"{row[0]} births, {row[2]} h")
def test_facilities(row: tuple[float, float, float, float, list[tuple[float, float]]]) -> None:
    births, fraction, hours, load, percents = row

    assert offered_load(births, fraction, hours) == pytest.approx(load, abs=0.00005), RECURSION
    for sets, (percent, half_digit) in enumerate(percents, start=1):
        found = erlang_b(sets, offered_load(births, fraction, hours)) * 100
        assert found == pytest.approx(percent, abs=half_digit), RECURSION


@pytest.mark.parametrize(
    ("births", "fraction", "hours", "risk", "sets"),
    [
        (100, 0.07, 4, 0.05, 1),
        (100, 0.07, 4, 0.01, 2),
        (300, 0.17, 8, 0.02, 3),
        (600, 0.17, 6, 0.01, 4),
        (600, 0.17, 6, 0.05, 3),
        (0, 0.07, 4, 0.01, 1),
    ],
)
def test_sets_needed(births: float, fraction: float, hours: float, risk: float, sets: int) -> None:
    """Read off the table above: the first column at or under the risk. None born: still one."""
    assert sets_needed(births, fraction, hours, risk) == sets


# ---- supplies ---------------------------------------------------------------------------------


def test_a_month_of_supplies_by_hand() -> None:
    """21 batches, each of 2 L of 0.5 % from 3.5 % (285.72 mL), 100 mL vinegar, 2 cloths."""
    batches = planning.batches_per_month(300, 0.07)
    one = Amounts(chlorine_product=285.72, vinegar_ml=100, cloths=2, glove_pairs=1.5)

    assert batches == 21
    assert planning.supplies(batches, one) == Amounts(6001, 2100, 42, 32)
    assert planning.supplies(batches, one, margin_fraction=0.1) == Amounts(6601, 2310, 47, 35)


@pytest.mark.parametrize(
    ("births", "fraction", "together", "batches"),
    [(300, 0.17, 1, 51), (300, 0.17, 2, 26), (100, 0.073, 1, 8), (0, 0.28, 1, 0)],
)
def test_batches(births: float, fraction: float, together: int, batches: int) -> None:
    assert planning.batches_per_month(births, fraction, together) == batches


@given(st.integers(0, 500), st.floats(0, 1000), st.floats(0, 1))
def test_supplies_are_whole_and_never_too_few(batches: int, amount: float, margin: float) -> None:
    one = Amounts(amount, amount, amount, amount)

    found = planning.supplies(batches, one, margin_fraction=margin).cloths

    assert found == int(found)
    assert -1e-6 < found - batches * amount * (1 + margin) < 1


# ---- what is refused --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("function", "arguments", "sentence"),
    [
        (erlang_b, [(-1, 1), (1.5, 1), (NAN, 1), (INF, 1)], "number of sets"),
        (erlang_b, [(1, -0.1), (1, NAN), (1, INF)], "load"),
        (sets_for, [(-1, 0.01), (NAN, 0.01), (INF, 0.01)], "load"),
        (sets_for, [(1, 0), (1, 1), (1, -0.1), (1, 1.5), (1, NAN)], "risk"),
        (sets_needed, [(-1, 0.1, 4, 0.01), (NAN, 0.1, 4, 0.01), (INF, 0.1, 4, 0.01)], "births"),
        (sets_needed, [(100, -0.1, 4, 0.01), (100, 1.1, 4, 0.01), (100, NAN, 4, 0.01)], "fraction"),
        (sets_needed, [(100, 0.1, 0, 0.01), (100, 0.1, -4, 0.01), (100, 0.1, NAN, 0.01)], "turnar"),
        (sets_needed, [(100, 0.1, INF, 0.01), (100, 0.1, 721, 0.01)], "turnaround"),
        (sets_needed, [(100, 0.1, 4, 0), (100, 0.1, 4, 1), (100, 0.1, 4, NAN)], "risk"),
        (planning.batches_per_month, [(100, 0.1, 0), (100, 0.1, 1.5)], "sets per batch"),
    ],
)
def test_the_impossible_is_refused_in_a_sentence(
    function: Callable[..., float], arguments: list[tuple[float, ...]], sentence: str
) -> None:
    for given_ in arguments:
        with pytest.raises(ValueError, match=sentence) as refused:
            function(*given_)
        assert str(refused.value).endswith(".")


def test_impossible_supplies_are_refused() -> None:
    one = Amounts(1, 1, 1, 1)
    with pytest.raises(ValueError, match="batches"):
        planning.supplies(-1, one)
    with pytest.raises(ValueError, match="margin"):
        planning.supplies(1, one, margin_fraction=NAN)
    with pytest.raises(ValueError, match="vinegar"):
        planning.supplies(1, Amounts(1, -1, 1, 1))
