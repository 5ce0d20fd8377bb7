"""TOML text: the standard library's own reader is the judge (TOML 1.0, toml.io)."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import ShelfError
from sidekeep.shelf.toml_text import LONGEST_TEXT, new_toml, parse_toml, put, put_or_drop, read_toml

TEXT = st.text(st.characters(blacklist_categories=["Cs"]), max_size=30)
PLAIN = st.one_of(st.booleans(), st.integers(-(2**62), 2**62), st.floats(allow_nan=False), TEXT)
TABLE = st.dictionaries(TEXT, st.one_of(PLAIN, st.lists(PLAIN, max_size=3)), max_size=4)


@settings(deadline=None)
@given(st.dictionaries(TEXT, st.one_of(PLAIN, TABLE, st.lists(TABLE, min_size=1, max_size=3)), max_size=4))
def test_reads_back_as_written(values: dict[str, Any]) -> None:
    assert tomllib.loads(new_toml(values)) == values


def test_half_a_character_is_written_as_missing() -> None:
    assert tomllib.loads(new_toml({"title": "a\ud800b"})) == {"title": "a\ufffdb"}


def test_a_value_that_stays_is_not_touched() -> None:
    text = "a = 0x10 # sixteen\nb = 2 # two\n"
    document = parse_toml(text, "x")
    put(document, "a", 16)
    put_or_drop(document, "b", 3, 0)
    assert document.as_string() == "a = 0x10 # sixteen\nb = 3 # two\n"
    put_or_drop(document, "b", 0, 0)
    assert "b" not in document


def test_what_has_no_form_is_refused() -> None:
    with pytest.raises(TypeError, match="object"):
        new_toml({"x": object()})


@pytest.mark.parametrize("text", ["x = [" * 5000, "x = " + "1" * (LONGEST_TEXT + 1), "x = 1\nx = 2", "\x00"])
def test_what_cannot_be_read_is_one_line(text: str) -> None:
    with pytest.raises(ShelfError) as caught:
        read_toml(text, "cuts.toml")
    assert str(caught.value).startswith("cuts.toml ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 10_000,
        "x = " + "{a = " * 10_000,
        "x = " + "[" * 120 + "]" * 120,
        "x = " + "{a = " * 120 + "1" + "}" * 120,
    ],
)
def test_what_is_nested_too_deeply_is_told_in_our_words(text: str) -> None:
    with pytest.raises(ShelfError) as caught:
        read_toml(text, "recipe.toml")
    assert str(caught.value) == "recipe.toml cannot be read: brackets in it are nested too deeply"
    with pytest.raises(ShelfError) as in_place:
        parse_toml(text, "recipe.toml")
    assert str(in_place.value) == str(caught.value)
