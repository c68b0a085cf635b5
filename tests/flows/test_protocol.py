"""Which protocol files are refused, each with a sentence that names the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows import protocol as module
from flows.protocol import BOUNDS, ProtocolError, parse

DEFAULT = Path(module.__file__).parent / "protocols" / "default.toml"
TEXT = DEFAULT.read_text(encoding="utf-8")
PSI = 6.894757  # kPa in one psi


def line_of(key: str) -> tuple[str, str]:
    """The table of *key* and its whole line in the default file."""
    group, name = key.split(".")
    table = TEXT[TEXT.index(f"\n[{group}]\n") :]
    return table, next(line for line in table.splitlines() if line.startswith(f"{name} = "))


def with_line(key: str, line: str) -> str:
    table, old = line_of(key)
    return TEXT.replace(table, table.replace(old, line, 1), 1)


def with_value(key: str, value: str) -> str:
    return with_line(key, f'{key.split(".")[1]} = {{ value = {value}, source = "a test" }}')


def refusal(text: str) -> str:
    with pytest.raises(ProtocolError) as refused:
        parse(text)
    return str(refused.value)


# ---- what is refused --------------------------------------------------------------------------

KEYS = [*BOUNDS, "bells.remind_after_minutes"]


@pytest.mark.parametrize("key", KEYS)
def test_a_missing_number_is_named(key: str) -> None:
    assert refusal(with_line(key, "")) == f"{key} is missing"


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("source", ["", ', source = ""', ', source = "  "', ", source = 7"])
def test_a_number_without_its_source_is_named(key: str, source: str) -> None:
    value = "[5]" if key.startswith("bells") else "1"
    line = f"{key.split('.')[1]} = {{ value = {value}{source} }}"

    assert refusal(with_line(key, line)) == f"{key} has no source"


@pytest.mark.parametrize("key", BOUNDS)
def test_a_number_outside_what_is_sane_is_named_with_its_bounds(key: str) -> None:
    low, high = BOUNDS[key]

    for value in (low - 0.01, high + 0.01, -1, 1e9):
        said = refusal(with_value(key, f"{value:f}"))
        assert said.startswith(f"{key} is ")
        assert said.endswith(f"between {low} and {high}")


@pytest.mark.parametrize("key", BOUNDS)
@pytest.mark.parametrize("value", ['"20"', "true", "[20]"])
def test_what_is_no_number_is_named(key: str, value: str) -> None:
    assert refusal(with_value(key, value)) == f"{key} must be a number"


@pytest.mark.parametrize("key", BOUNDS)
@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
def test_a_number_that_is_none_does_not_pass(key: str, value: str) -> None:
    assert key in refusal(with_value(key, value))


@pytest.mark.parametrize("key", ["name", "version", "title"])
@pytest.mark.parametrize("value", ["", '""', "1"])
def test_a_protocol_without_name_version_or_title_is_refused(key: str, value: str) -> None:
    old = next(line for line in TEXT.splitlines() if line.startswith(f"{key} = "))
    new = f"{key} = {value}" if value else ""

    assert refusal(TEXT.replace(old, new, 1)) == f"{key} is missing"


def test_an_over_soak_limit_shorter_than_the_soak_is_refused() -> None:
    text = with_value("chlorine.exposure_minutes", "50")

    assert refusal(text) == "chlorine.max_minutes is shorter than chlorine.exposure_minutes"


@pytest.mark.parametrize("value", ["5", '["5"]', "[0]", "[-1]", "[inf]", "[nan]", "[1441]"])
def test_reminders_are_a_list_of_minutes(value: str) -> None:
    said = refusal(with_value("bells.remind_after_minutes", value))

    assert said.startswith("bells.remind_after_minutes must be")


def test_no_reminders_at_all_are_allowed() -> None:
    assert parse(with_value("bells.remind_after_minutes", "[]")).remind_after_minutes == ()


def test_what_is_no_toml_says_where() -> None:
    assert "line 2" in refusal('name = "x"\nversion = = 1')
    with pytest.raises(ProtocolError, match="missing"):
        parse("")


@pytest.mark.parametrize("group", sorted({key.split(".")[0] for key in BOUNDS}))
def test_a_table_that_is_no_table_is_refused(group: str) -> None:
    blocks = TEXT.split("\n[")
    others = [b for b in blocks if not b.lstrip("[").startswith((f"{group}]", f"{group}."))]

    said = refusal(f"{group} = 1\n" + "\n[".join(others))

    assert said.startswith(f"{group}.")
    assert said.endswith("is missing")


# ---- autoclave cycles -------------------------------------------------------------------------

CYCLE = """
[[autoclave.cycles]]
id = "x1"
machine = "gravity"
load = "wrapped"
celsius = 121
gauge_kpa = 103
minutes = 30
source = "a test"
"""


@pytest.mark.parametrize("row", ["id", "machine", "load", "celsius", "gauge_kpa", "minutes",
                                 "source"])  # fmt: skip
def test_a_cycle_that_lacks_something_is_named(row: str) -> None:
    lines = [line for line in CYCLE.splitlines() if not line.startswith(f"{row} = ")]

    said = refusal(TEXT + "\n".join(lines))

    assert "autoclave cycle" in said
    assert row in said


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('"gravity"', '"kettle"', "unknown machine or load"),
        ('"wrapped"', '"loose"', "unknown machine or load"),
        ('"a test"', '" "', "has no source"),
        ("= 121", '= "hot"', "not a number"),
        ("= 121", "= 100", "outside what autoclaves do"),
        ("= 121", "= 139", "outside what autoclaves do"),
        ("= 121", "= nan", "outside what autoclaves do"),
        ("= 103", "= 15", "outside what autoclaves do"),
        ("= 30", "= 2.9", "outside what autoclaves do"),
        ("= 30", "= 121", "outside what autoclaves do"),
    ],
)
def test_a_bad_cycle_is_named(old: str, new: str, reason: str) -> None:
    said = refusal(TEXT + CYCLE.replace(old, new, 1))

    assert "autoclave cycle x1" in said
    assert reason in said


def test_a_gauge_in_psi_by_mistake_is_refused() -> None:
    """15 psi typed where kPa are meant would let any cycle pass."""
    assert "x1" in refusal(TEXT + CYCLE.replace("= 103", "= 15"))


def test_two_cycles_of_one_name_are_refused() -> None:
    """A batch would be judged by the first of them, whichever was meant."""
    assert refusal(TEXT + CYCLE.replace('"x1"', '"w121"')) == "autoclave cycle w121 is there twice"


def test_more_cycles_than_one_text_can_offer_are_refused() -> None:
    rows = [CYCLE.replace('"x1"', f'"x{n}"') for n in range(3)]

    assert len(parse(TEXT + "".join(rows[:2])).cycles_for("gravity")) == 5
    assert refusal(TEXT + "".join(rows)) == "autoclave.cycles: more than 5 for gravity"


@pytest.mark.parametrize("value", ["1", '"w121"', "[1]", '["w121"]'])
def test_cycles_that_are_no_tables_are_refused(value: str) -> None:
    without = TEXT[: TEXT.index("[[autoclave.cycles]]")] + TEXT[TEXT.index("[bells]") :]
    text = without.replace("[autoclave]\n", f"[autoclave]\ncycles = {value}\n")

    assert refusal(text) == "autoclave.cycles must be a list of tables"


def test_reminders_are_kept_in_order_whatever_the_file_says() -> None:
    text = with_value("bells.remind_after_minutes", "[10, 5]")

    assert parse(text).remind_after_minutes == (5.0, 10.0)
