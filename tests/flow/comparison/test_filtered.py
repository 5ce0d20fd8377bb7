"""The prediction filter of a comparison: what is left of a mark hardly hangs on where the stretches of the filter begin.

Music and marks are our own, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.comparison.marks.filtered import ORDER, STRETCH_S, prediction_errors

RATE = 12_000
SECONDS = 8


def plucked() -> NDArray[np.float64]:
    """Notes of five partials, three a second, over a little noise: the right filter changes with every note."""
    rng = np.random.default_rng(3)
    at_s = np.arange(SECONDS * RATE) / RATE
    sound = 1e-3 * rng.standard_normal(len(at_s))
    for begin_s in np.arange(0.0, SECONDS, 0.31):
        hz = rng.uniform(150.0, 900.0)
        decay = np.where(at_s > begin_s, np.exp(-4.0 * np.maximum(at_s - begin_s, 0.0)), 0.0)
        for partial in range(1, 6):
            sound += decay * np.sin(2.0 * np.pi * hz * partial * (at_s - begin_s)) / partial
    return sound


def test_a_mark_is_as_large_wherever_the_stretches_begin() -> None:
    """With one filter to a stretch the middle mark changed by a third, and one in ten by a factor of two."""
    sound = plucked()
    places = np.arange(RATE, len(sound) - RATE // 4, 601)
    marked = sound.copy()
    marked[places] += 0.02
    sizes = []
    for shift in (0, RATE // 8, RATE // 4, 3 * RATE // 8):
        clean, with_marks = prediction_errors(np.stack([sound, marked])[:, shift:], RATE)
        at = places - shift
        around = np.array([np.abs(clean[one - 150 : one + 150]).mean() for one in at])
        sizes.append(np.log(np.abs(with_marks - clean)[at] / around))
    changes = np.std(sizes, axis=0)
    assert np.median(changes) < 0.22
    assert np.quantile(changes, 0.9) < 0.42


def test_the_shares_of_all_filters_are_one_at_every_frame() -> None:
    """Every filter begins with one, so a single frame that is added comes out as it went in, whichever filters share it."""
    noise = np.random.default_rng(4).standard_normal(round(2.6 * RATE))
    size = round(STRETCH_S * RATE)
    for place in (0, 1, size // 2 - 1, size // 2, size, 2 * size + 7, len(noise) - size // 4, len(noise) - 1):
        added = noise.copy()
        added[place] += 1.0
        first, second = prediction_errors(np.stack([noise, added]), RATE)
        difference = second - first
        np.testing.assert_allclose(difference[place], 1.0, atol=1e-9)
        np.testing.assert_allclose(difference[:place], 0.0, atol=1e-9)
        np.testing.assert_allclose(difference[place + ORDER + 1 :], 0.0, atol=1e-9)
