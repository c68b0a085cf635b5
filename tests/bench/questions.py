"""What pages ask of the totals, and the same asked of the rows themselves: of the store by SQL,
and of the rows as Parquet by DuckDB. Every answer is a number or numbers by a key.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection

from bot.count_queries import count, summed
from bot.store import CountFilter

Answer = Mapping[tuple[Any, ...], tuple[int, ...]]

YEAR = (date(2025, 1, 1), date(2025, 12, 31))
MONTH = (date(2025, 11, 1), date(2025, 11, 30))
QUARTER = (date(2025, 7, 1), date(2025, 9, 30))
DISTRICT, FACILITY = "D07", "F0007"
COMPARED = ("batches", "released", "cancelled", "sets", "aside", "segments", "missed")

# Both engines read this.
SUMS = """count(*), count(*) FILTER (WHERE outcome = 'released'),
    count(*) FILTER (WHERE outcome = 'cancelled'), sum(set_count), sum(aside_count),
    sum(segments), count(*) FILTER (WHERE missed <> '')"""
CLOSED = "(closed_at AT TIME ZONE 'Africa/Dar_es_Salaam')"


@dataclass(frozen=True, slots=True)
class Question:
    """*ask* the totals; *sql* asks PostgreSQL, *duck* DuckDB, each row a key of *keys* columns and
    then numbers."""

    name: str
    ask: Callable[[Connection], Answer]
    keys: int
    sql: str
    duck: str


def _within(days: tuple[date, date]) -> str:
    return f"{CLOSED} >= '{days[0]}' AND {CLOSED} < CAST('{days[1]}' AS date) + 1"


def _counted(days: tuple[date, date], *by: str, **where: tuple[str, ...]) -> Callable[..., Answer]:
    wanted = CountFilter(since=days[0], until=days[1], by=by, **where)  # type: ignore[arg-type]

    def ask(connection: Connection) -> Answer:
        return {tuple(row[k] for k in by): tuple(row[n] for n in COMPARED)
                for row in count(connection, wanted) if row["batches"]}

    return ask


def _missed(connection: Connection) -> Answer:
    wanted = CountFilter(since=QUARTER[0], until=QUARTER[1], by=("stage", "reason"),
                         district=(DISTRICT,))
    return {(f"{r['stage']}:{r['reason']}",): (r["n"],) for r in count(connection, wanted)}


def _spans(connection: Connection) -> Answer:
    found: dict[tuple[str], int] = {}
    wanted = CountFilter(since=YEAR[0], until=YEAR[1])
    for row in summed(connection, "spans", wanted, ("method",)):
        if row["what"] == "use_to_ready":
            found[row["method"],] = found.get((row["method"],), 0) + row["n"]
    return {key: (n,) for key, n in found.items()}


def _hours(connection: Connection) -> Answer:
    found: dict[tuple[str], int] = {}
    for row in summed(connection, "hours", CountFilter(district=(DISTRICT,)), ()):
        found[row["what"],] = found.get((row["what"],), 0) + row["n"]
    return {key: (n,) for key, n in found.items()}


def _same(name: str, ask: Callable[[Connection], Answer], keys: int, sql: str) -> Question:
    return Question(name, ask, keys, sql, sql)


_OF_MISSES = f"""SELECT step, count(*) FROM batches, {{}} WHERE missed <> ''
    AND district = '{DISTRICT}' AND {_within(QUARTER)} GROUP BY 1"""  # noqa: S608
_MINUTES = "sum(date_diff('minute', date_trunc('minute', since), date_trunc('minute', until)))"
_OF_HOURS = f"""SELECT kind, {{}} FROM gaps WHERE until IS NOT NULL
    AND district = '{DISTRICT}' GROUP BY 1"""  # noqa: S608

QUESTIONS = (
    Question(
        "the country by month, a year", _counted(YEAR, "month"), 1,
        f"SELECT to_char({CLOSED}, 'YYYY-MM'), {SUMS} FROM batches WHERE {_within(YEAR)} GROUP BY 1",  # noqa: S608, E501
        f"SELECT strftime({CLOSED}, '%Y-%m'), {SUMS} FROM batches WHERE {_within(YEAR)} GROUP BY 1"),  # noqa: S608, E501
    _same("a district by facility, a month",
          _counted(MONTH, "facility", district=(DISTRICT,)), 1,
          f"SELECT facility, {SUMS} FROM batches WHERE district = '{DISTRICT}' "  # noqa: S608
          f"AND {_within(MONTH)} GROUP BY 1"),
    Question(
        "a facility by week, a year", _counted(YEAR, "week", facility=(FACILITY,)), 1,
        f"SELECT to_char({CLOSED}, 'IYYY-\"W\"IW'), {SUMS} FROM batches "  # noqa: S608
        f"WHERE facility = '{FACILITY}' AND {_within(YEAR)} GROUP BY 1",
        f"SELECT strftime({CLOSED}, '%G-W%V'), {SUMS} FROM batches "  # noqa: S608
        f"WHERE facility = '{FACILITY}' AND {_within(YEAR)} GROUP BY 1"),
    _same("every facility, a month", _counted(MONTH, "district", "facility"), 2,
          f"SELECT district, facility, {SUMS} FROM batches "  # noqa: S608
          f"WHERE {_within(MONTH)} GROUP BY 1, 2"),
    Question(
        "steps missed of a district, a quarter", _missed, 1,
        _OF_MISSES.format(r"regexp_split_to_table(trim(missed), '\s+') AS step"),
        _OF_MISSES.format(r"unnest(string_split_regex(trim(missed), '\s+')) AS s(step)")),
    _same("times to READY by method, a year", _spans, 1,
          f"SELECT method, count(use_to_ready) FROM batches WHERE use_to_ready IS NOT NULL "  # noqa: S608
          f"AND {_within(YEAR)} GROUP BY 1"),
    Question(
        "hours without a set, a district", _hours, 1,
        _OF_HOURS.format("sum(extract(epoch FROM date_trunc('minute', until) "
                         "- date_trunc('minute', since)) / 60)::bigint"),
        _OF_HOURS.format(_MINUTES)),
)  # fmt: skip
