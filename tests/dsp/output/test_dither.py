"""Quantising: positions, exactness and limits. Its statistics are in tests/conformance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidekeep.dsp.output.dither import Quantiser
from sidekeep.errors import ParameterError
from tests.quantising import quantise


def plain_quantise(audio: NDArray[np.float64], bits: int, seed: int, start_frame: int) -> NDArray[np.int64]:
    """The twin, in Python's own integers."""

    def mixed(number: int) -> int:
        number = ((number ^ (number >> 30)) * 0xBF58476D1CE4E5B9) % 2**64
        number = ((number ^ (number >> 27)) * 0x94D049BB133111EB) % 2**64
        return number ^ (number >> 31)

    key = mixed((seed * 0x9E3779B97F4A7C15 + 0x632BE59BD9B4E019) % 2**64)
    out = np.zeros(audio.shape, np.int64)
    for n in range(audio.shape[0]):
        for channel in range(audio.shape[1]):
            place = (start_frame + n) * audio.shape[1] + channel
            random = mixed((key + place * 0x9E3779B97F4A7C15) % 2**64)
            dither = ((random % 2**32) + 0.5 + (random >> 32) + 0.5) * 2.0**-32 - 1.0
            value = np.floor(audio[n, channel] * 2.0 ** (bits - 1) + dither + 0.5)
            out[n, channel] = min(max(value, -(2 ** (bits - 1))), 2 ** (bits - 1) - 1)
    return out


@pytest.mark.parametrize(("bits", "start_frame"), [(16, 0), (24, 0), (16, 5_000_000_000)])
def test_kernel_equals_plain_twin(bits: int, start_frame: int, rng: np.random.Generator) -> None:
    audio = rng.uniform(-1.1, 1.1, (300, 2))
    result = quantise(audio, bits=bits, seed=77, start_frame=start_frame)
    np.testing.assert_array_equal(result, plain_quantise(audio, bits, 77, start_frame))


@settings(max_examples=30, deadline=None)
@given(start=st.integers(0, 500), seed=st.integers(0, 2**63))
def test_any_place_can_be_asked_for(start: int, seed: int) -> None:
    audio = np.sin(np.arange(1000) * 0.01).reshape(500, 2) * 0.9
    whole = quantise(audio, bits=16, seed=seed)
    np.testing.assert_array_equal(
        quantise(audio[start:], bits=16, seed=seed, start_frame=start), whole[start:]
    )


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_no_dither_is_exact_on_the_grid(bits: int, rng: np.random.Generator) -> None:
    numbers = rng.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (2000, 2))
    numbers[0], numbers[1] = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    step = Quantiser(2, bits=bits, seed=1, is_dithered=False)
    np.testing.assert_array_equal(step.process(numbers / 2.0 ** (bits - 1)), numbers)
    assert step.held_samples == 0
    assert step.flush().shape == (0, 2)


def test_outside_the_scale_is_held_and_counted() -> None:
    step = Quantiser(2, bits=16, seed=1, is_dithered=False)
    np.testing.assert_array_equal(
        step.process(np.array([[1.0, -1.0], [1.5, -1.5], [0.0, 0.5]])),
        [[32767, -32768], [32767, -32768], [0, 16384]],
    )
    assert step.held_samples == 3


def test_refusals() -> None:
    with pytest.raises(ParameterError, match="bits=1"):
        Quantiser(2, bits=1, seed=1)
    with pytest.raises(ParameterError, match="start_frame=-1"):
        Quantiser(2, bits=16, seed=1, start_frame=-1)
