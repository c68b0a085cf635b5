"""What the desk shows in the evening of the day, in a real browser, against what the API says."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.expected_conditions import staleness_of
from selenium.webdriver.support.wait import WebDriverWait

from tests.bot.browser_stand import chromium, violations
from tests.bot.desk_stand import PASSWORD, make_account
from tests.bot.test_desk_browser import NARROW, keep
from tests.day_stand import Day, lived

pytestmark = pytest.mark.browser

MOST_BYTES = 60_000
SECONDS = 10  # for a page to come
WHO = {"desk": "demo", "valley": PASSWORD}
KINDS = {"bag": "bag and mask", "suction": "suction"}
WEIGHT = """const done = arguments[0];
fetch(location.href).then(r => r.arrayBuffer()).then(b => done(b.byteLength))"""


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Day]:
    with lived(tmp_path_factory.mktemp("day")) as made:
        make_account(made.world.parts, "valley", "supervisor", "TAM", "")
        yield made


@pytest.fixture(scope="module")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with chromium(tmp_path_factory.mktemp("profile")) as made:
        made.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", NARROW)
        yield made


@pytest.fixture(params=sorted(WHO))
def desk(request: pytest.FixtureRequest, chrome: webdriver.Chrome, day: Day) -> webdriver.Chrome:
    """The browser, logged in: as the desk, then as a supervisor of the district."""
    chrome.delete_all_cookies()
    chrome.get(f"{day.world.url}/desk/login")
    for field, text in (("name", request.param), ("password", WHO[request.param])):
        chrome.find_element(By.NAME, field).send_keys(Keys.CONTROL + "a")
        chrome.find_element(By.NAME, field).send_keys(text)
    before = chrome.find_element(By.TAG_NAME, "html")
    chrome.switch_to.active_element.send_keys(Keys.ENTER)
    WebDriverWait(chrome, SECONDS).until(staleness_of(before))
    return chrome


def opens(chrome: webdriver.Chrome, day: Day, path: str) -> str:
    """The words of a page that is light and has nothing that axe calls wrong."""
    chrome.get(f"{day.world.url}/desk{path}")
    keep(chrome, f"day_{path.replace('/', '_')}")
    assert violations(chrome) == []
    assert int(chrome.execute_async_script(WEIGHT)) < MOST_BYTES
    return chrome.find_element(By.TAG_NAME, "main").text


def ids(chrome: webdriver.Chrome, begins: str) -> set[str]:
    """The ids on the page that begin so, without their beginning."""
    found = chrome.find_elements(By.CSS_SELECTOR, f"[id^='{begins}']")
    return {str(e.get_attribute("id")).removeprefix(begins) for e in found}


def test_the_first_page_shows_what_the_api_says(desk: webdriver.Chrome, day: Day) -> None:
    opens(desk, day, "")
    open_alerts = {i for i, a in day.alerts.items() if not a["closed_at"]}
    under_way = {i for i, b in day.batches.items() if not b["outcome"]}

    assert open_alerts
    assert ids(desk, "al-") == open_alerts
    assert under_way
    assert ids(desk, "bl-") == under_way
    assert ids(desk, "fl-") == set(day.crowd.sites)
    for site in day.crowd.sites:
        row = desk.find_element(By.ID, f"f-{site}").text
        sets = [s for s in day.sets if s["facility"] == site]
        for kind, words in KINDS.items():
            of_kind = [s["condition"] for s in sets if s["kind"] == kind]
            assert f"{words} {of_kind.count('READY') or 'NONE'} of {len(of_kind)}" in row
        conditions = [s["condition"] for s in sets]
        for condition in ("USED", "IN PROCESS"):
            found = re.search(rf"{condition}: (\d+)", row)
            assert int(found[1] if found else 0) == conditions.count(condition)
        for one in sets:
            if one["condition"] in ("SET ASIDE", "EXPIRED"):
                assert one["id"] in row


def test_the_page_of_a_batch_that_was_cut_short_tells_it_in_order(
    desk: webdriver.Chrome, day: Day
) -> None:
    mishap = day.mishap("cut short")
    alert = day.about("step", mishap.batch)
    opens(desk, day, f"/batch/{mishap.batch}")
    lines = [e.text for e in desk.find_elements(By.CSS_SELECTOR, "ol.line > li")]
    times = [re.match(r"\d\d:\d\d", line) for line in lines]

    assert [t[0] for t in times if t] == sorted(t[0] for t in times if t)
    assert all(times)
    broken = [n for n, line in enumerate(lines) if "taken out early" in line.lower()
              or "broken off" in line.lower()]  # fmt: skip
    about = [n for n, line in enumerate(lines) if f"Alert {alert['id']}" in line]
    assert broken
    assert len(about) >= len(alert["history"])
    assert broken[0] <= about[0] < len(lines) - 1
    answers = [line for line in alert["history"] if line["word"]]
    for answer in answers:
        assert any(answer["word"] in lines[n] for n in about)


def test_the_alerts_of_the_day_are_all_listed(desk: webdriver.Chrome, day: Day) -> None:
    shown: set[str] = set()
    path = "/alerts"
    while path:
        opens(desk, day, path)
        shown |= ids(desk, "a-")
        older = desk.find_elements(By.LINK_TEXT, "Older ones")
        path = str(older[0].get_attribute("href")).partition("/desk")[2] if older else ""

    assert shown == set(day.alerts)


def test_the_pages_of_alerts_and_facilities_are_light_and_for_everybody(
    desk: webdriver.Chrome, day: Day
) -> None:
    for code in [a for a, alert in day.alerts.items() if alert["count"] > 1]:
        assert code in opens(desk, day, f"/alert/{code}")
    for site in sorted(day.crowd.sites)[:3]:
        assert day.crowd.sites[site].name in opens(desk, day, f"/facility/{site}")
