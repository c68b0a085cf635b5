"""`soakbell register`: what came by text is not lost to an import by mistake."""

from __future__ import annotations

import os
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from bot.cli import main
from bot.register import Member, Register, RegisteredSet
from bot.register_files import read_register
from bot.site import Person
from bot.store import Store
from tests.bot.store_stand import DEMO, demo_register

NEW = Member(Person("P99", "=Zuhura", "+12025550190", "nurse", shift="07:00-19:00"), "LOWF")


@pytest.fixture
def url(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> str:
    """A demonstration's store that has one person and one set more than its files."""
    for name in [name for name in os.environ if name.startswith("SOAKBELL_")]:
        monkeypatch.delenv(name)
    found = f"sqlite:///{tmp_path / 'store.db'}"
    monkeypatch.setenv("SOAKBELL_DEMO", "1")
    monkeypatch.setenv("SOAKBELL_STORE_URL", found)
    store = Store(found)
    store.migrate()
    store.save_register(grown())
    store.close()
    return found


def grown() -> Register:
    register = demo_register()
    new_set = RegisteredSet("ZZZ-9", "LOWF", "BAG-SIL")
    return replace(
        register,
        people=tuple(sorted((*register.people, NEW), key=lambda m: m.person.id)),
        sets=(*register.sets, new_set),
    )


def kept(url: str) -> Register:
    store = Store(url)
    try:
        return store.load_register()
    finally:
        store.close()


def test_an_import_that_would_drop_somebody_says_whom_and_changes_nothing(
    url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["register", "import", str(DEMO)]) == 1

    said = capsys.readouterr().err
    assert "1 people of the register would be dropped: P99" in said
    assert "1 sets of the register would be dropped: ZZZ-9" in said
    assert "--drop" in said
    assert "+1202" not in said
    assert kept(url) == grown()


def test_an_import_drops_where_it_is_told_to(url: str) -> None:
    assert main(["register", "import", str(DEMO), "--drop"]) == 0

    assert kept(url) == demo_register()


def test_an_export_is_the_register_as_it_is_now(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "out" / "register"

    assert main(["register", "export", str(folder)]) == 0

    assert read_register(folder, None) == grown()
    assert "+1202" not in capsys.readouterr().out
    modes = {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
    assert modes == {0o600}, "the files hold phones"
    assert main(["register", "import", str(folder)]) == 0
    assert kept(url) == grown()
