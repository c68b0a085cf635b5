"""The desk's sheets in a real browser, as narrow as a cheap phone."""

from __future__ import annotations

import base64
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.expected_conditions import staleness_of
from selenium.webdriver.support.wait import WebDriverWait

from bot.config import demo_config
from bot.register_files import read_register
from bot.web import create_app
from bot.wiring import announce, build
from tests.bot.browser_stand import chromium
from tests.bot.handset_stand import served
from tests.bot.store_stand import DEMO

pytestmark = pytest.mark.browser

SECONDS = 10  # for a page to come
NARROW = {"width": 360, "height": 740, "deviceScaleFactor": 1, "mobile": True}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    config = demo_config(1, tmp_path_factory.mktemp("desk"))
    parts = build(config)
    announce(parts, read_register(DEMO, None))
    app = create_app(config, parts)
    with served(app) as where:
        yield where
    app.extensions["soakbell_receipts"].close()
    parts.store.close()


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A narrow browser that nobody has logged in with."""
    with chromium(tmp_path_factory.mktemp("profile")) as chrome:
        chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", NARROW)
        yield chrome


def type_in(chrome: webdriver.Chrome, password: str) -> None:
    """Fill in the log-in page with the keyboard alone, as its labels say, and send it."""
    for label, text in (("User name", "desk"), ("Password", password)):
        chrome.find_element(By.XPATH, f"//label[text()='{label}']").click()
        chrome.switch_to.active_element.send_keys(Keys.CONTROL + "a")  # what is there is replaced
        chrome.switch_to.active_element.send_keys(text)
    before = chrome.find_element(By.TAG_NAME, "html")
    chrome.switch_to.active_element.send_keys(Keys.ENTER)
    WebDriverWait(chrome, SECONDS).until(staleness_of(before))


@pytest.fixture
def narrow(bare: webdriver.Chrome, address: str) -> webdriver.Chrome:
    """The same browser, logged in."""
    bare.get(f"{address}/desk/login")
    if bare.find_elements(By.ID, "password"):
        type_in(bare, "demo")
    return bare


def test_a_wrong_password_is_said_in_words_and_the_right_one_leads_to_where_she_was_going(
    bare: webdriver.Chrome, address: str
) -> None:
    bare.get(f"{address}/desk/card/HIGH")
    assert "Log in" in bare.title
    assert bare.find_element(By.TAG_NAME, "html").get_attribute("lang") == "en"
    type_in(bare, "emo")

    told = bare.find_element(By.ID, "wrong")
    assert told.get_attribute("role") == "alert"
    assert bare.find_element(By.ID, "password").get_attribute("aria-describedby") == "wrong"
    assert bare.find_element(By.ID, "password").get_attribute("value") == ""
    keep(bare, "login_wrong")
    type_in(bare, "demo")
    assert bare.current_url == f"{address}/desk/card/HIGH"

    bare.find_element(By.XPATH, "//button[text()='Log out']").click()
    bare.get(f"{address}/desk/card/HIGH")
    assert "Log in" in bare.title


PATHS = ["", "/card/HIGH", "/card/LOWF", "/paper/HIGH", "/label", "/mix", "/cycle", "/plan"]


@pytest.mark.parametrize("path", PATHS)
def test_a_sheet_fits_a_cheap_phone_without_scrolling_sideways(
    narrow: webdriver.Chrome, address: str, path: str
) -> None:
    narrow.get(f"{address}/desk{path}")

    assert "Soakbell desk" in narrow.title
    widths = narrow.execute_script("return [innerWidth, document.documentElement.scrollWidth]")
    assert widths == [360, 360]
    keep(narrow, f"desk{path.replace('/', '_')}")


def keep(chrome: webdriver.Chrome, name: str) -> None:
    """A picture and a print of the page, for whoever asks for them."""
    if folder := os.environ.get("SOAKBELL_TEST_SHOTS"):
        shot = chrome.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True})
        (Path(folder) / f"{name}.png").write_bytes(base64.b64decode(shot["data"]))
        printed = chrome.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
        (Path(folder) / f"{name}.pdf").write_bytes(base64.b64decode(printed["data"]))
