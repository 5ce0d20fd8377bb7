"""Sleeve and label pictures: they decode, have the size asked for, and depend only on the words."""

from __future__ import annotations

import io
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from sidekeep.errors import ParameterError
from sidekeep.model.record import Record, Side, SleeveTrack
from sidekeep.press.music.demo_record import demo_record
from sidekeep.press.sleeve.art import _arcs, label_picture, sleeve_picture
from sidekeep.press.sleeve.lettering import drawable

SIZE_PX = 240


def opened(data: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(data))
    image.load()
    return image


def test_sleeve_is_a_square_png_with_a_picture_on_it() -> None:
    data = sleeve_picture(demo_record(), SIZE_PX)
    assert data.startswith(b"\x89PNG\r\n\x1a\n")  # RFC 2083 (PNG 1.0), section 3.1
    image = opened(data)
    assert image.size == (SIZE_PX, SIZE_PX)
    assert image.mode == "RGB"
    pixels = np.asarray(image, dtype=np.float64)
    paper = pixels[3, 3]
    # The chart fills the middle; the corners are paper; there is lettering at the foot.
    assert np.mean(np.any(np.abs(pixels[60:140, 70:170] - paper) > 12, axis=2)) > 0.8
    assert np.max(np.abs(pixels[:6, :6] - paper)) < 4
    foot = np.any(np.abs(pixels[195:230, 15:225] - paper) > 60, axis=2)
    assert 0.02 < np.mean(foot) < 0.5


def test_default_size() -> None:
    assert opened(sleeve_picture(Record(title="Kelp"))).size == (1200, 1200)


def test_same_words_same_picture_other_words_another() -> None:
    record = demo_record()
    assert sleeve_picture(record, SIZE_PX) == sleeve_picture(record, SIZE_PX)
    renamed = replace(record, title="Charts for a Risen Coast")
    assert sleeve_picture(renamed, SIZE_PX) != sleeve_picture(record, SIZE_PX)
    assert label_picture(record, "A", SIZE_PX) == label_picture(record, "A", SIZE_PX)
    assert label_picture(record, "A", SIZE_PX) != label_picture(record, "B", SIZE_PX)


def test_label_is_round_with_a_hole() -> None:
    image = opened(label_picture(demo_record(), "B", SIZE_PX))
    assert image.size == (SIZE_PX, SIZE_PX)
    assert image.mode == "RGBA"
    opaque = np.asarray(image)[:, :, 3]
    assert opaque[2, 2] == 0
    assert opaque[SIZE_PX // 2, SIZE_PX // 2] == 0
    assert opaque[SIZE_PX // 2, SIZE_PX // 4] == 255


@pytest.mark.parametrize(
    "record",
    [
        Record(),
        Record(artist="\u6771\u306e\u5cf6", title="\u6d77\u56f3", year=1990),
        Record(artist="A" * 200, title="word " * 80, year=1961),
        Record(
            artist="\u00c5dne Gr\u00f8v",
            title="\u00c6rlige \u00f8yer",
            sides=tuple(
                Side(
                    name=name,
                    tracks=tuple(
                        SleeveTrack(number=n, title=f"Skj\u00e6r {n}", duration_s=None) for n in range(1, 12)
                    ),
                )
                for name in "ABCD"
            ),
        ),
    ],
)
def test_any_record_gets_a_picture(record: Record) -> None:
    assert opened(sleeve_picture(record, 120)).size == (120, 120)
    if record.sides:
        assert opened(label_picture(record, "C", 120)).size == (120, 120)


def test_ring_arcs_are_as_long_as_the_tracks() -> None:
    arcs = _arcs(demo_record())
    assert [position for position, *_ in arcs] == ["A1", "A2", "A3", "A4", "B1", "B2", "B3", "B4"]
    sweeps = {position: stop - start for position, start, stop, _ in arcs}
    assert sweeps["B4"] / sweeps["B3"] == pytest.approx(44.0 / 32.0)
    assert all(before[2] < after[1] for before, after in pairwise(arcs))
    assert arcs[-1][2] - arcs[0][1] < 360.0


def test_letters_the_font_lacks_become_plain() -> None:
    assert drawable("Gr\u00f8v  &\u3000Co") in ("Grov & Co", "Gr\u00f8v & Co")
    assert drawable("\u6d77") == ""


def test_what_cannot_be_drawn_is_said() -> None:
    with pytest.raises(ParameterError, match="size_px=20"):
        sleeve_picture(demo_record(), 20)
    with pytest.raises(ParameterError, match="must be one of A, B"):
        label_picture(demo_record(), "E")
