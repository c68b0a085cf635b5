"""The description of a gateway: what is wrong in a file is said, with its name, at the start."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bot.errors import ConfigError
from bot.shape import Codes, read_shape
from tests.bot.gateway_stand import FORM


def _without(line: str) -> Callable[[str], str]:
    return lambda text: text.replace(line, "")


def _with(old: str, new: str) -> Callable[[str], str]:
    return lambda text: text.replace(old, new)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_with('style = "text"', "style = "), "not right"),
        (_without('path = "/version1/messaging"'), "`path`"),
        (_with('path = "/', 'path = "'), "send.path"),
        (_with('body = "form"', 'body = "xml"'), "$.send.body"),
        (_with('body = "form"', 'body = "form"\nurl = "x"'), "`url`"),
        (_with('bulkSMSMode = "1"', "bulkSMSMode = [1]"), "form must be"),
        (_with("{to}", "{phone}"), "{phone}"),
        (_with("{to}", "{phone}"), "{to}"),
        (_without('message = "{text}"'), "{text}"),
        (_without('apiKey = "{api_key}"'), "{api_key}"),
        (_with('Accept = "application/json"', 'Accept = "{to}"'), "cannot carry"),
        (_with('accepted = ["100-102"]', "accepted = []"), "accepted is empty"),
        (_with('"100-102"', '"102-100"'), "ends before"),
        (_with('"100-102"', '"100-400"'), "overlap"),
        (_with('"100-102"', '"7", "7"'), "7 twice"),
        (_with('["Success"]', '["Success", "failed"]'), "status word twice"),
        (_with('separator = "*"', 'separator = ""'), "ussd.separator"),
        (_with("joined = true", "joined = false"), "ussd.request"),
        (_with('style = "text"', 'style = "json"'), "ussd.answer"),
        (_with('zone = "UTC"', 'zone = "Nowhere/Town"'), "Nowhere/Town"),
    ],
)
def test_a_mistake_in_a_description_is_named(change: Callable[[str], str], said: str) -> None:
    text = FORM.read_text("utf-8")
    assert change(text) != text

    with pytest.raises(ConfigError) as caught:
        read_shape(change(text))

    assert said in str(caught.value)


def test_a_description_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml cannot be read"):
        read_shape(tmp_path / "none.toml")


def test_the_built_in_description_is_the_form_one() -> None:
    assert read_shape() == read_shape(FORM)


def test_an_exact_code_beats_a_range() -> None:
    codes = Codes(accepted=("200-299",), refused=("400-499", "204"), later=("404",))

    assert [codes.verdict(c) for c in ("200", "204", "400", "404", "500")] == [
        "accepted",
        "refused",
        "refused",
        "later",
        "later",
    ]
