"""`soakbell counts`: what the programme counts, in a terminal; and whether the totals are true."""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any, TextIO, get_args

from bot import audit, totals
from bot.catalogues import load_catalogues
from bot.cli_counts_shown import (
    TIMES_NOTE,
    defined,
    definition_lines,
    drift_table,
    figure_rows,
    figure_table,
    missed_rows,
    missed_table,
    print_table,
    silence,
    whole_months,
)
from bot.cli_trade import Row
from bot.clock import utc_now
from bot.config import from_env
from bot.count_queries import MISSED, CountFilter
from bot.counting import last_day
from bot.figures import BY, Counts
from bot.formats import csv_lines
from bot.misses import REASONS
from bot.store import Store
from bot.wiring import load_rules, open_store
from bot.wording import Wording
from flows.batch import Method
from flows.indicators import BY_ID, INDICATORS, Indicator

GOOD, FINDING = 0, 1  # 2, for a wrong word or setting, is said by `bot.cli`

# What is shown where nobody asks for more: one line each for release, care, speed, supply, habit,
# and whether the rest can be believed.
USUAL = ("released", "missed", "use_to_ready_median", "empty", "checks", "completeness")
DAYS_OF = {"d": 1, "w": 7}
MOST_DAYS = 36_600


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments of the command."""
    when = parser.add_argument_group("when, in the facilities' own days")
    when.add_argument("--from", dest="first", type=date.fromisoformat, help="first day, 2026-10-01")
    when.add_argument("--to", dest="last_day", type=date.fromisoformat, help="last day")
    when.add_argument("--month", type=month, help="a whole month, 2026-10")
    when.add_argument("--last", type=days, metavar="4w", help="so many weeks or days, with today")
    what = parser.add_argument_group("what, each may be repeated")
    what.add_argument("--by", action="append", default=[], choices=(*BY, *MISSED), metavar="BY",
                      help=f"tell apart by: {', '.join((*BY, *MISSED))}")
    what.add_argument("--district", action="append", default=[], metavar="ID")
    what.add_argument("--facility", action="append", default=[], metavar="ID")
    what.add_argument("--method", action="append", default=[], choices=get_args(Method))
    what.add_argument("--stage", action="append", default=[], help="a step that was missed")
    what.add_argument("--reason", action="append", default=[], choices=sorted(REASONS),
                      metavar="REASON", help=f"why: {', '.join(sorted(REASONS))}")
    what.add_argument("--indicator", action="append", default=[], choices=sorted(BY_ID),
                      metavar="ID", help=f"default: {', '.join(USUAL)}; --list says all")
    what.add_argument("--all", action="store_true", help="every indicator")
    how = parser.add_argument_group("how").add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print JSON")
    how.add_argument("--csv", action="store_true", help="print CSV")
    other = parser.add_argument_group("other").add_mutually_exclusive_group()
    other.add_argument("--list", action="store_true", help="what each indicator means")
    other.add_argument("--check", action="store_true", help="count all rows anew and compare")
    other.add_argument("--mend", action="store_true", help="and put right what differs")


def run(words: argparse.Namespace) -> int:
    """0 when done, 1 where the totals are not what the rows add up to."""
    if words.list:
        return _define(words)
    with _store() as store:
        if words.check or words.mend:
            return _verify(words, store)
        return _count(words, store)


@contextmanager
def _store() -> Iterator[Store]:
    config = from_env(os.environ, needs=())
    store = open_store(config, load_rules(config, Wording(load_catalogues())))
    try:
        yield store
    finally:
        store.close()


def _define(words: argparse.Namespace) -> int:
    wanted = [BY_ID[i] for i in words.indicator] or list(INDICATORS)
    if words.json:
        print(json.dumps({"indicators": [defined(one) for one in wanted]}))
    elif words.csv:
        _csv([defined(one) for one in wanted], sys.stdout)
    else:
        print("\n\n".join("\n".join(definition_lines(one)) for one in wanted))
    return GOOD


# ---- when -------------------------------------------------------------------------------------


def month(text: str) -> tuple[date, date]:
    """The first and the last day of a month such as 2026-10; ValueError for anything else."""
    first = date.fromisoformat(f"{text}-01")
    return first, (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)


def days(text: str) -> int:
    """How many days 4w or 30d are; ValueError for anything else."""
    found = re.fullmatch(r"([1-9]\d{0,4})([dw])", text)
    number = int(found[1]) * DAYS_OF[found[2]] if found else 0
    if not 0 < number <= MOST_DAYS:
        raise ValueError(text)  # argparse says the rest
    return number


def period(words: argparse.Namespace, today: date) -> tuple[date | None, date | None]:
    """The first and the last day asked for, None for no end; ValueError for two answers to it."""
    ways = (words.month, words.last, words.first or words.last_day)
    if sum(way is not None for way in ways) > 1:
        raise ValueError("say when once: --month, --last, or --from and --to")
    if words.month:
        return words.month  # type: ignore[no-any-return]
    if words.last:
        return today - timedelta(days=words.last - 1), today
    if words.first and words.last_day and words.first > words.last_day:
        raise ValueError("--from lies after --to")
    return words.first, words.last_day


# ---- counts -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Answer:
    """What came: *groups* of figures or *rows* of steps missed, and who was silent in that time."""

    wanted: CountFilter
    figures: Counts
    rows: Sequence[dict[str, Any]]
    indicators: Sequence[Indicator]
    unknown: Sequence[str]

    @property
    def of_steps(self) -> bool:
        return _of_steps(self.wanted)


def _of_steps(wanted: CountFilter) -> bool:
    return bool(set(wanted.by) & set(MISSED) or wanted.stage or wanted.reason)


def _count(words: argparse.Namespace, store: Store) -> int:
    now = utc_now()
    answer = _ask(words, store, now)
    if words.json:
        print(json.dumps(_as_json(answer), default=str))
    elif words.csv:
        _csv(_as_rows(answer), sys.stdout)
    else:
        _print(answer, sys.stdout)
    return GOOD


def _ask(words: argparse.Namespace, store: Store, now: datetime) -> _Answer:
    since, until = period(words, last_day(store, now))
    wanted = CountFilter(
        since=since, until=until, by=_once(words.by), district=_once(words.district),
        facility=_once(words.facility), method=_once(words.method), stage=_once(words.stage),
        reason=_once(words.reason),
    )  # fmt: skip
    ids = [*BY_ID] if words.all else words.indicator or USUAL
    steps = _of_steps(wanted)
    if steps and (words.indicator or words.all):
        raise ValueError("indicators are not told by stage or reason; leave out --indicator")
    plain = replace(wanted, by=(), stage=(), reason=()) if steps else wanted
    rows = store.counts(wanted) if steps else ()
    return _Answer(wanted, store.figures(plain, now), rows, [BY_ID[i] for i in ids],
                   _unknown(store, wanted))


def _once(names: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))


def _unknown(store: Store, wanted: CountFilter) -> list[str]:
    """What was asked for and is not in the register: old rows may still be counted there."""
    rows = store.facilities()
    known = {row[name] for row in rows for name in ("id", "district")}
    return [i for i in (*wanted.district, *wanted.facility) if i not in known]


def _as_rows(answer: _Answer) -> list[dict[str, Any]]:
    if answer.of_steps:
        return missed_rows(answer.rows, answer.wanted.by)
    return figure_rows(answer.figures.groups, answer.indicators)


def _as_json(answer: _Answer) -> dict[str, Any]:
    rows = _as_rows(answer)
    days = {"from": answer.wanted.since, "to": answer.wanted.until}
    return {**days, "rows": rows, "expected": answer.figures.expected,
            "silent": answer.figures.silent, "unknown": answer.unknown}


def _print(answer: _Answer, out: TextIO) -> None:
    by = answer.wanted.by
    table = (missed_table(answer.rows, by) if answer.of_steps
             else figure_table(answer.figures.groups, answer.indicators))
    times = any(one.span for one in answer.indicators)
    if times and not answer.of_steps and not whole_months(answer.wanted):
        table.notes.append(TIMES_NOTE)
    print_table(table, out)
    print(silence(answer.figures, answer.unknown), file=out)


def _csv(rows: Sequence[dict[str, Any]], out: TextIO) -> None:
    """A terminal wants its own line ends."""
    for line in csv_lines(list(rows[0]), rows) if rows else ():
        print(line.removesuffix("\r\n"), file=out)


# ---- are the totals true? ---------------------------------------------------------------------


def _verify(words: argparse.Namespace, store: Store) -> int:
    rows, found = _mended(store) if words.mend else _drift(store)
    if words.json:
        differ = [one._asdict() for one in found]
        print(json.dumps({"rows": rows, "differ": differ, "mended": bool(words.mend and found)}))
    elif words.csv:
        _csv([one._asdict() | {"key": list(one.key.values())} for one in found], sys.stdout)
    else:
        if found:
            print_table(drift_table(found), sys.stdout)
        print(_verdict(rows, len(found), mended=words.mend))
    return FINDING if found and not words.mend else GOOD


def _verdict(rows: int, differ: int, *, mended: bool) -> str:
    if not differ:
        return f"the totals are what {rows} rows add up to"
    if mended:
        return f"{differ} totals differed; they were counted anew from {rows} rows"
    return f"{differ} totals differ from what {rows} rows add up to; --mend counts them anew"


def _drift(store: Store) -> tuple[int, list[totals.Drift]]:
    with store.database.read() as connection:
        return totals.row_count(connection), list(totals.drift(connection))


def _mended(store: Store) -> tuple[int, list[totals.Drift]]:
    """Look and mend in one transaction, with its line in the trail; nobody writes meanwhile."""
    with store.database.write() as connection:
        totals.hold(connection)
        rows, found = totals.row_count(connection), list(totals.drift(connection))
        if found:
            totals.recount(connection)
            tables = sorted({str(one.table) for one in found})
            audit.note(connection, utc_now(), audit.COMMAND, "totals.mended", "",
                       {"rows": rows, "differed": len(found), "tables": tables})
    return rows, found


ROW = Row("counts", "what the programme counts, with what each number is of",
          "soakbell counts --last 4w --by facility --indicator released --indicator missed",
          add, run)  # fmt: skip
