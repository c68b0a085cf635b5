"""The documents say what is there: every setting, every command, every file they name."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from bot import cli
from bot.commands import COMMANDS
from bot.config import PREFIX, SETTINGS
from workers import command

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NAMES = [c.name for c in (*cli.COMMANDS, *command.COMMANDS)]


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda s: s.name)
def test_every_setting_is_in_the_readme(setting: object) -> None:
    name = PREFIX + setting.name  # type: ignore[attr-defined]

    assert re.search(rf"`{name}`", README), f"{name} is not in the README"


def test_every_setting_that_the_documents_name_exists() -> None:
    known = {PREFIX + s.name for s in SETTINGS}
    known |= {f"{PREFIX}{s.name}_FILE" for s in SETTINGS if s.secret}
    named = {
        name.rstrip("_")
        for text in (README, DEVELOPERS)
        for name in re.findall(rf"{PREFIX}[A-Z_]+", text)
        if not name.startswith(f"{PREFIX}TEST_")
    }

    assert named <= known | {PREFIX.rstrip("_")}


def test_the_test_settings_that_the_documents_name_are_read_by_the_tests() -> None:
    named = {name for text in (README, DEVELOPERS)
             for name in re.findall(rf"{PREFIX}TEST_[A-Z_]+", text)}  # fmt: skip
    source = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests").rglob("*.py"))

    assert named
    assert {name for name in named if f'"{name}"' not in source} == set()


def named_commands(text: str) -> set[str]:
    """What follows `soakbell` in a text, alone or as a list with bars between."""
    lists = re.findall(r"soakbell ([a-z]+(?:\s\|\s[a-z]+)*)", text)
    return {name for names in lists for name in re.findall(r"[a-z]+", names)}


@pytest.mark.parametrize("name", NAMES)
def test_every_command_is_in_the_readme(name: str) -> None:
    assert name in named_commands(README)


def test_every_command_that_the_documents_name_exists() -> None:
    assert named_commands(README + DEVELOPERS) <= set(NAMES)


def test_the_readme_names_command_words_that_exist() -> None:
    cells = re.findall(r"^\| ([A-Z]+(?:, [A-Z]+)*) \|", README, flags=re.MULTILINE)

    words = {word.lower() for cell in cells for word in cell.split(", ")}
    assert words == set(COMMANDS) - {"used"}, "USED is how a set's name is said in full"


FILE = re.compile(
    r"(?<![\w/:.-])((?:bot|flows|workers|tests|deploy)/[\w./-]*\w|\.ci/run)(?![\w<*]|\.\*)"
)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_path_that_a_document_names_exists(document: str) -> None:
    paths = set(FILE.findall((ROOT / document).read_text(encoding="utf-8")))

    assert paths
    assert {path for path in paths if not (ROOT / path).exists()} == set()


def test_every_file_of_the_picture_exists() -> None:
    """Names without a folder stand after one with it: `bot/store.py ...; tables.py`."""
    names = set(re.findall(r"(?<![\w/])([a-z_]+\.py)\b", DEVELOPERS))

    here = {p.name for folder in ("bot", "flows", "workers") for p in (ROOT / folder).rglob("*.py")}
    assert names <= here


# Hosts that packages come from, and paths that exist on one machine only; written so that they
# do not stand here themselves.
MACHINE = re.compile(
    r"py[p]i|python[h]osted|npm[j]s|index-[u]rl|extra-[i]ndex"
    r"|/[w]ork/|/[t]mp/|/[h]ome/|/[r]oot/|/[U]sers/",
    re.I,
)


def committed() -> list[Path]:
    """The text files of the project, as the repository lists them."""
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False
    ).stdout.decode()
    paths = [ROOT / name for name in listed.split("\0") if name]
    return [p for p in paths if p.is_file()] or [ROOT / "README.md", ROOT / "DEVELOPERS.md"]


def test_no_file_names_a_machine_or_a_registry() -> None:
    found = []
    for path in committed():
        if path.suffix in {".png", ".ico", ".gz"}:
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        found += [f"{path.relative_to(ROOT)}: {m[0]}" for m in MACHINE.finditer(text)]

    assert found == []


def test_the_phones_in_every_file_are_fictions() -> None:
    """+1 202 555 0100 to 0199 are kept for stories; no other number may look like a person's."""
    found = []
    for path in committed():
        if path.suffix in {".py", ".md", ".txt", ".csv", ".toml"}:
            text = path.read_text(encoding="utf-8", errors="replace")
            found += [
                f"{path.relative_to(ROOT)}: {number}"
                for number in re.findall(r"\+1202\d{7}", text)
                if not number.startswith("+12025550")
            ]

    assert found == []
