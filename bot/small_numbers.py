"""Which counts are too small to leave their facility, and what must be hidden with them.

A count from 1 to below the setting may point at a person. That such cells are left out, and that
another one goes with a lone one so that the total does not give it away, is common practice of
statistics offices, no source. Zeros and what the register and the calendar say are no such counts.

Measures that add up to each other are hidden together, since else one tells the other: batches that
ended are released, set aside or cancelled; those begun are over or not; and so on (FAMILIES).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

Numbers = Mapping[str, int]  # by name: measures, spans (how many times there are), LEFT
Hidden = Mapping[str, frozenset[str]]  # by name: in which facilities, or districts

LEFT = "alerts_left"  # alerts less those that were over before an answer: a denominator
_NOWHERE: frozenset[str] = frozenset()
FEW = 3  # what fewer facilities than these come to is as good as told apart by facility


@dataclass(frozen=True, slots=True)
class Family:
    """Names that are hidden in the same facilities, and in all where one *under* them is: one
    alone could be told from the others and from those under them."""

    members: tuple[str, ...]
    under: tuple[str, ...] = ()


# In order: what is under a family stands before it.
FAMILIES: tuple[Family, ...] = (
    Family(("batches",)),
    Family(("released", "set_aside", "cancelled"), under=("batches",)),
    Family(("started", "unfinished"), under=("batches",)),
    Family(("sets",)),
    Family(("sets_ready", "aside"), under=("sets",)),
    Family(("alerts",)),
    Family(("alerts_over", LEFT), under=("alerts",)),
    Family(("alerts_answered", "alert_to_answer")),
    # One time for each batch that was released and not told late.
    Family(("late", "use_to_wipe", "use_to_ready", "timed", "timed_minutes"), under=("cancelled",)),
)


def too_small(number: int, least: int) -> bool:
    """Whether a count may not be told; nothing is where *least* is 0."""
    return 0 < number < least


def small(numbers: Numbers, least: int) -> frozenset[str]:
    """The names that one row may not tell, each with its family."""
    found = (name for name, n in numbers.items() if too_small(n, least))
    return with_families(found, numbers)


def with_families(hidden: Iterable[str], names: Collection[str]) -> frozenset[str]:
    """The *hidden* names of a row and, among all of its *names*, what would tell them."""
    found = set(hidden)
    for family in _families(names):
        if found.intersection((*family.members, *family.under)):
            found.update(family.members)
    return frozenset(found)


def hidden(numbers: Mapping[str, Numbers], heard: Collection[str], least: int) -> Hidden:
    """Where each name is hidden, in the *numbers* of the facilities of one district.

    *heard*: the facilities of which it is not known that nothing was heard. One of them may be
    hidden although it counts 0; of all others everybody knows the 0. A name is hidden in one
    facility alone only where no other can be hidden with it.
    """
    found: dict[str, frozenset[str]] = {}
    for family in _families(next(iter(numbers.values()), {})):
        first = {place for place, row in numbers.items()
                 if any(too_small(row[m], least) for m in family.members)}
        first.update(chain.from_iterable(found.get(name, ()) for name in family.under))
        chosen = _with_others(first, numbers, heard, family.members) if first else _NOWHERE
        found |= dict.fromkeys(family.members, chosen)
    return found


def _with_others(first: Collection[str], numbers: Mapping[str, Numbers], heard: Collection[str],
                 members: Sequence[str]) -> frozenset[str]:
    """*first* with as many others as it takes, the next smallest first: two at least, and not 1 in
    each, which their sum would tell."""
    sums = {place: sum(numbers[place][m] for m in members) if place in numbers else 0
            for place in sorted({*numbers, *heard})}
    others = [place for place, n in sums.items() if place not in first and (n or place in heard)]
    others.sort(key=lambda place: (sums[place] == 0, sums[place], place not in numbers))
    chosen = set(first)
    for other in others:
        if len(chosen) > 1 and any(sums[place] != 1 for place in chosen):
            break
        chosen.add(other)
    return frozenset(chosen)


def may_tell(covered: Collection[str], hidden_in: frozenset[str]) -> bool:
    """Whether the sum over the places *covered* tells nothing of one that is hidden: it has none of
    them, or all of several."""
    within = hidden_in.intersection(covered)
    return not within or (within == hidden_in and len(within) > 1)


def _families(names: Collection[str]) -> Iterator[Family]:
    """The families of which *names* have all members, then every other name by itself."""
    whole = [f for f in FAMILIES if set(f.members) <= set(names)]
    yield from whole
    for name in names:
        if not any(name in family.members for family in whole):
            yield Family((name,))
