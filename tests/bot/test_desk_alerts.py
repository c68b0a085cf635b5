"""Alerts at the desk: the list and its filters, one alert's story, the five answers."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import get_args

import fakeredis
import pytest
from flask import Flask

from bot.alert import Alert, AlertDeed, AlertLine
from bot.alerting import MOST_WORD
from bot.desk_alerts import CHOICES
from bot.effects import Raised
from tests.bot.desk_client import Reader, answers, once, reader
from tests.bot.desk_stand import PASSWORD, form_key, log_in, make_account, without_key
from tests.bot.district_stand import GIVEN_UP, alert_of
from tests.bot.release_stand import texts
from tests.phone import World


@pytest.fixture
def world(world: World) -> World:
    """The soak of BAG-1 at LOWF was given up: an alert, told to Salome and Juma."""
    texts(world, "Neema", *GIVEN_UP)
    return world


@pytest.fixture
def chief(app: Flask, world: World) -> Reader:
    """The supervisor of TAM, whose account is called nia and has no person of the register."""
    return reader(app, world.parts, "supervisor", "TAM", "nia")


@pytest.fixture
def code(world: World) -> str:
    return alert_of(world, "step")


def held(world: World, code: str) -> Alert:
    """The open alert as its facility has it."""
    return next(u.alerts[code] for u in world.units() if code in u.alerts)


def state(world: World, code: str) -> str:
    """Its state there; "gone" once it is closed."""
    return next((u.alerts[code].state for u in world.units() if code in u.alerts), "gone")


def heard(world: World, name: str) -> list[str]:
    return [m.text for m in world.inbox(world.phones[name])]


# ---- the list ----------------------------------------------------------------------------------


def parts_of(page: str) -> tuple[str, str]:
    """What stands under Open, and under Earlier."""
    opened, _, earlier = page.partition(" Open ")[2].partition(" Earlier ")
    return opened, earlier


def test_open_ones_stand_first_with_their_history_and_closed_ones_after_them(
    world: World, chief: Reader, code: str
) -> None:
    opened, earlier = parts_of(chief.reads("/alerts"))
    assert f"{code} step missed, Low Ferry Clinic" in opened
    assert "Salome was told." in opened
    assert code not in earlier

    texts(world, "Juma", f"{code} 3 water was brought")
    opened, earlier = parts_of(chief.reads("/alerts"))
    assert code not in opened
    assert f"{code} step missed, Low Ferry Clinic" in earlier
    assert "Juma says it is solved: “water was brought”" in earlier


FILTERS = [
    ("facility=LOWF", True), ("facility=HIGH", False), ("rule=step", True), ("rule=silent", False),
    ("state=open", True), ("state=seen", False), ("state=solved", False),
    ("from=2025-03-03", True), ("from=2025-03-04", False), ("to=2025-03-03", True),
    ("to=2025-03-02", False), ("facility=LOWF&rule=step&state=open&from=2025-03-03", True),
]  # fmt: skip


@pytest.mark.parametrize(("query", "there"), FILTERS)
def test_only_what_is_asked_for_is_shown(
    chief: Reader, code: str, query: str, there: bool
) -> None:
    page = chief.reads(f"/alerts?{query}")
    assert (f"{code} step missed," in page) is there


def test_a_filter_shows_what_is_chosen_and_finds_closed_ones(
    world: World, chief: Reader, code: str
) -> None:
    texts(world, "Juma", f"{code} 3 water was brought")
    for query, there in (("state=solved", True), ("state=over", False), ("state=open", False),
                         ("state=solved&to=2025-03-02", False)):  # fmt: skip
        assert (f"{code} step missed," in chief.reads(f"/alerts?{query}")) is there, query
    raw = chief.opens("/alerts?state=solved&rule=step&from=2025-03-01").text
    assert '<option value="solved" selected>' in raw
    assert '<option value="step" selected>' in raw
    assert 'value="2025-03-01"' in raw
    assert "<details class=\"screen-only\" open>" in raw


@pytest.mark.parametrize("query", ["from=yesterday", "to=9999-12-31", "rule=x", "state=x",
                                   "after=nonsense"])  # fmt: skip
def test_what_cannot_be_asked_is_said_in_words(chief: Reader, query: str) -> None:
    answer = chief.opens(f"/alerts?{query}")
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text


def test_older_ones_are_on_the_next_page(world: World, chief: Reader) -> None:
    at = world.clock()
    old = [Alert(f"LOWF-{n}", "LOWF", "step", f"m{n}", at - timedelta(days=n), at, by="P1",
                 facts={"sets": "BAG-1", "step": "soak", "reason": "refused"}, state="over",
                 history=(AlertLine(at, "", "over"),)) for n in range(100, 220)]  # fmt: skip
    world.parts.store.record([Raised("TAM", alert) for alert in old])
    page = chief.opens("/alerts").text
    seen = set(re.findall(r"LOWF-\d+ step missed", page))
    following = re.search(r'href="(/desk/alerts\?[^"]*after=[^"]*)"', page)

    while following:
        path = following[1].replace("&amp;", "&").removeprefix("/desk")
        page = chief.opens(path).text
        seen |= set(re.findall(r"LOWF-\d+ step missed", page))
        following = re.search(r'href="(/desk/alerts\?[^"]*after=[^"]*)"', page)
    assert {f"{alert.id} step missed" for alert in old} < seen


# ---- who sees it -------------------------------------------------------------------------------


def test_an_alert_of_others_is_as_one_that_is_not_there(
    app: Flask, world: World, code: str
) -> None:
    high = reader(app, world.parts, "in_charge", "HIGH")
    assert code not in high.reads("/alerts")
    assert high.opens("/alerts?facility=LOWF").status_code == 404

    refused, missing = high.opens(f"/alert/{code}"), high.opens("/alert/LOWF-999")
    assert (refused.status_code, missing.status_code) == (404, 404)
    assert without_key(refused.text) == without_key(missing.text)
    form = {"csrf": form_key(high.opens("").text), "answer": "taken", "once": "0" * 16}
    assert high.client.post(f"/desk/alert/{code}", data=form).status_code == 404
    assert state(world, code) == "open"


def test_the_in_charge_reads_and_answers_for_her_own(
    app: Flask, world: World, code: str
) -> None:
    low = reader(app, world.parts, "in_charge", "LOWF", "sal")
    assert f"{code} step missed" in low.reads("/alerts")
    assert answers(low, code, "taken").status_code == 303


def test_a_programme_officer_reads_and_does_not_answer(
    app: Flask, world: World, code: str
) -> None:
    officer = reader(app, world.parts, "programme", "*")
    page = officer.opens(f"/alert/{code}").text
    assert "Send the answer" not in page
    assert "P4 was told." in page
    assert "Salome" not in page

    form = {"csrf": form_key(page), "answer": "taken", "once": "0" * 16}
    assert officer.client.post(f"/desk/alert/{code}", data=form).status_code == 403
    world.settle()
    assert state(world, code) == "open"


# ---- answers -----------------------------------------------------------------------------------

BECOMES = [("seen", "", "seen"), ("taken", "", "taken"), ("asked", "why?", "taken"),
           ("solved", "water came", "gone"), ("passed", "", "open")]  # fmt: skip


@pytest.mark.parametrize(("kind", "word", "becomes"), BECOMES)
def test_an_answer_is_handed_over_and_the_facility_takes_it(
    world: World, chief: Reader, code: str, kind: str, word: str, becomes: str
) -> None:
    sent = answers(chief, code, kind, word)
    assert sent.status_code == 303
    page = chief.reads(sent.location.removeprefix("/desk"))
    assert "Handed over to Low Ferry Clinic" in page

    world.settle()
    assert state(world, code) == becomes
    story = chief.reads(f"/alert/{code}")
    assert "nia (at the desk) " in story
    assert (f"“{word}”" in story) or not word


def test_no_address_that_somebody_made_up_says_that_an_answer_was_handed_over(
    app: Flask, world: World, chief: Reader, code: str
) -> None:
    true = answers(chief, code, "seen").location.removeprefix("/desk")
    other = reader(app, world.parts, "in_charge", "LOWF")

    assert "Handed over" in chief.reads(true)
    for path in (f"/alert/{code}?said=seen", true.replace("seen", "taken")):
        assert "Handed over" not in chief.reads(path)
    assert "Handed over" not in other.reads(true)


def test_every_answer_is_a_deed_that_a_facility_knows() -> None:
    assert set(CHOICES) <= set(get_args(AlertDeed))
    assert {kind for kind, _, _ in BECOMES} == set(CHOICES)


def test_a_question_reaches_the_nurse_and_her_words_come_back_to_the_desk(
    world: World, chief: Reader, code: str
) -> None:
    answers(chief, code, "asked", "was there no boiled water?")
    world.settle()
    assert any("was there no boiled water?" in text for text in heard(world, "Neema"))

    texts(world, "Neema", f"{code} the pot leaks")
    assert "Neema answers: “the pot leaks”" in chief.reads(f"/alert/{code}")


def test_a_line_feed_or_an_endless_word_does_no_harm(
    world: World, chief: Reader, code: str
) -> None:
    answers(chief, code, "asked", f"  two\r\nlines {'x' * 300}")
    world.settle()
    alert = held(world, code)
    word = alert.history[-1].word
    assert word.startswith("two lines xxx")
    assert len(word) == MOST_WORD


def test_the_same_form_sent_twice_is_one_answer(world: World, chief: Reader, code: str) -> None:
    page = chief.opens(f"/alert/{code}").text
    form = {"csrf": form_key(page), "once": once(page), "answer": "seen", "word": ""}
    for _ in range(2):
        assert chief.client.post(f"/desk/alert/{code}", data=form).status_code == 303
    world.settle()
    assert chief.client.post(f"/desk/alert/{code}", data=form).status_code == 303
    world.settle()

    alert = held(world, code)
    assert [line.what for line in alert.history].count("seen") == 1


def test_whoever_is_in_the_register_answers_under_her_id(
    app: Flask, world: World, code: str
) -> None:
    """Juma's account sends him a code at each log-in, so the desk knows that he is P8."""
    make_account(world.parts, "juma", "supervisor", "TAM", "P8")
    client = app.test_client()
    asked = log_in(client, "juma", PASSWORD)
    world.settle()
    digits = re.findall(r"\d{6}", heard(world, "Juma")[-1])[0]
    form = {"csrf": form_key(client.get(asked.location).text), "code": digits}
    client.post("/desk/login/code", data=form)
    answers(Reader(client), code, "taken")
    world.settle()

    alert = held(world, code)
    assert (alert.history[-1].by, alert.history[-1].what) == ("P8", "taken")
    assert "Juma sees to it." in Reader(client).reads(f"/alert/{code}")


WRONG = [
    ("solved", "", "write in a word how"), ("asked", "  ", "write the question"),
    ("", "", "choose one"), ("told", "x", "choose one"), ("replied", "x", "choose one"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "word", "said"), WRONG)
def test_what_is_no_answer_is_said_beside_the_field_and_nothing_is_sent(
    world: World, chief: Reader, code: str, kind: str, word: str, said: str
) -> None:
    refused = answers(chief, code, kind, word)
    assert refused.status_code == 400
    assert re.search(r'id="wrong" role="alert">[^<]*' + said, refused.text)
    if kind in CHOICES:  # what she had chosen is chosen still
        assert re.search(rf'value="{kind}" required checked', refused.text)
    world.settle()
    alert = held(world, code)
    assert {line.what for line in alert.history} == {"told"}


def test_a_form_without_its_key_or_its_mark_does_nothing(
    world: World, chief: Reader, code: str
) -> None:
    page = chief.opens(f"/alert/{code}").text
    bare = {"once": once(page), "answer": "seen"}
    assert chief.client.post(f"/desk/alert/{code}", data=bare).status_code == 403
    for mark in ("", "x", "0" * 15, "../../../../etc/p"):
        form = {"csrf": form_key(page), "once": mark, "answer": "seen"}
        assert chief.client.post(f"/desk/alert/{code}", data=form).status_code == 400
    world.settle()
    assert state(world, code) == "open"


def test_one_that_is_over_takes_no_answer(world: World, chief: Reader, code: str) -> None:
    page = chief.opens(f"/alert/{code}").text
    texts(world, "Juma", f"{code} 3 water was brought")
    assert "It is over: no answer is needed." in chief.reads(f"/alert/{code}")

    form = {"csrf": form_key(page), "once": once(page), "answer": "seen"}
    late = chief.client.post(f"/desk/alert/{code}", data=form)
    assert late.status_code == 409
    assert "this alert is over" in late.text


def test_where_nothing_can_be_handed_over_it_says_so_and_the_story_is_the_stores(
    world: World, chief: Reader, code: str, redis_server: fakeredis.FakeServer
) -> None:
    page = chief.opens(f"/alert/{code}").text
    form = {"csrf": form_key(page), "once": once(page), "answer": "seen"}
    redis_server.connected = False
    try:
        refused = chief.client.post(f"/desk/alert/{code}", data=form)
        story, listed = chief.reads(f"/alert/{code}"), chief.reads("/alerts")
    finally:
        redis_server.connected = True

    assert refused.status_code == 503
    assert "Nothing was sent" in refused.text
    for said in (story, listed):
        assert "The conversations do not answer just now." in said
        assert "Salome was told." in said


def test_an_answer_waits_for_the_sweep_and_is_not_lost(
    world: World, chief: Reader, code: str
) -> None:
    answers(chief, code, "taken")
    assert state(world, code) == "open"
    world.passes(timedelta(seconds=30))
    assert state(world, code) == "taken"
