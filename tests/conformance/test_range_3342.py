"""EBU Tech 3342: loudness range of stereo 1 kHz tones of 20 s each, tolerance +-1 LU.

Cases 5 and 6 are recordings, not definitions. The exact values in ``test_tones_of_3341`` are computed.
"""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.level.loudness import measure_loudness
from tests.conformance.test_loudness_3341 import RATE_HZ, tones


@pytest.mark.parametrize(
    ("case", "levels", "range_lu"),
    [
        (1, (-20.0, -30.0), 10.0),
        (2, (-20.0, -15.0), 5.0),
        (3, (-40.0, -20.0), 20.0),
        (4, (-50.0, -35.0, -20.0, -35.0, -50.0), 15.0),
    ],
)
def test_cases_1_to_4(case: int, levels: tuple[float, ...], range_lu: float) -> None:
    loudness = measure_loudness(tones(*[(level, 20.0) for level in levels]), rate_hz=RATE_HZ)
    assert loudness.range_lu == pytest.approx(range_lu, abs=1.0)
    # An independent library reads these four to 0.001 LU (computed).
    assert loudness.range_lu == pytest.approx(range_lu, abs=0.01)


def test_tones_of_3341() -> None:
    case_3 = tones((-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0))
    case_5 = tones((-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0))
    assert measure_loudness(case_3, rate_hz=RATE_HZ).range_lu == pytest.approx(13.0, abs=0.1)
    assert measure_loudness(case_5, rate_hz=RATE_HZ).range_lu == pytest.approx(6.0, abs=0.1)


def test_silence_has_no_range() -> None:
    assert measure_loudness(np.zeros((10 * RATE_HZ, 2)), rate_hz=RATE_HZ).range_lu == 0.0
