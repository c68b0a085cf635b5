"""COUNTS by text: the store's own figures, asked by a turn, answered by letter, said once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import pytest

from bot.counting import Counting, district_facts
from bot.counts_asked import counts_prompt, number
from bot.effects import Checked, CountsAsked, Gap, Post, Prompt, Say
from bot.errors import StoreDown
from bot.events import Heard, Letter
from bot.machine import step
from bot.model import Talk, Unit
from bot.pushes import COUNTS, counts_ops
from bot.site import Person, Site
from bot.store import CountFilter, Store
from flows.prompts import segments
from tests.bot.store_stand import START, closed, ready, record
from tests.bot.wording_stand import RULES, WORDING, most_counted
from tests.conftest import FakeClock
from tests.workbench import CHIEF, Bench

NOW = START + timedelta(days=10)
OLD = START - timedelta(days=28)  # in the four weeks before


def unit() -> Unit:
    chief = (Person("C", "Sena", CHIEF, "supervisor"),)
    return Unit(Site("district-TAM", "Tam", "TAM", 0, "UTC", (), (), (), chief))


def heard(text: str) -> Heard:
    return Heard(text, CHIEF, "sms", text, START)


RULE = replace(RULES, commands={"en": {"COUNTS": "counts"}})


# ---- asked -------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["counts", "7"])
def test_the_word_and_the_digit_ask_once_and_answer_at_once(text: str) -> None:
    before = unit().put_talk(Talk(CHIEF, screen="above"))

    after, effects = step(before, heard(text), RULE)

    [asked] = [e for e in effects if isinstance(e, CountsAsked)]
    assert (asked.site_id, asked.district, asked.by) == ("district-TAM", "TAM", "C")
    assert after.talk(CHIEF).screen == "counts"
    later = step(after, heard(text), RULE).effects
    ids = {e.id for e in later if isinstance(e, CountsAsked)}
    assert asked.id not in ids
    assert len(ids) == (1 if text == "counts" else 0)  # 7 is no line of the screen after it


# ---- said --------------------------------------------------------------------------------------


def letter(**facts: int) -> Letter:
    return Letter("counts:1", NOW, "counted", "C", facts=facts)


def said(prompt: Prompt) -> str:
    return WORDING.sentence(prompt, "en", "UTC")


def test_what_came_back_is_said_to_whoever_asked() -> None:
    _, effects = step(unit(), letter(ended=3, silent=1, all=2), RULE)

    [say] = [e for e in effects if isinstance(e, Say)]
    assert say.phone == CHIEF
    assert said(say.prompt).startswith("4 weeks (before): 3 ended (-), - READY (-)")
    assert said(say.prompt).endswith("silent 1/2 (-)")


@pytest.mark.parametrize("gone", [True, False])
def test_nobody_hears_who_left_or_wants_no_more(gone: bool) -> None:
    before = unit().put_talk(Talk(CHIEF, stopped=True))
    if gone:
        before = replace(before, site=replace(before.site, supervisors=()), talks={})

    assert [e for e in step(before, letter(ended=3), RULE).effects if isinstance(e, Say)] == []


def test_zero_is_told_and_what_is_not_known_is_not() -> None:
    text = said(counts_prompt({"ended": 0, "ready": 0, "empty_minutes": 0, "before_ended": 2,
                               "before_missed": 0, "done": 0, "due": 3}))  # fmt: skip

    assert text == ("4 weeks (before): 0 ended (2), 0 READY (-), - missed (0), none READY 0h (-), "
                    "checks 0/3 (-), silent - (-)")  # fmt: skip


@pytest.mark.parametrize(("minutes", "hours"), [(0, "0h"), (1, "<1h"), (59, "<1h"), (60, "1h"),
                                                (89, "1h"), (90, "2h")])  # fmt: skip
def test_less_than_an_hour_is_not_none(minutes: int, hours: str) -> None:
    assert f"none READY {hours}" in said(counts_prompt({"empty_minutes": minutes}))


def test_the_longest_text_is_one_segment() -> None:
    assert segments(said(most_counted()))[2] == 1
    assert [number(n) for n in (9_999, 10_000, 999_999)] == ["9999", "10k", "999k"]


# ---- counted -----------------------------------------------------------------------------------


def check(n: int, *, done: bool) -> Checked:
    at = START + timedelta(hours=n)
    return Checked(f"LOWF-c{n}", "LOWF", "TAM", at, at if done else None, "P1" if done else "",
                   None, {}, None, 0, None, None, 0.0, done)  # fmt: skip


def missed(batch_id: str, at: datetime) -> Any:
    of = closed(batch_id, "set aside", at=at, opened_at=at)
    last = replace(of.log[-1], n=len(of.log), at=at, kind="interrupted", mark="exposure_started")
    return of.with_entry(last)


def fill(store: Store) -> None:
    """Now two batches READY, one missed and set aside, one begun by mistake; before, one READY."""
    good = [closed("LOWF-1"), closed("LOWF-2"), closed("LOWF-3", at=OLD, opened_at=OLD)]
    rest = [missed("LOWF-4", START), closed("LOWF-5", "cancelled")]
    store.record([*(record(b, ready(b)) for b in good), *map(record, rest)])
    store.record([check(1, done=True), check(2, done=False)])
    store.record([Gap("LOWF-g1", "LOWF", "TAM", "bag", START, START + timedelta(minutes=200))])


def test_the_facts_are_the_figures_of_the_store(store: Store) -> None:
    fill(store)

    facts = district_facts(store, "TAM", NOW)

    today = date(2025, 3, 13)
    for which, last in (("", today), ("before_", today - timedelta(days=28))):
        wanted = CountFilter(since=last - timedelta(days=27), until=last, district=("TAM",))
        counts = store.figures(wanted, NOW)
        [group] = counts.groups
        for names, one in ((("ready", "ended"), "released"), (("missed", "ended"), "missed"),
                           (("done", "due"), "checks")):
            figure = group.indicators[one]
            known = (figure.numerator, figure.denominator) if figure.denominator else (None, None)
            assert tuple(facts.get(which + name) for name in names) == known
        assert facts[f"{which}silent"] == len(counts.silent)
        assert facts[f"{which}all"] == len(counts.expected)
        assert facts.get(f"{which}empty_minutes") == group.indicators["empty"].numerator
    assert (facts["ended"], facts["ready"], facts["missed"]) == (3, 2, 1)
    assert (facts["done"], facts["due"], facts["silent"], facts["all"]) == (1, 2, 1, 2)
    assert (facts["before_ended"], facts["before_missed"]) == (1, 0)
    assert "before_due" not in facts


def test_where_nobody_reported_nothing_is_zero(store: Store) -> None:
    assert district_facts(store, "TAM", NOW) == {
        "silent": 2, "all": 2, "before_silent": 2, "before_all": 2}
    assert district_facts(store, "NOWHERE", NOW) == {
        "silent": 0, "all": 0, "before_silent": 0, "before_all": 0}


# ---- carried -----------------------------------------------------------------------------------

ASKED = CountsAsked("S1-1", "S1", "TAM", "P1", START)


def carries(bench: Bench, counting: Callable[[CountsAsked], Iterable[Post]]) -> Bench:
    for op in counts_ops(ASKED, "0"):
        bench.redis.execute_command(*op)  # type: ignore[no-untyped-call]
    return replace(bench, service=replace(bench.service, counting=counting))


def letters(bench: Bench) -> list[Any]:
    posts = bench.service.posts
    return list(posts.read(posts.lease(bench.clock().timestamp(), 10)).values())


def test_a_question_waits_until_the_store_answers(bench: Bench, store: Store) -> None:
    def down(_: CountsAsked) -> Iterable[Post]:
        raise StoreDown("gone")

    waiting = carries(bench, down)
    waiting.service.push([COUNTS + "P1"])
    assert letters(waiting) == []

    after = replace(waiting.service, counting=Counting(store, bench.clock))
    after.push([COUNTS + "P1"])
    assert len(letters(waiting)) == 1
    assert after.pushes.depth() == 0


def test_a_crash_before_the_question_is_settled_answers_with_the_same_letter(
    bench: Bench, store: Store, clock: FakeClock
) -> None:
    once = carries(bench, Counting(store, clock))
    for post in once.service.counting(ASKED):  # and then the lights went out
        once.service.posts.put(post)

    once.service.push([COUNTS + "P1"])

    assert len(letters(once)) == 1
    assert once.service.pushes.depth() == 0


def test_who_asks_again_before_the_answer_has_one(bench: Bench) -> None:
    asked: list[str] = []

    def note(question: CountsAsked) -> Iterable[Post]:
        asked.append(question.id)
        return ()

    waiting = carries(bench, note)
    for op in counts_ops(replace(ASKED, id="S1-2"), "0"):
        waiting.redis.execute_command(*op)  # type: ignore[no-untyped-call]

    waiting.service.push(waiting.service.pushes.lease(bench.clock().timestamp(), 10))

    assert asked == ["S1-2"]
