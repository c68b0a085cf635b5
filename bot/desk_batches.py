"""The list of batches at the desk: those behind a number of the counts, the newest first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from bot.count_queries import CountFilter
from bot.desk_figures import reason_words, stage_words
from bot.desk_period import MOST_TYPED
from bot.desk_said import Teller
from bot.site import Site
from bot.store import BatchFilter

SHOWN = 60  # of one page, which stays below 60 KB
MOST_MISSED = 4  # of one batch in words
OUTCOMES: Mapping[str, str] = {
    "open": "open now", "released": "ended READY", "set aside": "every set SET ASIDE",
    "cancelled": "begun by mistake",
}  # fmt: skip
NO_OUTCOME = f"The end is one of {', '.join(OUTCOMES)}."


@dataclass(frozen=True, slots=True)
class Narrow:
    """What is asked besides time and place: how it ended, and the step that was missed."""

    outcome: str = ""
    stage: str = ""
    reason: str = ""
    missed: bool = False

    @property
    def query(self) -> dict[str, str]:
        """The same as parts of an address."""
        named = {"outcome": self.outcome, "stage": self.stage, "reason": self.reason,
                 "missed": "yes" if self.missed else ""}  # fmt: skip
        return {name: value for name, value in named.items() if value}

    def words(self, teller: Teller) -> str:
        """What is missed, in words; "" where nothing is asked."""
        said = [f"at {stage_words(self.stage, teller)}"] if self.stage else []
        said += [reason_words(self.reason)] if self.reason else []
        return f"A step missed {': '.join(said)}".rstrip() if said or self.missed else ""


@dataclass(frozen=True, slots=True)
class Listed:
    """A batch in the list; *id* is "" where its page is not there for whoever asks."""

    id: str
    name: str
    sets: str
    place: str
    times: str
    end: str
    missed: str


def narrowed(asked: Mapping[str, str]) -> Narrow:
    """What the fields *asked* mean; ValueError for an end that is none."""
    given = {name: asked.get(name, "").strip()[:MOST_TYPED]
             for name in ("outcome", "stage", "reason")}  # fmt: skip
    if given["outcome"] not in ("", *OUTCOMES):
        raise ValueError(NO_OUTCOME)
    return Narrow(**given, missed=asked.get("missed", "") == "yes")


def batch_filter(asked: CountFilter, narrow: Narrow, zone: str, after: str) -> BatchFilter:
    """The same for the store; the days of *asked* are cut by the clock of *zone*."""
    return BatchFilter(
        facility=next(iter(asked.facility), ""), district=next(iter(asked.district), ""),
        method=next(iter(asked.method), ""), since=_midnight(asked, zone), by_end=True,
        until=_midnight(asked, zone, last=True), outcome=narrow.outcome, stage=narrow.stage,
        reason=narrow.reason, missed=narrow.missed, limit=SHOWN, after=after,
    )  # fmt: skip


def _midnight(asked: CountFilter, zone: str, *, last: bool = False) -> datetime | None:
    day = asked.until if last else asked.since
    if day is None:
        return None
    moment = datetime.combine(day + timedelta(days=int(last)), time(), ZoneInfo(zone))
    return moment.astimezone(UTC)


def listed(
    rows: Iterable[Mapping[str, Any]], sites: Mapping[str, Site], teller: Teller
) -> Iterator[Listed]:
    """Each of *rows* in words, by the clock of its facility."""
    for row in rows:
        site = sites.get(row["facility"])
        zone = site.zone if site else "UTC"
        yield Listed(
            id=row["id"] if site else "", name=row["id"], sets=", ".join(row["sets"]),
            place=site.name if site else row["facility"], times=_times(row, zone, teller),
            end=f"{OUTCOMES[row['outcome'] or 'open']}{', told late' if row['late'] else ''}",
            missed=_missed(row["missed"], teller),
        )  # fmt: skip


def _times(row: Mapping[str, Any], zone: str, teller: Teller) -> str:
    began = teller.moment(row["opened_at"], zone)
    return f"{began} to {teller.moment(row['closed_at'], zone)}" if row["closed_at"] else began


def _missed(missed: list[str], teller: Teller) -> str:
    pairs = [word.partition(":") for word in missed[:MOST_MISSED]]
    said = [f"{stage_words(stage, teller)}: {reason_words(reason)}" for stage, _, reason in pairs]
    more = [f"and {len(missed) - MOST_MISSED} more"] if len(missed) > MOST_MISSED else []
    return "; ".join([*said, *more])
