"""The nominal speeds of turntables against published turn lengths."""

from __future__ import annotations

import pytest

from sidekeep.dsp.turn.period import NOMINAL_RPM


# Samples in one turn = 60 rate / rpm. 78 at 60 Hz mains is 3600/46 (gears of 46:1 behind a motor of 3600 rpm: common practice,
# no source), at 50 Hz mains 6000/77 (77.92, as the AES standards page x064 prints for its calibration disc).
@pytest.mark.parametrize(
    ("rpm", "per_turn"),
    [
        (16.67, (158_760, 172_800, 345_600)),
        (33.33, (79_380, 86_400, 172_800)),
        (45.0, (58_800, 64_000, 128_000)),
        (78.26, (33_810, 36_800, 73_600)),
        (77.92, (33_957, 36_960, 73_920)),
        (80.0, (33_075, 36_000, 72_000)),
    ],
)
def test_a_turn_of_every_nominal_speed_is_whole_frames(rpm: float, per_turn: tuple[int, int, int]) -> None:
    nominal = min(NOMINAL_RPM, key=lambda each: abs(each - rpm))
    assert [60.0 * rate / nominal for rate in (44_100, 48_000, 96_000)] == pytest.approx(per_turn)
