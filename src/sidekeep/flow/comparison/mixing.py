"""How much of one channel has come over into the other, compared with before: crosstalk and azimuth.

Between 300 Hz and 3 kHz the new take's channels are the old one's through a 2 x 2 matrix, found by least squares from the
channels' powers and products. Its off-diagonal parts are what is *more* (or less) in the other channel than before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.comparison.laid import Laid

LOW_HZ, HIGH_HZ = 300.0, 3000.0
SIZE = 4096
FEWEST_BLOCKS = 4


@dataclass(frozen=True, kw_only=True)
class MixingChange:
    """Leak into the other channel that was not there before, in dB below the channel it comes from, and how small a leak
    could have been detected (dB)."""

    left_to_right_db: float
    right_to_left_db: float
    detectable_db: float


def channel_powers(laid: Laid) -> NDArray[np.complex128]:
    """(4, 4) products of old left, old right, new left, new right in the band; zeros for mono."""
    if laid.old.shape[1] != 2:
        return np.zeros((4, 4), np.complex128)
    four = np.concatenate([laid.old, laid.new], axis=1)[laid.first : laid.stop]
    hz = np.fft.rfftfreq(SIZE, 1.0 / laid.rate_hz)
    band = (hz >= LOW_HZ) & (hz <= HIGH_HZ)
    rows = np.arange(0, max(0, len(four) - SIZE + 1), SIZE)
    total = np.zeros((4, 4), np.complex128)
    for first in range(0, len(rows), 16):
        cut = np.stack([four[row : row + SIZE] for row in rows[first : first + 16]])
        spectra = np.fft.rfft(cut * np.hanning(SIZE)[None, :, None], axis=1)[:, band]
        total += np.einsum("fkc,fkd->cd", np.conj(spectra), spectra, optimize=False)
    return total


def mixing_change(blocks: list[NDArray[np.complex128]]) -> MixingChange | None:
    """From the blocks of a side; None for mono, or where the channels hold too nearly the same to tell."""
    kept = [block for block in blocks if block[0, 0].real > 0.0 and block[1, 1].real > 0.0]
    if len(kept) < FEWEST_BLOCKS:
        return None
    leaks = []
    for some in np.array_split(np.arange(len(kept)), min(8, len(kept))):
        total = np.sum([kept[index] for index in some], axis=0)
        own = total[:2, :2]
        if np.linalg.cond(own) > 300.0:
            continue
        matrix = np.linalg.solve(own, total[:2, 2:]).real  # rows: from old L, R; columns: to new L, R
        leaks.append((matrix[0, 1] / matrix[0, 0], matrix[1, 0] / matrix[1, 1]))
    if len(leaks) < FEWEST_BLOCKS:
        return None
    middle = np.median(leaks, axis=0)
    spread = float(np.max(np.std(leaks, axis=0))) / np.sqrt(len(leaks))

    def decibels(value: float) -> float:
        return 20.0 * float(np.log10(max(abs(value), 1e-5)))

    return MixingChange(
        left_to_right_db=decibels(middle[0]),
        right_to_left_db=decibels(middle[1]),
        detectable_db=decibels(3.5 * spread),
    )
