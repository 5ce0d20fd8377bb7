"""Moments of dithered rounding (Lipshitz, Wannamaker, Vanderkooy, JAES 40, 1992).

Non-subtractive TPDF dither of 2 LSB peak to peak: mean error 0 and variance LSB^2/4 whatever the signal.
RPDF dither of 1 LSB, made here for comparison, has variance d(1-d) at an offset of d LSB: it breathes with
the music. Limits: |correlation| < 5 / sqrt(N), variance within 1 % of 0.25 at N of a million.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.quantising import quantise

COUNT = 1_000_000
LSB = 2.0**-15


def errors_lsb(audio: NDArray[np.float64], seed: int = 3, bits: int = 16) -> NDArray[np.float64]:
    scale = 2.0 ** (bits - 1)
    return np.asarray(quantise(audio, bits=bits, seed=seed) - audio * scale)


@pytest.mark.parametrize("offset_lsb", [0.0, 0.25, 0.5, 0.9])
def test_constant_input(offset_lsb: float) -> None:
    error = errors_lsb(np.full((COUNT, 1), offset_lsb * LSB))
    assert abs(error.mean()) < 5.0 * 0.5 / np.sqrt(COUNT)
    assert error.var() == pytest.approx(0.25, rel=0.01)


@pytest.mark.parametrize("bits", [16, 24])
def test_quiet_sine_leaves_no_trace_in_the_error(bits: int) -> None:
    """0.4 LSB: without dither all is lost; TPDF keeps it, and the noise does not breathe with it."""
    lsb = 2.0 ** -(bits - 1)
    signal = 0.4 * lsb * np.sin(2.0 * np.pi * np.arange(COUNT) * 0.01234)[:, None]
    error = errors_lsb(signal, bits=bits)
    limit = 5.0 / np.sqrt(COUNT)
    assert abs(np.corrcoef(error[:, 0], signal[:, 0])[0, 1]) < limit
    assert abs(np.corrcoef(error[:, 0] ** 2, signal[:, 0] ** 2)[0, 1]) < limit
    assert error.var() == pytest.approx(0.25, rel=0.01)
    plain = quantise(signal, bits=bits, seed=1, is_dithered=False)
    assert not plain.any()


def test_rectangular_dither_would_breathe(rng: np.random.Generator) -> None:
    """Why it is not used: variance d(1-d), from 0 to LSB^2/4."""
    for offset in (0.0, 0.25, 0.5):
        rounded = np.floor(offset + rng.uniform(-0.5, 0.5, COUNT) + 0.5)
        assert (rounded - offset).var() == pytest.approx(offset * (1.0 - offset), abs=0.002)


def test_noise_of_a_full_scale_sine() -> None:
    """16 bit: TPDF noise rms -96.330 dB re full-scale peak; sine to noise 93.319 dB (computed)."""
    sine = 0.999 * np.sin(2.0 * np.pi * np.arange(COUNT) * 0.0217)[:, None]
    error = errors_lsb(sine) * LSB
    noise_db = 20.0 * np.log10(error.std())
    assert noise_db == pytest.approx(-96.330, abs=0.05)
    assert -3.0103 - noise_db == pytest.approx(93.319, abs=0.05)


def test_dither_is_white_and_independent() -> None:
    """Triangular between -1 and 1 LSB, no memory, channels and seeds unrelated."""
    # 32 bits of an amplified zero show the dither's own shape: at 24 bits a constant of half a step.
    error = errors_lsb(np.zeros((COUNT, 2)))
    limit = 5.0 / np.sqrt(COUNT)
    assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < limit
    assert abs(np.corrcoef(error[1:, 0], error[:-1, 0])[0, 1]) < limit
    assert abs(np.corrcoef(error[2:, 0], error[:-2, 0])[0, 1]) < limit
    other = errors_lsb(np.zeros((COUNT, 2)), seed=4)
    assert abs(np.corrcoef(error[:, 0], other[:, 0])[0, 1]) < limit
    # Zero rounded with triangular dither: -1, 0, 1 with chances 1/8, 3/4, 1/8.
    chances = [(error == value).mean() for value in (-1.0, 0.0, 1.0)]
    np.testing.assert_allclose(chances, [0.125, 0.75, 0.125], atol=0.002)
