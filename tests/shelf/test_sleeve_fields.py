"""Fields of a sleeve text, each by itself: sizes as sleeves print them, values with quotes, and a time behind a dash."""

from __future__ import annotations

import pytest

from sidekeep.shelf.sleeve.parts.fields import field_text, field_value, read_size
from sidekeep.shelf.sleeve.parts.times import take_time
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.units import LP_RPM


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


@pytest.mark.parametrize(
    ("line", "rpm", "size_inch"),
    [
        ('45 rpm, 7"', 45.0, 7),
        ('7" 45 rpm', 45.0, 7),
        ('33⅓ rpm 12"', LP_RPM, 12),
        ("45 RPM (7 inch)", 45.0, 7),
        ("45rpm single", 45.0, None),
        ('Vinyl, 7", 45 RPM, Single', 45.0, 7),
        ('7" single', None, 7),
        ("12-inch LP", None, 12),
    ],
)
def test_a_line_that_says_how_large_and_fast_a_record_is_is_no_track(
    line: str, rpm: float | None, size_inch: int | None
) -> None:
    """``45 rpm, 7"`` was read as a track of seven seconds, so that side A looked like side B."""
    record, problems = read_sleeve(
        f"The Wicker Boats - Night Ferry (1968)\n{line}\nA Night Ferry 2:14\nB Fog Signal 2:12"
    )
    assert [[track.title for track in side.tracks] for side in record.sides] == [
        ["Night Ferry"],
        ["Fog Signal"],
    ]
    assert (record.rpm, record.size_inch) == (rpm, size_inch)
    assert not problems


def test_a_size_below_the_first_track_may_be_a_title() -> None:
    record, _ = read_sleeve('The Wicker Boats - Sizes (1968)\nSide A\nRope 2:00\n12" 3:00\nTar 2:10')
    assert record.track_count == 3
