"""How much of one channel has come over into the other, compared with before: crosstalk and azimuth.

Between 300 Hz and 3 kHz the new take's channels are the old one's through a 2 x 2 matrix, found by least squares from the
channels' powers and products. Its off-diagonal parts are what is *more* (or less) in the other channel than before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.comparison.differences.bands import THIRDS, thirds_of
from sidekeep.flow.comparison.differences.certainty import detectable
from sidekeep.flow.comparison.laying.laid import Laid

Floats = NDArray[np.float64]

LOW_HZ, HIGH_HZ = 300.0, 3000.0
"""Where cartridges separate best (common practice, no source). No matter (see the README)."""
SIZE = 4096
PIECE_S = 2.0
"""Spectra of 4096 frames, some twenty to a piece. No matter."""
GROUPS, FEWEST_GROUPS = 8, 4
"""Eight estimates tell their own spread, four are the fewest that do. No matter."""
FLOOR = 0.01
"""Of the other channel; the cartridge itself leaks more, and how much differs a little with every lowering of the needle (common
practice, no source)."""
WORST_CONDITION = 300.0
"""Above it the channels hold too nearly the same to tell which of them has leaked."""


@dataclass(frozen=True, kw_only=True)
class Leak:
    """Change of the leak into the other channel, and how small a one could have been detected, in dB below the channel it comes
    from. ``is_more``: what came is in phase with it; else so much has gone, or came in opposite phase."""

    leak_db: float
    detectable_db: float
    is_more: bool = True

    @property
    def is_clear(self) -> bool:
        """Whether it is more than could be chance."""
        return self.leak_db > self.detectable_db


@dataclass(frozen=True, kw_only=True)
class MixingChange:
    """Both leaks on one ``part``: a third of the side, or ``all``."""

    part: str
    left_to_right: Leak
    right_to_left: Leak

    @property
    def worse(self) -> Leak:
        """The greater of the two leaks."""
        return max(self.left_to_right, self.right_to_left, key=lambda leak: leak.leak_db)

    @property
    def way(self) -> Literal["more", "less", "turned"]:
        """What the greater leak says with the other one: leaning over, a cartridge gives each channel some of the other, in phase
        one way and in opposite phase the other way."""
        if (
            self.left_to_right.is_clear
            and self.right_to_left.is_clear
            and self.left_to_right.is_more != self.right_to_left.is_more
        ):
            return "turned"
        return "more" if self.worse.is_more else "less"

    @property
    def detectable_db(self) -> float:
        """How small a leak either way could have been detected."""
        return max(self.left_to_right.detectable_db, self.right_to_left.detectable_db)


@dataclass(frozen=True, kw_only=True, eq=False)
class ChannelPowers:
    """(pieces, 4, 4) products of old left, old right, new left, new right in the band, in pieces of ``PIECE_S``; ``at_s``
    (pieces,) their middles. No pieces for mono."""

    at_s: Floats
    products: NDArray[np.complex128]


def channel_powers(laid: Laid) -> ChannelPowers:
    """The pieces of one block."""
    hop = round(PIECE_S * laid.rate_hz)
    starts = np.arange(laid.first, laid.stop - hop + 1, hop)
    if laid.old.shape[1] != 2:
        starts = starts[:0]
    hz = np.fft.rfftfreq(SIZE, 1.0 / laid.rate_hz)
    band = slice(int(np.searchsorted(hz, LOW_HZ)), int(np.searchsorted(hz, HIGH_HZ, "right")))
    window = np.hanning(SIZE)
    products = np.zeros((len(starts), 4, 4), np.complex128)
    for number, start in enumerate(starts):
        # four rows of contiguous samples: the transforms run along them
        four = np.concatenate([laid.old[start : start + hop], laid.new[start : start + hop]], axis=1).T.copy()
        cut = four[:, : hop // SIZE * SIZE].reshape(4, -1, SIZE) * window
        spectra = np.fft.rfft(cut, axis=2)[:, :, band].reshape(4, -1)
        products[number] = np.conj(spectra) @ spectra.T
    return ChannelPowers(at_s=laid.start_s + (starts + hop / 2.0) / laid.rate_hz, products=products)


def mixing_changes(blocks: Sequence[ChannelPowers], music_s: tuple[float, float]) -> list[MixingChange]:
    """Of the whole side and of its thirds; nothing for mono, or where the channels hold too nearly the same to tell."""
    at_s = np.concatenate([block.at_s for block in blocks])
    products = np.concatenate([block.products for block in blocks])
    own = products[:, (0, 1), (0, 1)].real
    inside = (at_s >= music_s[0]) & (at_s < music_s[1]) & (own > 0.0).all(axis=1)
    at_s, products = at_s[inside], products[inside]
    third = thirds_of(at_s, music_s)
    found = []
    for number, part in ((-1, "all"), *enumerate(THIRDS)):
        change = _mixing(part, products if number < 0 else products[third == number])
        if change is not None:
            found.append(change)
    return found


def _mixing(part: str, products: NDArray[np.complex128]) -> MixingChange | None:
    leaks = []
    for some in np.array_split(products, min(GROUPS, max(1, len(products)))):
        total = some.sum(axis=0)
        own = total[:2, :2]
        if not len(some) or np.linalg.cond(own) > WORST_CONDITION:
            continue
        matrix = np.linalg.solve(own, total[:2, 2:]).real  # rows: from old L, R; columns: to new L, R
        leaks.append((matrix[0, 1] / matrix[0, 0], matrix[1, 0] / matrix[1, 1]))
    if len(leaks) < FEWEST_GROUPS:
        return None
    middle = np.median(leaks, axis=0)
    spread = 1.25 * np.std(leaks, axis=0) / np.sqrt(len(leaks))
    to_right, to_left = (
        Leak(
            leak_db=_decibels(middle[way]),
            is_more=bool(middle[way] > 0.0),
            detectable_db=_decibels(detectable(FLOOR, float(spread[way]), len(leaks))),
        )
        for way in (0, 1)
    )
    return MixingChange(part=part, left_to_right=to_right, right_to_left=to_left)


def _decibels(value: float) -> float:
    return 20.0 * float(np.log10(max(abs(value), 1e-5)))
