"""Who comes, goes and changes her phone, sets and spare parts, as the pure step has it.

The register's office is a few lines here: it makes what was asked for, and its answer is a letter.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime

import pytest

from bot.alert_words import told_prompt
from bot.amend import CODE_LETTERS, Amend
from bot.effects import Amendments, Say
from bot.events import Heard, Letter
from bot.joins import new_code
from bot.model import Unit
from bot.site import Person, SetCard, Site
from bot.spares import MOST_SPARES
from bot.turn import Turn
from flows.batch import METHODS
from flows.prompts import fits
from tests.bot.wording_stand import NAME, SITE_ID
from tests.nurse import ASHA, BELA, CHIEF, PLACE, SENA, STRANGER, WORDING, Ward, play, rules_of

CODE, OTHER = "AB3CDE", "XY7HJK"
DISTRICT_PLACE = replace(
    PLACE, id="district-TAMBO", sets=(), people=(),
    supervisors=(*PLACE.supervisors, Person("TATU", "Tatu", "+12025550120", "supervisor")),
)  # fmt: skip


@dataclass
class Facility(Ward):
    """A ward whose every turn draws *draw*; *asked* is what waits at the register."""

    draw: str = CODE
    asked: tuple[Amend, ...] = ()
    heard: list[tuple[str, str]] = field(default_factory=list)

    def says(self, *texts: str, phone: str = ASHA, sent_at: datetime | None = None) -> str:
        answer = ""
        for text in texts:
            event = Heard(self._id(), phone, "sms", text, self.now, sent_at, tick=self.tick,
                          draw=self.draw)  # fmt: skip
            answer = self.answer(self.take(event))
            self._posts()
        return answer

    def _posts(self) -> None:
        for effect in self.effects:
            if isinstance(effect, Amendments):
                self.asked = effect.amends
            elif isinstance(effect, Say):
                self.heard.append((effect.phone, self.text(effect)))

    def registers(self, site: Site | None = None, word: str = "", *, why: str = "") -> None:
        """The register answers the oldest thing asked: its page is *site* now, or it refuses."""
        amend, *rest = self.asked
        self.asked = tuple(rest)
        if site is not None:
            self.unit = replace(self.unit, site=site)
        kind = "refused" if why else "amended"
        letter = Letter(f"amend:{amend.id}", self.now, kind, amend.by, "", amend.id, why or word)
        self.answers(letter)

    def answers(self, letter: Letter) -> None:
        self.take(letter)
        self._posts()

    def to(self, phone: str) -> list[str]:
        return [text for to, text in self.heard if to == phone]

    def joined(self, *, person: Person | None = None) -> Person:
        """Zuhura was added and her phone has joined."""
        zuhura = person or Person("P9", "Zuhura", STRANGER, "nurse")
        self.says("ADD Zuhura", phone=CHIEF)
        self.says(f"JOIN {CODE}", phone=STRANGER)
        self.registers(replace(PLACE, people=(*PLACE.people, zuhura)), zuhura.id)
        return zuhura


# ---- codes ---------------------------------------------------------------------------------------


def test_a_code_can_be_told_apart_and_is_drawn_from_many() -> None:
    codes = {new_code() for _ in range(200)}

    assert len(codes) == 200
    assert set("".join(codes)) <= set(CODE_LETTERS)
    assert not set(CODE_LETTERS) & set("O0I1")
    assert {len(code) for code in codes} == {6}


@pytest.mark.parametrize("text", ["ADD Zuhura", "NUMBER Bela", "ROLE Bela", "REMOVE Bela",
                                  "NEW BAG-9", "RETIRE BAG-1"])  # fmt: skip
def test_only_who_is_in_charge_changes_the_list(text: str) -> None:
    ward = Facility()

    assert "in-charge" in ward.says(text, phone=ASHA)

    assert (ward.unit.invites, ward.asked) == ({}, ())


@pytest.mark.parametrize(
    ("text", "name", "role"),
    [
        ("ADD Zuhura", "Zuhura", "nurse"),
        ("add zuhura mwita", "Zuhura Mwita", "nurse"),
        ("ADD Zuhura nurse", "Zuhura", "nurse"),
        ("ADD Zuhura in-charge", "Zuhura", "in_charge"),
        ("ADD Zuhura in charge", "Zuhura", "in_charge"),
        ("ADD Nurse", "Nurse", "nurse"),
    ],
)
def test_a_code_is_for_a_name_and_a_role(text: str, name: str, role: str) -> None:
    ward = Facility()

    assert CODE in ward.says(text, phone=CHIEF)

    invite = ward.unit.invites[CODE]
    assert (invite.name, invite.role, invite.by) == (name, role, "CHIEF")


@pytest.mark.parametrize("text", ["ADD", "ADD 7", "ADD asha", f"ADD {'x' * 41}"])
def test_no_code_for_what_is_no_new_name(text: str) -> None:
    ward = Facility()

    ward.says(text, phone=CHIEF)

    assert ward.unit.invites == {}


def test_without_chance_there_is_no_code() -> None:
    ward = Facility(draw="")

    ward.says("ADD Zuhura", phone=CHIEF)

    assert ward.unit.invites == {}


def test_a_code_for_the_same_name_takes_the_place_of_the_first() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    ward.draw = OTHER

    ward.says("ADD Zuhura", phone=CHIEF)

    assert set(ward.unit.invites) == {OTHER}


def test_a_digit_after_a_code_does_not_answer_the_batch() -> None:
    ward = Facility()
    play(ward, until="wash", phone=CHIEF)
    log = ward.batch.log

    ward.says("ADD Zuhura", phone=CHIEF)
    ward.says("1", phone=CHIEF)

    assert ward.batch.log == log


# ---- joining -------------------------------------------------------------------------------------


def test_a_phone_that_joins_is_asked_for_at_the_register_and_told_when_it_is_in() -> None:
    ward = Facility()
    ward.says("ADD Zuhura in-charge", phone=CHIEF)

    assert "Zuhura" in ward.says(f"join {CODE.lower()}", phone=STRANGER)

    [amend] = ward.asked
    assert (amend.kind, amend.name, amend.phone, amend.value, amend.by) == (
        "enrol", "Zuhura", STRANGER, "in_charge", "CHIEF")  # fmt: skip
    assert ward.to(STRANGER) == ward.to(CHIEF) == [], "nothing is so before the register says so"
    zuhura = Person("P9", "Zuhura", STRANGER, "in_charge")
    ward.registers(replace(PLACE, people=(*PLACE.people, zuhura)), "P9")
    assert ["No patient data" in text for text in ward.to(STRANGER)] == [True]
    assert ["in-charge" in text for text in ward.to(CHIEF)] == [True]
    assert (ward.unit.invites, ward.unit.amends) == ({}, {})
    ward.says("2", phone=STRANGER)
    assert ward.unit.talk(STRANGER).pace == "brief"


def test_a_code_waits_through_a_restart() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    ward.restarts(machine=True)
    ward.says(f"JOIN {CODE}", phone=STRANGER)
    ward.restarts(machine=True)

    assert [a.phone for a in ward.unit.amends.values()] == [STRANGER]
    assert ward.unit.invites[CODE].phone == STRANGER


@pytest.mark.parametrize("text", [f"JOIN {OTHER}", "JOIN", "JOIN me"])
def test_a_wrong_code_lets_nobody_in(text: str) -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    before = ward.unit

    ward.says(text, phone=STRANGER)

    assert (ward.unit, ward.asked) == (before, ())


def test_other_words_of_a_stranger_are_nothing() -> None:
    ward = Facility()

    assert ward.says("BAG-1", CODE, "1", phone=STRANGER) == ""

    assert ward.unit == Unit(PLACE)


def test_a_code_is_good_for_two_days_and_not_longer() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    ward.passes(hours=48)

    ward.says(f"JOIN {CODE}", phone=STRANGER)

    assert ward.asked == ()


def test_a_code_is_good_for_the_first_phone_alone_which_may_send_it_again() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    first = ward.says(f"JOIN {CODE}", phone=STRANGER)
    asked = ward.asked

    assert "No such code" in ward.says(f"JOIN {CODE}", phone="+12025550198")
    assert ward.says(f"JOIN {CODE}", phone=STRANGER) == first

    assert ward.asked == asked


def test_a_code_of_somebody_who_is_not_in_charge_any_more_is_no_good() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    demoted = tuple(replace(p, role="nurse") for p in PLACE.people)
    ward.unit = replace(ward.unit, site=replace(PLACE, people=demoted))

    ward.says(f"JOIN {CODE}", phone=STRANGER)

    assert ward.asked == ()


def test_a_phone_that_is_somebodys_does_not_join() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)

    assert "in the list already" in ward.says(f"JOIN {CODE}", phone=BELA)

    assert ward.asked == ()


def test_where_the_register_refuses_both_are_told_and_the_code_is_good_for_another_phone() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    ward.says(f"JOIN {CODE}", phone=STRANGER)

    ward.registers(why="phone")

    assert len(ward.to(STRANGER)) == 1
    [told] = ward.to(CHIEF)
    assert "ADD Zuhura" in told
    assert "in the list already, here or elsewhere" in told
    assert STRANGER not in told
    ward.says(f"JOIN {CODE}", phone="+12025550198")
    assert [a.phone for a in ward.asked] == ["+12025550198"]


def test_an_answer_of_the_register_heard_twice_tells_once() -> None:
    ward = Facility()
    ward.says("ADD Zuhura", phone=CHIEF)
    ward.says(f"JOIN {CODE}", phone=STRANGER)
    [amend] = ward.asked
    zuhura = Person("P9", "Zuhura", STRANGER, "nurse")
    ward.registers(replace(PLACE, people=(*PLACE.people, zuhura)), "P9")
    heard, unit = list(ward.heard), ward.unit

    ward.answers(Letter("again", ward.now, "amended", "CHIEF", "", amend.id, "P9"))

    assert (ward.heard, ward.unit) == (heard, unit)


def test_whatever_the_register_has_not_answered_goes_out_with_the_next_request() -> None:
    ward = Facility()
    ward.says("SHIFT 0700-1900", phone=ASHA)
    ward.says("SHIFT 1900-0700", phone=BELA)
    ward.says("NEW BAG-9 M", phone=CHIEF)

    assert [a.value for a in ward.asked] == ["07:00-19:00", "19:00-07:00"]
    assert [a.n for a in ward.asked] == sorted(a.n for a in ward.asked)
    assert len({a.id for a in ward.asked}) == 2


def test_several_languages_are_offered_by_their_names_and_one_is_not_asked() -> None:
    rules = rules_of()
    ward = Facility(rules=replace(
        rules, commands={**rules.commands, "fr": {}}, languages={"en": "English", "fr": "français"}
    ))  # fmt: skip
    ward.joined()
    [asked] = ward.to(STRANGER)
    assert "1 English 2 français" in asked

    answer = ward.says("2", phone=STRANGER)

    assert "How shall I ask" in answer
    assert [(a.kind, a.about, a.value) for a in ward.asked] == [("language", "P9", "fr")]


# ---- another phone -------------------------------------------------------------------------------


@pytest.fixture
def moved() -> Facility:
    """Asha, in the middle of a soak, has the stranger's phone now."""
    ward = Facility()
    play(ward, until="soak")
    ward.says("NUMBER Asha", phone=CHIEF)
    ward.says(f"JOIN {CODE}", phone=STRANGER)
    asha = replace(PLACE.people[0], phone=STRANGER)
    ward.registers(replace(PLACE, people=(asha, *PLACE.people[1:])), "ASHA")
    return ward


def test_her_batch_and_her_bell_go_to_the_new_phone(moved: Facility) -> None:
    moved.passes(minutes=30)
    moved.bells()

    assert [phone for phone, kind, _ in moved.said if kind == "bell"] == [STRANGER]
    assert ASHA not in moved.unit.talks


def test_a_digit_meant_for_the_old_phone_answers_nothing(moved: Facility) -> None:
    log = moved.batch.log

    moved.says("1", phone=STRANGER)

    assert moved.batch.log == log
    assert moved.unit.talk(STRANGER).batch == moved.batch.id


def test_the_old_phone_is_a_strangers(moved: Facility) -> None:
    log = moved.batch.log

    assert moved.says("1", phone=ASHA) == ""

    assert moved.batch.log == log


def test_a_supervisor_gives_another_one_a_new_phone() -> None:
    ward = Facility(site=DISTRICT_PLACE)

    assert "Tatu" in ward.says("NUMBER", phone=SENA)
    assert CODE in ward.says("1", phone=SENA)
    ward.says(f"JOIN {CODE}", phone=STRANGER)

    [amend] = ward.asked
    assert (amend.kind, amend.about, amend.phone) == ("number", "TATU", STRANGER)


# ---- leave and hours -----------------------------------------------------------------------------


def test_leave_ends_on_the_morning_of_the_day_that_was_said() -> None:
    """BEGAN is 3 March, 11:00 in Nairobi; there a day begins at 21:00 UTC."""
    ward = Facility()

    ward.says("AWAY UNTIL 6/3")

    until = ward.unit.talk(ASHA).away_until
    assert until is not None
    assert until.isoformat() == "2025-03-05T21:00:00+00:00"
    ward.says("AWAY 3")
    assert ward.unit.talk(ASHA).away_until == until


@pytest.mark.parametrize("text", ["AWAY", "AWAY 0", "AWAY 367", "AWAY UNTIL 31/2", "AWAY soon",
                                  "AWAY -1", "AWAY 3.5"])  # fmt: skip
def test_leave_that_cannot_be_is_not_taken(text: str) -> None:
    ward = Facility()

    assert "AWAY 3" in ward.says(text)

    assert ward.unit.talk(ASHA).away_until is None


def test_a_date_that_is_past_is_next_years() -> None:
    ward = Facility()

    ward.says("AWAY UNTIL 1/3")

    until = ward.unit.talk(ASHA).away_until
    assert until is not None
    assert until.date().isoformat() == "2026-02-28"


def test_nobody_on_leave_is_offered_a_batch_or_told_of_one() -> None:
    ward = Facility()
    ward.says("AWAY 3", phone=BELA)
    ward.says("BAG-1")

    assert "Bela" not in ward.says("HAND")

    ward.passes(days=4)
    assert "Bela" in ward.says("HAND")


@pytest.mark.parametrize(
    ("text", "hours"),
    [("0700-1900", "07:00-19:00"), ("7:00-19:00", "07:00-19:00"), ("1900 - 0700", "19:00-07:00"),
     ("0700 1900", "07:00-19:00"), ("none", "")],
)  # fmt: skip
def test_hours_are_taken_as_people_write_them(text: str, hours: str) -> None:
    ward = Facility()

    ward.says(f"SHIFT {text}")

    assert [(a.kind, a.about, a.value) for a in ward.asked] == [("shift", "ASHA", hours)]


@pytest.mark.parametrize("text", ["7", "0700-0700", "2500-2600", "day"])
def test_hours_that_cannot_be_are_asked_again(text: str) -> None:
    ward = Facility()

    assert "SHIFT 0700-1900" in ward.says(f"SHIFT {text}")

    assert ward.asked == ()


# ---- sets ----------------------------------------------------------------------------------------

WITH_MODELS = replace(PLACE, models=("A", "B"))


def test_a_retired_set_is_not_ready_from_that_moment_on() -> None:
    ward = Facility()
    play(ward)
    assert ward.condition("BAG-1") == "READY"

    ward.says("RETIRE BAG-1", phone=CHIEF)
    assert ward.condition("BAG-1") == "READY"
    ward.says("1", phone=CHIEF)

    assert ward.condition("BAG-1") == "SET ASIDE"
    assert [(a.kind, a.about) for a in ward.asked] == [("retire", "BAG-1")]


def test_a_set_that_somebody_began_meanwhile_is_not_retired() -> None:
    ward = Facility()
    ward.says("RETIRE BAG-1", phone=CHIEF)
    ward.says("BAG-1")

    ward.says("1", phone=CHIEF)

    assert ward.asked == ()
    assert ward.condition("BAG-1") == "IN PROCESS"


def test_a_new_set_is_used_though_one_of_its_name_was_ready() -> None:
    ward = Facility(site=WITH_MODELS)
    play(ward)
    without = replace(WITH_MODELS, sets=tuple(s for s in PLACE.sets if s.id != "BAG-1"))
    ward.unit = replace(ward.unit, site=without)  # dropped by an import, never retired
    ward.says("NEW BAG-1 A", phone=CHIEF)

    ward.registers(replace(without, sets=(*without.sets, SetCard("BAG-1", "A", "bag", 7, METHODS))))

    assert ward.condition("BAG-1") == "USED"


@pytest.mark.parametrize("name", ["12", "1", "STATUS", "BAG-1", "BAG-12345", "BAG_1", "-1A"])
def test_a_name_that_would_be_taken_for_something_else_is_refused(name: str) -> None:
    ward = Facility(site=WITH_MODELS)

    ward.says(f"NEW {name} A", phone=CHIEF)

    assert ward.asked == ()


# ---- spare parts ---------------------------------------------------------------------------------


def test_spare_parts_are_an_alert_until_they_are_received() -> None:
    ward = Facility()
    ward.says("SPARES 2 valve leaves")
    [alert] = ward.unit.alerts.values()
    assert (alert.rule, alert.facts["spares"]) == ("supplies", "2 valve leaves")

    ward.says(f"RECEIVED {alert.id}", phone=BELA)

    assert ward.unit.alerts == {}
    assert any(alert.id in text and "received" in text for text in ward.to(ASHA))


def test_she_who_asked_is_told_when_the_supervisor_has_solved_it() -> None:
    ward = Facility()
    ward.says("SPARES 2 valve leaves")
    [alert] = ward.unit.alerts.values()

    ward.answers(Letter("l", ward.now, "solved", "SENA", "Sena", alert.id, "sent by car"))

    assert any("sent by car" in text for text in ward.to(ASHA))


def test_the_longest_request_for_spare_parts_fits_one_text() -> None:
    people = tuple(replace(p, name=NAME) for p in PLACE.people)
    ward = Facility(site=replace(PLACE, id=SITE_ID, people=people))
    ward.says("SPARES " + "w" * MOST_SPARES)
    [alert] = ward.unit.alerts.values()
    turn = Turn(ward.unit, ward.rules, ward.now)

    for person in (*people, *PLACE.supervisors):
        text = WORDING.render(told_prompt(turn, alert, person), "en", "UTC", False, False)
        assert "w" * MOST_SPARES in text
        assert fits(text), (len(text), text)


# ---- roles ---------------------------------------------------------------------------------------


def test_a_role_is_asked_for_by_number() -> None:
    ward = Facility()

    ward.says("ROLE Bela", "2", phone=CHIEF)

    assert [(a.kind, a.about, a.value) for a in ward.asked] == [("role", "BELA", "in_charge")]


def test_the_last_in_charge_stays() -> None:
    ward = Facility()

    assert "last in-charge" in ward.says("ROLE Chipo", "1", phone=CHIEF)

    assert ward.asked == ()


def test_somebody_with_a_batch_in_hand_is_not_removed() -> None:
    ward = Facility()
    ward.says("BAG-1", phone=BELA)

    assert "BAG-1" in ward.says("REMOVE Bela", "1", phone=CHIEF)

    assert ward.asked == ()


def test_who_leaves_is_asked_once_more_and_her_talk_ends() -> None:
    ward = Facility()
    ward.says("BRIEF", phone=BELA)
    ward.says("REMOVE Bela", phone=CHIEF)
    assert ward.asked == ()
    ward.says("1", phone=CHIEF)

    ward.registers(replace(PLACE, people=(PLACE.people[0], PLACE.people[2])), "BELA")

    assert BELA not in ward.unit.talks
