"""The handset page and its readings: what they show, and what they cannot do."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest
from fakeredis import FakeRedis
from flask import Flask
from flask.testing import FlaskClient

from bot.handset import Line, handset
from bot.mailbox import Mailbox
from tests.bot.handset_stand import ASHA, BERYL, NOW, Stand, batch

MAX_PAGE_BYTES = 60 * 1024


@pytest.fixture
def stand() -> Stand:
    return Stand()


@pytest.fixture
def client(stand: Stand) -> FlaskClient:
    return stand.app.test_client()


class Tags(HTMLParser):
    """Every tag of a page with its attributes, and the text between."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.around: list[str] = []
        self.bare_inputs: list[str | None] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag == "label":
            self.around.append(tag)
        if tag in ("input", "select", "textarea") and not self.around:
            self.bare_inputs.append(found.get("id"))

    def handle_endtag(self, tag: str) -> None:
        if tag == "label":
            self.around.pop()

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def page_of(speed: float = 1.0, *, invented: bool = True, kept: bool = False) -> str:
    """The page as an app wired with these settings serves it."""
    app = Flask("bot")
    mailbox = Mailbox(FakeRedis())
    app.register_blueprint(
        handset(
            list, lambda _: None, mailbox, "demo", speed, line=Line(), invented=invented, kept=kept
        )
    )
    return app.test_client().get("/handset").get_data(as_text=True)


# ---- the page ------------------------------------------------------------------------------


def test_the_page_may_load_its_own_files_only(client: FlaskClient) -> None:
    answer = client.get("/handset")

    assert answer.status_code == 200
    assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
    assert "unsafe" not in answer.headers["Content-Security-Policy"]


def test_the_page_needs_nothing_that_the_policy_forbids(client: FlaskClient) -> None:
    page = Tags(client.get("/handset").get_data(as_text=True))

    assert page.named("script")
    assert all(script.get("src") for script in page.named("script"))
    assert page.named("style") == []
    handlers = [name for _, attrs in page.tags for name in attrs if name.startswith("on")]
    assert handlers == []
    assert all("style" not in attrs for _, attrs in page.tags)


def test_page_and_files_together_weigh_less_than_the_limit(client: FlaskClient) -> None:
    html = client.get("/handset").get_data()
    page = Tags(html.decode())
    files = [tag["src"] for tag in page.named("script")] + [t["href"] for t in page.named("link")]

    assert len(files) == 3
    weight = len(html)
    for path in files:
        with client.get(str(path)) as answer:
            assert answer.status_code == 200
            weight += len(answer.get_data())
    assert weight < MAX_PAGE_BYTES


def test_every_field_has_a_label(client: FlaskClient) -> None:
    page = Tags(client.get("/handset").get_data(as_text=True))
    labelled = {label.get("for") for label in page.named("label")}

    assert page.named("input")
    assert [field for field in page.bare_inputs if field not in labelled] == []


def test_a_hastened_demonstration_says_so() -> None:
    assert "Demonstration: exposures run 60 times faster here." in page_of(60)
    assert "exposures run 1.5 times faster here" in page_of(1.5)
    assert "faster" not in page_of(1)


def test_the_page_says_what_becomes_of_its_data() -> None:
    both = "Demonstration on invented data. Nothing is kept when it stops."
    assert both in page_of()

    kept = page_of(kept=True)
    assert "Demonstration on invented data." in kept
    assert "Nothing is kept" not in kept

    real = page_of(invented=False, kept=True)
    assert "invented" not in real


def test_the_page_cautions_that_local_rules_come_first() -> None:
    page = page_of()

    assert "numbers are for training" in page
    assert "local protocol" in page
    assert "instructions" in page


@pytest.mark.parametrize("speed", [0, -1])
def test_an_impossible_speed_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="speed"):
        page_of(speed)


# ---- the readings --------------------------------------------------------------------------


def test_people_come_with_the_state_of_their_phones(stand: Stand, client: FlaskClient) -> None:
    stand.mailbox.put(BERYL, "Soak over", NOW)
    stand.mailbox.switch(ASHA, off=True)
    stand.mailbox.lose(ASHA)

    rows = client.get("/handset/people.json").get_json()

    assert [(r["name"], r["role"], r["facility"], r["phone"]) for r in rows] == [
        ("Asha", "nurse", "Hill clinic", ASHA),
        ("Beryl", "in-charge", "Hill clinic", BERYL),
    ]
    assert [(r["newest"], r["off"], r["lost"]) for r in rows] == [(0, True, 1), (1, False, 0)]
    assert [s["condition"] for s in rows[0]["sets"]] == ["IN PROCESS", "READY"]


def test_the_inbox_holds_the_phones_messages_after_the_number(
    stand: Stand, client: FlaskClient
) -> None:
    for text in ("one", "two", "three"):
        stand.mailbox.put(ASHA, text, NOW)
    stand.mailbox.put(BERYL, "for Beryl", NOW)

    rows = client.get("/handset/inbox.json", query_string={"phone": ASHA, "after": 1}).get_json()

    assert rows == [
        {"n": 2, "text": "two", "at": "2030-05-06T07:08:09Z"},
        {"n": 3, "text": "three", "at": "2030-05-06T07:08:09Z"},
    ]


def test_a_plus_sign_that_was_not_escaped_is_still_meant(stand: Stand, client: FlaskClient) -> None:
    stand.mailbox.put(ASHA, "one", NOW)

    assert len(client.get(f"/handset/inbox.json?phone={ASHA}").get_json()) == 1


@pytest.mark.parametrize(
    "query",
    [
        "",
        "phone=",
        "phone=Asha",
        "phone=%2B12025550101&after=-1",
        "phone=%2B12025550101&after=x",
        "phone=%2B1202555%00",
        "phone=%2B١٢٣",
    ],
)
def test_an_inbox_that_cannot_be_read_is_a_bad_request(client: FlaskClient, query: str) -> None:
    assert client.get(f"/handset/inbox.json?{query}").status_code == 400


def test_what_the_bot_knows_is_the_batch_and_the_conditions_of_the_sets(
    stand: Stand, client: FlaskClient
) -> None:
    stand.bot.batch = batch()

    known = client.get("/handset/knows.json", query_string={"phone": ASHA}).get_json()

    assert known["now"] == "2030-05-06T07:08:09Z"
    assert known["batch"]["id"] == "B-7"
    assert known["batch"]["due"] == "2030-05-06T07:09:44Z"
    assert [row["what"] for row in known["batch"]["log"]] == [
        "opened with set B1",
        "wiped, answered 1",
    ]
    assert known["batch"]["findings"] == [
        "the soak has not lasted its whole time",
        "the count is missing",
    ]
    assert [(s["id"], s["condition"]) for s in known["conditions"]] == [
        ("B1", "IN PROCESS"),
        ("S2", "READY"),
    ]


def test_without_a_batch_the_conditions_are_still_shown(client: FlaskClient) -> None:
    known = client.get("/handset/knows.json", query_string={"phone": BERYL}).get_json()

    assert known["batch"] is None
    assert len(known["conditions"]) == 2


def test_a_phone_that_nobody_here_has_knows_of_no_set(client: FlaskClient) -> None:
    known = client.get("/handset/knows.json", query_string={"phone": "+12025550199"}).get_json()

    assert (known["batch"], known["conditions"]) == (None, [])


def test_the_tick_box_switches_the_phone_off_and_on(stand: Stand, client: FlaskClient) -> None:
    off = client.post("/handset/power", data={"phone": ASHA, "off": "1"})
    assert (off.status_code, stand.mailbox.is_off(ASHA)) == (204, True)

    client.post("/handset/power", data={"phone": ASHA, "off": "0"})
    assert stand.mailbox.is_off(ASHA) is False


def test_reading_the_power_changes_nothing(stand: Stand, client: FlaskClient) -> None:
    stand.mailbox.switch(ASHA, off=True)

    assert client.get("/handset/power").status_code == 405
    assert stand.mailbox.is_off(ASHA) is True
