"""The listens of a report as files: as long as the place, at the level of the copies, faded, and never over full scale."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from sidekeep.service.transfers.clips import to_mp3


def tone(rate_hz: int, seconds: float, peak: float, channels: int = 2) -> np.ndarray:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.repeat(peak * np.sin(2.0 * np.pi * 997.0 * time_s)[:, None], channels, axis=1)


@pytest.mark.parametrize(("rate_hz", "channels"), [(44_100, 2), (96_000, 2), (22_050, 1)])
def test_a_listen_is_as_long_and_as_loud_as_it_should_be(rate_hz: int, channels: int) -> None:
    """6 dB up and the 1 dB that is kept free: 0.1 becomes 0.1 * 10^(5/20) = 0.178."""
    audio, read_hz = soundfile.read(
        io.BytesIO(to_mp3(tone(rate_hz, 1.5, 0.1, channels), rate_hz, 6.0)), always_2d=True
    )
    assert (read_hz, audio.shape[1]) == (44_100, channels)
    assert len(audio) == pytest.approx(1.5 * read_hz, abs=2)
    middle = audio[read_hz // 2 : read_hz]
    assert np.sqrt(2.0 * np.mean(middle**2)) == pytest.approx(0.178, rel=0.02)
    # a fiftieth of the fade from either end next to nothing is heard
    assert np.abs(audio[: round(0.001 * read_hz)]).max() < 0.02
    assert np.abs(audio[-round(0.001 * read_hz) :]).max() < 0.02


def test_a_click_over_full_scale_is_clipped_and_does_not_turn_the_listen_down() -> None:
    audio = tone(44_100, 1.0, 0.5)
    audio[22_050:22_060] = 3.0
    heard, _ = soundfile.read(io.BytesIO(to_mp3(audio, 44_100, 1.0)), always_2d=True)
    assert np.sqrt(2.0 * np.mean(heard[8_000:16_000] ** 2)) == pytest.approx(0.5, rel=0.02)
    assert np.abs(heard).max() < 1.6
