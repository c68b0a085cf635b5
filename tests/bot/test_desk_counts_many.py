"""The pages of the counts where there is much of everything; and the rows behind a number."""

from __future__ import annotations

from datetime import timedelta

import pytest

from bot.desk_figures import MOST_SILENT, MOST_VISITS
from bot.store import BatchFilter, Store
from bot.wiring import Parts, announce
from tests.bot.counts_stand import ended
from tests.bot.desk_client import MOST_BYTES, words
from tests.bot.desk_stand import As
from tests.bot.district_stand import wide_register
from tests.bot.store_stand import START, batch, closed, record

FACILITIES = 240
FEBRUARY = "from=2025-02-01&to=2025-02-28"


def test_pages_of_many_facilities_are_light_and_say_how_many_were_left_out(
    parts: Parts, log_in_as: As
) -> None:
    announce(parts, wide_register(FACILITIES, 1))
    reporting = [f"F{n:02}" for n in range(FACILITIES // 2)]
    # Fifteen of them missed a step in every batch, the others in none.
    parts.store.record([record(ended(place, k, "early" if n < 15 else ""))
                        for n, place in enumerate(reporting) for k in range(5)])  # fmt: skip
    desk = log_in_as("programme")
    pages = {path: desk.get(f"/desk{path}?{FEBRUARY}")
             for path in ("/counts", "/counts/funnel", "/batches", "/indicators")}  # fmt: skip

    assert {path: page.status_code for path, page in pages.items() if page.status_code != 200} == {}
    assert {path: len(page.data) for path, page in pages.items() if len(page.data) > MOST_BYTES} \
        == {}
    silent = FACILITIES - len(reporting) + 2  # and the two of the demonstration
    front = words(pages["/counts"].text)
    assert f"Of {FACILITIES + 2} facilities {silent} said nothing in this time" in front
    assert f"And {silent - MOST_SILENT} more." in front
    assert f"And {silent + 15 - MOST_VISITS} more: choose a district." in front
    funnel = pages["/counts/funnel"].text
    assert funnel.count("above the 99.8 % limits</td>") == 15


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        (BatchFilter(missed=True), {"missed"}),
        (BatchFilter(by_end=True, since=START + timedelta(days=1)), {"long", "open"}),
        (BatchFilter(by_end=True, until=START + timedelta(days=1)), {"short", "missed"}),
        (BatchFilter(until=START + timedelta(days=1)), {"short", "missed", "long"}),
    ],
)
def test_batches_by_a_missed_step_and_by_their_end(
    store: Store, asked: BatchFilter, found: set[str]
) -> None:
    """One that took two days ends on its last, an open one stands where it began."""
    day = timedelta(days=1)
    late = ended("LOWF", 0, "early", id="missed", opened_at=START, closed_at=START + day / 2)
    store.record([record(closed("short")), record(late), record(closed("long", at=START + 2 * day)),
                  record(batch("open", opened_at=START + 2 * day))])  # fmt: skip

    assert {row["id"] for row in store.batches(asked).rows} == found
