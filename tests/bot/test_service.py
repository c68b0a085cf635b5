"""The loop with a small step: answers, repeats, races, bells, receipts, messages, records."""

from __future__ import annotations

import logging
import threading
from dataclasses import replace
from typing import TYPE_CHECKING, Literal, NamedTuple

import pytest

from bot.clock import new_tick, utc_now
from bot.effects import Prompt, Reply, SetTimer, Step
from bot.errors import BotError
from bot.events import Event, Heard, Rang, Receipt
from bot.model import Unit
from bot.outbox import Outgoing
from bot.sessions import Change
from bot.site_pages import publish

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Everything
    from tests.workbench import Bench

NURSE, AIDE, CHIEF, STRANGER = "+12025550101", "+12025550102", "+12025550109", "+12025550199"


class Form(NamedTuple):
    message_id: str
    status: Literal["delivered", "failed", "pending"]
    reason: str = ""


def with_step(bench: Bench, step: object) -> None:
    bench.service = replace(bench.service, step=step)  # type: ignore[arg-type]


def kinds(bench: Bench, batch_id: str = "B1") -> list[str]:
    """The log of an open batch, as kinds."""
    return [entry.kind for entry in bench.unit().batches[batch_id].log]


# ---- people --------------------------------------------------------------------------------------


def test_a_ussd_answer_is_the_body_and_costs_no_message(bench: Bench) -> None:
    assert bench.hears(NURSE, "count", "e1", "ussd") == "CON counted 1 [en]"
    bench.works()
    assert bench.gateway.sent == []


def test_a_ussd_answer_costs_two_round_trips(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.hears(NURSE, "count", "e1", "ussd")  # from here on Redis knows the scripts
    client, asked = bench.redis, list[object]()
    plain: Callable[..., object] = client.execute_command

    def counted(*words: object, **options: object) -> object:
        asked.append(words[0])
        return plain(*words, **options)

    monkeypatch.setattr(client, "execute_command", counted)
    bench.hears(NURSE, "open B1", "e2", "ussd")
    assert asked == ["EVALSHA", "EVALSHA"]


def test_an_answer_that_ends_the_session_says_so(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    assert bench.hears(NURSE, "close B1", "e2", "ussd") == "END closed [en]"


def test_an_sms_is_answered_by_an_sms_in_the_persons_language(bench: Bench) -> None:
    assert bench.hears(AIDE, "count", "e1") == ""
    bench.works()
    assert bench.gateway.sent == [(AIDE, "counted 1 [fr]")]


@pytest.mark.parametrize("channel", ["sms", "ussd"])
def test_a_repeat_gets_the_same_answer_and_changes_nothing(
    bench: Bench, everything: Everything, channel: str
) -> None:
    body = bench.hears(NURSE, "count", "e1", channel)
    before = everything()
    assert bench.hears(NURSE, "count", "e1", channel) == body
    assert everything() == before


def test_a_step_that_fails_writes_nothing_and_is_heard_of_without_the_phone(
    bench: Bench, everything: Everything, caplog: pytest.LogCaptureFixture
) -> None:
    before = everything()
    with caplog.at_level(logging.INFO), pytest.raises(KeyError):
        bench.hears(NURSE, "fail", "e1")
    assert everything() == before
    assert "KeyError at workbench.py" in caplog.text
    assert NURSE not in caplog.text


def test_the_same_message_is_taken_once_the_step_is_mended(bench: Bench) -> None:
    working = bench.service.step
    with_step(bench, lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        bench.hears(NURSE, "count", "e1", "ussd")
    with_step(bench, working)
    assert bench.hears(NURSE, "count", "e1", "ussd") == "CON counted 1 [en]"


@pytest.mark.parametrize("replies", [0, 2])
def test_a_ussd_turn_has_exactly_one_answer(bench: Bench, replies: int) -> None:
    with_step(bench, lambda unit, _: Step(unit, (Reply(Prompt("x")),) * replies))
    with pytest.raises(BotError):
        bench.hears(NURSE, "1", "e1", "ussd")
    assert bench.unit().version == 0


def test_the_step_is_told_the_running_time(bench: Bench) -> None:
    seen: list[Event] = []

    def step(unit: Unit, event: Event) -> Step:
        seen.append(event)
        return Step(unit, ())

    with_step(bench, step)
    bench.hears(NURSE, "1", "e1")
    assert isinstance(seen[0], Heard)
    assert seen[0].tick == bench.clock.tick()


def test_a_turn_overtaken_by_another_is_taken_again_on_the_newer_unit(bench: Bench) -> None:
    working, overtaken = bench.service.step, list[int]()

    def step(unit: Unit, event: Event) -> Step:
        if not overtaken:
            overtaken.append(unit.version)
            other = bench.heard(AIDE, "count", "e-other")
            bench.service.sessions.commit(unit, replace(unit, serial=7), Change(other))
        return working(unit, event)

    with_step(bench, step)
    assert bench.hears(NURSE, "count", "e1", "ussd") == "CON counted 8 [en]"


def test_a_turn_overtaken_for_ever_gives_up_aloud(bench: Bench) -> None:
    working = bench.service.step

    def step(unit: Unit, event: Event) -> Step:
        other = bench.heard(AIDE, "count", f"e-{unit.version}")
        bench.service.sessions.commit(unit, unit, Change(other))
        return working(unit, event)

    with_step(bench, step)
    with pytest.raises(BotError):
        bench.hears(NURSE, "count", "e1", "ussd")
    assert bench.unit().serial == 0


def test_people_who_answer_at_once_are_each_heard_once(bench: Bench) -> None:
    bodies: list[str] = []

    def speak(name: str) -> None:
        bodies.extend(bench.hears(NURSE, "count", f"{name}-{n}", "ussd") for n in range(5))

    racers = [threading.Thread(target=speak, args=(name,)) for name in ("a", "a", "b", "c")]
    for racer in racers:
        racer.start()
    for racer in racers:
        racer.join()
    assert bench.unit().serial == 15
    assert set(bodies) == {f"CON counted {n} [en]" for n in range(1, 16)}
    assert len(bodies) == 20


# ---- strangers -----------------------------------------------------------------------------------


def test_a_stranger_is_answered_by_sms_once_a_day(bench: Bench) -> None:
    for n in range(5):
        assert bench.hears(STRANGER, "hello", f"e{n}") == ""
    bench.works()
    assert bench.gateway.sent == [(STRANGER, "stranger.sms [en]")]
    assert 0 < bench.redis.ttl(f"sb:stranger:{STRANGER}") <= 86400


def test_a_stranger_on_ussd_is_always_answered_and_nothing_is_kept(
    bench: Bench, everything: Everything
) -> None:
    before = everything()
    for n in range(3):
        assert bench.hears(STRANGER, "1", f"e{n}", "ussd") == "END stranger.ussd [en]"
    assert everything() == before


# ---- segments ------------------------------------------------------------------------------------


def test_segments_of_sms_are_counted_on_their_batch(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1")  # a text of two segments, as the bench counts
    bench.hears(NURSE, "say a b c", "e2", "ussd")  # three of one; the screen costs nothing
    assert bench.unit().batches["B1"].segments == 5


def test_the_last_segment_of_a_closed_batch_is_in_what_is_recorded(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1")
    bench.hears(NURSE, "close B1", "e2")
    bench.works()
    assert bench.store.kept["B1"].batch.segments == 3


# ---- bells ---------------------------------------------------------------------------------------


def test_a_bell_rings_when_it_is_due_and_not_before(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    bench.clock.passes(minutes=9, seconds=59)
    bench.works()
    assert bench.gateway.sent == []
    bench.clock.passes(seconds=1)
    bench.works()
    assert bench.gateway.texts(NURSE) == ["bell"]


def test_a_ring_lost_with_its_worker_comes_again(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    now = bench.clock.passes(minutes=10).timestamp()
    assert bench.service.timers.lease(now, 9) == ["S1|B1"]  # and the worker is killed here
    bench.clock.passes(seconds=34)
    bench.works()
    assert bench.gateway.sent == []
    bench.clock.passes(seconds=1)
    bench.works()
    assert bench.gateway.texts(NURSE) == ["bell"]


def test_a_ring_made_twice_rings_once(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    bench.clock.passes(minutes=10)
    bench.service.ring(["S1|B1"])
    bench.clock.passes(seconds=1)
    bench.service.ring(["S1|B1"])
    bench.works()
    assert bench.gateway.texts(NURSE) == ["bell"]


def test_the_batch_of_a_closed_or_cleared_timer_stays_silent(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    bench.hears(NURSE, "open B2", "e2", "ussd")
    bench.hears(NURSE, "close B1", "e3", "ussd")  # this step forgets to clear its timer
    bench.hears(NURSE, "stop B2", "e4", "ussd")
    assert bench.service.timers.depth() == 0
    bench.clock.passes(minutes=10)
    bench.service.ring(["S1|B1", "S1|B2"])
    bench.works()
    assert bench.gateway.sent == []


def test_the_timer_of_a_batch_that_is_nowhere_goes_away(bench: Bench) -> None:
    unit, event = bench.unit(), bench.heard(NURSE, "1", "e1")
    timers = (SetTimer("B9", bench.clock()),)
    bench.service.sessions.commit(unit, unit, Change(event, timers=timers))
    bench.works()
    assert bench.service.timers.depth() == 0


@pytest.mark.parametrize(("soaking", "left"), [(True, 1), (False, 0)])
def test_a_ring_that_sets_no_next_one_stays_only_while_an_exposure_runs(
    bench: Bench, soaking: bool, left: int
) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    unit = bench.unit()
    due = bench.clock() if soaking else None
    done = unit.put_batch(replace(unit.batches["B1"], due=due))
    bench.service.sessions.commit(unit, done, Change(bench.heard(NURSE, "x", "e2")))
    with_step(bench, lambda unit, _: Step(unit, ()))
    bench.clock.passes(minutes=10)
    bench.works()
    assert bench.service.timers.depth() == left


def test_a_spoiled_timer_is_put_off_and_the_others_ring(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    for batch_id in ("B1", "B2", "B3"):
        bench.hears(NURSE, f"open {batch_id}", batch_id, "ussd")
    unit = bench.unit()
    bad = replace(unit.batches["B2"], stage="spoiled")
    change = Change(bench.heard(NURSE, "x", "e-bad"))
    bench.service.sessions.commit(unit, unit.put_batch(bad), change)
    bench.clock.passes(minutes=10)
    bench.works()
    assert (kinds(bench, "B1"), kinds(bench, "B3")) == (["opened", "rang"], ["opened", "rang"])
    assert NURSE not in caplog.text
    later = bench.clock.passes(seconds=59).timestamp()
    assert bench.service.timers.lease(later, 9) == []
    assert bench.service.timers.lease(later + 1, 9) == ["S1|B2"]
    assert bench.service.timers.oldest(later + 1) == 60


def test_a_unit_that_cannot_be_read_does_not_silence_other_units(bench: Bench) -> None:
    other = replace(bench.unit().site, id="S2")
    publish(bench.redis, [bench.unit().site, other], {NURSE: "S1", AIDE: "S2"})
    bench.hears(NURSE, "open B1", "e1", "ussd")
    bench.hears(AIDE, "open B2", "e2", "ussd")
    bench.redis.hset("sb:unit:S1", "batch:B1", "{}")
    bench.clock.passes(minutes=10)
    bench.works()
    assert [e.kind for e in bench.unit("S2").batches["B2"].log] == ["opened", "rang"]
    assert bench.service.timers.depth() == 2


def test_two_bells_of_one_unit_in_one_job_both_count(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    bench.hears(NURSE, "open B2", "e2", "ussd")
    bench.clock.passes(minutes=10)
    bench.works()
    assert [b.bells for b in bench.unit().batches.values()] == [1, 1]
    assert bench.gateway.texts(NURSE) == ["bell", "bell"]


def test_a_ring_overtaken_by_a_person_is_made_again(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1", "ussd")
    working, overtaken = bench.service.step, list[int]()

    def step(unit: Unit, event: Event) -> Step:
        if isinstance(event, Rang) and not overtaken:
            overtaken.append(unit.version)
            other = bench.heard(AIDE, "count", "e-other")
            bench.service.sessions.commit(unit, replace(unit, serial=70), Change(other))
        return working(unit, event)

    with_step(bench, step)
    bench.clock.passes(minutes=10)
    bench.works()
    unit = bench.unit()
    assert (unit.serial, unit.batches["B1"].bells) == (70, 1)
    assert bench.gateway.texts(NURSE) == ["bell"]


# ---- receipts ------------------------------------------------------------------------------------


def rung(bench: Bench) -> str:
    """Open a batch and let its bell be sent. Returns the gateway's id of the message."""
    bench.hears(NURSE, "open B1", "e1", "ussd")
    bench.clock.passes(minutes=10)
    bench.works()
    return f"m{len(bench.gateway.sent)}"


def test_a_receipt_finds_its_batch(bench: Bench) -> None:
    bench.service.receive(Form(rung(bench), "delivered"))
    assert kinds(bench) == ["opened", "rang", "delivered"]


def test_a_bell_that_did_not_arrive_is_told_once(bench: Bench) -> None:
    message_id = rung(bench)
    for _ in range(3):
        bench.service.receive(Form(message_id, "failed"))
    bench.works()
    assert kinds(bench) == ["opened", "rang", "undelivered"]
    assert bench.gateway.texts(CHIEF) == ["not_reached"]


def test_pending_and_unknown_receipts_change_nothing(bench: Bench, everything: Everything) -> None:
    message_id = rung(bench)
    before = everything()
    bench.service.receive(Form(message_id, "pending"))
    bench.service.receive(Form("m-other", "failed"))
    assert everything() == before


# ---- messages out --------------------------------------------------------------------------------


def test_a_gateway_that_is_down_keeps_the_order_of_each_phone(bench: Bench) -> None:
    bench.hears(NURSE, "say a b", "e1", "ussd")
    bench.gateway.down.add(NURSE)
    bench.works()
    bench.hears(NURSE, "say c", "e2", "ussd")
    bench.hears(AIDE, "say x", "e3", "ussd")
    bench.works()
    assert bench.gateway.sent == [(AIDE, "x [fr]")]
    bench.gateway.down.clear()
    bench.clock.passes(seconds=5)
    bench.works()
    assert bench.gateway.texts(NURSE) == ["a", "b", "c"]


def test_a_gateway_that_goes_down_in_the_middle_goes_on_where_it_was(bench: Bench) -> None:
    bench.hears(NURSE, "say a b c", "e1", "ussd")
    send, gateway = bench.gateway.send, bench.gateway

    class Falters:
        """Down from the second message on."""

        def send(self, phone: str, text: str) -> object:
            gateway.down = {NURSE} if gateway.sent else set()
            return send(phone, text)

    whole = bench.service
    bench.service = replace(whole, gateway=Falters())  # type: ignore[arg-type]
    bench.works()
    assert gateway.texts(NURSE) == ["a"]
    gateway.down.clear()
    bench.service = whole
    bench.clock.passes(seconds=5)
    bench.works()
    assert gateway.texts(NURSE) == ["a", "b", "c"]


def test_after_three_failures_in_a_row_the_rest_wait_for_their_lease(bench: Bench) -> None:
    phones = [f"+120255501{n:02}" for n in range(10, 20)]
    for n, phone in enumerate(phones):
        item = Outgoing(f"i{n}", phone, "hello", "note", bench.clock())
        bench.service.outbox.put_once(item, f"sb:g{n}", 9)
    bench.gateway.down.update(phones)
    bench.works()
    assert bench.gateway.tries == 3
    bench.gateway.down.clear()
    bench.clock.passes(seconds=60)
    bench.works()
    assert sorted(to for to, _ in bench.gateway.sent) == phones


def test_a_refused_bell_is_buried_and_someone_is_told(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.gateway.refused.add(NURSE)
    rung(bench)
    bench.works()
    assert kinds(bench) == ["opened", "rang", "undelivered"]
    assert bench.gateway.texts(CHIEF) == ["not_reached"]
    assert bench.service.outbox.dead() == 1
    assert bench.service.outbox.depth() == 0
    assert NURSE not in caplog.text


def test_a_refused_message_of_no_batch_is_buried(bench: Bench) -> None:
    bench.gateway.refused.add(STRANGER)
    bench.hears(STRANGER, "hello", "e1")
    bench.works()
    assert (bench.service.outbox.dead(), bench.service.outbox.depth()) == (1, 0)


def test_a_refusal_that_is_told_but_not_yet_buried_is_told_once(bench: Bench) -> None:
    """Killed between telling and burying, the next worker is refused again."""
    bench.gateway.refused.add(NURSE)
    bench.hears(NURSE, "open B1", "e1", "ussd")
    bench.clock.passes(minutes=10)
    bench.service.ring(["S1|B1"])
    rang_at = bench.clock().isoformat()
    told = Receipt(
        f"refused:rang:S1|B1:{rang_at}.0", NURSE, "B1", "bell", delivered=False, at=bench.clock()
    )
    unit = bench.unit()
    turn = bench.service.step(unit, told)
    bench.service.sessions.commit(unit, turn.unit, Change(told))
    bench.works()
    assert kinds(bench) == ["opened", "rang", "undelivered"]
    assert bench.service.outbox.dead() == 1


def test_a_message_that_breaks_the_gateway_is_put_off_and_the_others_go(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.gateway.broken.add(NURSE)
    bench.hears(NURSE, "say a", "e1", "ussd")
    bench.hears(AIDE, "say b", "e2", "ussd")
    bench.works()
    assert bench.gateway.texts(AIDE) == ["b"]
    assert NURSE not in caplog.text
    bench.gateway.broken.clear()
    bench.clock.passes(seconds=5)
    bench.works()
    assert bench.gateway.texts(NURSE) == ["a"]


# ---- records out ---------------------------------------------------------------------------------


def test_an_open_batch_and_its_end_are_recorded(bench: Bench) -> None:
    bench.hears(NURSE, "open B1", "e1")
    bench.works()
    assert [e.kind for e in bench.store.kept["B1"].batch.log] == ["opened"]
    bench.hears(NURSE, "close B1", "e2")
    bench.works()
    assert [e.kind for e in bench.store.kept["B1"].batch.log] == ["opened", "closed"]
    assert bench.service.pushes.depth() == 0


def test_a_closed_batch_is_held_until_the_store_has_it(bench: Bench) -> None:
    bench.store.down = True
    bench.hears(NURSE, "open B1", "e1")
    bench.hears(NURSE, "close B1", "e2")
    bench.works()
    assert bench.unit().batches == {}
    bench.store.down = False
    bench.clock.passes(seconds=4)
    bench.works()
    assert bench.store.kept == {}
    bench.clock.passes(seconds=1)
    bench.works()
    assert [e.kind for e in bench.store.kept["B1"].batch.log] == ["opened", "closed"]


def test_a_record_that_the_store_chokes_on_does_not_hold_up_the_rest(bench: Bench) -> None:
    for batch_id in ("B1", "B2", "B3"):
        bench.hears(NURSE, f"open {batch_id}", batch_id)
    bench.store.poison = "B2"
    bench.works()
    assert sorted(bench.store.kept) == ["B1", "B3"]
    bench.store.poison = ""
    bench.clock.passes(seconds=5)
    bench.works()
    assert sorted(bench.store.kept) == ["B1", "B2", "B3"]


# ---- clocks --------------------------------------------------------------------------------------


def test_the_wall_clock_is_aware_and_in_utc() -> None:
    offset = utc_now().utcoffset()
    assert offset is not None
    assert not offset


def test_the_running_time_never_goes_back_and_keeps_its_name() -> None:
    tick = new_tick()
    (name, first), (again, second) = tick(), tick()
    assert name == again != ""
    assert second >= first


def test_where_boots_have_no_name_each_process_run_has_its_own(tmp_path: Path) -> None:
    one, two = new_tick(tmp_path / "none"), new_tick(tmp_path / "none")
    assert one()[0] == one()[0] != two()[0]
