"""What a coarse change of rate leaves in a file: its sound once more, mirrored, where none of it belongs.

Audio is (frames, channels), float64, full scale +-1.0; frequencies in Hz. Whoever brings a file from one rate to another by
repeating samples, or by a straight line from one to the next, lets the images of the sound pass: what stands at f stands also at
``once_hz`` - f (Crochiere & Rabiner, Multirate Digital Signal Processing, 1983, section 2.3), or wherever the new rate folds
that to. Its phase turns away from that of its original by as much as ``once_hz`` turns, to the last digit, through the whole
file. No music and no groove does that. So spectra of moments strewn over the take are laid on themselves, moved by each rate
that files are made at, and it is asked whether the phases agree.

Only images of the lower four fifths of the band count: the filter of a good converter lets the others pass too
(``dsp.impulses.images``), and nobody hears them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import WindowMeter

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

ONCE_HZ = (8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000)
"""Rates that files are made at."""
SPECTRUM_S = 0.0116
"""Of one spectrum: 512 frames at 44.1 kHz."""
EVERY, MOST = 5, 240
"""Windows of 0.1 s from one moment to the next, and how many moments are enough: two minutes. More told nothing more."""
BATCH = 16
LOWEST, HIGHEST = 0.12, 0.4
"""Shares of ``once_hz`` between which a sound is compared with its image. Below, a straight line leaves next to none; above is
where converters fall."""
LOWEST_IMAGE_HZ, HIGHEST_IMAGE = 1_000.0, 0.49
"""Where an image may lie: over the bass, under so much of the rate."""
APART_BINS = 12
"""Bins between a sound and its image: nearer, a loud tone leaks into both."""
SURE = 250.0
"""Squared length of the sum of all unit phases over their number. By chance it is 1 in the mean, as two neighbouring bins are not
independent some 2. Good converters and most music reach 24, one piece with a sampler's images in it 178; straight lines give 250
to 4,300 within half a minute, less where there is no treble, repeated samples 580 to 9,500. It grows with the take."""
SHOWS = 60.0
"""... and enough of a rate whose multiple is sure."""
SHARE, STEADY = 0.25, 0.75
"""So many of the mean must this sum be in so many of all batches: an instrument that was made at another rate has images of its
own, whose phase begins anew with every note."""
FEWEST = 3
"""Batches, below which nothing is said: half a minute."""
PLAIN_DB = -36.0
"""Least level of an image under its sound that is told of: a straight line leaves -15 to -24, repeated samples more."""


FLOOR_DBFS = -105.0
"""What lies under noise of this level has next to no say: in a file that was never rounded a loud sound leaks so far."""


@dataclass(frozen=True, kw_only=True)
class Mirrors:
    """The rate a file was once at, and how far its images lie under the sound they mirror."""

    once_hz: int
    image_db: float


@dataclass
class _Sums:
    """Of one rate and one direction: bins that are compared, sums of unit phases by batch and their number, and of the logarithms
    of how much there is at the image's place over what there is at the sound's."""

    turn: Complex
    per_frame: float
    bins: NDArray[np.intp]
    phases: list[complex] = field(default_factory=list)
    count: int = 0
    logs: float = 0.0

    @property
    def agree(self) -> float:
        """How far the phases agree: see ``SURE``."""
        return abs(sum(self.phases)) ** 2 / max(1, self.count)

    @property
    def is_sure(self) -> bool:
        """Whether they do beyond doubt, all through the take."""
        whole = sum(self.phases)
        if len(self.phases) < FEWEST or self.agree <= SURE:
            return False
        along = np.real(np.array(self.phases) * np.conj(whole)) / abs(whole)
        return float(np.mean(along > SHARE * along.mean())) >= STEADY

    @property
    def image_db(self) -> float:
        """How far the images lie under their sound. Beside other sound their phases agree as far as they stand out of it."""
        return 20.0 * (math.log10(abs(sum(self.phases)) / self.count) + self.logs / self.count)


class MirrorMeter(WindowMeter):
    """Collects moments of a take and asks them, a few at a time."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        super().__init__(rate_hz, channels)
        self._size = 2 ** round(math.log2(SPECTRUM_S * rate_hz))
        self._taper = np.hanning(self._size)
        self._floor = float(np.sum(np.square(self._taper))) * 10.0 ** (0.1 * FLOOR_DBFS)
        self._sums = {
            (once_hz, sign): sums
            for once_hz in ONCE_HZ
            if once_hz != rate_hz
            for sign in (1, -1)
            if len((sums := self._asked(once_hz, sign)).bins)
        }
        self._held: list[Floats] = []
        self._begins: list[int] = []
        self._seen = self._taken = 0

    def _asked(self, once_hz: int, sign: int) -> _Sums:
        """Where the images of one rate lie, one direction of the two."""
        rate_hz = self.rate_hz
        image_hz = np.arange(self._size // 2 + 1) * rate_hz / self._size
        moved_hz = np.mod(image_hz - sign * once_hz + 0.5 * rate_hz, rate_hz) - 0.5 * rate_hz
        sound_hz = np.abs(moved_hz)
        # the first image alone: the others are weaker, and an encoder that fills the treble with copies moves them as those move
        folded_hz = np.abs(np.mod(once_hz - sound_hz + 0.5 * rate_hz, rate_hz) - 0.5 * rate_hz)
        fits = np.abs(folded_hz - image_hz) < 0.01 * rate_hz / self._size
        fits &= (sound_hz > LOWEST * once_hz) & (sound_hz < HIGHEST * min(once_hz, rate_hz))
        fits &= (image_hz > LOWEST_IMAGE_HZ) & (image_hz < HIGHEST_IMAGE * rate_hz)
        fits &= np.abs(image_hz - sound_hz) > APART_BINS * rate_hz / self._size
        per_frame = sign * once_hz / rate_hz
        turn = np.exp(2j * np.pi * np.mod(per_frame * np.arange(self._size), 1.0))
        return _Sums(turn=turn, per_frame=per_frame, bins=np.flatnonzero(fits))

    def window(self, frames: Floats, count: int) -> None:
        """One window; of every fifth a moment is kept, at another place in each, that no beat keeps pace with them."""
        at, self._seen = self._seen, self._seen + 1
        if at % EVERY or self._taken >= MOST or count < self.window_frames or count < self._size:
            return
        first = (at * 2_654_435_761) % (count - self._size + 1)
        moment = frames[first : first + self._size, at // EVERY % self.channels]
        if moment.any():
            self._held.append(moment * self._taper)
            self._begins.append(at * self.window_frames + first)
            self._taken += 1
        if len(self._held) == BATCH:
            self._ask()

    def _ask(self) -> None:
        held, begins = np.stack(self._held), np.array(self._begins)
        self._held, self._begins = [], []
        sound = np.fft.rfft(held, axis=1)
        for sums in self._sums.values():
            moved = np.fft.fft(held * sums.turn, axis=1)[:, sums.bins]
            moved *= np.exp(2j * np.pi * np.mod(sums.per_frame * begins, 1.0))[:, np.newaxis]
            both = sound[:, sums.bins] * moved.conj()
            sizes = np.abs(both) + self._floor
            sums.phases.append(complex((both / sizes).sum()))
            sums.count += both.size
            sums.logs += float(np.log10(sizes / (moved.real**2 + moved.imag**2 + self._floor)).sum())

    def found(self) -> Mirrors | None:
        """What explains what was heard by now: of a sure rate the lowest that it is a multiple of and that shows as well, for
        images of its multiples are its own."""
        if self._held:
            self._ask()
        for once_hz in ONCE_HZ:
            sure = [sums for (one_hz, _), sums in self._sums.items() if one_hz == once_hz and sums.is_sure]
            image_db = max((sums.image_db for sums in sure), default=-math.inf)
            if image_db > PLAIN_DB:
                shows = [hz for (hz, _), sums in self._sums.items() if sums.agree > SHOWS]
                return Mirrors(once_hz=min(hz for hz in shows if once_hz % hz == 0), image_db=image_db)
        return None
