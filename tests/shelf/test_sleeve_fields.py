"""Fields of a sleeve text, each by itself: sizes as sleeves print them, values with quotes, and a time behind a dash."""

from __future__ import annotations

import pytest

from sidekeep.shelf.sleeve.parts.fields import field_text, field_value, read_size
from sidekeep.shelf.sleeve.parts.times import take_time


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ('12"', 12),
        ("7''", 7),
        ("12-inch", 12),
        ("10 in", 10),
        ("7 inches", 7),
        ("30 cm", 12),
        ("25cm", 10),
        ("17 cm", 7),
        ("LP", 12),
        ("7", 7),
        (" 10 ", 10),
        ("single", None),
        ("LPs", None),
        ("19 cm", None),
    ],
)
def test_sizes(text: str, inches: int | None) -> None:
    """30, 25 and 17 cm are 12, 10 and 7 inches (nominal diameters, IEC 60098, from memory)."""
    assert read_size(text) == inches


@pytest.mark.parametrize(
    ("value", "written"),
    [("Lamp Oil", "Lamp Oil"), ('"Lamp Oil"', None), ("", None), ("**Lamp Oil**", None), ("Say 'Oil'", None)],
)
def test_a_field_is_read_back_as_it_was_written(value: str, written: str | None) -> None:
    text = field_text(value)
    assert field_value(text) == value
    assert text
    if written is not None:
        assert text == written


@pytest.mark.parametrize(
    ("text", "dash"), [("Lamp Oil – 3:05", True), ("Lamp Oil - 3:05", True), ("Lamp Oil 3:05", False)]
)
def test_a_dash_before_a_time_is_told_apart(text: str, dash: bool) -> None:
    assert take_time(text) == (185.0, "Lamp Oil", True, dash)
