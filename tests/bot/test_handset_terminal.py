"""The handset in a terminal: what lines mean, how things read, and a whole talk over HTTP."""

from __future__ import annotations

import io
from collections.abc import Iterator
from threading import Condition

import pytest

from bot.handset_terminal import run
from bot.handset_words import (
    Command,
    Incoming,
    Person,
    show_message,
    show_people,
    show_screen,
    understand,
)
from tests.bot.handset_stand import ASHA, BERYL, NOW, Stand, served

PATIENCE_SECONDS = 20  # only a hung talk waits so long


class Paper(io.StringIO):
    """What the terminal prints; `until` waits for words to stand on it."""

    def __init__(self) -> None:
        super().__init__()
        self._written = Condition()

    def write(self, text: str, /) -> int:
        with self._written:
            done = super().write(text)
            self._written.notify_all()
            return done

    def until(self, words: str) -> None:
        with self._written:
            seen = self._written.wait_for(lambda: words in self.getvalue(), PATIENCE_SECONDS)
        assert seen, f"{words!r} never came; the paper holds:\n{self.getvalue()}"


def talk(stand: Stand, *turns: tuple[str, str], phone: str = ASHA) -> str:
    """Type the first of each of *turns* and wait for the second before going on; the paper."""
    paper = Paper()

    def lines() -> Iterator[str]:
        for typed, awaited in turns:
            yield typed
            paper.until(awaited)

    with served(stand.app) as address:
        run(address, "demo", phone, paper, lines(), clock=lambda: NOW)
    assert turns[-1][1] in paper.getvalue()
    return paper.getvalue()


@pytest.mark.parametrize(
    ("line", "command"),
    [
        ("used B1", Command("sms", "used B1")),
        ("  1 \n", Command("sms", "1")),
        ("dial", Command("dial")),
        ("*", Command("dial")),
        ("HANG", Command("hang")),
        ("who", Command("who")),
        ("who 2", Command("who", "2")),
        ("whose bag", Command("sms", "whose bag")),
        ("?", Command("help")),
        ("quit", Command("quit")),
        ("\n", Command("nothing")),
    ],
)
def test_a_line_outside_a_call_is_a_command_or_a_text(line: str, command: Command) -> None:
    assert understand(line, in_call=False) == command


def test_a_line_in_a_call_is_an_answer_unless_it_is_a_command() -> None:
    assert understand("1", in_call=True) == Command("answer", "1")
    assert understand("hang", in_call=True) == Command("hang")


def test_a_message_shows_the_facilitys_own_time() -> None:
    shown = show_message("Asha", Incoming(1, "Soak over.\nRinse now.", NOW), "Africa/Nairobi")

    assert shown == "[10:08:09] SMS to Asha:\n    Soak over.\n    Rinse now."


def test_a_screen_says_whether_the_call_goes_on() -> None:
    text, goes_on = show_screen("CON How many pieces?")
    assert goes_on
    assert "How many pieces?" in text
    assert "CON" not in text

    text, goes_on = show_screen("END Noted")
    assert not goes_on
    assert "The call has ended" in text


def test_the_list_of_people_marks_the_holder_and_counts_new_messages() -> None:
    people = [
        Person("Asha", "nurse", "Hill clinic", ASHA, newest=3),
        Person("Beryl", "in-charge", "Hill clinic", BERYL, newest=2),
    ]

    first, second = show_people(people, ASHA, {ASHA: 3}).splitlines()

    assert first.startswith("* 1  Asha, nurse")
    assert second.startswith("  2  Beryl (2 new), in-charge")


def test_a_text_goes_to_the_bot_and_its_reply_is_printed() -> None:
    stand = Stand()
    talk(stand, ("used B1", "You said: used B1"))

    [sent] = stand.bot.texts
    assert (sent["from"], sent["text"], sent["date"]) == (ASHA, "used B1", NOW.isoformat())
    assert set(sent) == {"from", "to", "text", "date", "id", "linkId", "networkCode"}


def test_two_texts_never_share_an_id() -> None:
    stand = Stand()
    talk(stand, ("same", "You said: same"), ("same", "You said: same"), ("last", "said: last"))

    assert len({sent["id"] for sent in stand.bot.texts}) == 3


def test_a_call_carries_all_answers_so_far_until_it_ends() -> None:
    stand = Stand()
    talk(
        stand,
        ("dial", "How many pieces?"),
        ("4", "Are all clean?"),
        ("1", "Noted: 4 then 1"),
        ("back to texts", "You said: back to texts"),
    )

    assert [turn["text"] for turn in stand.bot.turns] == ["", "4", "4*1"]
    assert len({turn["sessionId"] for turn in stand.bot.turns}) == 1
    assert stand.bot.turns[0]["phoneNumber"] == ASHA


def test_hanging_up_drops_the_call_and_the_next_is_a_new_one() -> None:
    stand = Stand()
    talk(
        stand,
        ("*", "How many pieces?"),
        ("hang", "You hung up."),
        ("7", "You said: 7"),
        ("*", "How many pieces?"),
        ("5", "Are all clean?"),
    )

    assert [turn["text"] for turn in stand.bot.turns] == ["", "", "5"]
    assert len({turn["sessionId"] for turn in stand.bot.turns}) == 2


def test_the_phone_changes_hands() -> None:
    stand = Stand()
    stand.mailbox.put(BERYL, "Soak over", NOW)
    paper = talk(
        stand,
        ("who", "Beryl (1 new)"),
        ("who 2", "SMS to Beryl:\n    Soak over"),
        ("who 9", "There is no person 9"),
        ("1", "You said: 1"),
    )

    assert stand.bot.texts[0]["from"] == BERYL
    assert "Beryl has the phone." in paper


def test_an_answer_the_network_lost_can_be_given_again() -> None:
    stand = Stand()
    paper = Paper()

    def lines() -> Iterator[str]:
        yield "dial"
        paper.until("How many pieces?")
        stand.bot.broken = True
        yield "4"
        paper.until("No answer from the network")
        stand.bot.broken = False
        yield "4"
        paper.until("Are all clean?")

    with served(stand.app) as address:
        run(address, "demo", ASHA, paper, lines())

    assert [turn["text"] for turn in stand.bot.turns] == ["", "4"]


def test_a_server_that_does_not_answer_is_reported_once() -> None:
    stand = Stand()
    with served(stand.app) as address:
        pass
    paper = Paper()

    run(address, "demo", ASHA, paper, ["hello"])

    assert paper.getvalue().count("The demonstration does not answer") == 1
    assert "No answer from the network" in paper.getvalue()


def test_what_is_no_demonstration_is_said_to_be_none() -> None:
    stand = Stand()
    paper = Paper()
    with served(stand.app) as address:
        run(f"{address}/elsewhere", "demo", ASHA, paper, ["who"])

    assert "404" in paper.getvalue()


def test_quit_stops_before_the_lines_after_it() -> None:
    stand = Stand()
    with served(stand.app) as address:
        run(address, "demo", ASHA, Paper(), ["quit", "hello"])

    assert stand.bot.texts == []


def test_an_address_that_is_not_http_is_refused() -> None:
    with pytest.raises(ValueError, match="http"):
        run("file:///etc", "demo", ASHA, Paper(), [])
