"""The forms of the desk that answer as `soakbell mix`, `cycle` and `plan` do.

What was typed goes through the command's own parser and answer: nothing is worked out here.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Mapping
from typing import NamedTuple, NoReturn

from flask import render_template, request

from bot import cli_cycle, cli_mix, cli_mix_asked, cli_plan
from bot.cli_answer import FINDING, Answer
from bot.cli_trade_words import CLOSING
from bot.desk_words import FIRST, TRAINING

MOST_TYPED = 40  # characters of one field


class Field(NamedTuple):
    """One field; without choices it is a number, unless it is *text*."""

    name: str
    label: str
    choices: tuple[str, ...] = ()
    needed: bool = True
    text: bool = False


class Sum(NamedTuple):
    """One form: its title, what a finding is called, its fields and the command behind it."""

    title: str
    finding: str
    fields: tuple[Field, ...]
    add: Callable[[argparse.ArgumentParser], None]
    answer: Callable[[argparse.Namespace], Answer]


SUMS: Mapping[str, Sum] = {
    "mix": Sum("Mix a solution", "NOT ACCEPTED", (
        Field("stock", "What it is made of", ("liquid", "powder", "granules", "tablets")),
        Field("strength", "Strength on its label, in % (tablets: g available chlorine each)"),
        Field("litres", "How much to make, in litres"),
        Field("target", "Target in % (empty: the protocol's)", needed=False),
    ), cli_mix_asked.add, cli_mix.answer),
    "cycle": Sum("Judge an autoclave load", "NOT ACCEPTED", (
        Field("machine", "Autoclave", ("gravity", "prevacuum")),
        Field("load", "Load", ("wrapped", "unwrapped")),
        Field("celsius", "Thermometer, in C (not read: empty)", needed=False),
        Field("gauge", "Gauge, such as 15psi, 103 (kPa), 1.03bar", needed=False, text=True),
        Field("minutes", "Minutes at temperature"),
        Field("altitude", "Altitude of the place, in m"),
        Field("indicator", "Chemical indicator", ("none", "changed", "unchanged")),
        Field("wet", "Did the load come out wet?", ("yes", "no")),
    ), cli_cycle.add, cli_cycle.answer),
    "plan": Sum("How many sets", "FORMULA AND SIMULATION DISAGREE", (
        Field("births", "Births a month"),
        Field("fraction", "Part of births that use a set, such as 0.17"),
        Field("turnaround", "Hours from use to READY"),
        Field("risk", "Risk that none is ready (empty: the usual 0.01)", needed=False),
    ), cli_plan.add, cli_plan.answer),
}  # fmt: skip


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise ValueError(message)


def page(name: str) -> tuple[str, int]:
    """The form *name*, and its answer once it is filled in; 400 for what cannot be."""
    form = SUMS[name]
    typed = {f.name: request.args.get(f.name, "").strip()[:MOST_TYPED] for f in form.fields}
    found, wrong = None, ""
    try:
        found = _answer(form, typed) if request.args else None
    except (ValueError, ArithmeticError) as error:
        wrong = str(error)
    shown = render_template(
        "desk_sums.html", name=name, form=form, typed=typed, found=found, wrong=wrong,
        finding=found is not None and found.code == FINDING,
        closing=CLOSING, training=TRAINING, first=FIRST,
    )  # fmt: skip
    return shown, 400 if wrong else 200


def _answer(form: Sum, typed: Mapping[str, str]) -> Answer:
    values = {f.name: _checked(f, typed[f.name]) for f in form.fields}
    if "stock" in values:
        values[values.pop("stock")] = values.pop("strength")
    wet = values.pop("wet", "no") == "yes"
    parser = _Parser(add_help=False)
    form.add(parser)
    # One word each, so that what was typed is never taken for another argument.
    words = [f"--{key}={value}" for key, value in values.items() if value]
    return form.answer(parser.parse_args([*words, *(["--wet"] if wet else [])]))


def _checked(field: Field, text: str) -> str:
    """What was typed in *field*. Raises ValueError with a kind sentence."""
    if field.choices and text not in field.choices:
        raise ValueError(f"Please choose from the list: {field.label}.")
    if field.needed and not text:
        raise ValueError(f"Please fill in: {field.label}.")
    if not text or field.choices or field.text:
        return text
    text = text.replace(",", ".")
    try:
        good = math.isfinite(float(text))
    except ValueError:
        good = False
    if not good:
        raise ValueError(f"Please write a number: {field.label}.")
    return text
