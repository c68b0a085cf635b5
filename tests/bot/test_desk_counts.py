"""The pages of the counts: what they say, of what, for whom, and what stands behind each number."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from urllib.parse import parse_qs, urlsplit
from xml.etree import ElementTree as ET

import pytest
from flask import Flask

from bot.desk_pictures import PICTURES
from bot.pages import POLICY
from flows.indicators import INDICATORS
from tests.bot.counts_stand import counted
from tests.bot.desk_client import MOST_BYTES, Reader, reader
from tests.conftest import FakeClock
from tests.phone import World

FEBRUARY = "from=2025-02-01&to=2025-02-28"


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[World, Flask]]:
    with counted(FakeClock(), tmp_path_factory.mktemp("counts")) as made:
        yield made


@pytest.fixture(scope="module")
def chief(past: tuple[World, Flask]) -> Reader:
    """The supervisor of TAM."""
    return reader(past[1], past[0].parts, "supervisor", "TAM")


@pytest.fixture(scope="module")
def salome(past: tuple[World, Flask]) -> Reader:
    """The in-charge of LOWF."""
    return reader(past[1], past[0].parts, "in_charge", "LOWF")


@pytest.fixture(scope="module")
def above(past: tuple[World, Flask]) -> Reader:
    """The programme of all districts."""
    return reader(past[1], past[0].parts, "programme", "*")


def links(page: str, begins: str) -> list[str]:
    """The addresses under /desk to which *page* leads and that begin so, as they are clicked."""
    found = re.findall(rf'(?:href|src)="/desk({re.escape(begins)}[^"]*)"', page)
    return [unescape(link) for link in found]


def rows_of(page: str) -> list[str]:
    """Each row of the body of the first table."""
    return re.findall(r"<tr[^>]*>.*?</tr>", page.partition("<tbody>")[2].partition("</tbody>")[0])


# ---- the three questions -----------------------------------------------------------------------


def test_the_front_page_says_what_is_ready_and_for_how_long_none_was(chief: Reader) -> None:
    page = chief.reads("/counts?from=2025-02-20&to=2025-03-02")

    assert "Bag and mask: none of 3 facilities have a READY set now, none of 4 sets." in page
    assert "From 20 Feb 2025 to 2 Mar 2025 none was READY for" in page
    # No bag from 09:00 on the 20th (Dar es Salaam) to the end of 2 March: 11 days less 9 hours, of
    # 11 days of LOWF and of HIGH with two kinds each; FARM was never heard of.
    assert "255 of 1 056 hours" in page


def test_the_front_page_says_where_steps_are_missed_of_how_many(chief: Reader) -> None:
    page = chief.reads(f"/counts?{FEBRUARY}")

    assert "In 15 of 80 batches that ended a step was missed (19 %)." in page
    assert "Soak: out was said before the time was over: 10 of 80." in page
    assert "Soak: the exposure was broken off before its time: 2 of 80." in page


def test_a_facility_is_named_with_each_reason_to_go_there(chief: Reader) -> None:
    page = chief.reads(f"/counts?{FEBRUARY}")
    visits = page.partition("Which facility needs a visit?")[2].partition("Who did not")[0]

    assert ("A step missed in 12 of 20 batches (60 %), all facilities together 19 %: more than"
            " chance makes (99.8 % limits).") in visits
    assert ("Shift checks done: 4 of 40 due (10 %), all facilities together 55 %: fewer than chance"
            " makes (99.8 % limits).") in visits
    assert "No bag and mask READY since 20 Feb 09:00 (11 days" in visits
    assert "Far Meadow Post (FARM) Did not report in this time." in visits
    assert "in time:" not in visits, "what was not done is not told again as late"


def test_who_did_not_report_is_named_and_counted(chief: Reader) -> None:
    page = chief.reads(f"/counts?{FEBRUARY}")

    said = page.partition("Who did not report?")[2]
    assert said.startswith(" Of 3 facilities 1 said nothing in this time")
    assert "Far Meadow Post (FARM)" in said


def test_a_method_narrows_the_steps_and_leaves_what_has_no_method(chief: Reader) -> None:
    page = chief.reads(f"/counts?{FEBRUARY}&method=boiling")

    assert "In 2 of 30 batches that ended a step was missed" in page
    assert "Shift checks done: 4 of 40 due" in page


def test_where_nothing_happened_it_says_so(chief: Reader) -> None:
    page = chief.reads("/counts?from=2025-01-01&to=2025-01-31")

    assert "No batch ended in this time." in page
    assert "Of 3 facilities 3 said nothing in this time" in page


def test_without_the_conversations_the_rest_is_there(
    past: tuple[World, Flask], chief: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = past[0].parts.redis.connection_pool.connection_kwargs.get("server")
    monkeypatch.setattr(server, "connected", False)
    page = chief.reads(f"/counts?{FEBRUARY}")

    assert "What is READY now is not known while the conversations do not answer." in page
    assert "In 15 of 80 batches" in page


# ---- the pictures ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_comes_from_its_own_address_and_its_page_says_what_to_see(
    chief: Reader, name: str
) -> None:
    page = chief.opens(f"/counts/{name}?{FEBRUARY}")
    assert page.status_code == 200
    assert len(page.data) < MOST_BYTES
    address = links(page.text, f"/counts/{name}.svg")
    assert len(address) == 1
    alt = re.search(r'<img class="picture" src="[^"]+" alt="([^"]+)">', page.text)
    assert alt
    assert f"<figcaption>{alt[1]}</figcaption>" in page.text

    drawn = chief.opens(address[0])
    assert drawn.mimetype == "image/svg+xml"
    assert drawn.headers["Content-Security-Policy"] == POLICY
    assert ET.fromstring(drawn.data).tag.endswith("svg")  # noqa: S314  (it is what is tested)
    again = chief.opens(address[0], **{"If-None-Match": drawn.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")


def test_no_page_asks_the_browser_for_anything_but_its_own(chief: Reader) -> None:
    for path in ("/counts", "/counts/control", "/indicators", "/batches", "/counts/set/BAG-1"):
        page = chief.opens(path)
        assert page.headers["Content-Security-Policy"] == POLICY
        assert not re.findall(r'(?:src|href|action)="(?!/)(?!#main)[^"]*"', page.text)
        assert "<script" not in page.text
        assert "style=" not in page.text


@pytest.mark.parametrize("name", ["control", "run", "funnel", "methods"])
def test_behind_each_point_are_as_many_batches_as_it_counts(chief: Reader, name: str) -> None:
    """The lists are asked of the rows, the points come from the totals."""
    page = chief.opens(f"/counts/{name}?{FEBRUARY}").text
    count = {"methods": -1}.get(name, 1)  # the column: all of them, or those that missed a step
    checked = 0
    for row in rows_of(page):
        cells = [re.sub("<[^>]+>", "", c) for c in re.findall(r"<t[hd].*?</t[hd]>", row)]
        link = links(row, "/batches")
        if name != "run" and link and cells[count] != "0":
            listed = rows_of(chief.opens(link[0]).text)
            mistakes = sum("begun by mistake" in one for one in listed)
            running = sum("open now" in one for one in listed)
            assert len(listed) - mistakes - running == min(int(cells[count]), 60), cells
            checked += 1
        elif link:
            assert chief.opens(link[0]).status_code == 200
            checked += 1
    assert checked


def test_the_control_chart_counts_week_by_week(chief: Reader) -> None:
    page = chief.reads(f"/counts/control?{FEBRUARY}")

    # 14 batches a day and place from the 9th (a Sunday) on, so 12 of LOWF by the 20th.
    assert "Batches with a step missed, of all that ended: 19 % in all (15 of 80)." in page
    assert "17 Feb" in page


def test_the_funnel_names_who_differs(chief: Reader) -> None:
    page = chief.reads(f"/counts/funnel?{FEBRUARY}")

    assert "Low Ferry Clinic (above the 99.8 % limits, 60 %, 12 of 20)" in page


def test_the_ends_of_batches_are_told_of_all_that_were_begun(chief: Reader) -> None:
    page = chief.opens(f"/counts/stages?{FEBRUARY}")
    cells = [re.findall(r"<td>([^<]*)</td>", row) for row in rows_of(page.text)]

    assert [(c[0], c[2]) for c in cells] == [("82", "0"), ("81", "1"), ("80", "1"), ("80", "0")]
    for link, number in zip(links(rows_of(page.text)[1] + rows_of(page.text)[2], "/batches"),
                            (1, 1), strict=True):
        assert len(rows_of(chief.opens(link).text)) == number


def test_times_and_hours_are_told_for_whole_months_and_say_so(chief: Reader) -> None:
    page = chief.opens("/counts/turnaround?from=2025-02-20&to=2025-02-25").text

    assert "Told for whole months: 1 Feb 2025 to 28 Feb 2025." in page
    assert "80 in all: the median is 1 h" in page
    assert "/batches?from=2025-02-01&to=2025-02-28" in links(page, "/batches")
    assert "use_to_ready" in chief.opens("/counts/turnaround").text
    assert "The batches of" not in chief.opens("/counts/turnaround?what=alert_to_answer").text


def test_an_open_gap_is_in_the_hours_of_the_week(chief: Reader) -> None:
    """HIGH has no bag from Thursday the 20th at 09:00: of four Thursdays of LOWF and HIGH, two
    hours are empty, less those before they were first heard of."""
    page = chief.opens("/counts/week?what=bag&from=2025-02-01&to=2025-02-28").text
    rows = rows_of(page)
    at = {re.sub("<[^>]+>", "", r)[:5]: re.findall(r"<td>([^<]*)</td>", r) for r in rows}

    # Both are heard of from 3 February on: four Thursdays each; one of HIGH's is before 09:00 full.
    assert at["08:00"][3] == "88 %"  # 1 of 8 hours
    assert at["10:00"][3] == "75 %"  # 2 of 8 hours
    assert at["10:00"][2] == "88 %"  # Wednesday the 26th alone


# ---- a set -------------------------------------------------------------------------------------


def test_a_set_has_a_time_line_that_leads_to_its_batches(chief: Reader) -> None:
    page = chief.opens(f"/counts/set/BAG-1?{FEBRUARY}")

    # Every batch of the store is said to be of BAG-1 and SUC-1; those of its facility count.
    assert "with 21 batches" in page.text
    assert links(page.text, "/batch/LOWF-3") == ["/batch/LOWF-3"]
    assert not links(page.text, "/batch/HIGH")
    drawn = chief.opens(links(page.text, "/counts/set/BAG-1/line.svg")[0])
    assert drawn.mimetype == "image/svg+xml"


# ---- the indicators ----------------------------------------------------------------------------


def test_every_indicator_is_there_with_its_numbers_and_what_it_leaves_out(chief: Reader) -> None:
    page = chief.reads(f"/indicators?{FEBRUARY}")

    for one in INDICATORS:
        assert one.sentence in page
        assert one.left_out in page
        assert one.why in page
    assert "A step missed 19 % 15 of 80 missed" in page
    assert "Shift checks done 55 % 44 of 80 checks" in page
    assert "Use to READY, median 1 h of 80 times use_to_ready_median" in page


def test_what_cannot_be_told_says_why(chief: Reader) -> None:
    page = chief.reads("/indicators?from=2025-02-20&to=2025-02-25&method=boiling")

    assert "Use to READY, median none Told for whole months only" in page
    assert "Hours without a READY set none Not told by method." in page


# ---- the list of batches -----------------------------------------------------------------------


def test_the_list_is_paged_the_newest_first_and_loses_none(chief: Reader) -> None:
    path, seen, pages = f"/batches?{FEBRUARY}", list[str](), 0
    while path:
        page = chief.opens(path)
        assert len(page.data) < MOST_BYTES
        seen += re.findall(r'<th scope="row"><a href="/desk/batch/([^"]+)"', page.text)
        path = next((link for link in links(page.text, "/batches?") if "after=" in link), "")
        pages += 1

    assert pages == 2
    assert len(seen) == len(set(seen)) == 82
    assert seen[0].endswith(("-13", "-27", "-41", "-55"))  # of the 22nd


def test_a_batch_counts_on_the_day_it_ended(chief: Reader) -> None:
    """One that began before midnight and ended after it is behind the number of the next day."""
    page = chief.reads("/batches?from=2025-02-09&to=2025-02-09&facility=LOWF")

    assert "LOWF-0" in page
    assert "LOWF-14" in page
    assert "LOWF-1 " not in page


def test_it_says_what_is_asked_and_how_to_see_all(chief: Reader) -> None:
    page = chief.reads(f"/batches?{FEBRUARY}&stage=soak&reason=shortened")

    assert "A step missed at Soak: the exposure was broken off before its time." in page
    assert "Missed Soak: the exposure was broken off before its time." in page
    assert "LOWF-10" in page
    assert "LOWF-9" not in page


# ---- what is asked -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("from=soon", "A day is written as 2025-03-31."),
        ("from=0001-01-01", "A day is written as 2025-03-31."),
        ("from=2025-02-03&to=2025-02-01", "The first day comes after the last one."),
        ("from=2025-03-04", "That time has not begun yet."),
        ("from=2010-01-01&to=2025-01-01", "Choose five years at most."),
        ("period=ever", "The time is one of"),
        ("method=magic", "The method is one of"),
    ],
)
@pytest.mark.parametrize("page", ["/counts", "/counts/control", "/indicators", "/batches"])
def test_what_cannot_be_meant_is_said_and_the_form_stays(
    chief: Reader, page: str, asked: str, said: str
) -> None:
    answer = chief.opens(f"{page}?{asked}")

    assert answer.status_code == 400
    assert said in answer.text
    assert '<input id="from"' in answer.text


def test_a_cursor_or_an_end_that_is_none_is_said(chief: Reader) -> None:
    assert "begin with the first" in chief.opens("/batches?after=x").text
    assert "The end is one of" in chief.opens("/batches?outcome=lost").text
    assert chief.opens("/counts/control.svg?from=x").status_code == 400


@pytest.mark.parametrize("words", ["'; --", "<b>x</b>", "%", "\u202e", "a" * 500])
def test_hostile_words_of_the_address_find_nothing_and_do_nothing(
    chief: Reader, words: str
) -> None:
    for name in ("stage", "reason", "what", "missed"):
        answer = chief.client.get("/desk/batches", query_string={name: words})
        assert answer.status_code == 200
        assert "<b>" not in answer.text
    assert chief.client.get("/desk/counts/run", query_string={"what": words}).status_code == 200


def test_the_choice_goes_along_to_every_page(chief: Reader) -> None:
    page = chief.opens(f"/counts?{FEBRUARY}&method=chlorine").text
    asked = [parse_qs(urlsplit(link).query) for link in links(page, "/counts/")]

    assert len(asked) >= len(PICTURES)
    assert all(a == {"from": ["2025-02-01"], "to": ["2025-02-28"], "method": ["chlorine"]}
               for a in asked)  # fmt: skip


# ---- who sees what -----------------------------------------------------------------------------


def test_an_in_charge_sees_her_facility_alone(salome: Reader) -> None:
    page = salome.reads(f"/counts?{FEBRUARY}")

    assert "In 12 of 20 batches" in page
    assert "High Cedar" not in page
    assert "60 of" not in salome.reads(f"/counts/stages?{FEBRUARY}")
    assert "HIGH-" not in salome.opens(f"/batches?{FEBRUARY}").text
    assert salome.opens("/counts/set/BAG-1").status_code == 200
    assert "High Cedar" not in salome.reads(f"/counts/funnel?{FEBRUARY}")


@pytest.mark.parametrize(
    "path",
    ["/counts?facility=HIGH", "/counts/control?facility=HIGH", "/counts/run.svg?facility=HIGH",
     "/batches?facility=HIGH", "/indicators?facility=HIGH", "/counts/set/BAG-5",
     "/counts/set/BAG-5/line.svg", "/counts?district=BAO", "/counts/set/NONE",
     "/counts/nothing", "/counts/nothing.svg"],
)  # fmt: skip
def test_what_she_may_not_see_is_not_there(salome: Reader, path: str) -> None:
    assert salome.opens(path).status_code == 404


def test_a_supervisor_sees_nothing_of_another_district(chief: Reader) -> None:
    for path in ("/counts?district=BAO", "/batches?facility=BAYS", "/counts/set/BAG-41"):
        assert chief.opens(path).status_code == 404
    assert "BAYS" not in chief.opens(f"/batches?{FEBRUARY}").text


def test_the_programme_sees_all_and_one_district_at_a_time_and_no_person(above: Reader) -> None:
    whole = above.opens(f"/counts?{FEBRUARY}").text
    assert "In 16 of 81 batches" in whole
    assert "In 1 of 1 batch " in above.reads(f"/counts?{FEBRUARY}&district=BAO")
    for person in ("Neema", "Salome", "Juma"):
        assert person not in whole


def test_a_name_that_means_harm_is_a_name(above: Reader) -> None:
    for path in (f"/counts?{FEBRUARY}", f"/counts/funnel?{FEBRUARY}", "/counts?facility=BAYS",
                 f"/batches?{FEBRUARY}&facility=BAYS", "/counts/set/BAG-41"):  # fmt: skip
        page = above.opens(path).text
        assert "&lt;script&gt;" in page, path
        assert "<script" not in page, path


def test_nobody_sees_anything_without_logging_in(past: tuple[World, Flask]) -> None:
    client = past[1].test_client()
    for path in ("/counts", "/counts/run.svg", "/indicators", "/batches"):
        assert client.get(f"/desk{path}").status_code == 303


# ---- ways and weight ---------------------------------------------------------------------------


def test_every_way_on_the_pages_leads_somewhere(chief: Reader) -> None:
    found = {link for path in ("/counts", f"/counts/stages?{FEBRUARY}", "/indicators")
             for link in links(chief.opens(path).text, "/")}  # fmt: skip

    assert found
    assert [link for link in sorted(found) if chief.opens(link).status_code != 200] == []


def test_now_and_a_facility_lead_to_the_counts(chief: Reader) -> None:
    assert links(chief.opens("").text, "/counts")
    page = chief.opens("/facility/LOWF").text
    assert links(page, "/counts?") == ["/counts?facility=LOWF"]
    assert links(page, "/counts/set/BAG-1")
