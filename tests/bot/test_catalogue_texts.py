"""Texts and code name the same keys, and the texts ask for the answers that there are."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

import bot
from bot.alert import AlertDeed
from bot.alerting import STATES
from bot.amend import AmendKind
from bot.amending import Refusal
from bot.asking import LOAD_WHY
from bot.catalogues import load_catalogues
from bot.commands import COMMANDS
from bot.dangers import KINDS
from bot.machine import CARRIER_INFO, CARRIER_START, CARRIER_STOP
from bot.overview import ANSWERS as ANSWERED
from bot.recipes import Why
from bot.screens import ANSWERS
from bot.showing import CONDITIONS
from flows import release
from flows.alerting import RULES
from flows.batch import METHODS, Kind
from flows.late import ANNOUNCED, late_words
from flows.late_entry import Code, needed
from flows.prompts import commands, holes
from flows.readiness import SIGHTS
from flows.release import ORDER
from flows.reprocess import REPROCESS
from flows.stage import Stage
from flows.supervision import SCREENS as OVERLAID

ENGLISH = load_catalogues()["en"]
BOT = Path(bot.__file__).parent
STAGES = REPROCESS.stages

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
TOLD_ON = {*STATES, "asked", "replied", "passed"} - {"seen"}  # to whom it concerns
# The second time of VINEGAR has no word of its own.
LATE_WORDS = {*ANNOUNCED, "good", "bad", "all", "and"} - {"vinegar_out"}
PARTS = {"vinegar_out", *(p for m in METHODS for p in needed(m))}
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
    "f'mix.{why}'": {"mix.gas", *(f"mix.{why}" for why in get_args(Why))},
    "f'mix.lacks_{name}'": {f"mix.lacks_{name}" for name in ("stock", "bucket", "measures")},
    "f'method.{item}'": {f"method.{m}" for m in METHODS},
    "f'load.{cycle.load}'": {f"load.{load}" for load in CYCLES},
    "f\"status.{condition.lower().replace(' ', '_')}\"": {f"status.{c}" for c in CONDITION_KEYS},
    "f'danger.{kind}'": {f"danger.{k}" for k in KINDS.values()},
    "f'danger.kind.{kind}'": {f"danger.kind.{k}" for k in KINDS.values()},
    # the desk's lines
    "f'alert.name.{rule}'": {f"alert.name.{r}" for r in RULES},
    "f'reason.{entry.mark}'": {f"reason.{r}" for r in REASONS},
    "f'reason.{reason}'": {f"reason.{r}" for r in REASONS},
    "f'{stage}.title'": {f"{s}.title" for s in STAGES},
    # alert_words: what each rule is about, in a sentence and in a list; an answer that is told on.
    "f'alert.{alert.rule}'": {f"alert.{rule}" for rule in RULES},
    "f'alert.name.{alert.rule}'": {f"alert.name.{rule}" for rule in RULES},
    "f'alert.{letter.kind}'": {f"alert.{deed}" for deed in TOLD_ON},
    "hint": {"alert.hint.above", "alert.hint.here"},
    "key.format(facts[hole])": {
        *(f"{s}.title" for s in STAGES), *(f"reason.{r}" for r in REASONS),
        *(f"kind.{kind}" for kind in (*get_args(Kind), "both")),
        *(f"found.{sight.what}" for sight in SIGHTS.values() if sight.becomes),
    },
    # overview, paging, answers: the screens that lie over whatever a person is at
    "f'alert.line.{line.what}'": {f"alert.line.{deed}" for deed in get_args(AlertDeed)
                                  if deed not in ("told", "over")},
    "f'ready.{kind}'": {f"ready.{kind}" for kind in get_args(Kind)},
    "f'{batch.stage}.title'": {f"{s}.title" for s in STAGES},
    "f'screen.{screen.id}'": {f"screen.{s}" for s in OVERLAID},
    "'none.alerts' if screen.rows in ('alerts', 'alert') else f'none.{screen.id}'": {
        "none.alerts", *(f"none.{s.id}" for s in OVERLAID.values()
                         if s.rows and s.rows not in ("alerts", "alert")),
    },
    "done": {f"alert.done.{deed}" for deed in (*ANSWERED, "replied", "known")},
    "LOAD_WHY[last.stage]": set(LOAD_WHY.values()),
    "f'late.form.{part}'": {f"late.form.{p}" for p in PARTS},
    "f'late.part.{p}'": {f"late.part.{p}" for p in PARTS},
    "f'late.slip.{found.code}'": {f"late.slip.{c}" for c in get_args(Code)},
    "f'late.how.{method}'": {"late.how.chlorine", "late.how.autoclave"},
    "f'method.{m}'": {f"method.{m}" for m in METHODS},
    "f'method.{method}'": {f"method.{m}" for m in METHODS},
    "f'mark.{m}'": {f"mark.{m}" for m in ORDER},
    "f'mark.{mark}'": {f"mark.{m}" for m in ORDER},
    # asking.ask: the stage's question; service: a stranger's channel
    "key": {k for s in STAGES.values() for k in asked(s)} | {
        "stranger.sms", "stranger.ussd", "join.wrong",
        # enrolling, spares
        "add.code", "number.code", "join.language", "join.welcome", "spares.taken",
        "spares.nobody", "received.unknown", "received.how",
    },
    "f'role.{role}'": {"role.nurse", "role.in_charge"},
    "f'amend.{amend.kind}'": {f"amend.{kind}" for kind in get_args(AmendKind)},
    "f'amend.why.{why}'": {f"amend.why.{why}" for why in get_args(Refusal) if why},
    "foot": {"foot", "foot.number", "foot.page", "foot.screen", "foot.more",
             "foot.eight"},
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
    words |= {f"late_word.{word}" for word in LATE_WORDS}

    assert set(ENGLISH) - spelled - built - words == set()


def test_every_command_has_its_word_and_every_word_its_command() -> None:
    assert set(commands(ENGLISH).values()) == set(COMMANDS)


def test_every_word_of_an_entry_from_paper_says_something() -> None:
    assert set(late_words(ENGLISH).values()) == LATE_WORDS


def test_no_word_of_an_entry_from_paper_means_two_things() -> None:
    words = [w for k, text in ENGLISH.items() if k.startswith("late_word.") for w in text.split()]

    assert len(words) == len(set(words))
    assert all(word.isascii() and word.isupper() for word in words)


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
    [("home", "1234567"), ("menu", "1234567"), ("pace", "12"), ("sets", ""), ("people", ""),
     ("danger", "1234567"), ("danger_after", "0"), ("danger_when", "0")],
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
