"""Every step and meter gives the same numbers to the last bit however the stream is cut (house style 7a).

A new step joins ``STEPS`` (audio in, audio out) or ``METERS`` (audio in, numbers out) and is tested.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidekeep.dsp.level.channels import ChannelMeter
from sidekeep.dsp.level.clipping import ClippingMeter
from sidekeep.dsp.level.loudness import LoudnessMeter
from sidekeep.dsp.level.peak_pyramid import PeakBuilder
from sidekeep.dsp.level.sample_levels import SampleMeter
from sidekeep.dsp.level.true_peak import TruePeakMeter
from sidekeep.dsp.output.dither import Quantiser
from sidekeep.dsp.output.resample import Resampler, resampled_frames

RATE_HZ = 8000
"""A low rate makes the 100 ms grid short: 800 frames, so that a few thousand frames cross it often."""

STEPS: dict[str, Callable[[], Any]] = {
    "dither": lambda: Quantiser(2, bits=16, seed=9),
    "resample down": lambda: Resampler(48000, 44100, 2),
    "resample up": lambda: Resampler(44100, 96000, 2),
    "resample not at all": lambda: Resampler(44100, 44100, 2),
}

METERS: dict[str, tuple[Callable[[], Any], Callable[[Any], list[Any]]]] = {
    "loudness": (
        lambda: LoudnessMeter(RATE_HZ, 2),
        lambda meter: [meter.powers, meter.max_momentary_lufs, meter.max_short_term_lufs],
    ),
    "true peak": (lambda: TruePeakMeter(RATE_HZ, 2), lambda meter: [meter.peaks]),
    "levels": (
        lambda: SampleMeter(RATE_HZ, 2),
        lambda meter: [meter.peaks, meter.mean_squares, meter.sums().correlation, meter.frames],
    ),
    "clipping": (
        lambda: ClippingMeter(RATE_HZ, 2),
        lambda meter: [
            meter.runs.start_frame,
            meter.runs.stop_frame,
            meter.tops.start_frame,
        ],
    ),
    "channels": (
        lambda: ChannelMeter(RATE_HZ, 2),
        lambda meter: [meter.bits_in_use, meter.still_spans, meter.bass_correlation],
    ),
    "peaks": (
        lambda: PeakBuilder(RATE_HZ, 2),
        lambda meter: [meter.length_frames, *meter.result().levels],
    ),
}

block_sizes = st.lists(st.integers(1, 1900), min_size=1, max_size=4)
lengths = st.one_of(st.sampled_from([0, 1, 799, 800, 801, 4096, 4097]), st.integers(0, 9000))


def sound(length: int, seed: int) -> NDArray[np.float64]:
    """Noise with clipped stretches, a still stretch and 16-bit samples."""
    audio = np.random.default_rng(seed).normal(0.0, 0.4, (length, 2)).clip(-1.0, 1.0 - 2.0**-15)
    audio[length // 3 : length // 3 + 60] = 0.25
    audio[length // 2 : length // 2 + 5, 0] = 1.0 - 2.0**-15
    return np.round(audio * 2.0**15) / 2.0**15


def pieces(audio: NDArray[np.float64], sizes: list[int]) -> Iterator[NDArray[np.float64]]:
    at = turn = 0
    while at < len(audio):
        size = sizes[turn % len(sizes)]
        yield audio[at : at + size]
        at, turn = at + size, turn + 1


def stepped(make: Callable[[], Any], audio: NDArray[np.float64], sizes: list[int]) -> NDArray[Any]:
    step = make()
    return np.concatenate([*(step.process(piece) for piece in pieces(audio, sizes)), step.flush()])


@pytest.mark.parametrize("name", STEPS)
@settings(max_examples=25, deadline=None)
@given(length=lengths, sizes=block_sizes, seed=st.integers(0, 65535))
def test_steps(name: str, length: int, sizes: list[int], seed: int) -> None:
    audio = sound(length, seed)
    whole = stepped(STEPS[name], audio, [max(length, 1)])
    step = STEPS[name]()
    if isinstance(step, Resampler):
        assert len(whole) == resampled_frames(length, step.rate_hz, step.new_rate_hz)
    else:
        assert whole.shape == audio.shape
    np.testing.assert_array_equal(stepped(STEPS[name], audio, sizes), whole)


@pytest.mark.parametrize("name", METERS)
@settings(max_examples=25, deadline=None)
@given(length=lengths, sizes=block_sizes, seed=st.integers(0, 65535))
def test_meters(name: str, length: int, sizes: list[int], seed: int) -> None:
    make, numbers = METERS[name]
    audio = sound(length, seed)

    def metered(sizes: list[int]) -> list[Any]:
        meter = make()
        for piece in pieces(audio, sizes):
            meter.process(piece)
        if hasattr(meter, "finish"):
            meter.finish()
        return numbers(meter)

    for cut, whole in zip(metered(sizes), metered([max(length, 1)])):
        np.testing.assert_array_equal(cut, whole)
