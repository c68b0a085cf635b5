"""A real browser for the tests of pages."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

# axe-core's own file, as the package carries it.
AXE = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-proxy-server",
    "--window-size=1200,900",
)


def _programs() -> tuple[str, str]:
    """Browser and driver of this machine; without them a skip, or a failure if required."""
    found = shutil.which("chromium"), shutil.which("chromedriver")
    if found[0] and found[1]:
        return found[0], found[1]
    if os.environ.get("SOAKBELL_TEST_BROWSER") == "required":
        pytest.fail("chromium and chromedriver are required and not installed")
    pytest.skip("chromium and chromedriver are not installed")


@contextmanager
def chromium(profile: Path) -> Iterator[webdriver.Chrome]:
    """A browser that keeps what it must in *profile*, and all that its console says."""
    program, driver = _programs()
    options = Options()
    options.binary_location = program
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    chrome = webdriver.Chrome(options, Service(driver))
    try:
        yield chrome
    finally:
        chrome.quit()


def violations(chrome: webdriver.Chrome) -> list[str]:
    """What axe-core finds wrong on the page, a line each."""
    chrome.execute_script(AXE)
    found = chrome.execute_async_script(
        "const done = arguments[0]; axe.run().then(r => done(r.violations))"
    )
    return [f"{v['id']}: {node['html'][:120]}" for v in found for node in v["nodes"]]
