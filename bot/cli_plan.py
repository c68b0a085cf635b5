"""`soakbell plan`: how many sets a facility needs, and what it uses in a month."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from random import Random

from bot.cli_answer import FINDING, GOOD, Answer, add_shared, tell
from bot.cli_plan_facility import facility_answer
from bot.cli_trade_words import PLAN
from flows.planning import (
    HOURS_PER_MONTH,
    Agreement,
    Amounts,
    batches_per_month,
    compare,
    erlang_b,
    offered_load,
    sets_for,
    supplies,
    uses_per_month,
)

MOST_APART = 4.0  # standard errors: chance alone goes further once in some ten thousand times
MOST_SIMULATED = 6  # numbers of sets: the last before what the formula says, that, and one more
MOST_ROWS = 50  # of a table on a terminal: the last ones, where the risk falls
SPREAD = 0.5  # turnarounds are drawn evenly from half to one and a half of their mean
GIVEN = ("births", "fraction", "turnaround")
LABELS = {
    "chlorine_product": "{:g} mL or g of chlorine product",
    "vinegar_ml": "{:g} mL of vinegar",
    "cloths": "{:g} cloths",
    "glove_pairs": "{:g} pairs of gloves",
}


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of `plan`."""
    parser.add_argument("--facility", default="", metavar="ID",
                        help="by its own measured use and turnaround, instead of the next four")
    parser.add_argument("--births", type=float, help="a month")
    parser.add_argument("--fraction", type=float, help="of births that use a set")
    parser.add_argument("--turnaround", type=float, help="hours from use to READY")
    parser.add_argument("--risk", type=float, default=0.01, help="default: 0.01 of the uses")
    parser.add_argument("--simulate", action="store_true", help="a second answer, by simulation")
    parser.add_argument("--seed", type=int, default=1, help="of the simulation; default: 1")
    batch = parser.add_argument_group("supplies, for one batch")
    batch.add_argument("--chlorine", type=float, default=0.0, help="mL or g of product")
    batch.add_argument("--vinegar-ml", type=float, default=0.0)
    batch.add_argument("--cloths", type=float, default=0.0)
    batch.add_argument("--glove-pairs", type=float, default=0.0)
    batch.add_argument("--sets-per-batch", type=float, default=1.0, help="default: 1")
    batch.add_argument("--margin", type=float, default=0.0, help="more for waste, as a fraction")
    add_shared(parser, protocol=False)


def run(words: argparse.Namespace) -> int:
    """Print the answer."""
    return tell(words, _measured(words) if words.facility else answer(words))


def _measured(words: argparse.Namespace) -> Answer:
    """The need of a facility, from the store. ValueError where other numbers are given too."""
    if any(getattr(words, name) is not None for name in GIVEN) or words.simulate:
        raise ValueError("--facility takes its own numbers: leave out --births, --fraction,"
                         " --turnaround and --simulate.")  # fmt: skip
    per_batch = Amounts(0, words.vinegar_ml, words.cloths, words.glove_pairs)
    return facility_answer(words.facility, per_batch, words.margin)


def answer(words: argparse.Namespace) -> Answer:
    """The need. A finding: formula and simulation disagree. ValueError for a missing number."""
    if any(getattr(words, name) is None for name in GIVEN):
        raise ValueError("Say --births, --fraction and --turnaround, or --facility.")
    load = offered_load(words.births, words.fraction, words.turnaround)
    needed = sets_for(load, words.risk)
    chances = {n: erlang_b(n, load) for n in range(max(1, needed + 1 - MOST_ROWS), needed + 1)}
    uses = uses_per_month(words.births, words.fraction)
    runs = _simulate(words, needed, uses) if words.simulate else {}
    agree = all(_apart(found) <= MOST_APART for found in runs.values())
    batches = batches_per_month(words.births, words.fraction, words.sets_per_batch)
    amounts = Amounts(words.chlorine, words.vinegar_ml, words.cloths, words.glove_pairs)
    month = supplies(batches, amounts, margin_fraction=words.margin)
    second = _second(runs, words.risk)
    lines = [
        PLAN["need"].format(sets=needed, risk=words.risk),
        PLAN["use"].format(uses=uses, load=load),
        *(PLAN["row"].format(sets=n, percent=b * 100) for n, b in chances.items()),
        *_simulation_lines(words, runs, second, agree=agree),
        PLAN["batches"].format(batches=batches),
        _supplies_line(month),
    ]
    data = {
        "sets_needed": needed,
        "load": load,
        "uses_per_month": uses,
        "none_ready": chances,
        "simulation": {n: asdict(found) for n, found in runs.items()},
        "sets_by_simulation": second,
        "agree": agree if runs else None,
        "batches_per_month": batches,
        "supplies_per_month": asdict(month),
    }
    return Answer(GOOD if agree else FINDING, data, lines)


def _simulate(words: argparse.Namespace, needed: int, uses: float) -> dict[int, Agreement]:
    """Formula against simulation, up to one set more than the formula says."""
    # No secret hangs on it, and the same seed must say the same.
    chance = Random(words.seed)  # noqa: S311

    def turnaround() -> float:
        return float(words.turnaround) * (1 - SPREAD + 2 * SPREAD * chance.random())

    return {
        n: compare(n, uses / HOURS_PER_MONTH, turnaround, words.turnaround, chance.random)
        for n in range(max(1, needed + 2 - MOST_SIMULATED), needed + 2)
    }


def _apart(found: Agreement) -> float:
    """How many standard errors lie between the two; none where too few were lost to tell."""
    return abs(found.difference) / found.standard_error if found.standard_error else 0.0


def _second(runs: dict[int, Agreement], risk: float) -> int | None:
    """The fewest of the simulated numbers of sets that keep to *risk*."""
    return next((n for n, found in runs.items() if found.simulated <= risk), None)


def _simulation_lines(
    words: argparse.Namespace, runs: dict[int, Agreement], second: int | None, *, agree: bool
) -> list[str]:
    if not runs:
        return []
    uses = next(iter(runs.values())).uses
    lines = [PLAN["simulated"].format(seed=words.seed, uses=uses)]
    for n, found in runs.items():
        apart = PLAN["apart"].format(errors=_apart(found))
        lines.append(
            PLAN["sim_row"].format(
                sets=n,
                formula=found.formula,
                simulated=found.simulated,
                apart=apart if found.standard_error else PLAN["too_few"],
            )
        )
    more = PLAN["second_more"].format(sets=max(runs))
    lines.append(more if second is None else PLAN["second"].format(sets=second))
    return [*lines, PLAN["agree" if agree else "disagree"].format(most=f"{MOST_APART:g}")]


def _supplies_line(month: Amounts) -> str:
    items = [LABELS[name].format(n) for name, n in asdict(month).items() if n]
    return PLAN["supplies"].format(items=", ".join(items)) if items else PLAN["supplies_none"]
