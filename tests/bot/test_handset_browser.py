"""The handset page in a real browser: a text, a call, another person, a narrow screen."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select, WebDriverWait

from tests.bot.browser_stand import chromium
from tests.bot.handset_stand import ASHA, BERYL, NOW, Stand, batch, served

pytestmark = pytest.mark.browser

PATIENCE_SECONDS = 20  # only a page that hangs waits so long
@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with chromium(tmp_path_factory.mktemp("profile")) as chrome:
        yield chrome


class Page:
    """The handset page as a person meets it: by labels and words."""

    def __init__(self, chrome: webdriver.Chrome, address: str) -> None:
        self.chrome = chrome
        self.address = address

    def open(self) -> None:
        self.chrome.get(f"{self.address}/handset")
        self.until(lambda: bool(Select(self.by_id("who")).options))

    def until(self, holds: Callable[[], bool]) -> None:
        WebDriverWait(self.chrome, PATIENCE_SECONDS).until(lambda _: holds())

    def by_id(self, element_id: str) -> WebElement:
        return self.chrome.find_element(By.ID, element_id)

    def labelled(self, words: str) -> WebElement:
        """The field that the label beginning with *words* names or holds."""
        label = self.chrome.find_element(
            By.XPATH, f"//label[starts-with(normalize-space(),'{words}')]"
        )
        named = label.get_attribute("for")
        return self.by_id(named) if named else label.find_element(By.TAG_NAME, "input")

    def button(self, words: str) -> WebElement:
        return self.chrome.find_element(By.XPATH, f"//button[normalize-space()='{words}']")

    def shows(self, element_id: str, words: str) -> None:
        """Wait until the element shows *words*."""
        self.until(lambda: words in self.by_id(element_id).text)

    def text(self, words: str) -> None:
        """Send an SMS with the keyboard alone."""
        self.labelled("Text to").send_keys(words, Keys.ENTER)
        self.shows("messages", f"You said: {words}")

    def choose(self, name: str) -> None:
        who = Select(self.by_id("who"))
        index = next(i for i, o in enumerate(who.options) if o.text.startswith(name))
        who.select_by_index(index)


@pytest.fixture
def stand() -> Stand:
    return Stand()


@pytest.fixture
def page(browser: webdriver.Chrome, stand: Stand) -> Iterator[Page]:
    with served(stand.app) as address:
        page = Page(browser, address)
        page.open()
        complaints(page)  # what an earlier test left behind
        yield page
        browser.get("about:blank")


def complaints(page: Page) -> list[str]:
    """What the browser's console holds against the page since the last look."""
    rows = page.chrome.get_log("browser")  # type: ignore[no-untyped-call]  # selenium's own
    return [str(row["message"]) for row in rows if row["level"] != "INFO"]


def test_a_text_is_answered_on_the_same_phone(page: Page, stand: Stand) -> None:
    page.text("used B1")

    [sent] = stand.bot.texts
    assert set(sent) == {"from", "to", "text", "date", "id", "linkId", "networkCode"}
    assert (sent["from"], sent["text"]) == (ASHA, "used B1")
    assert "Asha to 50000" in page.by_id("messages").text
    assert page.labelled("Text to").get_attribute("value") == ""
    assert complaints(page) == []


def test_a_call_is_dialled_answered_and_ends(page: Page, stand: Stand) -> None:
    page.button("Dial").click()
    page.shows("screen", "How many pieces?")
    page.labelled("Answer").send_keys("4", Keys.ENTER)
    page.shows("screen", "Are all clean?")
    page.labelled("Answer").send_keys("1")
    page.button("Send answer").click()
    page.shows("screen", "Noted: 4 then 1")

    assert "The call has ended" in page.by_id("screen").text
    assert not page.labelled("Answer").is_enabled()
    assert [turn["text"] for turn in stand.bot.turns] == ["", "4", "4*1"]
    assert len({turn["sessionId"] for turn in stand.bot.turns}) == 1
    assert complaints(page) == []


def test_a_change_of_hands_drops_the_call_and_leaves_the_keyboard_where_it_is(page: Page) -> None:
    page.button("Dial").click()
    page.shows("screen", "How many pieces?")
    page.labelled("Person").send_keys(Keys.ARROW_DOWN)
    page.shows("screen", "The call was dropped")

    assert page.chrome.switch_to.active_element == page.labelled("Person")
    page.shows("about-person", BERYL)


def test_hanging_up_drops_the_call_and_tells_nobody(page: Page, stand: Stand) -> None:
    page.button("Dial").click()
    page.shows("screen", "How many pieces?")
    page.button("Hang up").click()
    page.shows("screen", "You hung up.")
    page.button("Dial").click()
    page.shows("screen", "How many pieces?")

    assert [turn["text"] for turn in stand.bot.turns] == ["", ""]
    assert len({turn["sessionId"] for turn in stand.bot.turns}) == 2


def test_another_persons_message_is_counted_until_she_reads_it(page: Page, stand: Stand) -> None:
    stand.mailbox.put(BERYL, "Asha's soak is over", NOW)
    page.shows("unread", "Beryl (1 new)")
    assert "Beryl (1 new)" in page.by_id("who").text
    page.until(lambda: page.chrome.title.startswith("(1) "))
    assert "Asha's soak" not in page.by_id("messages").text
    assert "New message for Beryl" in (page.by_id("news").get_attribute("textContent") or "")

    page.button("Beryl (1 new)").click()
    page.shows("messages", "Asha's soak is over")
    page.until(lambda: not page.chrome.title.startswith("("))
    assert "new)" not in page.by_id("who").text

    page.chrome.refresh()
    page.shows("messages", "Asha's soak is over")
    assert "new)" not in page.by_id("who").text


def test_what_the_bot_knows_stands_beside_the_phone_in_words(page: Page, stand: Stand) -> None:
    page.shows("batch", "No batch is open")
    stand.bot.batch = batch()
    page.shows("batch", "Not READY because:")

    assert "the soak has not lasted its whole time" in page.by_id("batch").text
    assert "Bell at 10:09:44, in 1 min 35 s." in page.by_id("batch").text
    assert "10:05:09 Asha opened with set B1" in page.by_id("log").text
    assert "IN PROCESS" in page.by_id("sets").text
    assert "READY until 13/05/2030" in page.by_id("sets").text
    assert complaints(page) == []


def test_a_message_is_text_whatever_it_holds(page: Page, stand: Stand) -> None:
    hostile = "<img src=x onerror=alert(1)><b>bold</b>"
    stand.mailbox.put(ASHA, hostile, NOW)
    page.shows("messages", hostile)

    assert page.by_id("messages").find_elements(By.TAG_NAME, "b") == []
    assert complaints(page) == []


def test_the_phone_off_box_switches_the_persons_phone(page: Page, stand: Stand) -> None:
    page.labelled("Phone off").click()
    page.until(lambda: stand.mailbox.is_off(ASHA))
    page.choose("Beryl")
    page.until(lambda: not page.labelled("Phone off").is_selected())
    page.choose("Asha")
    page.until(page.labelled("Phone off").is_selected)
    page.labelled("Phone off").click()
    page.until(lambda: not stand.mailbox.is_off(ASHA))


def test_sound_is_made_only_when_asked_for(page: Page, stand: Stand) -> None:
    count = (
        "AudioContext.prototype.createOscillator = (f => function () {"
        " window.tones = (window.tones || 0) + 1; return f.call(this); })"
        "(AudioContext.prototype.createOscillator);"
    )
    page.chrome.execute_script(count)
    stand.mailbox.put(ASHA, "silent", NOW)
    page.shows("messages", "silent")
    assert page.chrome.execute_script("return window.tones || 0") == 0

    page.labelled("Sound").click()
    assert page.chrome.execute_script("return window.tones") == 1
    stand.mailbox.put(ASHA, "aloud", NOW)
    page.shows("messages", "aloud")
    assert page.chrome.execute_script("return window.tones") == 2
    assert complaints(page) == []


def test_a_text_that_the_network_lost_stays_in_the_box_and_goes_as_the_same_text(
    page: Page, stand: Stand
) -> None:
    stand.bot.broken = True
    page.labelled("Text to").send_keys("used B1", Keys.ENTER)
    page.shows("sms-state", "Not sent.")
    assert page.labelled("Text to").get_attribute("value") == "used B1"

    stand.bot.broken = False
    page.button("Send").click()
    page.shows("messages", "You said: used B1")
    assert len(stand.bot.texts) == 1


def test_a_narrow_phone_shows_the_whole_width(page: Page, stand: Stand) -> None:
    stand.bot.batch = batch()
    size = page.chrome.get_window_size()
    narrow = {"width": 320, "height": 640, "deviceScaleFactor": 1, "mobile": True}
    page.chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", narrow)
    try:
        page.text("used B1 and S2 on the delivery ward this morning")
        page.shows("batch", "Not READY because:")
        width = page.chrome.execute_script(
            "return [innerWidth, document.documentElement.scrollWidth]"
        )
    finally:
        page.chrome.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert width == [320, 320]
    assert page.chrome.get_window_size() == size


def test_a_demonstration_that_stopped_is_said_to_have_stopped(
    browser: webdriver.Chrome, stand: Stand
) -> None:
    with served(stand.app) as address:
        page = Page(browser, address)
        page.open()
        assert not page.by_id("trouble").is_displayed()
    page.until(lambda: page.by_id("trouble").is_displayed())
    assert "does not answer" in page.by_id("trouble").text
    browser.get("about:blank")
