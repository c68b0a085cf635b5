"""The catalogues: what is read, what is refused, and that texts and code name the same keys."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import bot
from bot.catalogues import LOCALE, load_catalogues
from bot.errors import ConfigError
from flows.reprocess import REPROCESS

ENGLISH = load_catalogues()["en"]
BOT = Path(bot.__file__).parent
STAGES = REPROCESS.stages

# ---- reading ------------------------------------------------------------------------------------

HEAD = 'msgid ""\nmsgstr "Content-Type: text/plain; charset=utf-8\\n"\n\n'


def folder(tmp_path: Path, **files: str) -> Path:
    (tmp_path / "soakbell.pot").write_bytes((LOCALE / "soakbell.pot").read_bytes())
    for name, text in files.items():
        (tmp_path / f"{name}.po").write_text(HEAD + text, encoding="utf-8")
    return tmp_path


def entry(key: str, text: str, translated: str) -> str:
    return f'msgctxt "{key}"\nmsgid "{text}"\nmsgstr "{translated}"\n\n'


def test_english_is_read_from_the_template_by_its_contexts() -> None:
    assert ENGLISH["rinse.title"] == "RINSE"
    assert ENGLISH["foot"].startswith("8 ")
    assert "" not in ENGLISH


def test_a_translation_is_read_and_what_it_lacks_is_left_out(tmp_path: Path) -> None:
    found = load_catalogues(
        folder(
            tmp_path,
            sw=entry("rinse.title", "RINSE", "SUUZA") + entry("wash.title", "WASH", ""),
        )
    )

    assert found["sw"] == {"rinse.title": "SUUZA"}
    assert found["en"] == ENGLISH


@pytest.mark.parametrize(
    "text",
    [
        f"#, fuzzy\n{entry('scale_gone.ask', ENGLISH['scale_gone.ask'], 'Je! 1 ndiyo 2 hapana')}",
        entry("scale_gone.ask", "Is the scale gone? 1 still chalky 2 gone", "Je? 1 2"),
    ],
)
def test_a_doubtful_translation_or_one_of_an_older_english_is_shown_in_english(
    tmp_path: Path, text: str
) -> None:
    assert load_catalogues(folder(tmp_path, sw=text))["sw"] == {}


@pytest.mark.parametrize(
    ("key", "translated", "reason"),
    [
        ("rinse.titel", "SUUZA", "rinse.titel is not a text of Soakbell"),
        ("wait.left", "{seti}: dakika {left}", "wait.left: seti is not known there"),
        ("wait.left", "{sets: dakika {left}", "wait.left"),
    ],
)
def test_a_translation_with_a_slip_stops_the_start(
    tmp_path: Path, key: str, translated: str, reason: str
) -> None:
    with pytest.raises(ConfigError) as refused:
        load_catalogues(folder(tmp_path, sw=entry(key, ENGLISH.get(key, "old"), translated)))

    assert "sw: " in str(refused.value)
    assert reason in str(refused.value)


def test_every_slip_of_every_language_is_told_at_once(tmp_path: Path) -> None:
    bad = {name: entry("no.such", "english", "x") for name in ("fr", "sw")}

    with pytest.raises(ConfigError) as refused:
        load_catalogues(folder(tmp_path, **bad))

    assert "fr: no.such" in str(refused.value)
    assert "sw: no.such" in str(refused.value)


@pytest.mark.parametrize(
    "content",
    [
        b'msgid "half',
        b"no catalogue at all",
        HEAD.encode() + b'msgid "a"\nmsgstr "\xff"\n',
        HEAD.replace("utf-8", "utf-99").encode() + b'msgid "a"\nmsgstr "b"\n',
    ],
)
def test_a_file_that_is_no_catalogue_is_named(tmp_path: Path, content: bytes) -> None:
    where = folder(tmp_path)
    (where / "sw.po").write_bytes(content)

    with pytest.raises(ConfigError, match=r"sw\.po"):
        load_catalogues(where)


def test_a_folder_of_ones_own_may_hold_a_language_only(tmp_path: Path) -> None:
    (tmp_path / "sw.po").write_text(HEAD + entry("rinse.title", "RINSE", "SUUZA"))

    assert load_catalogues(tmp_path) == {"en": ENGLISH, "sw": {"rinse.title": "SUUZA"}}


def test_a_folder_of_ones_own_may_reword_the_english(tmp_path: Path) -> None:
    (tmp_path / "soakbell.pot").write_text(HEAD + entry("rinse.title", "RINSE IT", ""))

    assert load_catalogues(tmp_path) == {"en": {**ENGLISH, "rinse.title": "RINSE IT"}}


def test_english_of_ones_own_is_checked_too(tmp_path: Path) -> None:
    (tmp_path / "soakbell.pot").write_text(HEAD + entry("rinse.title", "RINSE {it}", ""))

    with pytest.raises(ConfigError, match=r"en: rinse\.title: it is not known"):
        load_catalogues(tmp_path)


def test_no_key_stands_twice_in_the_template() -> None:
    text = (LOCALE / "soakbell.pot").read_text(encoding="utf-8")
    keys = re.findall(r'^msgctxt "(.*)"$', text, re.M)

    assert sorted(keys) == sorted(ENGLISH)
