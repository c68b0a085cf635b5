"""Sends last month's report of each district, once by each way, from a day of the month on.

Any number of processes on any host may look; the store says who sends (`bot/reports_sent.py`).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from bot.config import Config
from bot.errors import BotError
from bot.report_found import Reports, before
from bot.report_parts import Report
from bot.report_pdf import pdf
from bot.report_settings import mail_server
from bot.report_ways import Mail, Parcel, Post, Way
from bot.reports_sent import Key, ReportsSent
from bot.wiring import Parts

SIGNED = "The whole report is in the PDF. Soakbell sent this mail; nobody reads answers to it."

log = logging.getLogger(__name__)


class _Claim(NamedTuple):
    """A report that this process may send by a way, and which try it is."""

    way: Way
    key: Key
    tries: int


@dataclass(frozen=True, slots=True)
class Sender:
    """Looks what is to be sent and sends it. *least*: counts of one facility below it stay here."""

    reports: Reports
    sent: ReportsSent
    ways: Sequence[Way]
    day: int
    least: int
    clock: Callable[[], datetime]

    def look(self) -> int:
        """Send what is due now and was not sent; returns how many were taken. StoreDown where the
        store does not answer: then somebody looks again later."""
        found = due(self.reports.store.facilities(), self.clock(), self.day)
        return sum(self._send(district, month) for district, month in found)

    def _send(self, district: str, month: date) -> int:
        """One report by each way that this process may send it by; made once for all of them."""
        claims = [claim for way in self.ways if (claim := self._claim(district, month, way))]
        if not claims:
            return 0
        try:
            made = parcel(self.reports.make(month, district, self.least))
        except Exception as error:  # one report must not hold up the others
            for claim in claims:
                self._failed(claim, error)
            return 0
        return sum(self._taken(claim, made) for claim in claims)

    def _claim(self, district: str, month: date, way: Way) -> _Claim | None:
        key = Key(district, f"{month:%Y-%m}", way.name)
        tries = self.sent.claim(key, self.clock())
        return None if tries is None else _Claim(way, key, tries)

    def _taken(self, claim: _Claim, made: Parcel) -> bool:
        try:
            claim.way.send(made)
        except Exception as error:  # nor one way the other
            self._failed(claim, error)
            return False
        self.sent.accepted(claim.key, claim.tries, self.clock())
        log.info("report %s of %s was taken by %s", claim.key.month, made.district, claim.way.name)
        return True

    def _failed(self, claim: _Claim, error: Exception) -> None:
        """What is not ours may quote a name: of that the log gets the kind alone."""
        why = error if isinstance(error, BotError) else type(error).__name__
        key = claim.key
        log.warning("report %s of %s: %s; try %d", key.month, key.district, why, claim.tries)
        self.sent.failed(key, claim.tries, self.clock())


def due(
    facilities: Iterable[Mapping[str, Any]], now: datetime, day: int
) -> Iterator[tuple[str, date]]:
    """The districts of *facilities* (rows with district and zone) whose day it is, each with the
    first day of the month before; by the clock of hers that is furthest behind."""
    days: dict[str, date] = {}
    for row in facilities:
        here = now.astimezone(ZoneInfo(row["zone"])).date()
        days[row["district"]] = min(here, days.get(row["district"], here))
    for district, today in sorted(days.items()):
        if today.day >= day:
            yield district, before(today.replace(day=1))


def parcel(report: Report) -> Parcel:
    """*report* ready to go."""
    text = "\n\n".join([report.title, *report.summary, report.caution, SIGNED])
    return Parcel(report.district, report.month, report.title, f"{text}\n", report.file_name,
                  pdf(report))  # fmt: skip


def sender_of(config: Config, parts: Parts) -> Sender | None:
    """Who sends by the settings; None where they name nobody to send to."""
    ways, clock = ways_of(config), parts.service.clock
    if not ways:
        return None
    reports = Reports(parts.store, parts.rules, parts.wording, clock)
    return Sender(reports, ReportsSent(parts.store.database), ways, config.report_day,
                  config.small_numbers, clock)  # fmt: skip


def ways_of(config: Config) -> list[Way]:
    """The ways that the settings name."""
    found: list[Way] = []
    if config.report_mail_to:
        server = mail_server(config.mail_url, config.mail_from, config.mail_password)
        found.append(Mail(server, config.report_mail_to))
    if config.report_post_url:
        found.append(Post(config.report_post_url))
    return found
