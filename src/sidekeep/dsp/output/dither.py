"""From float to 16 or 24 bits: TPDF dither and rounding, addressed by position.

Audio is (frames, channels), float64, full scale +-1.0; results are int32 between ``-2**(bits-1)`` and
``2**(bits-1) - 1``. The dither of a sample depends on the seed, its frame and its channel only: the same take
and the same recipe give the same samples, in blocks of any size and starting anywhere.

Dither is triangular, 2 LSB peak to peak, independent per sample and channel; the total error then has mean 0
and variance LSB^2/4 whatever the signal (Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A
Theoretical Survey", JAES 40, 1992). Rounding is mid-tread. It is for dropping bits only: samples that already
fit are rounded plainly with ``is_dithered=False`` and come out exact.

Random numbers: the finaliser of a 64-bit counter generator (Steele, Lea, Flood, "Fast splittable pseudorandom
number generators", OOPSLA 2014) over the sample's number; its two halves are the two uniform numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import check_block
from sidekeep.dsp.kernel import kernel
from sidekeep.errors import ParameterError

_STEP = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
"""Of the generator above, as published."""
_LOW = np.uint64(0xFFFFFFFF)
_S30, _S27, _S31, _S32 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(32)


@kernel
def _fast_quantise(samples, out, number, key, scale, lowest, highest, is_dithered):  # type: ignore[no-untyped-def]
    """Fill ``out``; the number of samples that had to be held back at the ends of the scale. ``number`` is that of
    the first sample. Without branches and in one row, so that the compiler does several at once."""
    held = 0
    for n in range(samples.shape[0]):
        value = samples[n] * scale
        if is_dithered:
            random = key + (number + np.uint64(n)) * _STEP
            random = (random ^ (random >> _S30)) * _MIX_1
            random = (random ^ (random >> _S27)) * _MIX_2
            random = random ^ (random >> _S31)
            first = np.float64(np.int64(random & _LOW)) + 0.5
            second = np.float64(np.int64(random >> _S32)) + 0.5
            value += (first + second) * 2.0**-32 - 1.0
        value = np.floor(value + 0.5)
        kept = min(max(value, lowest), highest)
        held += kept != value
        out[n] = np.int32(kept)
    return held


def _key(seed: int) -> np.uint64:
    """Spread a seed over 64 bits, so that neighbouring seeds have nothing in common."""
    number = (seed * 0x9E3779B97F4A7C15 + 0x632BE59BD9B4E019) % 2**64
    number = ((number ^ (number >> 30)) * 0xBF58476D1CE4E5B9) % 2**64
    number = ((number ^ (number >> 27)) * 0x94D049BB133111EB) % 2**64
    return np.uint64(number ^ (number >> 31))


class Quantiser:
    """Turns blocks into integers; ``held_samples`` counts what lay outside the scale."""

    latency_frames = 0

    def __init__(
        self, channels: int, *, bits: int, seed: int, is_dithered: bool = True, start_frame: int = 0
    ) -> None:
        if not 2 <= bits <= 32:
            raise ParameterError("dither-bits", bits=bits)
        if start_frame < 0:
            raise ParameterError("dither-start", start_frame=start_frame)
        self.bits = bits
        self.channels = channels
        self.held_samples = 0
        self._frame = start_frame
        self._key = _key(seed)
        self._is_dithered = is_dithered

    def process(self, block: NDArray[np.float64]) -> NDArray[np.int32]:
        """(n, channels) finite floats in, as many int32 out."""
        check_block(block, self.channels)
        out = np.empty(block.shape, np.int32)
        top = 2.0 ** (self.bits - 1)
        # Wrapping round at 64 bits is the generator's way; only plain Python would mind.
        with np.errstate(over="ignore"):
            self.held_samples += _fast_quantise(
                np.ascontiguousarray(block, np.float64).reshape(-1),
                out.reshape(-1),
                np.uint64(self._frame * self.channels),
                self._key,
                top,
                -top,
                top - 1.0,
                self._is_dithered,
            )
        self._frame += len(block)
        return out

    def flush(self) -> NDArray[np.int32]:
        """Nothing is held back."""
        return np.empty((0, self.channels), np.int32)
