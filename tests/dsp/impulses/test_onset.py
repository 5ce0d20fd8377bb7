"""Whether a sound sets in at a place: by sounds of known levels."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.onset import EDGES_HZ, RISEN_DB, octave_levels, risen_db

Floats = NDArray[np.float64]
RATE_HZ = 44_100
AT, LAST = 8_000, 8_020


def stroke(*, rise_db: float, begins: int = AT, walls: tuple[float, float] = (1.0, 1.0)) -> Floats:
    """Hiss that is so much louder from a frame on, (frames, 2)."""
    rng = np.random.default_rng(3)
    sound = 0.01 * rng.standard_normal((16_000, 1)) * np.array(walls) + 1e-6 * rng.standard_normal(
        (16_000, 2)
    )
    sound[begins:] *= 10.0 ** (0.05 * rise_db)
    return sound


@pytest.mark.parametrize("rise_db", [-10.0, 0.0, 20.0])
def test_what_is_told_is_how_much_louder_the_sound_is_behind_the_place(rise_db: float) -> None:
    """Of seven octaves of hiss the third greatest of 12 ms lies a little over what all of it rose by."""
    told = risen_db(stroke(rise_db=rise_db), 0, AT, LAST, RATE_HZ)
    assert told == pytest.approx(rise_db + 1.5, abs=3.0)


@pytest.mark.parametrize(
    ("begins_ms", "is_one"), [(-20, True), (-2, True), (5, True), (-40, False), (20, False)]
)
def test_a_stroke_begins_at_the_place_or_up_to_23_ms_before_it(begins_ms: int, is_one: bool) -> None:
    sound = stroke(rise_db=20.0, begins=AT + begins_ms * RATE_HZ // 1000)
    assert (risen_db(sound, 0, AT, LAST, RATE_HZ) > RISEN_DB) is is_one


def test_a_stroke_on_the_other_wall_counts_where_both_are_heard_together() -> None:
    assert risen_db(stroke(rise_db=20.0, walls=(0.0, 1.0)), 0, AT, LAST, RATE_HZ) > RISEN_DB


def test_one_tone_that_sets_in_is_no_stroke() -> None:
    """A bass note or a whistle fills one octave, with its slopes two."""
    sound = stroke(rise_db=0.0)
    t = np.arange(len(sound) - AT) / RATE_HZ
    sound[AT:] += (
        0.1 * np.sin(2.0 * np.pi * 700.0 * t)[:, np.newaxis] * np.minimum(1.0, 200.0 * t)[:, np.newaxis]
    )
    assert risen_db(sound, 0, AT, LAST, RATE_HZ) < RISEN_DB


def test_nothing_is_told_where_there_is_not_enough_sound_beside_the_place() -> None:
    sound = stroke(rise_db=20.0)
    assert risen_db(sound, 0, 1_500, 1_520, RATE_HZ) == float("-inf")
    assert risen_db(sound, 0, len(sound) - 400, len(sound) - 380, RATE_HZ) == float("-inf")


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_sine_has_its_power_in_its_octave(rate_hz: int) -> None:
    """A sine of full scale has a power of a half, half of it at positive frequencies (-6 dB)."""
    frames = np.sin(2.0 * np.pi * 3_000.0 * np.arange(round(rate_hz * 512 / 44_100)) / rate_hz)
    levels = octave_levels(frames, rate_hz)
    assert EDGES_HZ[int(np.argmax(levels))] == 2_000.0
    assert levels.max() == pytest.approx(-6.0, abs=0.2)
