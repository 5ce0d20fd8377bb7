"""Where the needle goes down and up, in takes whose idle input is not one steady noise."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.tracks.features import FeatureMeter
from sidekeep.dsp.tracks.needle import find_plays

RATE_HZ = 48_000


@pytest.mark.parametrize("frames_short", [0, 300, 576, 860])
def test_an_idle_input_that_gets_quieter_before_the_needle_and_louder_after_the_lift(
    frames_short: int,
) -> None:
    """Someone's hand on the arm, or a motor: ten dB more noise than just before and after the groove. A file that ends within the
    last hop is a little quieter there, which says nothing about the groove."""
    rng = np.random.default_rng(5)

    def noise(seconds: float, rms: float) -> np.ndarray:
        return rng.normal(0.0, rms, (round(seconds * RATE_HZ), 2))

    groove = noise(20.0, 2e-3)
    music = np.sin(2.0 * np.pi * 440.0 * np.arange(14 * RATE_HZ) / RATE_HZ)[:, np.newaxis]
    groove[3 * RATE_HZ : 17 * RATE_HZ] += 0.2 * music
    groove[:2_000] += np.linspace(0.3, 0.0, 2_000)[:, np.newaxis]
    groove[-2_000:] += np.linspace(0.3, 0.0, 2_000)[:, np.newaxis]
    take = np.concatenate(
        [noise(4.0, 1.6e-4), noise(3.0, 5e-5), groove, noise(3.0, 5e-5), noise(1.7, 1.6e-4)]
    )
    meter = FeatureMeter(rate_hz=RATE_HZ, channels=2)
    meter.process(take[: len(take) - frames_short])
    table = meter.finish()
    (play,) = [each for each in find_plays(table) if (each.up - each.down) * table.hop_s > 10.0]
    assert play.saw_down
    assert play.saw_up
    assert play.down * table.hop_s == pytest.approx(7.0, abs=0.3)
    assert play.up * table.hop_s == pytest.approx(27.0, abs=0.3)
