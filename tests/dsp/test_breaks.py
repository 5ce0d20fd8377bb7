"""Where a piece of sound is missing the score stands out; ticks and what merely begins do not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.breaks import break_scores, low_rate_factor

RATE_HZ = 48_000
LOST = RATE_HZ // 50


def chords(seconds: float, seed: int = 1) -> NDArray[np.float64]:
    """Partials of three voices that swell and sink, over groove noise."""
    random = np.random.default_rng(seed)
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    audio = random.standard_normal((len(time_s), 2)) * 10 ** (-58 / 20)
    for root_hz in (98.3, 147.1, 220.7):
        for partial in (1, 2, 3, 4):
            swell = 1.0 + 0.5 * np.sin(2 * np.pi * random.uniform(0.1, 0.4) * time_s + random.uniform(0, 6))
            tone = np.sin(2 * np.pi * root_hz * partial * time_s + random.uniform(0, 6)) * swell / partial
            audio += 0.04 * tone[:, None] * random.uniform(0.3, 1.0, 2)
    return audio


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_missing_piece_stands_out_at_its_place(rate_hz: int) -> None:
    audio = chords(6.0)
    place = 3 * RATE_HZ
    scores = break_scores(np.concatenate([audio[:place], audio[place + LOST :]]), rate_hz=rate_hz)
    best = int(np.argmax(scores)) * low_rate_factor(rate_hz)
    assert abs(best - place) <= 0.03 * rate_hz
    assert scores.max() > 3.0


def test_what_goes_on_stays_near_one_with_ticks_and_without() -> None:
    audio = chords(6.0)
    assert break_scores(audio, rate_hz=RATE_HZ).max() < 2.0
    for tick in range(RATE_HZ, 5 * RATE_HZ, RATE_HZ // 3):
        audio[tick : tick + 30] += 0.3 * np.hanning(30)[:, None]
    assert break_scores(audio, rate_hz=RATE_HZ).max() < 2.0


@pytest.mark.parametrize(
    "audio", [np.zeros((4 * RATE_HZ, 2)), np.zeros((100, 1)), np.ones((4 * RATE_HZ, 1)), np.zeros((0, 2))]
)
def test_silence_and_shreds_have_no_break(audio: NDArray[np.float64]) -> None:
    scores = break_scores(audio, rate_hz=RATE_HZ)
    assert np.isfinite(scores).all()
    assert len(scores) == len(audio) // low_rate_factor(RATE_HZ)
    assert not (scores > 1.5).any()
