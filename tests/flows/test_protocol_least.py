"""A number weaker than its own source allows is refused, whichever way weaker lies."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from flows import protocol as module
from flows.protocol import BOUNDS, HIGHER_IS_WEAKER, LOWER_IS_WEAKER, ProtocolError, parse

FOLDER = Path(module.__file__).parent / "protocols"
TEXT = (FOLDER / "default.toml").read_text(encoding="utf-8")

# What lies on the weaker side: a shorter or thinner soak; a life that is longer, a pot that boils
# colder, a doubt that is allowed to be larger.
WEAKER = {
    "chlorine.target_percent": -0.01,
    "chlorine.exposure_minutes": -0.01,
    "chlorine.rinses_count": -1,
    "chlorine.solution_life_hours": 0.01,
    "boiling.exposure_minutes": -0.01,
    "boiling.max_altitude_m": 1,
    "steaming.exposure_minutes": -0.01,
    "steaming.max_altitude_m": 1,
    "vinegar.exposure_minutes": -0.01,
    "storage.container_days": 0.01,
    "storage.wrapped_days": 0.01,
    "autoclave.tolerance_c": 0.01,
    # Heat that passes for cool, a hot or an old bottle trusted for longer, a thinner vinegar; an
    # eye rinsed for less, help sought later, a person asked about later.
    "chlorine.nadcc_hot_above_c": 0.5,
    "chlorine.nadcc_hot_hours": 0.01,
    "chlorine.nadcc_hot_hours_weak": 0.01,
    "chlorine.test_after_days": 1,
    "chlorine.test_above_c": 0.5,
    "vinegar.parts_water": 0.1,
    "danger.rinse_minutes": -5.1,
    "danger.blood_hours": 1,
    "danger.ask_after_hours": 1,
    # An older memory believed, work in less time than hands need.
    "late.most_hours": 1,
    "late.before_minutes": -1,
    "late.after_minutes": -1,
    "late.reply_minutes": 1,
}
# Common practice without a source sets no limit, so the files give these no least.
NO_LIMIT = {"chlorine.rinses_count", "chlorine.test_after_days", "chlorine.test_above_c",
            "vinegar.exposure_minutes", "vinegar.parts_water", "autoclave.tolerance_c",
            "danger.ask_after_hours", "late.most_hours", "late.before_minutes",
            "late.after_minutes", "late.reply_minutes"}  # fmt: skip
CRITICAL = sorted(set(WEAKER) - NO_LIMIT)


def with_line(key: str, value: str, least: str) -> str:
    """The default file with one line replaced."""
    group, name = key.split(".")
    line = f'{name} = {{ value = {value}, source = "a test", least = {least} }}'
    pattern = rf"(\n\[{group}\]\n[^\[]*?\n?)({name} = [^\n]+)"
    text, count = re.subn(pattern, lambda m: m[1] + line, TEXT, count=1)
    assert count == 1, key
    return text


def inside(key: str) -> float:
    low, high = BOUNDS[key]
    return low + (high - low) / 2


def test_each_number_with_a_weaker_side_is_tested_below() -> None:
    assert set(WEAKER) == LOWER_IS_WEAKER | HIGHER_IS_WEAKER
    assert not LOWER_IS_WEAKER & HIGHER_IS_WEAKER


@pytest.mark.parametrize("key", WEAKER)
def test_a_value_weaker_than_its_source_allows_is_refused(key: str) -> None:
    least = inside(key)
    value = least + WEAKER[key]

    with pytest.raises(ProtocolError, match="weaker than its source allows") as refused:
        parse(with_line(key, str(value), str(least)))

    assert str(refused.value).startswith(f"{key} is ")


@pytest.mark.parametrize("key", WEAKER)
@pytest.mark.parametrize("stronger", [0, 1])
def test_a_value_as_strong_or_stronger_is_taken(key: str, stronger: int) -> None:
    least = inside(key)
    value = least - stronger * WEAKER[key]
    text = with_line(key, str(value), str(least))
    if key == "chlorine.exposure_minutes":
        text = text.replace("max_minutes = { value = 40", "max_minutes = { value = 200", 1)

    assert parse(text)[key] == pytest.approx(value)


@pytest.mark.parametrize("least", ['"20"', "true", "nan", "0", "-1", "1e9", "[20]"])
def test_a_least_that_is_a_slip_is_refused(least: str) -> None:
    with pytest.raises(ProtocolError, match=r"chlorine\.exposure_minutes: least must be a number"):
        parse(with_line("chlorine.exposure_minutes", "20", least))


@pytest.mark.parametrize("key", sorted(set(BOUNDS) - set(WEAKER)))
def test_a_number_without_a_weaker_side_takes_no_least(key: str) -> None:
    number = str(inside(key))

    with pytest.raises(ProtocolError, match="takes no least"):
        parse(with_line(key, number, number))


# ---- the built-in files -------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["default", "boiled-water", "immersion"])
@pytest.mark.parametrize("key", CRITICAL)
def test_every_critical_number_of_the_built_in_files_has_its_least(name: str, key: str) -> None:
    """Rewritten weaker, with its source left standing, the file is refused."""
    text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    group, short = key.split(".")
    pattern = rf"(\n\[{group}\]\n[^\[]*?\n?{short} = {{ value = )([\d.]+)"
    old = re.search(pattern, text)
    assert old is not None
    weaker = float(old[2]) + WEAKER[key]

    changed = text[: old.start(2)] + str(weaker) + text[old.end(2) :]

    with pytest.raises(ProtocolError, match=re.escape(key)):
        parse(changed)
    parse(text)


def test_a_week_in_the_container_may_not_become_two() -> None:
    """Reference Manual, Appendix C: up to 1 week in a covered, disinfected container."""
    text = TEXT.replace("container_days = { value = 7,", "container_days = { value = 14,", 1)

    with pytest.raises(ProtocolError) as refused:
        parse(text)

    assert str(refused.value) == ("storage.container_days is 14, weaker than its source allows (7)")


# ---- autoclave cycles ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cycle", "minutes"), [("u121", 20), ("w121", 30), ("w132", 15), ("p132", 4)]
)
def test_a_cycle_may_not_be_shorter_than_its_table_prints(cycle: str, minutes: int) -> None:
    """Reference Manual, Appendix C (IARC), and CDC 2008, Table 7."""
    row = TEXT[TEXT.index(f'id = "{cycle}"') :]
    shorter = row.replace(f"\nminutes = {minutes}\n", f"\nminutes = {minutes - 0.5}\n", 1)
    assert shorter != row

    with pytest.raises(ProtocolError, match=rf"cycle {cycle}: minutes is .* weaker"):
        parse(TEXT.replace(row, shorter, 1))


@pytest.mark.parametrize(
    ("least", "reason"),
    [
        ("{ celsius = 121.5 }", "celsius is 121, weaker"),
        ("{ gauge_kpa = 103.4 }", "gauge_kpa is 103, weaker"),
        ("{ minutes = true }", "least minutes must be a number"),
        ("{ minutes = nan }", "least minutes must be a number"),
        ("{ minutes = 0 }", "least minutes must be a number"),
        ('{ load = "wrapped" }', "least holds celsius, gauge_kpa, minutes"),
        ("20", "least holds celsius, gauge_kpa, minutes"),
    ],
)
def test_a_cycle_weaker_than_its_least_or_with_a_bad_one_is_refused(
    least: str, reason: str
) -> None:
    text = TEXT.replace("least = { celsius = 121, minutes = 20 }", f"least = {least}", 1)
    assert text != TEXT

    with pytest.raises(ProtocolError, match=re.escape(f"autoclave cycle u121: {reason}")):
        parse(text)
