"""`soakbell plan --facility`: what a facility needs by its own measured use and turnaround."""

from __future__ import annotations

import os
from dataclasses import asdict
from datetime import datetime
from typing import Any

from bot.catalogues import load_catalogues
from bot.cli_answer import GOOD, Answer
from bot.clock import utc_now
from bot.config import from_env
from bot.desk_known import known
from bot.desk_now import sets_of
from bot.need_queries import observed, with_chlorine
from bot.need_supplies import Supplies, month
from bot.need_words import (
    ALL_KINDS,
    NAMES,
    TOO_LITTLE,
    UNSEEN,
    about,
    spare_rows,
    steps,
    supply_rows,
    verdict,
)
from bot.needs import Need, Observed, needs, stocks
from bot.pictures_words import clean, percent
from bot.rules import Rules
from bot.store import Store
from bot.wiring import load_rules, open_store
from bot.wording import Wording
from flows.planning import Amounts


def facility_answer(facility: str, per_batch: Amounts, margin: float) -> Answer:
    """The answer from the store of the settings; ValueError for a facility that is not there."""
    config = from_env(os.environ, needs=())
    rules = load_rules(config, Wording(load_catalogues()))
    store = open_store(config, rules)
    try:
        return worked_out(store, rules, facility, utc_now(), per_batch, margin)
    finally:
        store.close()


def worked_out(
    store: Store, rules: Rules, facility: str, now: datetime, per_batch: Amounts, margin: float
) -> Answer:
    """The same from *store* at *now*."""
    sites = [s for s in store.load_register().sites() if s.id == facility and s.methods]
    if not sites:
        raise ValueError(f"There is no facility {facility} in the register.")
    [site] = sites
    protocol = rules.protocol_for(site)
    with store.database.read() as connection:
        seen = with_chlorine(connection, site, observed(connection, sites, now)[site.id])
    held = stocks(sets_of(site, known(store, sites, now)[site.id]), now)
    found, supplies = needs(seen, held, protocol), month(site, seen, protocol, per_batch, margin)
    said = list(about(seen, hastened=rules.hasten != 1))
    lines = [f"{clean(site.name)} ({site.id})", *said]
    for need in found:
        lines += [f"{NAMES[need.kind]}. {verdict(need)}", *_rows(need),
                  *(f"  {words}" for words in steps(need, protocol["planning.used_fraction"]))]
    lines += [*_supplies(supplies, seen), *_spares(seen), UNSEEN, ALL_KINDS]
    data = {"facility": site.id, "observed": _plain(seen), "about": said,
            "needs": [_need(need) for need in found],
            "supplies_per_month": list(supply_rows(supplies, seen)) if supplies else None}
    return Answer(GOOD, data, lines)


def _need(need: Need) -> dict[str, Any]:
    plain = {**asdict(need), "short": need.short, "buy": need.buy}
    return {**plain, "stock": need.stock._asdict(), "turnaround": need.turnaround._asdict()}


def _plain(seen: Observed) -> dict[str, Any]:
    mixes = [{"stock": stock, "product": product, "solutions": n}
             for (stock, product), n in seen.mixes.items()]
    return {**asdict(seen), "mixes": mixes}


def _rows(need: Need) -> list[str]:
    curve = need.sized.curve if need.sized else ()
    return [f"  with {one.sets}: {percent(one.none_ready)} of the uses find none READY"
            for one in curve]


def _supplies(found: Supplies | None, seen: Observed) -> list[str]:
    if found is None:
        return [f"{TOO_LITTLE} to say what is used in a month."]
    rows = list(supply_rows(found, seen))
    said = ("not known" if row["need"] is None else f"{row['need']} {row['unit']}" for row in rows)
    return ["For a month:", *(
        f"  {' '.join((row['item'], row['kind'])).strip()}: {amount} ({row['why']})"
        for row, amount in zip(rows, said, strict=True))]  # fmt: skip


def _spares(seen: Observed) -> list[str]:
    """What befell the sets: nothing to tell of a facility that was never heard of."""
    rows = [f"  {n} in {seen.days} days: {words}" for words, n in spare_rows(seen)]
    return ["Spare parts:", *rows] if seen.days else []
