"""The catalogues: what is read, what is refused, and that texts and code name the same keys."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import bot
from bot.catalogues import LOCALE, load_catalogues
from bot.errors import ConfigError
from bot.machine import CARRIER_INFO, CARRIER_START, CARRIER_STOP, COMMANDS
from bot.screens import ANSWERS, CONDITIONS
from flows import release
from flows.batch import METHODS
from flows.prompts import commands, holes
from flows.release import ORDER
from flows.reprocess import REPROCESS
from flows.stage import Stage

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


# ---- the keys that the code names ---------------------------------------------------------------

CODES = {
    str(call.args[0].value)
    for call in ast.walk(ast.parse(Path(release.__file__).read_text(encoding="utf-8")))
    if isinstance(call, ast.Call)
    and isinstance(call.func, ast.Name)
    and call.func.id == "Finding"
    and isinstance(call.args[0], ast.Constant)
}
REASONS = {o.tell for s in STAGES.values() for o in s.options.values() if o.tell}
WAITS = [s.id for s in STAGES.values() if s.kind == "wait"]
CONDITION_KEYS = {c.lower().replace(" ", "_") for c in CONDITIONS}
CYCLES = ("wrapped", "unwrapped")  # what flows.protocol takes for a load


def asked(stage: Stage) -> list[str]:
    return [key for key in stage.prompts if ".ask" in key]


# Every key that is not written out where a Prompt is made: the expression, and what it may be.
BUILT: dict[str, set[str]] = {
    "f'page.{page.id}'": {f"page.{p.id}" for p in REPROCESS.pages},
    "f'{stage.id}.title'": {f"{s}.title" for s in STAGES},
    "f'{entry.stage}.title'": {f"{s}.title" for s in STAGES},
    "f'{stage.id}.help'": {f"{s}.help" for s in STAGES},
    "f'{stage.id}.started'": {f"{s}.started" for s in WAITS},
    "f'{stage.id}.bell'": {f"{s}.bell" for s in WAITS},
    "f'screen.{turn.talk.screen}'": {f"screen.{s}" for s in ANSWERS},
    "f'none.{screen}'": {f"none.{s}" for s in ("sets", "batches", "people", "opened")},
    "f'note.{pace}'": {"note.guided", "note.brief"},
    "f'mark.{finding.mark}'": {f"mark.{m}" for m in ORDER},
    "f'finding.{finding.code}'": {f"finding.{c}" for c in CODES},
    "f\"mark.{checked.facts['first_mark']}\"": {f"mark.{m}" for m in ORDER},
    "f'finding.{code}'": {f"finding.{c}" for c in CODES},
    "f'method.{item}'": {f"method.{m}" for m in METHODS},
    "f'load.{cycle.load}'": {f"load.{load}" for load in CYCLES},
    "f'reason.{reason}'": {f"reason.{r}" for r in REASONS},
    "f\"status.{condition.lower().replace(' ', '_')}\"": {f"status.{c}" for c in CONDITION_KEYS},
    # asking.ask: the stage's question; service: a stranger's channel
    "key": {k for s in STAGES.values() for k in asked(s)} | {"stranger.sms", "stranger.ussd"},
    "foot": {"foot", "foot.number", "foot.page", "foot.screen"},
    "mark": {"practice.mark", "demo.mark"},
    "_ending(batch, some_aside=bool(gone))": {
        f"closed.{how}" for how in ("ready", "ready_aside", "practised", "aside", "cancelled")
    },
}
# What bot.wording makes itself, with no text of its own.
WITHOUT_TEXT = {"list", "parts"}


def prompt_keys() -> Iterator[tuple[str, ast.expr]]:
    """The file and the key of every Prompt that the bot makes."""
    for path in sorted(BOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("Prompt"):
                yield path.name, node.args[0]


def written(key: ast.expr) -> set[str] | None:
    """The keys that an expression spells out, or None where it builds them."""
    if isinstance(key, ast.Constant):
        return {str(key.value)}
    if isinstance(key, ast.IfExp):
        one, other = written(key.body), written(key.orelse)
        return one | other if one and other else None
    return None


def test_every_key_that_the_code_spells_out_has_a_text() -> None:
    for file, key in prompt_keys():
        for name in written(key) or ():
            assert name in ENGLISH or name in WITHOUT_TEXT, (file, name)


def test_every_key_that_the_code_builds_is_listed_here_and_has_a_text() -> None:
    built = {ast.unparse(key) for _, key in prompt_keys() if written(key) is None}

    assert built == set(BUILT)
    for expression, keys in BUILT.items():
        assert keys
        assert keys <= set(ENGLISH), expression


def test_every_text_is_used() -> None:
    spelled = {name for _, key in prompt_keys() for name in written(key) or ()}
    built = {name for keys in BUILT.values() for name in keys}
    words = {f"word.{command}" for command in COMMANDS}

    assert set(ENGLISH) - spelled - built - words == set()


def test_every_command_has_its_word_and_every_word_its_command() -> None:
    assert set(commands(ENGLISH).values()) == set(COMMANDS)


def test_no_word_means_two_commands() -> None:
    words = [w for k, text in ENGLISH.items() if k.startswith("word.") for w in text.split()]

    assert len(words) == len(set(words))
    assert all(word.isascii() and word.isupper() for word in words)


# ---- what the texts ask for ---------------------------------------------------------------------

DIGIT = re.compile(r"(?<![\w{.])(\d)(?=[ ,]|$)")
EVERYWHERE = {"0", "8", "9"}


@pytest.mark.parametrize("stage", [s for s in STAGES.values() if s.kind in ("confirm", "choice")])
def test_a_question_offers_exactly_the_answers_of_its_stage(stage: Stage) -> None:
    for key in asked(stage):
        assert DIGIT.findall(ENGLISH[key]) == sorted(stage.options), key


@pytest.mark.parametrize("stage", STAGES.values(), ids=STAGES)
def test_a_help_text_speaks_of_no_answer_that_its_stage_does_not_have(stage: Stage) -> None:
    offered = set(re.findall(r"(?<![\w{.])\d(?![\w%{])", ENGLISH[f"{stage.id}.help"]))

    # "2, then 3": the second is answered on the screen that the first opens.
    then = set(re.findall(r"then (\d)", ENGLISH[f"{stage.id}.help"]))
    assert offered - then <= set(stage.options) | EVERYWHERE
    assert then <= set(DIGIT.findall(ENGLISH["screen.menu"]))


@pytest.mark.parametrize("stage", [s for s in STAGES.values() if s.kind == "wait"])
def test_a_running_wait_offers_its_answers_and_its_bell_the_answer_1(stage: Stage) -> None:
    extra = ENGLISH["wait.three" if "3" in stage.options else "wait.two"]
    digits = DIGIT.findall(f"{ENGLISH['wait.ask']} {extra}".replace("{extra}", ""))

    assert sorted(digits) == sorted(stage.options)
    assert DIGIT.findall(ENGLISH[f"{stage.id}.bell"]) == ["1"]


@pytest.mark.parametrize("stage", [s for s in STAGES.values() if s.kind in ("number", "pick")])
def test_a_question_for_a_number_offers_no_digits(stage: Stage) -> None:
    for key in asked(stage):
        assert DIGIT.findall(ENGLISH[key]) == [], key


@pytest.mark.parametrize(
    ("screen", "digits"),
    [("home", "123456"), ("menu", "1234567"), ("pace", "12"), ("sets", ""), ("people", "")],
)
def test_a_screen_offers_its_own_digits(screen: str, digits: str) -> None:
    assert DIGIT.findall(ENGLISH[f"screen.{screen}"]) == list(digits)


def test_the_footers_name_back_and_help_and_the_problem_key_where_it_works() -> None:
    assert DIGIT.findall(ENGLISH["foot"]) == ["8", "0", "9"]
    assert DIGIT.findall(ENGLISH["foot.page"]) == ["8", "0", "9"]
    assert DIGIT.findall(ENGLISH["foot.number"]) == ["0", "9"]
    assert DIGIT.findall(ENGLISH["foot.screen"]) == ["0", "9"]


CARRIER = CARRIER_STOP | CARRIER_START | CARRIER_INFO


@pytest.mark.parametrize("key", ENGLISH)
def test_no_text_asks_for_a_word_that_the_carrier_takes(key: str) -> None:
    """What a person is to send is a digit or a word in capitals."""
    if not key.startswith("carrier."):
        assert CARRIER.isdisjoint(re.findall(r"[A-Z]+", ENGLISH[key]))


def test_carrier_texts_name_only_what_undoes_or_ends_texts() -> None:
    named = {
        word
        for key, text in ENGLISH.items()
        if key.startswith("carrier.")
        for word in re.findall(r"[A-Z]{3,}", text)
    }

    assert named & CARRIER == {"STOP", "START"}


@pytest.mark.parametrize("language", load_catalogues())
def test_no_command_word_is_the_carriers_or_a_number(language: str) -> None:
    words = set(commands(load_catalogues()[language]))

    assert words.isdisjoint(CARRIER)
    assert not any(word.isdecimal() for word in words)


def test_what_a_text_names_in_braces_is_a_value_that_the_code_gives() -> None:
    """A hole that nothing fills would be a gap in a sentence."""
    source = "\n".join(path.read_text(encoding="utf-8") for path in BOT.glob("*.py"))
    given = set(re.findall(r'"(\w+)"(?::|\])', source))

    for key, text in ENGLISH.items():
        assert holes(text) <= given, key
