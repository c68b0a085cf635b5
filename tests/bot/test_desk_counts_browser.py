"""The pages of the counts in a real browser: pictures are seen, nothing scrolls sideways, all can
be used by everybody, and on paper."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bot.browser_stand import chromium, violations
from tests.bot.counts_stand import counted
from tests.bot.test_desk_browser import NARROW, keep, type_in
from tests.conftest import FakeClock

pytestmark = pytest.mark.browser

SIZES = {"thin": {**NARROW, "width": 320},
         "wide": {"width": 1200, "height": 900, "deviceScaleFactor": 1, "mobile": False}}
FEBRUARY = "from=2025-02-01&to=2025-02-28"
PAGES = {
    "counts": "/counts?", "control": "/counts/control?", "funnel": "/counts/funnel?",
    "week": "/counts/week?", "methods": "/counts/methods?", "stages": "/counts/stages?",
    "set": "/counts/set/BAG-1?", "indicators": "/indicators?", "batches": "/batches?",
    "wrong": "/counts/run?method=x&", "report": "/report?month=2025-02&",
}  # fmt: skip
WITHOUT = {"counts", "indicators", "batches", "wrong", "report"}  # with no picture of its own file
SEEN = """const of = document.querySelector('img.picture');
return of !== null && of.complete && of.naturalWidth > 0
  && of.getBoundingClientRect().width > 250"""
SHOWN = "return getComputedStyle(document.querySelector(arguments[0])).display !== 'none'"
WIDE = "return document.documentElement.scrollWidth"


def test_pictures_are_seen_and_nothing_is_wrong_on_any_page(tmp_path: Path) -> None:
    wrong: dict[str, list[str]] = {}
    with counted(FakeClock(), tmp_path) as (world, _), chromium(tmp_path / "profile") as chrome:
        chrome.get(f"{world.url}/desk/login")
        type_in(chrome, "demo")
        for size, screen in SIZES.items():
            chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
            for page, path in PAGES.items():
                chrome.get(f"{world.url}/desk{path}{FEBRUARY}")
                found = violations(chrome)
                if chrome.execute_script(WIDE) > screen["width"]:
                    found.append("scrolls sideways")
                if chrome.execute_script(SEEN) == (page in WITHOUT):
                    found.append("a picture is missing, or there is one")
                keep(chrome, f"counts_{page}_{size}")
                wrong[f"{page} {size}"] = found
        said = [line["message"] for line in chrome.get_log("browser")  # type: ignore[no-untyped-call]
                if "status of 400" not in line["message"]]  # fmt: skip

        chrome.get(f"{world.url}/desk/counts/control?{FEBRUARY}")
        chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        printed = {part: chrome.execute_script(SHOWN, part)
                   for part in ("img.picture", "figcaption", ".numbers", "nav", "details")}

    assert {page: found for page, found in wrong.items() if found} == {}
    assert said == []
    assert printed == {"img.picture": True, "figcaption": True, ".numbers": True, "nav": False,
                       "details": False}  # fmt: skip
