"""Pairs that can be compared only in part, or not at all: each gets its one clear sentence, and none is taken for the other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import firwin, oaconvolve

from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.conclusions import conclusions
from sidekeep.wording.findings import finding_text
from tests.flow.comparison.pairs import RATE, Floats, Held, play

LIMITS = {
    "part-only",
    "take-cut",
    "compare-clipped",
    "compare-band",
    "compare-mono",
    "other-recording",
}


@pytest.fixture(scope="module")
def old() -> Floats:
    return play(1).audio


def told(comparison: Comparison) -> dict[str, str]:
    return {one.kind: finding_text(one, RATE) for one in conclusions(comparison) if one.kind in LIMITS}


def test_a_take_with_a_piece_cut_out(old: Floats) -> None:
    """Five seconds less from 28.0 s on: what lies before is compared, and nothing there is claimed to have changed."""
    new = play(2).audio
    new = np.concatenate([new[: 28 * RATE], new[33 * RATE :]])
    comparison = compare_takes(Held(old), Held(new))
    said = told(comparison)
    assert set(said) == {"take-cut", "part-only"}
    assert "About 5.0 s of the music are missing from the new take" in said["take-cut"]
    assert comparison.alignment.curve is not None
    assert 24.0 < comparison.alignment.curve.stop_s < 28.5
    assert {one.kind for one in conclusions(comparison)} <= {"take-cut", "part-only", "unchanged"}
    # the other way about it is the old one that lacks them
    back = told(compare_takes(Held(new), Held(old)))
    assert "About 5.0 s of the music are missing from the old take" in back["take-cut"]


def test_a_clipped_take(old: Floats) -> None:
    new = np.clip(4.0 * play(2).audio, -1.0, 1.0)
    said = told(compare_takes(Held(old), Held(new)))
    assert set(said) == {"compare-clipped"}
    assert said["compare-clipped"].startswith("The new take is clipped (")


def test_a_take_that_went_through_a_lossy_format(old: Floats) -> None:
    """The low-pass that encoders use at middle rates, 11 kHz of 16; the file itself says nothing of it."""
    taps = firwin(511, 11_000.0, fs=RATE)[:, None]
    new = oaconvolve(play(2).audio, taps, "same", axes=0)
    said = told(compare_takes(Held(old), Held(new)))
    assert set(said) == {"compare-band"}
    assert "The new take ends like a wall at 11" in said["compare-band"]


def test_a_part_in_mono_is_a_part_in_mono(old: Floats) -> None:
    new = play(2).audio[10 * RATE : 36 * RATE].mean(axis=1, keepdims=True)
    comparison = compare_takes(Held(old), Held(new))
    assert set(told(comparison)) == {"part-only"}
    assert comparison.channels == (0,)
    assert comparison.mixing is None
