"""What the front page of the counts makes of numbers: who is named, and why."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import pytest

from bot.board import standing
from bot.catalogues import load_catalogues
from bot.desk_figures import Seen, Visit, front, of_batches
from bot.desk_period import Wanted
from bot.desk_said import Teller
from bot.figures import Counts
from bot.model import Standing, Unit
from bot.wording import Wording
from flows.indicators import MEASURES
from tests.bot.district import HIGH, LOWF
from tests.bot.store_stand import START
from tests.nurse import ALERTS

WANTED = Wanted(date(2025, 2, 4), date(2025, 3, 3), "4w")
PATIENCE = timedelta(minutes=ALERTS.rules["none_ready"].after_minutes)


@pytest.fixture(scope="module")
def teller() -> Teller:
    return Teller(Wording(load_catalogues()), ALERTS, START, named=True)


def row(facility: str, **measures: int) -> dict[str, Any]:
    return {**dict.fromkeys(MEASURES, 0), "facility": facility, **measures}


def visits(teller: Teller, *rows: Mapping[str, Any], silent: tuple[str, ...] = (),
           gaps: tuple[Mapping[str, Any], ...] = (),
           heard: Mapping[str, Standing] | None = None) -> tuple[Visit, ...]:  # fmt: skip
    both = Counts((), ("HIGH", "LOWF"), silent)
    seen = Seen(WANTED, (LOWF, HIGH), heard, both, (), rows, rows, gaps)
    return front(seen, teller).visits


def reasons(found: tuple[Visit, ...]) -> dict[str, str]:
    return {visit.id: " / ".join(visit.reasons) for visit in found}


def test_differences_that_chance_makes_name_nobody(teller: Teller) -> None:
    rows = (row("LOWF", batches=20, missed=3), row("HIGH", batches=20, missed=1))

    assert visits(teller, *rows) == ()


def test_checks_that_were_done_late_are_a_reason_of_their_own(teller: Teller) -> None:
    late = row("LOWF", checks_due=50, checks_done=50, checks_on_time=5)
    good = row("HIGH", checks_due=50, checks_done=50, checks_on_time=50)

    assert reasons(visits(teller, late, good)) == {
        "LOWF": "Shift checks in time: 5 of 50 due (10 %), all facilities together 55 %: fewer than"
                " chance makes (99.8 % limits)"}


def test_to_miss_fewer_steps_than_others_is_no_reason_for_a_visit(teller: Teller) -> None:
    rows = (row("LOWF", batches=200, missed=0), row("HIGH", batches=200, missed=60))

    assert set(reasons(visits(teller, *rows))) == {"HIGH"}


@pytest.mark.parametrize(("lasted", "named"), [(PATIENCE, True), (PATIENCE * 0.99, False)])
def test_a_gap_counts_from_when_the_programmes_own_rule_lets_it(
    teller: Teller, lasted: timedelta, named: bool
) -> None:
    gap = {"facility": "LOWF", "kind": "suction", "since": START - lasted}

    assert bool(visits(teller, gaps=(gap,))) == named


def test_whose_last_word_is_too_old_is_silent_and_says_since_when(teller: Teller) -> None:
    last = START - timedelta(minutes=ALERTS.rules["silent"].after_minutes + 1)
    shown = standing(Unit(LOWF))
    heard = Standing(shown.facility, shown.name, shown.zone, heard=last)

    assert reasons(visits(teller, heard={"LOWF": heard})) == {
        "LOWF": f"Silent: last word {teller.moment(last, 'UTC')}"}
    assert reasons(visits(teller, heard={"LOWF": heard}, silent=("LOWF",)))["LOWF"].startswith(
        "Did not report in this time: last word")


def test_one_facility_alone_differs_from_nobody(teller: Teller) -> None:
    assert visits(teller, row("LOWF", batches=20, missed=20)) == ()


def test_a_batch_begun_by_mistake_never_makes_more_than_all() -> None:
    assert of_batches(row("LOWF", batches=2, cancelled=2, missed=1)) == (0, 0)
    assert of_batches(row("LOWF", batches=5, cancelled=2, missed=1)) == (1, 3)
