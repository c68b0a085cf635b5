"""Every text there can be fits one SMS and one USSD screen, and none loses its question."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from bot.asking import framed, noted, numbered
from bot.custody import opened
from bot.effects import Day, Prompt, Shown
from bot.wording import NAME_LENGTH, Wording
from flows.prompts import GSM, fits, segments
from flows.reprocess import REPROCESS
from tests.bot.wording_stand import (
    ENGLISH,
    NAME,
    NOTES,
    SET_IDS,
    WORDING,
    ZONE,
    asks,
    bells,
    crowded,
    holes_filled,
    replied,
    screens,
    statuses,
    text_of,
)

MARKS = {"": "", "practice": "PRACTICE: ", "demo": "DEMO "}


def shown(prompt: Prompt, mark: str = "") -> str:
    return WORDING.render(prompt, "en", ZONE, mark == "practice", mark == "demo")


def core(prompt: Prompt) -> Prompt:
    """The question inside a note and a frame."""
    inner = prompt.values.get("ask") if prompt.key in ("noted", "framed") else None
    return core(inner) if isinstance(inner, Prompt) else prompt


def either(text: str) -> set[str]:
    """*text*, and the same with three or more sets as the first of them and a number."""
    short = re.sub(r"(\w+)\+\w+\+(\d+)", lambda m: f"{m[1]}+{int(m[2]) + 1}", text)
    return {text, short}


def unsaid(prompt: Prompt, text: str) -> list[str]:
    """The pieces of the catalogue's text of *prompt* that *text* does not say in their order."""
    at, lost = 0, []
    for piece in re.split(r"\{\w+\}", ENGLISH[prompt.key]):
        found = text.find(piece, at)
        if found < 0:
            lost.append(piece)
        else:
            at = found + len(piece)
    return lost


ASKS = {text_of(prompt): prompt for _, prompt in asks()}
SCREENS = {text_of(prompt): prompt for _, prompt in screens()}


def test_there_is_something_to_look_at() -> None:
    keys = {core(p).key for p in ASKS.values()}

    assert {k for k in ENGLISH if k.startswith("page.")} <= keys
    # The first of the autoclave's readings is always asked on the page of all three.
    alone = {k for k in ENGLISH if re.fullmatch(r"\w+\.ask(\.\w+)?", k)} - {"auto_temp.ask"}
    assert alone <= keys
    assert {core(p).key for p in SCREENS.values()} == {
        k for k in ENGLISH if k.startswith("screen.")
    }
    assert len(NOTES) > 10


def test_every_question_with_its_keys_below_it_fits_whole() -> None:
    for whole, prompt in (*ASKS.items(), *SCREENS.items()):
        text = shown(prompt)
        assert fits(text), (len(text), text)
        assert unsaid(core(prompt), text) == [], text
        foot = prompt.values.get("foot")
        if isinstance(foot, Prompt):
            assert text.endswith("\n" + ENGLISH[foot.key]), text
        if prompt in ASKS.values():
            assert text == whole


@pytest.mark.parametrize("mark", MARKS)
def test_every_question_of_a_batch_is_asked_whatever_stands_before_it(mark: str) -> None:
    for prompt in ASKS.values():
        for composed in (prompt, *(noted(note, prompt) for note in NOTES)):
            text = shown(composed, mark)
            assert fits(text), (len(text), text)
            assert text.startswith(MARKS[mark]), text
            assert any(question in text for question in either(text_of(core(prompt)))), text


def test_every_screen_is_shown_whatever_stands_before_it() -> None:
    for prompt in SCREENS.values():
        for note in NOTES:
            text = shown(noted(note, prompt))
            assert fits(text), (len(text), text)
            assert unsaid(core(prompt), text) == [], text


def test_a_short_note_is_not_dropped_where_the_footer_makes_room_for_it() -> None:
    for prompt in ASKS.values():
        question = text_of(core(prompt))
        for note in (Prompt("note.unclear"), Prompt("note.late")):
            with_note = f"{text_of(note)} {question}"
            if len(with_note) <= 160:
                text = shown(noted(note, prompt))
                assert any(each in text for each in either(with_note)), text


@pytest.mark.parametrize("mark", ["", "demo"])
def test_the_first_question_of_a_batch_has_room_for_the_days_notice(mark: str) -> None:
    notice = Prompt("note.training")
    first = [p for where, p in asks() if where.startswith(f"{REPROCESS.start} of")]
    assert first
    for prompt in first:
        assert text_of(notice) in shown(noted(notice, prompt), mark)


def test_the_main_screen_has_room_for_the_days_notice() -> None:
    notice = Prompt("note.training")
    [home] = [p for where, p in screens() if where == "screen home"]
    assert text_of(notice) in shown(noted(notice, home))


# What is never about a practice batch, and what is never about a batch at all.
NEVER_PRACTICE = {"tell", "recall", "closed.ready", "closed.ready_aside"}
NEVER_MARKED = re.compile(
    r"danger.*|need\.answer|counted\..*|carrier\..*|stranger\..*|sorry|supervisor|handed|screen\..*|help\.screen|status\..*"
    r"|(add|join|number|amend|away|shift|new|retire|spares|received|role|remove|only)\..*"
    r"|none\..*|word\..*|foot.*|.*\.mark|framed|noted"
)


@pytest.mark.parametrize("key", sorted(set(ENGLISH) - {"recall", "screen.batches"}))
def test_each_text_fits_by_itself_with_the_longest_value_in_each_hole(key: str) -> None:
    for mark, before in MARKS.items():
        never = key in NEVER_PRACTICE or key.startswith("alert.")
        practice_at_most = mark == "practice" and never
        if mark and (NEVER_MARKED.fullmatch(key) or practice_at_most):
            continue
        text = before + text_of(holes_filled(key))
        assert fits(text), (len(text), text)


@pytest.mark.parametrize("mark", MARKS)
def test_every_bell_fits_whole(mark: str) -> None:
    for _, prompt in bells():
        text = shown(prompt, mark)
        assert text == MARKS[mark] + text_of(prompt)
        assert fits(text), (len(text), text)


@pytest.mark.parametrize(("name", "prompt"), list(statuses()))
def test_the_status_of_a_crowded_facility_fits_and_leaves_no_condition_out(
    name: str, prompt: Prompt
) -> None:
    text = shown(prompt)

    assert fits(text), (len(text), text)
    for part in prompt.values.values():
        assert isinstance(part, Prompt)
        assert unsaid(part, text) == [], text


def test_help_fits_with_its_keys() -> None:
    for key in ENGLISH:
        if key.endswith(".help"):
            for mark in MARKS:
                text = shown(framed(holes_filled(key)), mark)
                assert fits(text), (len(text), text)
                assert unsaid(Prompt(key), text) == [], text
            assert text_of(framed(holes_filled(key))) == shown(framed(holes_filled(key)))


@pytest.mark.parametrize("language", WORDING.catalogues)
def test_no_text_leaves_the_gsm_alphabet(language: str) -> None:
    """One letter outside 3GPP TS 23.038 halves the room of the whole text."""
    for key, text in WORDING.catalogues[language].items():
        assert set(text) <= GSM | {"{", "}"}, key
        filled = WORDING.sentence(holes_filled(key), language, ZONE)
        assert segments(filled)[0] == "gsm", key


# ---- how names are shortened -------------------------------------------------------------------


def test_where_room_is_short_several_sets_are_the_first_and_how_many_more() -> None:
    turn = crowded()
    turn.put_talk(screen="home", batch="")

    opened(turn, list(SET_IDS))
    text = shown(replied(turn))

    assert f"{SET_IDS[0]}+6 is USED now." in text
    assert fits(text)


def test_where_there_is_room_every_set_is_named() -> None:
    text = shown(Prompt("note.opened", {"sets": "+".join(SET_IDS)}))

    assert all(set_id in text for set_id in SET_IDS)


def test_batches_on_a_crowded_list_are_told_apart_by_their_first_set() -> None:
    labels = [f"BAG-{n:04}+SUC-{n:04}+5" for n in range(1, 8)]
    text = shown(framed(Prompt("screen.batches", {"options": numbered(list(labels))})))

    assert "1 BAG-0001+6 2 BAG-0002+6" in text
    assert "7 BAG-0007+6" in text


def test_two_sets_are_never_shortened() -> None:
    labels = [f"BAG-{n:04}+SUC-{n:04}" for n in range(1, 8)]
    text = shown(Prompt("screen.batches", {"options": numbered(list(labels))}))

    assert all(label in text for label in labels)


def test_a_recall_names_every_set_however_long_it_gets() -> None:
    """A second segment is better than a set from a failed load in use."""
    ids = [f"{SET_IDS[0][:-2]}{n:02}" for n in range(12)]
    values: dict[str, Shown] = {"site": "W" * 12, "load": 99999, "sets": "+".join(ids)}
    text = shown(Prompt("recall", values))

    assert all(set_id in text for set_id in ids)
    assert segments(text)[2] == 2


def test_a_recall_of_as_many_sets_as_a_list_offers_fits() -> None:
    values: dict[str, Shown] = {"site": "W" * 12, "load": 99999, "sets": "+".join(SET_IDS)}

    assert fits(shown(Prompt("recall", values), "demo"))


def test_names_of_people_are_cut() -> None:
    text = shown(Prompt("note.held", {"set": "BAG-1", "name": NAME}))

    assert text == f"BAG-1 is with {NAME[:NAME_LENGTH]}."


# ---- a prompt becomes a text --------------------------------------------------------------------


def test_times_are_the_facilitys_and_the_month_is_a_word() -> None:
    at = datetime(2026, 3, 9, 21, 30, tzinfo=UTC)
    values: dict[str, Shown] = {"sets": "BAG-1", "until": Day(at)}

    assert "until 10 Mar 00:30." in shown(Prompt("status.ready", values))
    bell = Prompt("vinegar.started", {"minutes": 10, "bell": at})
    assert "Bell at 00:30 " in shown(bell)
    assert "Bell at 21:30 " in WORDING.render(bell, "en", "UTC", False, False)


def test_a_language_says_what_it_has_and_the_rest_in_english() -> None:
    half = Wording({"en": {"a": "English {name}", "b": "only English"}, "xx": {"a": "xx {name}"}})

    assert half.render(Prompt("a", {"name": "Asha"}), "xx", "UTC", False, False) == "xx Asha"
    assert half.render(Prompt("b"), "xx", "UTC", False, False) == "only English"
    assert half.render(Prompt("b"), "yy", "UTC", False, False) == "only English"


@pytest.mark.parametrize("slip", ["{name", "name}", "{", "{name!z}"])
def test_a_slip_in_a_translations_braces_shows_the_english(slip: str) -> None:
    texts = Wording({"en": {"a": "English {name}"}, "xx": {"a": slip}})

    assert texts.render(Prompt("a", {"name": "Asha"}), "xx", "UTC", False, False) == "English Asha"


def test_a_missing_value_leaves_a_gap_and_a_missing_text_its_key() -> None:
    texts = Wording({"en": {"a": "for {sets}: {left} min"}})

    assert texts.render(Prompt("a", {"left": 3}), "en", "UTC", False, False) == "for : 3 min"
    assert texts.render(Prompt("nowhere"), "en", "UTC", False, False) == "nowhere"


def test_a_text_too_long_for_any_form_is_sent_whole_all_the_same() -> None:
    texts = Wording({"en": {"a": "x" * 200, "b": "no", "framed": "{ask}\n{foot}"}})

    whole = texts.render(framed(Prompt("a"), "b"), "en", "UTC", False, False)

    assert whole == "x" * 200 + "\nno"


def test_practice_and_demonstration_are_said_first() -> None:
    ask = Prompt("scale.ask")

    assert shown(ask, "practice").startswith("PRACTICE: Look close")
    assert shown(ask, "demo").startswith("DEMO Look close")
    both = WORDING.render(ask, "en", ZONE, True, True)
    assert both.startswith("PRACTICE: Look close")
