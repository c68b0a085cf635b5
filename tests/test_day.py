"""A day of a district, from the first text in the morning to what the desk shows in the evening.

The people are invented and the faults are made; everything else is the real thing, called through
the gateway's webhooks on a clock that the day moves. What is asserted is read from outside: texts
on phones, the API, the messages that went out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise

import pytest

from bot.outbox import DELAYS
from flows.release import findings
from tests.day_stand import DAWN, SKIPS_CHECK, SUPERVISOR, Day, Row, lived, moment
from tests.mishaps import DOWN_MINUTES

STARTS = {"exposure_started": "exposed", "vinegar_started": "vinegar_out"}
JUMA = "P8"
SECOND = timedelta(seconds=1)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Day]:
    with lived(tmp_path_factory.mktemp("day")) as made:
        yield made


# ---- READY -------------------------------------------------------------------------------------


def test_a_whole_day_was_played(day: Day) -> None:
    methods = {batch["method"] for batch in day.batches.values()}

    assert len(day.batches) >= 28
    assert {"chlorine", "boiling", "steaming", "autoclave"} <= methods
    assert {b["outcome"] for b in day.batches.values()} >= {"released", ""}
    for mishap in day.crowd.mishaps:
        assert day.mishap(mishap.name)


def test_whatever_was_called_ready_is_one_released_batch_with_nothing_against_it(day: Day) -> None:
    released = {i: b for i, b in day.batches.items() if b["outcome"] == "released"}
    told = day.told_ready()

    assert len(told) == len(released)
    for at, sets in told:
        assert [i for i, b in released.items()
                if moment(b["closed_at"]) == at and set(b["sets"]) == sets]  # fmt: skip
    for batch_id in released:
        whole = day.world.parts.store.document(batch_id)
        assert whole
        assert findings(whole, day.world.parts.rules.protocol_of(whole)) == []


def test_no_set_is_ready_without_its_batch_nor_after_it_was_used(day: Day) -> None:
    newest = {s: b for b in day.batches.values() for s in b["sets"]}
    opened = day.mishap("left")

    assert {row["condition"] for row in day.sets} >= {"READY", "IN PROCESS", "USED"}
    for row in day.sets:
        last = newest.get(row["id"])
        if row["condition"] == "READY":
            assert last
            assert (last["id"], last["outcome"]) == (row["batch"], "released")
        elif last and not last["outcome"]:
            assert row["condition"] == "IN PROCESS"
        if row["id"] == opened.batch and last and moment(last["opened_at"]) < opened.at:  # type: ignore[operator]
            assert row["condition"] == "USED"


# ---- bells -------------------------------------------------------------------------------------


def exposures(day: Day, batch: Row) -> Iterator[tuple[datetime, datetime | None, list[Row]]]:
    """Each exposure: when it was over by the protocol, when the pieces came out (None: they did not
    or too early), and what rang in between."""
    log, cycle = batch["log"], ""
    whole = day.world.parts.store.document(batch["id"])
    assert whole
    protocol = day.world.parts.rules.protocol_of(whole)
    for n, entry in enumerate(log):
        cycle = entry["facts"].get("cycle", cycle)
        if entry["kind"] != "answered" or entry["mark"] not in STARTS:
            continue
        what = "vinegar" if entry["mark"] == "vinegar_started" else batch["method"]
        due = moment(entry["at"]) + timedelta(seconds=protocol.exposure_seconds(what, cycle))
        after = []
        for later in log[n + 1 :]:
            after.append(later)
            if later["mark"] == STARTS[entry["mark"]] or later["kind"] in (
                "interrupted", "again", "taken_back", "closed"):  # fmt: skip
                break
        out = after[-1] if after and after[-1]["mark"] == STARTS[entry["mark"]] else None
        yield due, moment(out["at"]) if out else None, [e for e in after if e["kind"] == "rang"]


def test_every_exposure_that_ended_rang_once_at_its_time(day: Day) -> None:
    rung = 0
    for batch in day.batches.values():
        for due, out, rang in exposures(day, batch):
            bells = [moment(e["at"]) for e in rang if e["mark"] == "bell"]
            if out is None:
                continue
            assert out >= due
            assert len(bells) == 1, f"{batch['id']} rang {len(bells)} times"
            assert abs(bells[0] - due) < SECOND
            sent = [m for m in day.bells[batch["id"]] if abs(moment(m["at"]) - due) < SECOND]
            assert len(sent) == 1 + ("failed" in {m["state"] for m in sent})
            assert "delivered" in {m["state"] for m in sent}
            rung += 1
    assert rung >= 20


def test_where_her_phone_was_off_a_colleague_was_rung(day: Day) -> None:
    mishap = day.mishap("phone off")
    missed = [m for m in day.bells[mishap.batch] if m["state"] == "failed"]
    rung = {m["person"] for m in day.bells[mishap.batch] if m["state"] == "delivered"}

    assert {m["person"] for m in missed} == {mishap.person}
    assert rung == others(day, mishap.site, mishap.person)


def test_what_the_gateway_did_not_take_went_out_when_it_was_there_again(day: Day) -> None:
    mishap = day.mishap("gateway down")
    first = min(day.bells[mishap.batch], key=lambda m: m["at"])
    late = moment(first["sent_at"]) - moment(first["at"])

    assert first["state"] == "delivered"
    assert first["tries"] > 1
    assert timedelta(minutes=1) < late < timedelta(minutes=DOWN_MINUTES, seconds=DELAYS[-1])


# ---- alerts ------------------------------------------------------------------------------------


def others(day: Day, site: str, by: str, role: str = "") -> set[str]:
    """Who else works there, of *role* or of any."""
    return {p.id for p in day.crowd.sites[site].people if p.id != by and role in ("", p.role)}


def told(alert: Row) -> dict[str, datetime]:
    """When each person was told first."""
    found: dict[str, datetime] = {}
    for line in alert["history"]:
        if line["what"] == "told":
            found.setdefault(line["by"], moment(line["at"]))
    return found


def test_pieces_forgotten_in_the_soak_are_told_step_by_step(day: Day) -> None:
    mishap = day.mishap("forgotten")
    alert = day.about("left_in", mishap.batch)
    due = next(due for due, *_ in exposures(day, day.batches[mishap.batch]))
    heard = told(alert)

    assert heard.keys() == {*others(day, mishap.site, mishap.person), JUMA}
    # flows/alerts/default.toml: ten minutes after the bell, ten and twenty more.
    assert min(heard.values()) == due + timedelta(minutes=10)
    assert heard[JUMA] <= due + timedelta(minutes=40)
    # She took them out at last, unless somebody above called it solved before.
    assert alert["state"] in ("over", "solved")


def test_an_exposure_cut_short_twice_is_one_alert_of_two(day: Day) -> None:
    mishap = day.mishap("cut short")
    again = day.mishap("cut short again")
    alert = day.about("step", mishap.batch)

    assert alert["count"] == 2
    assert told(alert).keys() == {*others(day, mishap.site, mishap.person, "in_charge"), JUMA}
    assert moment(alert["at"]) == mishap.at
    assert moment(alert["last_at"]) == again.at
    assert day.batches[mishap.batch]["outcome"] == "released"  # done again and whole
    assert [due for due, out, _ in exposures(day, day.batches[mishap.batch]) if out]


def test_a_failed_indicator_a_phone_that_is_off_and_a_set_left_lying_are_told(day: Day) -> None:
    failed, off, left = (day.mishap(name) for name in ("indicator", "phone off", "left"))
    load = day.about("load", failed.batch)
    bell = next(a for a in day.alerts.values()
                if a["rule"] == "undelivered" and a["batch"] == off.batch)  # fmt: skip
    lying = day.about("unstarted", left.batch)

    above = {*others(day, failed.site, failed.person, "in_charge"), JUMA}
    assert told(load) == dict.fromkeys(above, failed.at)
    assert bell["count"] > 1  # the bell, and each reminder
    assert told(bell).keys() == {*others(day, off.site, off.person, "in_charge"), JUMA}
    assert left.at
    assert told(lying).keys() == {*others(day, left.sites[0], ""), JUMA}
    assert moment(lying["at"]) == left.at + timedelta(hours=2)
    assert told(lying)[JUMA] == left.at + timedelta(hours=2 + 1 + 3)


def test_a_shift_check_that_nobody_did_is_told(day: Day) -> None:
    alert = day.about("check", "facility")

    assert alert["facility"] == SKIPS_CHECK
    assert told(alert).keys() == others(day, SKIPS_CHECK, "")
    assert min(told(alert).values()) == DAWN + timedelta(hours=2 + 1)  # due at 08:00, an hour on
    checks = day.world.api("checks?limit=1000")["checks"]
    assert {c["facility"] for c in checks if c["done"]} == set(day.crowd.sites) - {SKIPS_CHECK}


def test_every_step_that_went_wrong_in_a_log_has_its_alert(day: Day) -> None:
    rules = day.world.parts.rules.alerts
    found = 0
    for batch in day.batches.values():
        for entry in batch["log"]:
            rule = rules.for_reason(entry["mark"]) if entry["kind"] == "told" else None
            if rule:
                raised = [a for a in day.alerts.values()
                          if (a["rule"], a["batch"]) == (rule.id, batch["id"])]  # fmt: skip
                assert any(moment(a["at"]) <= moment(entry["at"]) <= moment(a["last_at"])
                           for a in raised)  # fmt: skip
                found += 1
    assert found >= 2


def test_the_same_matter_is_never_two_open_alerts(day: Day) -> None:
    spans = defaultdict(list)
    for alert in day.alerts.values():
        key = (alert["facility"], alert["rule"], alert["matter"])
        spans[key].append((alert["at"], alert["closed_at"] or "9"))
    for same in spans.values():
        same.sort()
        for (_, ended), (begun, _) in pairwise(same):
            assert ended <= begun


def test_answers_stand_in_the_story_of_their_alert(day: Day) -> None:
    people = {p.name: p.id for s in day.crowd.sites.values() for p in s.people}
    said = defaultdict(list)
    for code, name, deed, word in day.crowd.answered:
        said[code].append((people.get(name, JUMA), deed, word))

    assert {deed for *_, deed, _ in day.crowd.answered} == {
        "seen", "taken", "solved", "asked", "replied"}  # fmt: skip
    assert {name for _, name, *_ in day.crowd.answered} > {SUPERVISOR}
    for code, answers in said.items():
        lines = [(x["by"], x["what"], x["word"]) for x in day.alerts[code]["history"]]
        assert [x for x in lines if x[1] not in ("told", "over")] == answers


# ---- what the network brings twice ---------------------------------------------------------------


def test_nothing_that_came_twice_or_late_changed_anything(day: Day) -> None:
    assert {r.what for r in day.crowd.repeats} == {"sms twice", "sms late", "ussd twice"}
    assert [r for r in day.crowd.repeats if r.changed] == []
