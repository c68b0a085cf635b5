"""The rules of alerts as data: read, refused, asked."""

from __future__ import annotations

from datetime import time
from pathlib import Path

import pytest

from bot.catalogues import load_catalogues
from bot.wiring import ALERTS
from flows import alerting
from flows.alerting import RULES, AlertsError, check, parse
from flows.reprocess import REPROCESS

TEXT = """
name = "here"
version = "1"
[quiet]
from = "20:00"
until = "06:30"
digest_after_minutes = 5
[[rules]]
id = "still"
level = "soon"
steps = [{ to = "nurse", after_minutes = 0 }, { to = "supervisor", after_minutes = 30 }]
[rules.patience_minutes]
clean = 45
count = 720
"""


def test_the_file_that_ships_has_a_rule_for_every_matter() -> None:
    assert set(alerting.load(ALERTS).rules) == set(RULES)


def test_every_reason_of_the_stage_graph_falls_under_one_rule() -> None:
    rules = alerting.load(ALERTS)
    reasons = {o.tell for s in REPROCESS.stages.values() for o in s.options.values() if o.tell}

    assert {r for r in reasons if rules.for_reason(r)} == reasons


def test_patience_names_stages_and_phases_of_the_graph_and_covers_every_stage() -> None:
    rule = alerting.load(ALERTS).rules["still"]
    names = {s.phase for s in REPROCESS.stages.values()} | set(REPROCESS.stages)

    assert set(rule.patience_minutes) <= names
    assert all(rule.patience(s.id, s.phase) for s in REPROCESS.stages.values())


def test_the_file_that_ships_has_nothing_wrong_with_it() -> None:
    assert check(alerting.load(ALERTS), REPROCESS, load_catalogues()["en"]) == []


def test_what_would_be_told_to_nobody_or_is_misspelt_is_found() -> None:
    rules = parse(TEXT.replace("count = 720", "cuont = 720"))
    found = check(rules, REPROCESS, {"alert.still"})

    assert "alerts: nobody is told of shortened" in found
    assert "alert still: cuont is no stage and no phase" in found
    assert "alert still: text alert.name.still is missing" in found
    odd = parse(TEXT.replace('level = "soon"', 'level = "soon"\nreasons = ["shrotened"]'))
    assert "alert still: no stage tells of shrotened" in check(odd, REPROCESS, ())


def test_a_stage_s_own_patience_comes_before_its_phase_s() -> None:
    rule = parse(TEXT).rules["still"]

    assert rule.patience("count", "clean") == 720
    assert rule.patience("wash", "clean") == 45
    assert rule.patience("store", "finish") is None


@pytest.mark.parametrize(
    ("local", "quiet"),
    [("19:59", False), ("20:00", True), ("23:59", True), ("00:00", True), ("06:29", True),
     ("06:30", False), ("12:00", False)],
)  # fmt: skip
def test_the_quiet_hours_go_over_midnight(local: str, quiet: bool) -> None:
    assert parse(TEXT).quiet(time.fromisoformat(local)) is quiet


def test_quiet_hours_within_a_day() -> None:
    rules = parse(TEXT.replace('"20:00"', '"12:00"').replace('"06:30"', '"14:00"'))

    assert [rules.quiet(time(h)) for h in (11, 12, 13, 14)] == [False, True, True, False]


def test_the_steps_stand_in_the_order_of_the_file() -> None:
    steps = parse(TEXT).rules["still"].steps

    assert [(s.to, s.after_minutes) for s in steps] == [("nurse", 0), ("supervisor", 30)]


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('"still"', '"flood"', "no such matter"),
        ('"soon"', '"red"', "level must be"),
        ('to = "nurse"', 'to = "mayor"', "to must be"),
        ("after_minutes = 30", "after_minutes = -1", "minutes from 0"),
        ("after_minutes = 30", "after_minutes = nan", "minutes from 0"),
        ("after_minutes = 30", 'after_minutes = "30"', "minutes from 0"),
        ("after_minutes = 30", "after_minutes = true", "minutes from 0"),
        ("clean = 45", 'clean = "long"', "minutes from 0"),
        ('level = "soon"', 'level = "soon"\ntimes = 0', "times must be"),
        ('level = "soon"', 'level = "soon"\ncolour = "red"', "means nothing here"),
        ('level = "soon"', 'level = "soon"\nreasons = "test"', "list of words"),
        ('from = "20:00"', 'from = "dusk"', "time of day"),
        ('name = "here"', "", "name is missing"),
        ("[quiet]", "[loud]", "quiet is missing"),
        ("[[rules]]", "[rules]", "not a list"),
        ("name =", "name", "not TOML"),
    ],
)
def test_a_bad_file_is_refused_with_its_reason(old: str, new: str, why: str) -> None:
    assert old in TEXT

    with pytest.raises(AlertsError, match=why):
        parse(TEXT.replace(old, new))


def test_a_rule_or_a_reason_that_is_there_twice_is_refused() -> None:
    row = TEXT[TEXT.index("[[rules]]") : TEXT.index("[rules.patience")]

    with pytest.raises(AlertsError, match="rule still is there twice"):
        parse(TEXT + row)


def test_no_steps_are_refused() -> None:
    with pytest.raises(AlertsError, match="who is told"):
        parse(TEXT.replace(TEXT[TEXT.index("steps =") : TEXT.index("[rules.pat")], "steps = []\n"))


def test_what_is_not_there_raises_an_error_of_the_system(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        alerting.load(tmp_path / "none.toml")
