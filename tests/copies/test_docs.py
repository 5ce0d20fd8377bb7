"""The page about copies names every kind, template field and promise that the code has."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.copies.kinds.table import KINDS
from sidekeep.copies.tracks.naming import TRACK_FIELDS, NamingRules

PAGE = (Path(__file__).parents[2] / "docs" / "copies.md").read_text("utf-8")


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_documented(kind: str) -> None:
    assert f"`{kind}`" in PAGE


def test_templates_are_documented() -> None:
    assert f"`{NamingRules().folder}`" in PAGE
    assert f"`{NamingRules().track}`" in PAGE
    assert all(f"`{{{field}}}`" in PAGE for field in TRACK_FIELDS)
