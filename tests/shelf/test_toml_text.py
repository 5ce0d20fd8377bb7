"""TOML text: the standard library's own reader is the judge (TOML 1.0, toml.io)."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.shelf.toml_text import toml_text

TEXT = st.text(st.characters(blacklist_categories=["Cs"]), max_size=30)
PLAIN = st.one_of(st.booleans(), st.integers(-(2**62), 2**62), st.floats(allow_nan=False), TEXT)
TABLE = st.dictionaries(TEXT, st.one_of(PLAIN, st.lists(PLAIN, max_size=3)), max_size=4)


@given(st.dictionaries(TEXT, st.one_of(PLAIN, TABLE, st.lists(TABLE, min_size=1, max_size=3)), max_size=4))
def test_reads_back_as_written(values: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(values)) == values


def test_reads_like_a_person_wrote_it() -> None:
    text = toml_text(
        {"side": "A", "gain_db": 2.0, "track": [{"title": 'A "B"'}, {"title": "C"}]}, comment="Hello"
    )
    assert text == (
        '# Hello\n\nside = "A"\ngain_db = 2.0\n\n[[track]]\ntitle = "A \\"B\\""\n\n[[track]]\ntitle = "C"\n'
    )


def test_what_has_no_form_is_refused() -> None:
    with pytest.raises(TypeError, match="object"):
        toml_text({"x": object()})
