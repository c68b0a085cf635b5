"""The desk's sheets in a real browser, as narrow as a cheap phone."""

from __future__ import annotations

import base64
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from bot.config import demo_config
from bot.register_files import read_register
from bot.web import create_app
from bot.wiring import announce, build
from tests.bot.browser_stand import chromium
from tests.bot.handset_stand import served
from tests.bot.store_stand import DEMO

pytestmark = pytest.mark.browser

NARROW = {"width": 360, "height": 740, "deviceScaleFactor": 1, "mobile": True}
LOGIN = {"Authorization": "Basic " + base64.b64encode(b"desk:demo").decode()}


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
def narrow(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with chromium(tmp_path_factory.mktemp("profile")) as chrome:
        chrome.execute_cdp_cmd("Network.enable", {})
        chrome.execute_cdp_cmd("Network.setExtraHTTPHeaders", {"headers": LOGIN})
        chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", NARROW)
        yield chrome


PATHS = ["", "/card/HIGH", "/card/LOWF", "/paper/HIGH", "/label", "/mix", "/cycle", "/plan"]


@pytest.mark.parametrize("path", PATHS)
def test_a_sheet_fits_a_cheap_phone_without_scrolling_sideways(
    narrow: webdriver.Chrome, address: str, path: str
) -> None:
    narrow.get(f"{address}/desk{path}")

    assert "Soakbell desk" in narrow.title
    widths = narrow.execute_script("return [innerWidth, document.documentElement.scrollWidth]")
    assert widths == [360, 360]
    if folder := os.environ.get("SOAKBELL_TEST_SHOTS"):
        shot = narrow.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True})
        name = f"desk{path.replace('/', '_')}"
        (Path(folder) / f"{name}.png").write_bytes(base64.b64decode(shot["data"]))
        printed = narrow.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
        (Path(folder) / f"{name}.pdf").write_bytes(base64.b64decode(printed["data"]))
