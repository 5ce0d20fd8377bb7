"""Two sides put together in one file: the noise of one groove gives way to that of another."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import BAND_COUNT
from sidekeep.dsp.tracks.side_joins import find_join

HOP_S = 0.02
SIDE_S = 60.0


def bands(levels_db: list[float], *, slope_db: float = 0.0, music_db: float = 20.0) -> NDArray[np.float32]:
    """Sides of 60 s one after the other: 3 s of groove noise, music, 3 s of groove noise. Noise spreads by 1.5 dB."""
    rng = np.random.default_rng(3)
    parts = []
    for level in levels_db:
        hops = round(SIDE_S / HOP_S)
        mean = np.full((hops, 2, BAND_COUNT), level) + np.linspace(0.0, slope_db, hops)[:, None, None]
        ends = round(3.0 / HOP_S)
        swell = rng.uniform(0.3, 1.0, (hops - 2 * ends, 2, BAND_COUNT)) * music_db
        mean[ends:-ends] += swell
        parts.append(mean + 1.5 * rng.standard_normal(mean.shape))
    return np.concatenate(parts).astype(np.float32)


@pytest.mark.parametrize("levels", [(-60.0, -52.0), (-52.0, -60.0)])
def test_a_step_between_two_grooves_is_found(levels: tuple[float, float]) -> None:
    join = find_join(bands(list(levels)), HOP_S)
    assert join is not None
    assert join * HOP_S == pytest.approx(SIDE_S, abs=0.3)


def test_one_groove_is_one_side() -> None:
    assert find_join(bands([-60.0, -60.0]), HOP_S) is None
    assert find_join(bands([-60.0, -58.0]), HOP_S) is None
    assert find_join(bands([-60.0], slope_db=5.0), HOP_S) is None
    assert find_join(bands([-60.0])[: round(30.0 / HOP_S)], HOP_S) is None


def test_a_step_up_into_steady_music_is_no_join() -> None:
    rng = np.random.default_rng(4)
    mean = np.repeat([-60.0, -52.0, -60.0], [round(length_s / HOP_S) for length_s in (30.0, 30.0, 3.0)])
    table = mean[:, None, None] + 1.5 * rng.standard_normal((len(mean), 2, BAND_COUNT))
    assert find_join(table.astype(np.float32), HOP_S) is None
