"""Where a decay ends, and what speaks for a gap."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.tracks.boundaries import gap_places
from sidekeep.dsp.tracks.groove_noise import GrooveNoise
from sidekeep.dsp.tracks.music_ends import decay_end

HOP_S = 0.02
COLUMNS = 24


def groove(
    parts: list[tuple[float, float]], *, seed: int = 1, timbres_db: tuple[float, ...] = ()
) -> tuple[GrooveNoise, NDArray[np.float32]]:
    """Stretches of (seconds, excess) with their pitch classes; excess under 1 is judged quiet. ``timbres_db``: how far the
    even columns of each loud stretch lie under the odd ones; the pitch classes follow it."""
    rng = np.random.default_rng(seed)
    excess, above, chroma = [], [], []
    timbres = list(timbres_db)
    for length_s, level in parts:
        hops = round(length_s / HOP_S)
        excess.append(np.maximum(0.0, level + 0.05 * rng.standard_normal(hops)))
        tilt = timbres.pop(0) if timbres and level >= 1.0 else 0.0
        columns = np.zeros(COLUMNS) if level < 1.0 else 20.0 - tilt * (np.arange(COLUMNS) % 2)
        above.append(columns + 0.5 * rng.standard_normal((hops, COLUMNS)))
        share = np.ones(12)
        share[round(tilt) % 12] += 6.0
        chroma.append(np.tile(share / share.sum(), (hops, 1)))
    joined = np.concatenate(excess)
    measured = GrooveNoise(
        excess=joined,
        hits=np.zeros(len(joined), dtype=bool),
        quiet=joined < 1.0,
        above_db=np.concatenate(above),
        spread_db=np.ones(COLUMNS),
        threshold=1.0,
    )
    return measured, np.concatenate(chroma).astype(np.float32)


def hops(seconds: float) -> int:
    return round(seconds / HOP_S)


@pytest.mark.parametrize("tail_s", [0.0, 1.0, 2.5])
def test_a_decay_under_the_threshold_is_followed_to_the_noise(tail_s: float) -> None:
    one, _ = groove([(10.0, 3.0), (tail_s, 0.7), (6.0, 0.3), (10.0, 3.0)])
    end = decay_end(one, hops(10.0), hops(16.0 + tail_s), HOP_S)
    assert end * HOP_S == pytest.approx(10.0 + tail_s, abs=0.3)


def test_ticks_after_the_end_are_no_decay() -> None:
    parts = [(10.0, 3.0), *[(0.5, 0.3), (0.1, 0.9)] * 6, (6.0, 0.3)]
    one, _ = groove(parts)
    assert decay_end(one, hops(10.0), len(one.quiet), HOP_S) * HOP_S == pytest.approx(10.0, abs=0.3)


def test_a_decay_ends_before_the_next_track() -> None:
    one, _ = groove([(10.0, 3.0), (1.0, 0.7), (10.0, 3.0)])
    assert decay_end(one, hops(10.0), hops(10.6), HOP_S) <= hops(10.6)


def test_the_same_sound_after_a_short_pause_speaks_against_a_gap() -> None:
    odds = []
    for timbres in ((0.0, 0.0), (0.0, 10.0)):
        (place,) = gap_places(*groove([(30.0, 8.0), (1.3, 0.3), (30.0, 8.0)], timbres_db=timbres), HOP_S)
        odds.append(place.log_odds)
    assert odds[0] < 0.0 < odds[1]


def test_after_three_seconds_of_clean_groove_the_sound_hardly_matters() -> None:
    (place,) = gap_places(*groove([(30.0, 8.0), (3.0, 0.3), (30.0, 8.0)], timbres_db=(0.0, 0.0)), HOP_S)
    assert place.log_odds > 1.5


def test_the_same_sound_that_rises_out_of_the_noise_may_have_gone_on_below_it() -> None:
    """Where it sets in at once the run is a gap, whatever follows."""
    odds = []
    for rise in ([], [(0.5, 2.0)]):
        parts = [(30.0, 8.0), *rise, (5.0, 0.3), *rise, (30.0, 8.0)]
        (place,) = gap_places(*groove(parts, timbres_db=(0.0,) * len(parts)), HOP_S)
        odds.append(place.log_odds)
    assert odds[0] > 2.0
    assert odds[1] < odds[0] - 1.5


def test_what_a_long_run_leaves_over_the_floor_speaks_against_it() -> None:
    odds = []
    for left_db in (0.0, 0.9):
        one, chroma = groove([(30.0, 8.0), (8.0, 0.3), (30.0, 8.0)], timbres_db=(0.0, 10.0))
        one.above_db[hops(30.0) : hops(38.0)] += left_db
        odds.append(gap_places(one, chroma, HOP_S)[0].log_odds)
    assert odds[0] - odds[1] > 1.5
