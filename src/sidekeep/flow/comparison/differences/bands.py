"""What has become louder or quieter, by band, third of the side and channel.

Conventions: bands are the third-octave bands of IEC 61260-1 (base ten) from 63 Hz up; powers are per frame of ``FRAME_S``
and channel. A change is the median over frames of new over old in dB, each free of its noise, over those frames in
which *both together* stand clear of the noise (a choice that favours neither take). Its deviation comes from the spread
of the medians of blocks of the side, so that it holds for what really varies from place to place; how large a change must be
before it is told says ``certainty``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.comparison.differences.certainty import CHANCE_OF_TWO, detectable, medians_of, spread_of
from sidekeep.flow.comparison.laying.laid import Laid

Floats = NDArray[np.float64]

FRAME_S = 0.085
"""Bins of 12 Hz, for third octaves from 63 Hz on (15 Hz wide). With half of it a third that holds little music was told 0.4 dB
wrong, with double wear of 0.6 dB was missed."""
THIRDS = ("outer", "middle", "inner")
CLEAR_DB = 12.0
"""Over the noise, which then adds 0.3 dB before it is taken off. Half of it missed the change of one channel, double all of
them."""
BLOCKS = 12
"""Half more than doubled the smallest change told in a third with little music, double changed nothing that was told."""
FEWEST_FRAMES = 60
"""Five to a block. Half told a change 0.4 dB wrong, double missed wear."""
FLOOR_DB = 0.1
"""What a recording chain itself changes from one evening to the next (common practice, no source)."""
DAMAGED_DB = 6.0
"""A frame in which one take has this much more top than the other holds a tick: it tells nothing of the treble."""


def third_octave_centres(lowest_hz: float, highest_hz: float) -> list[float]:
    """Exact mid-band frequencies ``10**(n/10)`` (IEC 61260-1:2014, base ten)."""
    first, last = int(np.ceil(10 * np.log10(lowest_hz))), int(np.floor(10 * np.log10(highest_hz)))
    return [10.0 ** (n / 10.0) for n in range(first, last + 1)]


@dataclass(frozen=True, kw_only=True)
class BandChange:
    """New over old in one band. ``part`` is a third of the side or ``all``; ``channel`` 0 left, 1 right. ``change_db`` is nan
    where too little stands clear of the noise; ``detectable_db`` then is inf."""

    hz: float
    part: str
    channel: int
    change_db: float
    detectable_db: float
    frames: int

    def untold(self) -> BandChange:
        """The band without its change: nothing can be said of it."""
        return replace(self, change_db=np.nan, detectable_db=np.inf)


@dataclass(frozen=True, kw_only=True, eq=False)
class FramePowers:
    """(frames, bands, channels) powers of both takes and the share of them that is the same sound on both (coherence
    within the frame, 0 to 1: neither level nor delay counts); the middle second of each frame on the old take."""

    at_s: Floats
    old: NDArray[np.float32]
    new: NDArray[np.float32]
    shared: NDArray[np.float32]
    centres_hz: tuple[float, ...]

    def bands_between(self, low_hz: float, high_hz: float) -> list[int]:
        """Indices of the bands whose middle lies in a range."""
        return [i for i, hz in enumerate(self.centres_hz) if low_hz <= hz <= high_hz]


def frame_powers(laid: Laid) -> FramePowers:
    """Powers of one block by third-octave band."""
    size = 1 << round(np.log2(FRAME_S * laid.rate_hz))
    hz = np.fft.rfftfreq(size, 1.0 / laid.rate_hz)
    centres = third_octave_centres(63.0, min(16_000.0, 0.42 * laid.rate_hz))
    first_bins = np.searchsorted(hz, np.array(centres) / 10.0**0.05)
    stop_bins = np.searchsorted(hz, np.array(centres) * 10.0**0.05)
    # a band narrower than a bin has the nearest one
    narrow = stop_bins <= first_bins
    first_bins[narrow] = np.rint(np.array(centres)[narrow] / hz[1])
    stop_bins[narrow] = first_bins[narrow] + 1
    edges = np.stack([first_bins, stop_bins], axis=1).reshape(-1)
    window = np.hanning(size)
    scale = 2.0 / (size * np.square(window).sum())
    starts = np.arange(laid.first, laid.stop - size + 1, size // 2)
    powers: list[list[Floats]] = [[], [], []]

    def summed(values: Floats) -> Floats:
        # from each first bin to its stop; what lies between a stop and the next first bin is not a band
        return scale * np.add.reduceat(values, edges, axis=1)[:, ::2]

    for channel in range(laid.old.shape[1]):
        old, new = (
            np.fft.rfft(
                np.lib.stride_tricks.sliding_window_view(audio[:, channel], size)[starts] * window, axis=1
            )
            for audio in (laid.old, laid.new)
        )
        first, second = (summed(np.square(one.real) + np.square(one.imag)) for one in (old, new))
        crossed = np.conj(old) * new
        both = np.square(summed(crossed.real)) + np.square(summed(crossed.imag))
        powers[0].append(first)
        powers[1].append(second)
        powers[2].append(both / np.maximum(first * second, 1e-40))
    at_s = laid.start_s + (starts + size / 2.0) / laid.rate_hz
    kept = [np.stack(channels, axis=2).astype(np.float32) for channels in powers]
    return FramePowers(at_s=at_s, old=kept[0], new=kept[1], shared=kept[2], centres_hz=tuple(centres))


def joined(parts: list[FramePowers]) -> FramePowers:
    """Blocks end to end."""
    return FramePowers(
        at_s=np.concatenate([part.at_s for part in parts]),
        old=np.concatenate([part.old for part in parts]),
        new=np.concatenate([part.new for part in parts]),
        shared=np.concatenate([part.shared for part in parts]),
        centres_hz=parts[0].centres_hz,
    )


def quiet_frames(powers: FramePowers, groove_s: tuple[float, float] | None = None) -> NDArray[np.bool_]:
    """Frames of groove without music in either take: the quietest twentieth, if they lie clearly under the rest."""
    middle = powers.bands_between(300.0, 5000.0)
    both = np.sqrt(powers.old[:, middle].sum(axis=(1, 2)) * powers.new[:, middle].sum(axis=(1, 2)))
    # digital silence around the recording is not groove, nor is the chain before the needle is down
    sounding = both > 1e-12
    if groove_s is not None:
        sounding &= (powers.at_s >= groove_s[0]) & (powers.at_s < groove_s[1])
    if sounding.sum() < FEWEST_FRAMES:
        return np.zeros(len(both), bool)
    limit = np.quantile(both[sounding], 0.05)
    return np.asarray(sounding & (both <= 2.0 * limit))


def band_changes(
    powers: FramePowers, music_s: tuple[float, float], groove_s: tuple[float, float] | None = None
) -> list[BandChange]:
    """Every band by third and channel, and over the whole side; noise is that of the quiet frames of the groove."""
    quiet = quiet_frames(powers, groove_s)
    inside = (powers.at_s >= music_s[0]) & (powers.at_s < music_s[1]) & ~quiet
    inside &= ~damaged_frames(powers)
    third = thirds_of(powers.at_s, music_s)
    noise_old = np.median(powers.old[quiet], axis=0) if quiet.any() else np.zeros(powers.old.shape[1:])
    noise_new = np.median(powers.new[quiet], axis=0) if quiet.any() else np.zeros(powers.new.shape[1:])
    changes = []
    for band, hz in enumerate(powers.centres_hz):
        for channel in range(powers.old.shape[2]):
            old, new = powers.old[:, band, channel], powers.new[:, band, channel]
            floor = np.sqrt(noise_old[band, channel] * noise_new[band, channel])
            clear = inside & (np.sqrt(old * new) > floor * 10.0 ** (CLEAR_DB / 10.0))
            first = np.maximum(old - noise_old[band, channel], 0.3 * old)
            second = np.maximum(new - noise_new[band, channel], 0.3 * new)
            ratio_db = 10.0 * np.log10(np.maximum(second, 1e-20) / np.maximum(first, 1e-20))
            for part, name in ((-1, "all"), *enumerate(THIRDS)):
                chosen = clear if part < 0 else clear & (third == part)
                changes.append(_change(ratio_db[chosen], hz, name, channel))
    return changes


def thirds_of(at_s: Floats, music_s: tuple[float, float]) -> NDArray[np.int64]:
    """0, 1 or 2: the third of the side in which moments lie."""
    place = np.clip(3.0 * (at_s - music_s[0]) / max(music_s[1] - music_s[0], 1e-9), 0.0, 2.999)
    return place.astype(np.int64)


def _change(ratio_db: Floats, hz: float, part: str, channel: int) -> BandChange:
    count = len(ratio_db)
    if count < FEWEST_FRAMES:
        return BandChange(
            hz=hz,
            part=part,
            channel=channel,
            change_db=np.nan,
            detectable_db=np.inf,
            frames=count,
        )
    medians = medians_of(ratio_db, BLOCKS)
    sd = 1.25 * spread_of(medians) / np.sqrt(BLOCKS)
    return BandChange(
        hz=hz,
        part=part,
        channel=channel,
        change_db=float(np.median(ratio_db)),
        detectable_db=detectable(FLOOR_DB, sd, BLOCKS, CHANCE_OF_TWO),
        frames=count,
    )


def damaged_frames(powers: FramePowers) -> NDArray[np.bool_]:
    """Frames in which the top of one take stands far over the other's: a tick on one of them."""
    top = [i for i, hz in enumerate(powers.centres_hz) if hz >= 4000.0]
    if not top:
        return np.zeros(len(powers.at_s), bool)
    old = powers.old[:, top].sum(axis=1).max(axis=1)
    new = powers.new[:, top].sum(axis=1).max(axis=1)
    ratio_db = 10.0 * np.log10(np.maximum(new, 1e-20) / np.maximum(old, 1e-20))
    usual = float(np.median(ratio_db))
    return np.abs(ratio_db - usual) > DAMAGED_DB
