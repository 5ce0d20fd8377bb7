"""Weighting curves and turn lengths against published tables."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.noise.weighting import a_weighting_db, weighted_power
from sidekeep.dsp.turn.period import NOMINAL_RPM, frames_per_turn
from sidekeep.errors import ParameterError

# IEC 61672-1 table of A-weighting; the same values stand in ANSI S1.6 / IEC/CD 1672:1996 tables and in a
# sound level meter manual (IEC 179). Nominal third-octave frequency -> dB.
A_TABLE = {
    10: -70.4, 12.5: -63.4, 16: -56.7, 20: -50.5, 25: -44.7, 31.5: -39.4, 40: -34.6, 50: -30.2, 63: -26.2,
    80: -22.5, 100: -19.1, 125: -16.1, 160: -13.4, 200: -10.9, 250: -8.6, 315: -6.6, 400: -4.8, 500: -3.2,
    630: -1.9, 800: -0.8, 1000: 0.0, 1250: 0.6, 1600: 1.0, 2000: 1.2, 2500: 1.3, 3150: 1.2, 4000: 1.0,
    5000: 0.5, 6300: -0.1, 8000: -1.1, 10000: -2.5, 12500: -4.3, 16000: -6.6, 20000: -9.3,
}  # fmt: skip


def test_a_weighting_table_iec_61672() -> None:
    for number, (_, expected) in enumerate(A_TABLE.items()):
        exact_hz = 10.0 ** (1.0 + number / 10.0)
        assert a_weighting_db(exact_hz) == pytest.approx(expected, abs=0.0501)


def test_a_weighting_unshifted_value_at_1_khz() -> None:
    """The formula without its offset reads -1.999656 dB at 1 kHz (worked out from the formula in IEC 61672-1, annex E)."""
    assert a_weighting_db(1000.0) - 2.0 == pytest.approx(-1.999656, abs=1e-6)


def test_weighted_power_of_one_line() -> None:
    frequency_hz = np.array([100.0, 1000.0])
    # -19.1 dB at 100 Hz: IEC 61672-1, the table above.
    total = weighted_power(np.array([1.0, 0.0]), frequency_hz, a_weighting_db(frequency_hz))
    assert 10.0 * np.log10(total) == pytest.approx(-19.1, abs=0.05)
    with pytest.raises(ParameterError, match="one shape"):
        weighted_power(np.ones(3), frequency_hz, a_weighting_db(frequency_hz))


def test_zero_and_bad_frequencies() -> None:
    assert np.isfinite(a_weighting_db(0.0))
    with pytest.raises(ParameterError, match="finite and 0 or more"):
        a_weighting_db(-1.0)


# Samples in one turn = 60 rate / rpm. 78 at 60 Hz mains is 3600/46 (gears of 46:1 behind a motor of 3600 rpm: common practice,
# no source), at 50 Hz mains 6000/77 (77.92, as the AES standards page x064 prints for its calibration disc).
@pytest.mark.parametrize(
    ("rpm", "per_turn"),
    [
        (50 / 3, (158_760, 172_800, 345_600)),
        (100 / 3, (79_380, 86_400, 172_800)),
        (45.0, (58_800, 64_000, 128_000)),
        (3600 / 46, (33_810, 36_800, 73_600)),
        (6000 / 77, (33_957, 36_960, 73_920)),
        (80.0, (33_075, 36_000, 72_000)),
    ],
)
def test_frames_per_turn(rpm: float, per_turn: tuple[int, int, int]) -> None:
    assert [frames_per_turn(rpm, rate) for rate in (44_100, 48_000, 96_000)] == pytest.approx(per_turn)
    assert min(abs(nominal - rpm) for nominal in NOMINAL_RPM) < 1e-9
