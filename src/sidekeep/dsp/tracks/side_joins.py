"""The place where two sides were put together in one file without the needle's lift between them: the noise of one
groove gives way to the noise of another.

Conventions: hops of the part looked at. No level is fixed. A join is a step from steady noise to steady noise of another
level, where the noise before is the quietest of all that came before and the noise after the quietest of all that
follows: inside one side nothing but the groove itself is the quietest on both its sides. So two sides are told apart,
not three.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import FLOOR_DB, LOW_COUNT

Floats = NDArray[np.float64]

_BLOCK_S = 0.25
_WINDOW_S = 0.75
"""Three blocks of a quarter second: a lead-in or run-out that was trimmed has as much left."""
_CLEAR_S = 0.25
"""A cut may have been faded, and a knock may lie at it."""
_LEAST_SIDE_S = 20.0
"""No side is shorter, and a take begins and ends with steps of its own."""
_STEP_DB = 4.0
_AGREE = 0.9
_STEADY_DB = 0.7
_QUIETEST_DB = 4.0
"""By trial (as in ``boundaries``): first starts of such sides 10 to 13 of 14, no split in 111 other sides. Nine bands in ten must
step the same way, as music's seldom do."""


def find_join(bands_db: NDArray[np.float32], hop_s: float) -> int | None:
    """Hop at which another side begins, or None."""
    size = max(1, round(_BLOCK_S / hop_s))
    blocks = _blocks(bands_db, size)
    window, clear = round(_WINDOW_S / _BLOCK_S), round(_CLEAR_S / _BLOCK_S)
    edge = round(_LEAST_SIDE_S / _BLOCK_S)
    count = len(blocks)
    if count < 2 * edge:
        return None
    view = np.lib.stride_tricks.sliding_window_view(blocks, window, axis=0)
    means, spread = view.mean(axis=2), view.std(axis=2).mean(axis=1)
    level = means.mean(axis=1)
    before = np.minimum.accumulate(level)
    after = np.minimum.accumulate(level[::-1])[::-1]
    left = np.arange(edge, count - edge - 2 * window - clear)
    right = left + window + clear
    step = means[right] - means[left]
    middle = np.median(step, axis=1)
    agree = np.mean(np.sign(step) == np.sign(middle)[:, None], axis=1)
    good = (np.abs(middle) > _STEP_DB) & (agree >= _AGREE)
    good &= np.maximum(spread[left], spread[right]) < _STEADY_DB
    good &= (level[left] < before[left] + _QUIETEST_DB) & (level[right] < after[right] + _QUIETEST_DB)
    if not good.any():
        return None
    best = int(np.argmax(np.where(good, np.abs(middle), 0.0)))
    return int(left[best] + window) * size + size // 2


def _blocks(bands_db: NDArray[np.float32], size: int) -> Floats:
    """(blocks, columns): medians of a quarter second of the bands from 250 Hz up that carry anything; bass and rumble
    tell little of the groove."""
    from scipy.ndimage import median_filter

    count = len(bands_db) // size
    both = bands_db[: count * size, :, LOW_COUNT - 3 :].reshape(count, size, -1)
    blocks = np.median(both, axis=1)
    used = np.median(blocks, axis=0) > FLOOR_DB + 15
    return np.asarray(median_filter(blocks[:, used].astype(np.float64), size=(3, 1)))
