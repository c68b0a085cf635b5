"""What the planning says, at the desk, in a terminal and in the purchase list: each number with
what it is made from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from bot.desk_card import MISSING
from bot.need_supplies import WHY_NOT, Chlorine, Product, Supplies
from bot.needs import FEWEST_DAYS, WEEKS, Need, Observed, Sized
from bot.pictures_words import count, percent
from bot.site import Site
from flows.batch import Kind

NAMES: Mapping[Kind, str] = {"bag": "Bag and mask", "suction": "Suction"}
TOO_LITTLE = "Too little is known yet"
HASTENED = ("A demonstration: times run faster here, so the turnaround is shorter than it would"
            " be.")  # fmt: skip
UNSEEN = ("Uses are counted when somebody begins to clean a set. A birth that found none READY,"
          " or a use never told, is not in them: the need may be larger.")  # fmt: skip
ALL_KINDS = ("The turnaround is that of all batches of the facility, bags and suction together,"
             " those told from paper left out.")  # fmt: skip
TYPED: Mapping[str, tuple[str, str]] = {
    "vinegar_ml": ("vinegar", "mL"), "cloths": ("cloths", "cloths"),
    "glove_pairs": ("gloves", "pairs"),
}  # fmt: skip
BY_NOBODY = "nobody told a solution or began a chlorine batch in these days"
COLUMNS = ("facility", "name", "item", "kind", "have", "need", "buy", "unit", "why")
SPARES: Mapping[str, str] = {
    "pieces_missing": "SET ASIDE for a missing piece, with no spare",
    "pieces_damaged": "SET ASIDE for a damaged piece, with no spare",
    "tests_failed": "function tests failed: look at valves and bags before you order",
}  # fmt: skip


def number(value: float) -> str:
    """21.8 as "21.8", 300.0 as "300": to a tenth."""
    return f"{value:.1f}".removesuffix(".0")


def day(of: date) -> str:
    return f"{of.day} {of:%b %Y}"


# ---- the days ----------------------------------------------------------------------------------


def about(seen: Observed, *, hastened: bool) -> Iterator[str]:
    """From which days the numbers are, and what must be known to believe them."""
    if not seen.days:
        yield f"Nothing was heard up to {day(seen.until)}."
        return
    yield (f"Counted over {count(seen.days, 'day', 'days')} up to {day(seen.until)}: whole weeks,"
           f" {WEEKS} at most.")  # fmt: skip
    if seen.quiet:
        yield (f"In {seen.quiet} of the {count(seen.weeks, 'week', 'weeks')} nothing was heard:"
               " that may be silence, and not a time without births.")  # fmt: skip
    if seen.cancelled:
        yield f"{count(seen.cancelled, 'batch', 'batches')} begun by mistake may be among the uses."
    if hastened:
        yield HASTENED


# ---- one need ----------------------------------------------------------------------------------


def why(need: Need, seen: Observed) -> str:
    """In a few words what the need is made from."""
    if need.sized is None:
        return f"{TOO_LITTLE}: {seen.days} days of {FEWEST_DAYS}"
    days = count(seen.days, "day", "days")
    made = {"measured": f"{count(need.rate.counted, 'use', 'uses')} in {days}",
            "births": f"{count(need.rate.counted, 'birth', 'births')} said in {days}"}  # fmt: skip
    own = "" if need.turnaround.of else " by the protocol"
    parts = [made[need.rate.how], f"{number(need.turnaround.hours)} h to READY{own}"]
    if need.stock.aside:
        parts.append(f"{need.stock.aside} of {need.stock.owned} SET ASIDE")
    return ", ".join(parts)


def verdict(need: Need) -> str:
    """What to do, in one sentence."""
    if need.sized is None:
        return f"{TOO_LITTLE} to say how many are needed. {_has(need)}"
    wants = f"Needed: {up_to(need.sized)}. {_has(need)}"
    if not need.short:
        return f"{wants} That is enough."
    mend, buy = need.short - need.buy, need.buy
    ways = [f"mend {mend} of those SET ASIDE"] if mend else []
    ways += [f"buy {buy}"] if buy else []
    return f"{wants} Short by {need.short}: {' and '.join(ways)}."


def up_to(sized: Sized) -> str:
    """ "3 (up to 4)" """
    return f"{sized.needed} (up to {sized.up_to})" if sized.up_to > sized.needed else (
        f"{sized.needed}")  # fmt: skip


def _has(need: Need) -> str:
    aside = f", {need.stock.aside} of them SET ASIDE" if need.stock.aside else ""
    return f"Owned: {need.stock.owned}{aside}."


def steps(need: Need, used_fraction: float) -> Iterator[str]:
    """How it is worked out, sentence by sentence."""
    rate, turnaround, sized = need.rate, need.turnaround, need.sized
    if sized is None:
        return
    span = f"{number(rate.low)} to {number(rate.high)} at 95 %"
    if rate.how == "measured":
        yield (f"Uses: {rate.counted} sets came to be cleaned. That is {number(rate.middle)} a"
               f" month ({span}, if uses come by chance).")  # fmt: skip
    else:
        yield (f"Uses: heard of for less than {FEWEST_DAYS} days, so not measured."
               f" {count(rate.counted, 'birth was', 'births were')} said at shift checks; by the"
               f" protocol {percent(used_fraction)} of them use a set. That is"
               f" {number(rate.middle)} a month ({span}).")  # fmt: skip
    if turnaround.of:
        yield (f"Turnaround: {number(turnaround.hours)} h from the report of a use to READY, the"
               f" mean of {count(turnaround.of, 'batch', 'batches')}.")  # fmt: skip
    else:
        yield (f"Turnaround: {number(turnaround.hours)} h, the protocol's: no batch ended READY"
               " that could be timed.")  # fmt: skip
    yield (f"So {sized.load:.2f} sets are away on average. {percent(need.risk)} of the uses may"
           " find none READY, by the protocol.")  # fmt: skip
    yield f"Up to {sized.up_to} at the upper end of the uses."
    yield f"Chance now: {percent(sized.now)}, with the {need.stock.usable} that can be READY."


# ---- supplies ----------------------------------------------------------------------------------


def supply_rows(found: Supplies, seen: Observed) -> Iterator[dict[str, Any]]:
    """Item, kind, need, unit and why, for a month; need None where nobody can say."""
    source = _source(found.chlorine, seen)
    for one in found.chlorine.products:
        yield _row("chlorine product", one.name, None if one.why_not else one.total, _unit(one),
                   _product(one, source))  # fmt: skip
    if not found.chlorine.products:
        lacking = [f"the register does not say {MISSING[name]}" for name in found.chlorine.lacking]
        why_not = "; ".join([source, *lacking]) if lacking else BY_NOBODY
        yield _row("chlorine product", "", None, "", why_not)
    for name, (item, unit) in TYPED.items():
        if total := getattr(found.typed, name):
            yield _row(item, "", total, unit,
                       f"{count(found.batches, 'batch', 'batches')} a month, by the amount that was"
                       " typed for one")  # fmt: skip


def _row(item: str, kind: str, need: float | None, unit: str, reason: str) -> dict[str, Any]:
    whole = int(need) if need is not None else None
    return {"item": item, "kind": kind, "need": whole, "unit": unit, "why": reason}


def _source(found: Chlorine, seen: Observed) -> str:
    batches = f"{count(found.days, 'day', 'days')} with a chlorine batch"
    made = count(found.counted, "solution", "solutions")
    if found.by_mix:
        return f"{made} told by MIX in {seen.days} days, {batches}"
    return f"no solution was told by MIX; {batches} in {seen.days} days, {made} at most for them"


def _product(one: Product, source: str) -> str:
    if one.why_not:
        return f"{source}; not known from this product: {WHY_NOT[one.why_not]}"
    return f"{source}; {number(one.solutions)} a month at {one.each:g} {one.unit} by its label"


def _unit(one: Product) -> str:
    return "tablets" if one.unit == "tablet" else one.unit


def spare_rows(seen: Observed) -> Iterator[tuple[str, int]]:
    """What befell the sets in these days: in words, and how often."""
    for name, words in SPARES.items():
        yield words, getattr(seen, name)


# ---- the purchase list -------------------------------------------------------------------------


def purchases(
    site: Site, seen: Observed, needs: Sequence[Need], found: Supplies | None
) -> Iterator[dict[str, Any]]:
    """The rows of one facility, by COLUMNS; what nobody knows is an empty cell."""
    place = {"facility": site.id, "name": site.name}
    for need in needs:
        sized = need.sized
        yield {**place, "item": "set", "kind": NAMES[need.kind], "have": need.stock.owned,
               "need": sized.needed if sized else "", "buy": need.buy if sized else "",
               "unit": "sets", "why": f"{why(need, seen)}. {verdict(need)}"}  # fmt: skip
    for row in supply_rows(found, seen) if found else ():
        amount = "" if row["need"] is None else row["need"]
        yield {**place, **row, "have": "", "need": amount, "buy": amount,
               "unit": f"{row['unit']} a month" if row["unit"] else "",
               "why": f"{row['why']}. What is in store is not known: take it off"}  # fmt: skip
    for name in ("pieces_missing", "pieces_damaged"):
        if lost := getattr(seen, name):
            yield {**place, "item": "spare piece", "kind": name.removeprefix("pieces_"),
                   "have": "", "need": lost, "buy": lost, "unit": "pieces",
                   "why": f"{SPARES[name]}: {lost} in {seen.days} days"}  # fmt: skip
    if seen.tests_failed:
        yield {**place, "item": "spare piece", "kind": "after a failed function test", "have": "",
               "need": "", "buy": "", "unit": "pieces",
               "why": f"{seen.tests_failed} {SPARES['tests_failed']}"}  # fmt: skip
