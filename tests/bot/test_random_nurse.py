"""Thousands of turns by people who answer well, badly, late, twice, in two places and in emoji.

Whatever they do, what is asserted in `watched` must hold after every single turn.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta
from typing import ClassVar

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from bot.site import SetCard
from flows.batch import METHODS, Batch
from tests.bot.watched import WatchedWard
from tests.mixing_stand import BLEACH, CUP, HTH, JUG, NADCC, SPOON
from tests.nurse import (
    ASHA,
    BELA,
    CHIEF,
    PLACE,
    PROTOCOL,
    SENA,
    STRANGER,
    right_answer,
)

SETS = (
    SetCard("BAG-1", "Bag model A", "bag", 7, METHODS),
    SetCard("BAG-2", "Bag model B", "bag", 9, ("chlorine", "autoclave")),
    SetCard("SUC-1", "Suction model B", "suction", 3, METHODS),
    SetCard("SUC-2", "Suction model C", "suction", 3, ("boiling", "steaming")),
)
# Bottles that are fresh, in doubt and unknown: what a mix may and may not go by.
STOCK = (BLEACH, replace(BLEACH, id="BL-2", opened=None), HTH, NADCC)
SITE = replace(PLACE, sets=SETS, stock=STOCK, soak_ml=5000, measures=(JUG, CUP, SPOON))
PHONES = (ASHA, BELA, CHIEF, SENA)

people = st.sampled_from(PHONES)
staff = st.sampled_from((ASHA, BELA, CHIEF))
digits = st.sampled_from([*"0123456789"])
numbers = st.sampled_from(
    ["7", "07", "3", "03", "9", "09", "0.5", "0,5 %", "2.5", "0.1", "41", "121", "250F", "15psi",
     "1.1bar", "30", "121 110 30", "7 3", "7 9", "3 3", "99999", "-1", "1e9", "1.", "2)"]
)  # fmt: skip
words = st.sampled_from(
    ["STATUS", "menu", "HAND", "TAKE", "PRACTISE", "GUIDED", "BRIEF", "PROBLEM", "DANGER", "LEFT",
     "USED", "OPENED", "opened BAG-1", "WET SUC-1 BAG-1", "BROKEN BAG-2", "STOP", "START", "HELP",
     "NEEDLE", "BLOOD", "SPLASH", "needle stick", "SEEN",
     "INFO", "CANCEL", "YES", "END", "MIX", "mix"]
)  # fmt: skip
FOUND = ("1", "1", "2", "3", "4", "5", "0", "00", "02", "11", "7", "x")
names = st.lists(st.sampled_from([s.id for s in SETS]), min_size=1, max_size=3).map(" ".join)
nonsense = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        ["", " ", "👶🏾", "1️⃣", "²", "١", "１", "½", "1 1", "12345678", "x" * 1000, "\x00", "1\n1",
         "{sets}", "BAG-9", "used", "used BAG-9", "*", "1*1", "\x1e1"]
    ),
)  # fmt: skip
texts = st.one_of(digits, digits, numbers, words, names, nonsense)
spans = st.sampled_from([1, 30, 300, 1199, 1200, 2400, 7200, 86400, 8 * 86400])


class RandomPeople(RuleBasedStateMachine):
    """What people, phones, clocks and gateways can do to one facility."""

    turns = 0
    ends: ClassVar[Counter[str]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        self.ward = WatchedWard(site=SITE)
        self.sessions = 0
        self.dialled: dict[str, list[str]] = {}

    def teardown(self) -> None:
        type(self).turns += self.ward.turns
        self.ends.update(p.batch.outcome for p in self.ward.pushes if p.batch.outcome)

    # ---- SMS -----------------------------------------------------------------------------

    @rule(phone=people, text=texts, late=st.sampled_from([None, 0, 60]))
    def texts_something(self, phone: str, text: str, late: int | None) -> None:
        sent = None if late is None else self.ward.now - timedelta(seconds=late)
        self.ward.says(text, phone=phone, sent_at=sent)

    @rule(phone=staff, several=st.lists(digits, min_size=2, max_size=6))
    def texts_several_digits(self, phone: str, several: list[str]) -> None:
        self.ward.says(*several, phone=phone)

    @rule(phone=staff, several=st.lists(st.sampled_from("1234567"), max_size=2))
    def mixes(self, phone: str, several: list[str]) -> None:
        """From the list to the label at most: nothing of it answers a batch."""
        before = self.ward.unit.batches
        self.ward.says("MIX", *several, phone=phone)
        assert self.ward.unit.batches == before

    @rule(phone=staff, several=st.lists(st.sampled_from(FOUND), max_size=8))
    def checks(self, phone: str, several: list[str]) -> None:
        """Whatever is found at a check, nothing of it answers a batch or makes a set READY."""
        before, ready = self.ward.unit.batches, self._ready_now()
        for text in ("CHECK", *several):
            if text == "CHECK" or self.ward.unit.talk(phone).screen.startswith("check_"):
                self.ward.says(text, phone=phone)
        assert self.ward.unit.batches == before
        assert self._ready_now() <= ready

    def _ready_now(self) -> set[str]:
        return {s.id for s in SETS if self.ward.condition(s.id) == "READY"}

    @rule(phone=staff, asked=st.sampled_from([("EXPIRY",), ("NEED", "30"), ("NEED", "08", "0")]))
    def asks(self, phone: str, asked: tuple[str, ...]) -> None:
        """What is only asked answers no batch."""
        before = self.ward.unit.batches
        self.ward.says(*asked, phone=phone)
        assert self.ward.unit.batches == before

    @rule(phone=staff, sets=names, turns=st.integers(3, 40), method=st.sampled_from(METHODS))
    def works_well(self, phone: str, sets: str, turns: int, method: str) -> None:
        for _ in range(turns):
            self.ward.says(self._well(phone, sets, method), phone=phone)
            self.ward.passes(seconds=5)

    def _well(self, phone: str, sets: str, method: str) -> str:
        talk = self.ward.unit.talk(phone)
        batch = self._held(phone)
        if batch is None:
            return sets
        if talk.screen:
            return "0"
        if batch.stage == "aside":
            return "0"
        ways = PROTOCOL.methods_for(batch)
        wanted = next((m for m in METHODS if m == method and m in ways), None)
        if batch.stage == "method" and wanted is None:
            return "1"
        return right_answer(self.ward, wanted or "chlorine", phone)

    def _held(self, phone: str) -> Batch | None:
        batch = self.ward.unit.batches.get(self.ward.unit.talk(phone).batch)
        person = self.ward.unit.site.person(phone)
        return batch if batch and person and batch.holder == person.id else None

    @rule(phone=staff, back=st.integers(1, 12), last=st.sampled_from("12"))
    def takes_answers_back(self, phone: str, back: int, last: str) -> None:
        """All the way back asks whether it was begun by mistake; 2 says so."""
        self.ward.says(*["0"] * back, last, phone=phone)

    @rule(phone=staff, sets=names, last=st.sampled_from("12"))
    def begins_by_mistake(self, phone: str, sets: str, last: str) -> None:
        self.ward.says(sets, "0", last, phone=phone)

    @rule(phone=staff, digits=st.sampled_from(["8331", "8332", "8341", "85", "862", "84", "87"]))
    def has_a_problem(self, phone: str, digits: str) -> None:
        self.ward.says(*digits, phone=phone)

    @rule(phone=staff, sets=names, turns=st.integers(0, 4))
    def misses_a_piece(self, phone: str, sets: str, turns: int) -> None:
        """Some way into a batch, and there is no spare."""
        self.works_well(phone, sets, turns, "chlorine")
        self.ward.says(*"8331", phone=phone)

    @rule(text=texts)
    def a_stranger_texts(self, text: str) -> None:
        self.ward.says(text, phone=STRANGER)

    # ---- USSD ----------------------------------------------------------------------------

    @rule(phone=staff)
    def dials_anew(self, phone: str) -> None:
        self.sessions += 1
        self.dialled[phone] = []
        self.ward.dials("", session=self._session(phone), phone=phone)

    @rule(phone=staff, answers=st.lists(texts, min_size=1, max_size=5))
    def answers_by_ussd(self, phone: str, answers: list[str]) -> None:
        for text in answers:
            said = self.dialled.setdefault(phone, [])
            said.append(text)
            self.ward.dials("*".join(said), session=self._session(phone), phone=phone)

    @rule(phone=staff, back=st.integers(0, 3))
    def gateway_repeats_a_request(self, phone: str, back: int) -> None:
        """Within a session: one that an SMS cut off is known by the ids of its requests alone."""
        if self.ward.unit.talk(phone).ussd_session != self._session(phone):
            return
        said = self.dialled.setdefault(phone, [])
        kept = said[: max(len(said) - back, 0)]
        before = self.ward.unit.batches
        self.ward.dials("*".join(kept), session=self._session(phone), phone=phone)
        assert self.ward.unit.batches == before, "a repeated request was an answer"

    @rule(phone=staff, lost=st.lists(digits, min_size=1, max_size=2), text=digits)
    def gateway_loses_requests(self, phone: str, lost: list[str], text: str) -> None:
        said = self.dialled.setdefault(phone, [])
        said += [*lost, text]
        self.ward.dials("*".join(said), session=self._session(phone), phone=phone)

    def _session(self, phone: str) -> str:
        return f"{phone}-{self.sessions}"

    # ---- clocks and gateways ---------------------------------------------------------------

    @rule(seconds=spans, bells=st.booleans())
    def time_passes(self, seconds: int, bells: bool) -> None:
        until = self.ward.now + timedelta(seconds=seconds)
        while bells and self.ward.timers and (due := min(self.ward.timers.values())) <= until:
            self.ward.passes(seconds=max((due - self.ward.now).total_seconds(), 0))
            self.ward.bells()
        self.ward.passes(seconds=max((until - self.ward.now).total_seconds(), 0))

    @rule(minutes=st.sampled_from([-120, -5, 5, 120]))
    def somebody_sets_the_clock(self, minutes: int) -> None:
        self.ward.wall_jumps(minutes=minutes)

    @rule(times=st.integers(1, 2))
    def bells_ring_early_late_or_twice(self, times: int) -> None:
        for batch_id in [*self.ward.unit.batches, "KORA-20200101-000000-1"] * times:
            self.ward.bell(batch_id)

    @rule(phone=st.sampled_from((*PHONES, STRANGER)), delivered=st.booleans())
    def receipts_come(self, phone: str, delivered: bool) -> None:
        for kind in ("bell", "ask"):
            for batch_id in [*self.ward.unit.batches, "KORA-20200101-000000-1"]:
                self.ward.receipt(batch_id, phone, delivered=delivered, kind=kind)

    @rule(gone=st.sampled_from(["", "ASHA", "BELA", "CHIEF", "SENA"]))
    def the_register_changes(self, gone: str) -> None:
        """One person left it, or whoever had left is back."""
        people = tuple(p for p in SITE.people if p.id != gone)
        above = tuple(p for p in SITE.supervisors if p.id != gone)
        site = replace(SITE, people=people, supervisors=above)
        self.ward.unit = replace(self.ward.unit, site=site)

    @rule(machine=st.booleans())
    def process_restarts(self, machine: bool) -> None:
        before = self.ward.unit
        self.ward.restarts(machine=machine)
        assert self.ward.unit == before


ENOUGH = settings(
    max_examples=200,
    stateful_step_count=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)


def test_whatever_people_do_everything_holds_after_every_turn() -> None:
    """And it was no idle talk: thousands of turns, and batches came to every kind of end."""
    run_state_machine_as_test(RandomPeople, settings=ENOUGH)

    assert RandomPeople.turns > 5000
    assert set(RandomPeople.ends) == {"released", "cancelled", "set aside"}
    assert min(RandomPeople.ends.values()) >= 5
