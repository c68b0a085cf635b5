"""What a text costs to send, after 3GPP TS 23.038, and what is wrong with a translation."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.prompts import commands, fill, fits, holes, segments, translation_problems

# 3GPP TS 23.038, 6.2.1, by code: 0x1B is the escape to the extension table. 0x09 is capital C
# with cedilla; the Unicode mapping file "corrects" it to the small one, the standard does not.
TABLE = (
    "@£$¥èéùìòÇ\nØø\rÅå"
    "Δ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ"
    " !\"#¤%&'()*+,-./"
    "0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNO"
    "PQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmno"
    "pqrstuvwxyzäöñüà"
)
EXTENSION = "^{}\\[~]|€\f"
ALPHABET = TABLE.replace("\x1b", "")

# Letters of languages that Soakbell may speak, and signs that creep in, none in the alphabet.
OUTSIDE = (
    "âçêëîïôœûÿÀÂÈÊÎÔÛŸ«»"  # French
    "áãíóõúÁÃÍÓÕÚ"  # Portuguese, Spanish
    "ɓɗƙƴƁƊƘƳʼ"  # Hausa
    "°≥×–’“”…½µ`\u00a0\t"
    "አह"
)


def test_the_table_has_its_128_places() -> None:
    assert len(TABLE) == 128
    assert len(set(TABLE)) == 128


@pytest.mark.parametrize("letter", list(ALPHABET))
def test_every_letter_of_the_alphabet_costs_one_septet(letter: str) -> None:
    assert segments(letter) == ("gsm", 1, 1)
    assert segments(letter * 160) == ("gsm", 160, 1)
    assert segments(letter * 161) == ("gsm", 161, 2)


@pytest.mark.parametrize("letter", list(EXTENSION))
def test_every_letter_of_the_extension_costs_two(letter: str) -> None:
    assert segments(letter) == ("gsm", 2, 1)
    assert segments(letter * 80) == ("gsm", 160, 1)
    assert segments(letter * 81) == ("gsm", 162, 2)


@pytest.mark.parametrize("letter", list(OUTSIDE))
def test_one_letter_outside_the_alphabet_makes_the_whole_text_ucs2(letter: str) -> None:
    assert segments(letter) == ("ucs2", 1, 1)
    assert segments(letter + "a" * 69) == ("ucs2", 70, 1)
    assert segments(letter + "a" * 70) == ("ucs2", 71, 2)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ("gsm", 0, 1)),
        ("a" * 160, ("gsm", 160, 1)),
        ("a" * 161, ("gsm", 161, 2)),
        ("a" * 306, ("gsm", 306, 2)),
        ("a" * 307, ("gsm", 307, 3)),
        ("a" * 159 + "€", ("gsm", 161, 2)),
        ("a" * 158 + "€", ("gsm", 160, 1)),
        ("ê" + "a" * 70, ("ucs2", 71, 2)),
        ("ê" * 70, ("ucs2", 70, 1)),
        ("ê" * 134, ("ucs2", 134, 2)),
        ("ê" * 135, ("ucs2", 135, 3)),
        ("0.5% {A}", ("gsm", 10, 1)),
        ("Vérifier la pièce", ("gsm", 17, 1)),
    ],
)
def test_the_published_vectors(text: str, expected: tuple[str, int, int]) -> None:
    assert segments(text) == expected


def test_an_escape_pair_is_never_split_between_parts() -> None:
    """The sign at the seam of 153 septets goes to the second part whole, and leaves a gap."""
    assert segments("a" * 152 + "€" + "a" * 152) == ("gsm", 306, 3)
    assert segments("a" * 151 + "€" + "a" * 153) == ("gsm", 306, 2)


def test_a_surrogate_pair_is_never_split_between_parts() -> None:
    assert segments("\U0001f37c" * 35) == ("ucs2", 70, 1)
    # 33 pairs are 66 of the 67 units of a part; the last unit stays empty.
    assert segments("\U0001f37c" * 66) == ("ucs2", 132, 2)
    assert segments("\U0001f37c" * 67) == ("ucs2", 134, 3)


@given(st.text(st.sampled_from(ALPHABET + EXTENSION + "ê\U0001f37c"), max_size=400))
def test_the_units_are_those_of_the_encoding_and_the_parts_hold_them(text: str) -> None:
    encoding, units, parts = segments(text)

    gsm = set(text) <= set(ALPHABET + EXTENSION)
    assert encoding == ("gsm" if gsm else "ucs2")
    if gsm:
        assert units == len(text) + sum(c in EXTENSION for c in text)
    else:
        assert units == len(text.encode("utf-16-be")) // 2
    single, part = (160, 153) if gsm else (70, 67)
    if units <= single:
        assert parts == 1
    else:
        assert parts * part >= units
        assert (parts - 1) * (part - 1) < units  # no part but the last has two units to spare


@given(st.text(st.sampled_from(string.printable + "ê€"), max_size=200))
def test_what_fits_is_one_part(text: str) -> None:
    assert fits(text) == (segments(text)[2] == 1)


# ---- holes and translations ---------------------------------------------------------------------


def test_a_text_is_filled_and_a_missing_value_leaves_a_blank() -> None:
    assert fill("{sets}: {left} min", {"sets": "BAG-1", "left": "3"}) == "BAG-1: 3 min"
    assert fill("{sets}: {left} min", {"sets": "BAG-1"}) == "BAG-1:  min"
    assert fill("{{1}}", {}) == "{1}"


def test_a_value_with_braces_is_text_and_nothing_else() -> None:
    assert fill("{name}", {"name": "{sets}"}) == "{sets}"


@pytest.mark.parametrize("text", ["{sets", "sets}", "{", "{!}", "{a!z}", "{a:d}"])
def test_a_slip_in_the_braces_is_an_error_of_value(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        fill(text, {"sets": "x", "a": "x"})


@pytest.mark.parametrize("text", ["{0}", "{}", "{sets.x}", "{sets[0]}", "{sets.__class__}"])
def test_braces_that_reach_into_values_are_refused(text: str) -> None:
    """A translation is text from elsewhere: it may name a value and nothing of its insides."""
    english = {"a": "for {sets}"}

    assert translation_problems("xx", english, {"a": text})


def test_holes() -> None:
    assert holes("{sets}: {left} min, {sets} {{no}}") == {"sets", "left"}
    assert holes("none") == set()
    with pytest.raises(ValueError, match=r".+"):
        holes("{sets")


def test_a_good_translation_has_no_problems() -> None:
    english = {"a": "{sets}: {left} min", "b": "wash"}

    assert translation_problems("sw", english, {"a": "dakika {left}: {sets}", "b": "osha"}) == []
    assert translation_problems("sw", english, {}) == []


def test_a_translation_may_leave_out_a_hole_but_not_invent_one() -> None:
    english = {"a": "{sets}: {left} min"}

    assert translation_problems("sw", english, {"a": "dakika {left}"}) == []
    assert translation_problems("sw", english, {"a": "{bell} {now}"}) == [
        "sw: a: bell, now is not known there"
    ]


def test_a_text_that_is_not_ours_and_bad_braces_are_named() -> None:
    found = translation_problems("sw", {"a": "{sets}"}, {"a": "{sets", "z": "nini"})

    assert len(found) == 2
    assert found[0].startswith("sw: a: ")
    assert found[1] == "sw: z is not a text of Soakbell"


def test_commands_are_the_words_of_a_catalogue_in_capitals() -> None:
    texts = {"word.status": "HALI tayari", "word.menu": "MENYU", "wash.ask": "OSHA"}

    assert commands(texts) == {"HALI": "status", "TAYARI": "status", "MENYU": "menu"}


@pytest.mark.parametrize("text", ["{}", "{0}", "{sets.x}", "{sets!r}", "{sets:>999}"])
def test_braces_hold_a_name_and_nothing_else(text: str) -> None:
    with pytest.raises(ValueError, match="a name and nothing else"):
        holes(text)
