"""Where the sound of a take ends: the upper edge of a groove in a file with more room than that.

Conventions: planes are (channels, frames) float64 at ``rate_hz``; an edge is in cycles a frame, 0 to 0.5. A take brought to a
higher rate, one that went through an encoder, or one whose converter cut it off early, holds the groove's noise up to an edge
and next to nothing above. Music as it was made, with no groove in it, may end anywhere, but it has silence between its tones:
that is told apart, over stretch after stretch, for noise would take it away. A converter too gentle to leave an edge is known
by its images (``images``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.granules import GranuleWatch
from sidekeep.dsp.impulses.images import LOW_ONCE_HZ, find_images
from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]

SPECTRUM = 512
"""Frames at 48 kHz and below of one spectrum: bins of some 90 Hz, and hundreds of spectra a stretch."""
WIDE_HZ = 1000.0
"""An edge is what falls within this; the sound is looked at over as much below it."""
SOFT_HZ = 4000.0
"""... or within this, where a converter fell gently."""
FALL_DB = 15.0
"""Least fall at an edge. Grooves and microphones fade more gently; encoders and lower rates fall by 30 to 100 dB."""
ENOUGH_DB = 30.0
"""A soft fall is taken where it first reaches this: behind it the filter of a converter falls on for many kHz."""
SLOPE = 0.2
"""Share of its fall that the band below an edge may slope already: more is a slope and no edge."""
EMPTY_DBFS = -85.0
"""A band holds a groove's noise, or is empty: which, by this level of noise that is white over the whole band. Rounding to
16 bits, dither and all, is -93; the top of a quiet record with its preamplifier some -80 (common practice, no source)."""
ALONE_DB = 10.0
"""How far the groove's noise must stand over that where one stretch alone speaks for it: -75 dBFS. On new records it does just so
(pressed clean, 10.1 to 10.3 dB), used ones reach 15, and of clean music brought to 96 kHz few pieces do."""
LOWEST_HZ = 3000.0
"""No edge is looked for below this: that is a tone control, or no sound at all."""
QUIET_SHARE = 0.3
"""The noise is as loud as the sound below the edge at the quieter times: in the loudest it must not hide damage."""
CALM_SHARE = 0.05
"""The groove is looked for at the calmest times."""
QUIET_BIAS, CALM_BIAS, MIDDLE_BIAS = -math.log(1.0 - QUIET_SHARE), -math.log(1.0 - CALM_SHARE), math.log(2.0)
"""Those quantiles, and the median, of a power whose mean is 1 (exponentially spread, as noise is)."""
FULL = 0.335
"""Encoders of files at 44.1 and 48 kHz leave 0.34 to 0.45 of the rate, and clean music that went through one seems to lie in a
groove too often: a groove is believed at once in a take at twice its own rate or more ..."""
CONVERTED, CONVERTED_FROM = (0.43, 0.463), 48_000
"""... or one brought from 44.1 to 48 kHz, and at their multiples: it ends at 0.459 of the rate, or at as much less as the filter
of a converter takes to fall. An encoder at those rates ends lower (20 kHz is 0.417)."""
TWICE_HZ = 88_200
"""Lowest rate at which a soft fall is as good as an edge: below it the music itself fades as gently, and many an encoder."""
EVERY = 2
"""Every other spectrum is enough."""
SHORTEST = 64
"""Spectra of a stretch that says anything: three quarters of a second. A shorter one, at a take's end, is as the one before."""
DIGITAL_WEIGHT, MOST_FOR, MOST_AGAINST, TRUSTED = 6, 6, -12, 2
"""A stretch without a groove weighs as much as six with one; limits of what is remembered, and how much is enough."""
OWN_MOST, OWN_TRUSTED = 3, 1
"""The same of any other edge, where only a groove that is plain to hear speaks for one, and one without weighs as much: loud
dense music hides the silence between its tones, and encoders leave holes in a groove's noise where it is quiet. Of 312 stretches
of clean music 25 have such an edge and such a noise, most of them dense rock, in which next to nothing is mended all the same."""
MUSIC_DBFS = -60.0
"""A stretch below this holds no music, and says nothing of where it came from."""


@dataclass(frozen=True, kw_only=True)
class Band:
    """Where the sound ends. ``density`` is the power (mean square) a bin of the noise has, per channel."""

    edge: float
    reach: float
    """Where nothing of it is left: half the rate it was once at, where that is known, else the edge."""
    density: Floats
    spectrum: Floats
    """Mean power by frequency, (channels, bins from 0 to half the rate), on the scale of ``density``."""
    is_looked_after: bool
    """Whether a higher rate leaves such an edge. Any other may be an encoder's, or of a converter that cuts off early."""
    is_soft: bool
    """Whether the sound falls as gently there as music does."""
    groove_db: float
    """How far the least below the edge at calm times stands over what counts as empty; -inf where something lies above."""

    @property
    def in_groove(self) -> bool:
        """Whether a groove's noise goes up to the edge, and next to nothing lies above."""
        return self.groove_db > 0.0


class BandWatch:
    """Looks at stretch after stretch of a take, in order, and says which ones end below half their rate.

    One stretch alone may be loud all through and seem to lie in a groove; all of a record do. Of a ``lossy`` file it is known
    that an encoder left an edge, and that the silence above it says nothing of what was there: a sharp one counts wherever it is.
    Where only an encoder leaves such an edge, the sound is asked whether it was decoded from an MP3: then the
    take is ``lossy`` from there on.
    """

    def __init__(self, rate_hz: int, rate_factor: int, *, lossy: bool = False) -> None:
        self.lossy = lossy
        self.rate_hz = rate_hz
        self.size = SPECTRUM * rate_factor
        self._granules = GranuleWatch(rate_hz)
        self._trust = self._own_trust = 0
        self._before: Band | None = None
        self._stretches = 0

    @property
    def was_decoded(self) -> bool:
        """Whether the sound itself says that it was decoded from an MP3."""
        return self._granules.sure

    def believed(self, band: Band | None) -> Band | None:
        """The band of a stretch, if what was seen up to the stretch after it says that the sound ends there."""
        if band is None or (self.lossy and not band.is_soft):
            return band
        trusted = self._trust >= TRUSTED if band.is_looked_after else self._own_trust >= OWN_TRUSTED
        return band if trusted and band.in_groove else None

    def end(self) -> None:
        """The take is over: the one stretch of a short take is enough where the groove is plain to hear in it."""
        if self._stretches == 1 and self._before is not None and self._before.groove_db >= ALONE_DB:
            self._trust = TRUSTED

    def look(self, planes: Floats, start_frame: int = 0) -> Band | None:
        """The band of the next stretch, which begins at ``start_frame`` of the take; None when it reaches half the rate.

        It is to be used where it is ``believed``.
        """
        if planes.shape[1] < SHORTEST * self.size:
            return self._before
        self._stretches += 1
        self._before = band = find_band(planes, self.rate_hz, self.size)
        if band is None or (self.lossy and not band.is_soft):
            return band
        if not band.is_looked_after:
            if band.groove_db >= ALONE_DB:
                self._own_trust = min(OWN_MOST, self._own_trust + 1)
            elif not band.in_groove:
                self._own_trust = max(-OWN_MOST, self._own_trust - 1)
            if not band.is_soft:
                self._granules.look(planes, start_frame)
                self.lossy = self._granules.sure
        elif band.in_groove:
            self._trust = min(MOST_FOR, self._trust + 1)
        elif float(np.mean(np.square(planes))) > 10.0 ** (0.1 * MUSIC_DBFS):
            self._trust = max(MOST_AGAINST, self._trust - DIGITAL_WEIGHT)
        return band


def find_band(planes: Floats, rate_hz: float, size: int) -> Band | None:
    """The upper edge of a stretch's sound and whether a groove ends there, or None when it reaches half the rate.

    Spectra of ``size`` frames are compared by their quantiles over the stretch: a hit or a click here and there does not count.
    """
    count = planes.shape[1] // size
    if count < 8 * EVERY:
        return None
    frames = planes[:, : count * size].reshape(len(planes), count, size)[:, ::EVERY]
    # a take that is not mended is seen frame by frame, and so would its spectra be
    spectra = np.ascontiguousarray(np.fft.rfft(frames * _window(size), axis=2))
    power: Floats = np.empty(spectra.shape)
    sum_squares(spectra.view(np.float64).reshape(-1), power.reshape(-1))
    power.sort(axis=1)
    count = power.shape[1]
    quiet = power[:, int(QUIET_SHARE * count)] / QUIET_BIAS
    middle = power[:, count // 2] / MIDDLE_BIAS
    level_db = 10.0 * np.log10(middle.sum(axis=0) + 1e-30)
    lowest = int(LOWEST_HZ * size / rate_hz)
    wide = max(3, round(WIDE_HZ * size / rate_hz))
    edge, reach = _find_edge(level_db, wide, lowest), None
    empty = 0.375 * 2.0 * (power.shape[2] - 1) * 10.0 ** (0.1 * EMPTY_DBFS)
    images = find_images(planes, rate_hz, size)
    emptiest = np.sort(middle.max(axis=0))[:wide]
    if images is None and float(emptiest.mean()) < empty:
        images = find_images(planes, rate_hz, size, LOW_ONCE_HZ)
    if images is not None and images.level_to_hz >= 3.0 * WIDE_HZ:
        edge, reach = round(images.level_to_hz * size / rate_hz), 0.5 * images.once_hz / rate_hz
    is_soft = edge is None and rate_hz < TWICE_HZ
    if edge is None:
        wide = round(SOFT_HZ * size / rate_hz)
        edge = _find_edge(level_db, wide, lowest, soft=True)
    calm = power[:, int(CALM_SHARE * count)] / CALM_BIAS
    if edge is None:
        return None
    is_looked_after = not is_soft and (reach is not None or _is_looked_after(edge / size, rate_hz))
    nothing_above = reach is not None or _above(edge, wide, power) < empty
    below = slice(edge - wide, edge - wide // 4)
    return Band(
        edge=edge / size,
        reach=edge / size if reach is None else reach,
        density=np.median(quiet[:, below], axis=1),
        spectrum=middle,
        is_looked_after=is_looked_after,
        is_soft=is_soft,
        groove_db=10.0 * math.log10(max(1e-30, _below(edge, wide, lowest, calm)) / empty)
        if nothing_above
        else -math.inf,
    )


@kernel
def sum_squares(parts: Floats, power: Floats) -> None:
    """Of every two numbers that follow each other, the real and the imaginary part of one."""
    for i in range(power.shape[0]):
        power[i] = parts[2 * i] * parts[2 * i] + parts[2 * i + 1] * parts[2 * i + 1]


@lru_cache(maxsize=4)
def _window(size: int) -> Floats:
    return np.hanning(size)


def _medians(rows: Floats) -> Floats:
    """Of each row; the library's own takes ten times as long for few short rows."""
    rows = np.sort(rows, axis=1)
    return np.asarray(0.5 * (rows[:, (rows.shape[1] - 1) // 2] + rows[:, rows.shape[1] // 2]))


def _is_looked_after(edge: float, rate_hz: float) -> bool:
    return edge <= FULL or (rate_hz % CONVERTED_FROM == 0 and CONVERTED[0] <= edge <= CONVERTED[1])


def _find_edge(level_db: Floats, wide: int, lowest: int, *, soft: bool = False) -> int | None:
    """The last bin of the sound under the steepest fall; where the fall is soft, none that has begun to fall."""
    half, last = wide // 2, len(level_db) - 2
    at = np.arange(max(lowest, 3 * wide), last)
    if not len(at):
        return None
    # the highest level from each bin on: nothing may come back above an edge
    rest = np.maximum.accumulate(level_db[::-1])[::-1]
    # what is below an edge is no higher than the highest from there on: in most music nothing is left to be asked
    at = at[rest[at - half - wide] - rest[np.minimum(at + half, last)] > FALL_DB]
    if not len(at):
        return None
    windows = np.lib.stride_tricks.sliding_window_view(level_db, wide)
    below, further = _medians(windows[at - half - wide]), _medians(windows[at - 3 * wide])
    fall = below - rest[np.minimum(at + half, last)]
    fall[further - below >= SLOPE * fall] = 0.0
    steepest = int(np.argmax(np.minimum(fall, ENOUGH_DB) if soft else fall))
    if fall[steepest] <= FALL_DB:
        return None
    start, stop = int(at[steepest]) - half - wide, int(at[steepest]) + half
    loud = np.flatnonzero(level_db[start:stop] > below[steepest] - 3.0)
    edge = start + int(loud[-1])
    return min(edge, int(at[steepest]) - half - wide // 4) if soft else edge


def _above(edge: int, wide: int, power: Floats) -> float:
    """What there is above an edge; ``power`` is sorted in time. Music may end where the groove goes on: then nothing is empty."""
    top = power[:, power.shape[1] // 2, min(edge + wide // 2, power.shape[2] - 2) :]
    return float(np.median(top, axis=1).max() / MIDDLE_BIAS)


def _below(edge: int, wide: int, lowest: int, calm: Floats) -> float:
    """The least there is below an edge at calm times: a groove's noise goes all the way up to it. A file with no groove in it,
    music as it was made, has silence between its tones; noise would take that from it."""
    starts = range(min(lowest, edge - wide), edge - wide + 1, max(1, wide // 2))
    return float(np.min([np.median(calm[:, at : at + wide], axis=1) for at in starts], axis=0).max())
