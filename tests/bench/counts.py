"""How fast it is, beside what: `python -m tests.bench.counts [--batches N] [--url ...]`.

The store at *url* must be empty, or filled by this command with as many batches. Every question is
answered from the totals, by SQL over the rows and by DuckDB over the same rows as Parquet, in one
run; answers that differ end it. Times are the best of some runs, in milliseconds.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from random import Random
from time import perf_counter
from typing import Any

import duckdb
from sqlalchemy import func, select, text

from bot.store import CountFilter, Store
from bot.tables import batches
from bot.wiring import load_protocols
from flows.batch import Batch
from flows.release import findings
from tests.bench.country import gaps, makings, patterns, pushes, register
from tests.bench.generate import fill, settle
from tests.bench.questions import DISTRICT, FACILITY, MONTH, QUESTIONS, YEAR, Answer

SEED = 1
URL = "postgresql://postgres@127.0.0.1:5432/soakbell_bench"
WRITERS = 2
NOW = datetime(2026, 3, 31, 12, 0, tzinfo=UTC)
BATCH_COLUMNS = ("district, facility, zone, method, outcome, opened_at, closed_at, set_count, "
                 "aside_count, segments, missed, use_to_ready")
GAP_COLUMNS = "district, facility, kind, since, until"
PAGES = {
    "figures of the country by month, a year": CountFilter(
        since=YEAR[0], until=YEAR[1], by=("month",)),
    "figures of a district by facility, a month": CountFilter(
        since=MONTH[0], until=MONTH[1], by=("facility",), district=(DISTRICT,)),
    "figures of a facility by week, a year": CountFilter(
        since=YEAR[0], until=YEAR[1], by=("week",), facility=(FACILITY,)),
    "figures of every facility, a month": CountFilter(
        since=MONTH[0], until=MONTH[1], by=("facility",)),
}  # fmt: skip


def main(arguments: Sequence[str]) -> int:
    asked = _parser().parse_args(arguments)
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
    if asked.ingest:
        ingested(asked.url, asked.ingest)
    store = Store(asked.url)
    store.migrate()
    made(store, asked.batches, asked.facilities)
    with tempfile.TemporaryDirectory() as folder:
        duck = as_parquet(store, Path(folder))
        wrong = compared(store, duck)
    for name, wanted in PAGES.items():
        print(f"{name:42}{_best(lambda w=wanted: store.figures(w, NOW))[0]:9.1f}")  # type: ignore[misc]
    if asked.drift:
        took, found = _best(store.drift, 1)
        print(f"{'drift, over all rows':42}{took:9.1f}   {len(found)} differences")
    store.close()
    return 1 if wrong else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.counts", description=__doc__)
    parser.add_argument("--batches", type=int, default=1_000_000)
    parser.add_argument("--facilities", type=int, default=1000)
    parser.add_argument("--url", default=URL, help="a PostgreSQL store that may be filled")
    parser.add_argument("--ingest", type=int, default=20_000, help="documents recorded, 0: none")
    parser.add_argument("--drift", action="store_true", help="hold the totals against all rows")
    return parser


def _best(ask: Callable[[], Any], times: int = 5) -> tuple[float, Any]:
    best, answer = float("inf"), None
    for _ in range(times):
        began = perf_counter()
        answer = ask()
        best = min(best, perf_counter() - began)
    return best * 1000, answer


# ---- recording -------------------------------------------------------------------------------


def ingested(url: str, number: int) -> None:
    """Record *number* documents in a schema of its own, by as many processes as there are
    processors: newest states, then one newer state of each."""
    own = f"{url}{'&' if '?' in url else '?'}options=-csearch_path%3Dsoakbell_ingest"
    _schema(url, "DROP SCHEMA IF EXISTS soakbell_ingest CASCADE", "CREATE SCHEMA soakbell_ingest")
    store = Store(own)
    store.migrate()
    store.save_register(register(200))
    store.close()
    with ProcessPoolExecutor(WRITERS) as pool:
        share = number // WRITERS
        told = list(pool.map(_record, [own] * WRITERS, range(WRITERS), [share] * WRITERS))
    rate = sum(n for n, _, _ in told) / (max(t[2] for t in told) - min(t[1] for t in told))
    print(f"{rate:.0f} documents a second, recorded with their totals by {WRITERS} processes")
    _schema(url, "DROP SCHEMA soakbell_ingest CASCADE")


def _schema(url: str, *statements: str) -> None:
    store = Store(url)
    with store.database.write() as connection:
        for statement in statements:
            connection.execute(text(statement))
    store.close()


def _record(url: str, writer: int, number: int) -> tuple[int, float, float]:
    protocols = load_protocols()

    def against(batch: Batch) -> Sequence[object]:
        return findings(batch, protocols[batch.protocol])

    of = patterns(SEED)
    made = makings(of, number * WRITERS, 200, SEED)
    docs = list(islice(pushes(of, made), writer * number, (writer + 1) * number))
    Random(SEED).shuffle(docs)  # noqa: S311 (no secret)
    store = Store(url, findings=against)
    began = perf_counter()
    taken = sum(store.record(docs[n : n + 500]) for n in range(0, len(docs), 500))
    return taken, began, perf_counter()


# ---- the country -----------------------------------------------------------------------------


def made(store: Store, number: int, facilities: int) -> None:
    """Fill *store* with *number* batches, if it is empty."""
    with store.database.read() as connection:
        there = connection.scalar(select(func.count()).select_from(batches)) or 0
    if there not in (0, number):
        sys.exit(f"there are {there} batches at the address, not 0 or {number}")
    began = perf_counter()
    if not there:
        store.save_register(register(facilities))
        of = patterns(SEED)
        fill(store, of, makings(of, number, facilities, SEED))
        store.record(list(gaps(facilities, SEED)))
        settle(store)
    with store.database.read() as connection:
        size = connection.scalar(select(func.avg(func.length(batches.c.doc))))
    print(f"{number} batches at {facilities} facilities, documents of {size:.0f} characters, "
          f"ready after {perf_counter() - began:.0f} s")


def as_parquet(store: Store, folder: Path) -> duckdb.DuckDBPyConnection:
    """The same rows for DuckDB, one Parquet file a table."""
    duck = duckdb.connect()
    duck.execute("SET TimeZone = 'UTC'")
    for table, columns in (("batches", BATCH_COLUMNS), ("gaps", GAP_COLUMNS)):
        with (folder / f"{table}.csv").open("wb") as out, store.database.read() as connection:
            cursor: Any = connection.connection.cursor()
            rows = f"SELECT {columns} FROM {table}"  # noqa: S608
            with cursor.copy(f"COPY ({rows}) TO STDOUT CSV HEADER") as copy:
                out.writelines(copy)
        duck.execute(f"COPY (FROM '{folder}/{table}.csv') TO '{folder}/{table}.parquet'")
        duck.execute(f"CREATE VIEW {table} AS FROM '{folder}/{table}.parquet'")
        (folder / f"{table}.csv").unlink()
    return duck


def compared(store: Store, duck: duckdb.DuckDBPyConnection) -> bool:
    """Print what each question takes in each way. Returns whether any answers differ."""
    print(f"{'':42}{'totals':>9}{'rows':>9}{'':>8}{'DuckDB':>9}")
    wrong = False
    for one in QUESTIONS:
        with store.database.read() as connection:
            fast, kept = _best(lambda q=one, c=connection: q.ask(c))  # type: ignore[misc]
            slow, rows = _best(
                lambda q=one, c=connection: c.exec_driver_sql(q.sql).all(), 2)  # type: ignore[misc]
        other, found = _best(lambda q=one: duck.execute(q.duck).fetchall(), 3)  # type: ignore[misc]
        same = dict(kept) == _answer(rows, one.keys) == _answer(found, one.keys)
        wrong = wrong or not same or not kept
        print(f"{one.name:42}{fast:9.1f}{slow:9.1f}{slow / fast:7.0f}x{other:9.1f}"
              f"{other / fast:7.1f}x{'' if same else '   answers differ'}")
    return wrong



def _answer(rows: Iterable[Sequence[Any]], keys: int) -> Answer:
    return {tuple(row[:keys]): tuple(map(int, row[keys:])) for row in rows}


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
