"""The desk's living pages in a real browser: renewed in place, by keyboard alone, for everybody."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.expected_conditions import staleness_of
from selenium.webdriver.support.wait import WebDriverWait

from tests.bot.browser_stand import chromium, violations
from tests.bot.district_stand import GIVEN_UP, alert_of, busy, watched_world, wide_register
from tests.bot.release_stand import texts
from tests.bot.test_desk_browser import NARROW, keep, type_in
from tests.conftest import FakeClock
from tests.phone import World

pytestmark = pytest.mark.browser

SECONDS = 10  # for a page to come
MOST_TABS = 60  # to anything on a page
WIDE = {"width": 1200, "height": 900, "deviceScaleFactor": 1, "mobile": False}
THIN = {**NARROW, "width": 320}

# Half a minute is half a second, so that a test may wait for what happens by itself.
HURRY = "const slow = setInterval; window.setInterval = (work, ms) => slow(work, ms / 60);"


@pytest.fixture
def world(clock: FakeClock, tmp_path: Path) -> Iterator[World]:
    with watched_world(clock, tmp_path, register=wide_register(20, 2)) as made:
        yield made


@pytest.fixture(scope="module")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with chromium(tmp_path_factory.mktemp("profile")) as made:
        yield made


@pytest.fixture
def desk(chrome: webdriver.Chrome, world: World) -> webdriver.Chrome:
    """A narrow browser, logged in at *world*."""
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", NARROW)
    logs_in(chrome, world)
    return chrome


def logs_in(chrome: webdriver.Chrome, world: World) -> None:
    chrome.delete_all_cookies()
    chrome.get(f"{world.url}/desk/login")
    type_in(chrome, "demo")


def until(chrome: webdriver.Chrome, so: Callable[[], Any]) -> None:
    WebDriverWait(chrome, SECONDS).until(lambda _: so())


def renew(chrome: webdriver.Chrome) -> None:
    """The page is looked at again, which makes it ask at once."""
    chrome.execute_script("document.dispatchEvent(new Event('visibilitychange'))")


def text_of(chrome: webdriver.Chrome, element_id: str) -> str:
    return str(chrome.execute_script("return document.getElementById(arguments[0]).textContent",
                                     element_id))  # fmt: skip


def top_of(chrome: webdriver.Chrome, element_id: str) -> float:
    return float(chrome.execute_script(
        "return document.getElementById(arguments[0]).getBoundingClientRect().top", element_id))


def focused(chrome: webdriver.Chrome) -> str:
    return str(chrome.execute_script("return document.activeElement.id"))


# ---- renewed in place --------------------------------------------------------------------------


def test_a_change_comes_in_without_moving_what_she_reads_and_is_told_politely(
    desk: webdriver.Chrome, world: World
) -> None:
    desk.get(f"{world.url}/desk")
    desk.execute_script("document.getElementById('fl-F15').focus(); scrollBy(0, 70)")
    before, scrolled = top_of(desk, "fl-F15"), desk.execute_script("return scrollY")
    assert scrolled > 0
    texts(world, "Neema", *GIVEN_UP)
    renew(desk)
    until(desk, lambda: text_of(desk, "news").startswith("Changed at"))

    code = alert_of(world, "step")
    assert code in text_of(desk, "fresh")
    assert focused(desk) == "fl-F15"
    assert abs(top_of(desk, "fl-F15") - before) < 2  # of a pixel's rounding
    assert desk.execute_script("return scrollY") > scrolled  # there is more above it now
    assert "1 alert not answered" in text_of(desk, "news")
    assert desk.find_element(By.ID, "news").get_attribute("role") == "status"


def test_it_renews_itself(desk: webdriver.Chrome, world: World) -> None:
    script = desk.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": HURRY})
    try:
        desk.get(f"{world.url}/desk")
        texts(world, "Neema", *GIVEN_UP)
        until(desk, lambda: "step missed" in text_of(desk, "fresh"))
    finally:
        desk.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", script)


def test_where_nothing_changed_nothing_is_replaced_or_said(
    desk: webdriver.Chrome, world: World
) -> None:
    desk.get(f"{world.url}/desk")
    desk.execute_script("document.getElementById('fresh').firstElementChild.dataset.same = 'yes'")
    world.clock.passes(minutes=3)
    renew(desk)
    until(desk, lambda: text_of(desk, "at") == "11:03")

    assert desk.find_elements(By.CSS_SELECTOR, "#fresh [data-same]")
    assert text_of(desk, "news") == ""


def test_where_the_thing_in_focus_is_gone_the_focus_is_not_lost(
    desk: webdriver.Chrome, world: World
) -> None:
    texts(world, "Neema", *GIVEN_UP)
    desk.get(f"{world.url}/desk")
    code = alert_of(world, "step")
    desk.execute_script(f"document.getElementById('al-{code}').focus()")
    texts(world, "Juma", f"{code} 3 water was brought")
    renew(desk)
    until(desk, lambda: f"al-{code}" not in desk.page_source)

    assert focused(desk) == "fresh"


def test_it_says_when_nobody_answers_and_when_she_is_logged_out(
    desk: webdriver.Chrome, world: World
) -> None:
    desk.get(f"{world.url}/desk")
    desk.execute_cdp_cmd("Network.enable", {})
    line = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    desk.execute_cdp_cmd("Network.emulateNetworkConditions", {**line, "offline": True})
    renew(desk)
    until(desk, lambda: text_of(desk, "news").startswith("No answer. This page is as it stood"))
    assert "Low Ferry Clinic" in text_of(desk, "fresh")

    desk.execute_cdp_cmd("Network.emulateNetworkConditions", {**line, "offline": False})
    renew(desk)
    until(desk, lambda: text_of(desk, "news").startswith("It answers again."))

    desk.delete_all_cookies()
    renew(desk)
    until(desk, lambda: text_of(desk, "news").startswith("You are logged out."))


def test_without_its_script_the_page_has_a_way_to_come_again(
    desk: webdriver.Chrome, world: World
) -> None:
    desk.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        desk.get(f"{world.url}/desk")
        texts(world, "Neema", *GIVEN_UP)
        before = desk.find_element(By.TAG_NAME, "html")
        desk.find_element(By.LINK_TEXT, "Again").click()
        WebDriverWait(desk, SECONDS).until(staleness_of(before))
        assert "step missed" in desk.page_source
    finally:
        desk.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


# ---- by keyboard alone -------------------------------------------------------------------------


def press(chrome: webdriver.Chrome, *keys: str) -> None:
    for key in keys:
        chrome.switch_to.active_element.send_keys(key)


def tab_to(chrome: webdriver.Chrome, there: str) -> None:
    """Press Tab until what *there* (an expression of the element in focus, as `at`) says is so."""
    for _ in range(MOST_TABS):
        if chrome.execute_script(f"const at = document.activeElement; return {there}"):
            outline = "return getComputedStyle(document.activeElement).outlineStyle"
            assert chrome.execute_script(outline) != "none", "nobody sees where the focus is"
            return
        press(chrome, Keys.TAB)
    pytest.fail(f"no Tab leads to {there}")


def test_an_alert_is_answered_by_keyboard_alone(desk: webdriver.Chrome, world: World) -> None:
    texts(world, "Neema", *GIVEN_UP)
    code = alert_of(world, "step")
    desk.get(f"{world.url}/desk")
    press(desk, Keys.TAB)
    assert desk.switch_to.active_element.text == "Skip to the page"
    tab_to(desk, f"at.id === 'al-{code}'")
    press(desk, Keys.ENTER)
    until(desk, lambda: desk.title.startswith(f"Alert {code}"))

    tab_to(desk, "at.type === 'radio'")
    press(desk, Keys.ARROW_DOWN, Keys.ARROW_DOWN, Keys.ARROW_DOWN)
    assert focused(desk) == "answer-asked"
    tab_to(desk, "at.id === 'word'")
    press(desk, "was the pot broken?", Keys.ENTER)
    until(desk, lambda: "said=asked" in desk.current_url)

    assert violations(desk) == []
    told = desk.find_element(By.CSS_SELECTOR, "[role=status]").text
    assert told.startswith("Handed over to Low Ferry Clinic: your question.")
    world.settle()
    alert = next(u.alerts[code] for u in world.units() if code in u.alerts)
    assert (alert.state, alert.history[-1].word) == ("taken", "was the pot broken?")


# ---- for everybody -----------------------------------------------------------------------------


def pages(world: World) -> dict[str, str]:
    """Every page of the desk, by a short name."""
    code = alert_of(world, "step")
    return {
        "now": "", "district": "?district=TAM", "alerts": "/alerts",
        "alerts_some": "/alerts?rule=step&from=2025-03-03", "alerts_wrong": "/alerts?from=x",
        "alert": f"/alert/{code}",
        "batch_open": f"/batch/{world.batch('SUC-1').id}",
        "batch_alert": f"/batch/{world.batch('BAG-1').id}",
        "batch_over": f"/batch/{world.batch('BAG-5').id}",
        "facility": "/facility/LOWF", "facility_autoclave": "/facility/HIGH",
        "papers": "/papers", "card": "/card/HIGH", "paper": "/paper/HIGH", "label": "/label",
        "load": f"/load/{world.batch('BAG-5').id}", "mix": "/mix", "cycle": "/cycle",
        "plan": "/plan", "nothing": "/nothing", "register": "/register", "messages": "/messages",
    }  # fmt: skip


def test_no_page_has_anything_that_axe_calls_wrong_and_none_scrolls_sideways(
    chrome: webdriver.Chrome, world: World
) -> None:
    busy(world)
    wrong: dict[str, list[str]] = {}
    for name, size in (("wide", WIDE), ("thin", THIN)):
        chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        chrome.delete_all_cookies()
        chrome.get(f"{world.url}/desk/login")
        wrong[f"login {name}"] = violations(chrome)
        type_in(chrome, "wrong")
        wrong[f"login refused {name}"] = violations(chrome)
        type_in(chrome, "demo")
        for page, path in pages(world).items():
            chrome.get(f"{world.url}/desk{path}")
            wrong[f"{page} {name}"] = [*violations(chrome), *_sideways(chrome, size["width"])]
            keep(chrome, f"living_{page}_{name}")
    assert {page: found for page, found in wrong.items() if found} == {}


def _sideways(chrome: webdriver.Chrome, width: int) -> list[str]:
    wide = int(chrome.execute_script("return document.documentElement.scrollWidth"))
    return [f"{wide} pixels wide"] if wide > width else []


def test_axe_would_find_something(chrome: webdriver.Chrome, tmp_path: Path) -> None:
    """The check itself: a page with an unnamed field and a skipped heading is not let through."""
    bad = tmp_path / "bad.html"
    bad.write_text("<h1>One</h1><h4>Four</h4><input>", "utf-8")
    chrome.get(bad.as_uri())
    found = " ".join(violations(chrome))
    assert "label" in found
    assert "html-has-lang" in found
