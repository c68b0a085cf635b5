"""Monthly reports that leave by themselves: when, to whom, by one of many, until they are taken."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot.errors import ReportNotSent
from bot.report_sender import Sender, due
from bot.report_ways import Parcel
from bot.reports_sent import DELAYS, LEASE, Key, ReportsSent
from bot.store import Store
from tests.bot.report_stand import APRIL_3, FEBRUARY, MARCH, Pdf, fill, reports
from tests.bot.store_stand import demo_register

if TYPE_CHECKING:
    from tests.conftest import FakeClock

KEY = Key("TAM", "2025-03", "mail")


# ---- who sends, and when -----------------------------------------------------------------------


def test_one_of_many_may_send(store: Store) -> None:
    sent = ReportsSent(store.database)
    ready = threading.Barrier(6)

    def claim(_n: int) -> int | None:
        ready.wait(10)
        return sent.claim(KEY, APRIL_3)

    with ThreadPoolExecutor(6) as pool:
        found = list(pool.map(claim, range(6)))

    assert sorted(n for n in found if n is not None) == [1]


def test_what_was_taken_is_sent_once(store: Store) -> None:
    sent = ReportsSent(store.database)
    assert sent.claim(KEY, APRIL_3) == 1
    sent.accepted(KEY, 1, APRIL_3)

    assert sent.claim(KEY, APRIL_3 + timedelta(days=300)) is None
    assert sent.claim(KEY._replace(way="post"), APRIL_3) == 1
    assert sent.claim(KEY._replace(district="BAO"), APRIL_3) == 1
    assert sent.claim(KEY._replace(month="2025-04"), APRIL_3) == 1


def test_who_dies_on_the_way_is_followed_by_another(store: Store) -> None:
    sent = ReportsSent(store.database)
    assert sent.claim(KEY, APRIL_3) == 1

    assert sent.claim(KEY, APRIL_3 + LEASE - timedelta(seconds=1)) is None
    assert sent.claim(KEY, APRIL_3 + LEASE) == 2
    sent.failed(KEY, 1, APRIL_3 + LEASE)  # the first one wakes up: no word for the other's try
    assert sent.claim(KEY, APRIL_3 + LEASE + DELAYS[0]) is None
    sent.accepted(KEY, 1, APRIL_3 + LEASE)  # and what it says was taken, was taken
    assert sent.claim(KEY, APRIL_3 + timedelta(days=9)) is None


def test_each_failure_makes_the_next_wait_longer(store: Store) -> None:
    sent, now = ReportsSent(store.database), APRIL_3
    waits = []
    for tries in range(1, len(DELAYS) + 2):
        assert sent.claim(KEY, now) == tries
        sent.failed(KEY, tries, now)
        known = sent.known(KEY)
        assert known
        waits.append(known.at - now)
        assert sent.claim(KEY, known.at - timedelta(seconds=1)) is None
        now = known.at

    assert waits == [*DELAYS, DELAYS[-1]]
    assert waits == sorted(waits)


@pytest.mark.parametrize(("now", "day", "expected"), [
    (datetime(2025, 4, 2, 20, 59, tzinfo=UTC), 3, []),
    (datetime(2025, 4, 2, 21, 0, tzinfo=UTC), 3, [("TAM", MARCH)]),  # midnight in Dar es Salaam
    (datetime(2025, 4, 30, 8, 0, tzinfo=UTC), 3, [("TAM", MARCH)]),
    (datetime(2025, 5, 1, 8, 0, tzinfo=UTC), 3, []),
    (datetime(2025, 1, 28, 8, 0, tzinfo=UTC), 28, [("TAM", date(2024, 12, 1))]),
])
def test_last_months_report_is_due_from_the_day_on(
    now: datetime, day: int, expected: list[tuple[str, date]]
) -> None:
    rows = [{"district": "TAM", "zone": "Africa/Dar_es_Salaam"}]

    assert list(due(rows, now, day)) == expected


def test_no_month_is_told_before_it_is_over_everywhere() -> None:
    rows = [{"district": "TAM", "zone": zone} for zone in ("Pacific/Auckland", "Pacific/Honolulu")]

    assert list(due(rows, datetime(2025, 4, 1, 9, 59, tzinfo=UTC), 1)) == [("TAM", FEBRUARY)]
    assert list(due(rows, datetime(2025, 4, 1, 10, 0, tzinfo=UTC), 1)) == [("TAM", MARCH)]


# ---- sending -----------------------------------------------------------------------------------


@dataclass
class Tray:
    """A way that takes what it is told to: *fails* so many times first."""

    name: str = "mail"
    fails: int = 0
    took: list[Parcel] = field(default_factory=list)

    def send(self, one: Parcel) -> None:
        if self.fails:
            self.fails -= 1
            raise ReportNotSent("not now")
        self.took.append(one)


@pytest.fixture
def filled(tmp_path: Path) -> Iterator[Store]:
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    fill(store)
    yield store
    store.close()


@pytest.fixture
def silent(tmp_path: Path) -> Iterator[Store]:
    """Of nobody in it anything was ever heard: that is a report too, and a short one."""
    store = Store(f"sqlite:///{tmp_path / 'store.db'}")
    store.migrate()
    store.save_register(demo_register())
    yield store
    store.close()


def sender(store: Store, clock: FakeClock, *ways: Tray) -> Sender:
    return Sender(reports(store), ReportsSent(store.database), ways, 3, 5, clock)


def test_every_way_gets_it_once_and_again_where_it_was_not_taken(
    silent: Store, clock: FakeClock, caplog: pytest.LogCaptureFixture
) -> None:
    clock.now = APRIL_3
    mail, post = Tray("mail"), Tray("post", fails=1)
    first, second = (sender(silent, clock, mail, post) for _ in range(2))

    assert [first.look(), second.look()] == [1, 0]
    clock.now += DELAYS[0]
    assert [second.look(), first.look()] == [1, 0]
    assert (len(mail.took), len(post.took)) == (1, 1)
    assert mail.took[0].key == post.took[0].key
    assert "report 2025-03 of TAM: not now; try 1" in caplog.text
    clock.now = datetime(2025, 5, 3, 8, 0, tzinfo=UTC)
    assert first.look() == 2
    assert mail.took[1].key != mail.took[0].key


def test_what_is_sent_is_the_report_without_small_numbers(
    filled: Store, clock: FakeClock
) -> None:
    clock.now = APRIL_3
    tray = Tray()
    sender(filled, clock, tray).look()
    words = "".join(" ".join(Pdf(tray.took[0].pdf).pages).split())

    assert "In9of33batchesthatendedastepwasmissed" in words
    assert "8of12" not in words
    assert "In 9 of 33 batches" in tray.took[0].text
    assert "8 of 12" not in tray.took[0].text


def test_one_that_cannot_be_made_holds_up_no_other_and_is_tried_again(
    silent: Store, clock: FakeClock, caplog: pytest.LogCaptureFixture
) -> None:
    class Torn(Tray):
        def send(self, one: Parcel) -> None:
            if self.fails:
                self.fails -= 1
                raise KeyError(f"{one.title} Neema")
            super().send(one)

    clock.now = APRIL_3
    torn, whole = Torn("mail", fails=1), Tray("post")
    both = sender(silent, clock, torn, whole)

    assert both.look() == 1
    assert len(whole.took) == 1
    assert "KeyError; try 1" in caplog.text
    assert "Neema" not in caplog.text
    clock.now += DELAYS[0]
    assert both.look() == 1
    assert len(torn.took) == 1
