"""Noise of two takes: of the surface, rumble, and hum, by channel, each where the music leaves room for it.

Surface noise is heard in the gaps: the frames of groove without music, above 500 Hz. Rumble (``RUMBLE_HZ``) and hum (the
mains frequency and its harmonics) lie where much music holds nothing for seconds at a time, so for each of them the quietest
fifth of the side *around that frequency* is taken, on both takes alike: a choice that favours neither. Hum is the line above
its neighbours, whatever else sounds. Levels are rms in dBFS; the smallest change that could have been detected comes from how
much the change varies from place to place. Each kind is told of the whole side and of every third that leaves room for it, the
mean of both channels and each channel alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.output.resample import resample
from sidekeep.flow.comparison.differences.bands import THIRDS, FramePowers, quiet_frames, thirds_of
from sidekeep.flow.comparison.differences.certainty import blocks_of, detectable, spread_of
from sidekeep.flow.comparison.laying.laid import Laid

Floats = NDArray[np.float64]
Span = tuple[float, float]

LOW_RATE_HZ = 2000
"""Holds ``TOP_HZ`` well within the pass band."""
FRAME_S, HOP_S = 1.0, 0.5
"""A frame of a second, so that bins are hertz, as everything here counts them. How far they overlap: no matter (see the
README)."""
TOP_HZ = 320
"""The fifth harmonic of 60 Hz and what lies beside it."""
RUMBLE_HZ = (12, 45)
"""Below the mains lines; what lies under it is warp, and no pickup is meant to tell it."""
MAINS_HZ = (50, 60)
HARMONICS = (1, 2, 3, 5)
"""Of a transformer the mains frequency and its odd harmonics, of a rectifier the even ones: those that stand out in most chains
(common practice, no source)."""
LINE_HZ, BESIDE_HZ = 2, 8
"""Half a line with the skirts of its window and the drift of the mains, and how far beside it what else sounds there is looked
at. No matter."""
QUIETEST_SHARE = 0.2
FEWEST_FRAMES = 24
"""A fifth of the side, and three frames to each of the fewest blocks. No matter."""
FLOORS_DB = {"groove": 0.3, "rumble": 6.0, "hum": 3.0}
"""What a player and its chain change by themselves from one evening to the next (common practice, no source). Rumble differs
most: the resonance of arm and cartridge and what comes once a turn are never twice the same (1.7 dB, one deviation, on pressed
pairs)."""
QUIETEST_DBFS = {"groove": -85.0, "rumble": -70.0, "hum": -62.0}
"""Noise below this is not heard: a change counts from here."""
BESIDE_HUM_DBFS = -71.0
"""What music and player hold at the mains frequency besides. It adds to the hum or takes from it as their phases fall, which
is another way on every playing and the same way all along one: on pressed sides with hum of -68 to -62 dBFS and no change
the two channels moved by up to 4 dB, like this and no more."""


@dataclass(frozen=True, kw_only=True)
class ChannelNoise:
    """One channel on both takes, and the smallest change that could have been detected (dB). ``quietest_dbfs``: what lies below
    is not heard."""

    old_dbfs: float
    new_dbfs: float
    detectable_db: float
    quietest_dbfs: float = -np.inf

    @property
    def change_db(self) -> float:
        """New minus old, as far as it is heard."""
        return max(self.new_dbfs, self.quietest_dbfs) - max(self.old_dbfs, self.quietest_dbfs)


@dataclass(frozen=True, kw_only=True)
class NoiseChange:
    """One kind of noise on both takes, mean power of the channels, and what could have been detected, on one ``part``: a
    third of the side, or ``all``."""

    kind: str
    part: str
    old_dbfs: float
    new_dbfs: float
    detectable_db: float
    channels: tuple[ChannelNoise, ...] = ()

    @property
    def change_db(self) -> float:
        """New minus old, as far as it is heard."""
        quietest_dbfs = QUIETEST_DBFS[self.kind]
        return max(self.new_dbfs, quietest_dbfs) - max(self.old_dbfs, quietest_dbfs)

    @property
    def is_heard(self) -> bool:
        """Whether there is anything to speak of on either take."""
        return max(self.old_dbfs, self.new_dbfs) >= QUIETEST_DBFS[self.kind]


@dataclass(frozen=True, kw_only=True, eq=False)
class LowPowers:
    """(frames, takes, bins, channels) mean squares a bin of one hertz below ``TOP_HZ``, old and new; ``at_s`` (frames,)
    the middles."""

    at_s: Floats
    power: NDArray[np.float32]


def low_powers(laid: Laid) -> LowPowers:
    """The low end of one block, in frames of a second."""
    size, hop = round(FRAME_S * LOW_RATE_HZ), round(HOP_S * LOW_RATE_HZ)
    window = np.hanning(size + 1)[:-1]
    scale = 2.0 / (size * np.square(window).sum())
    powers = []
    for audio in (laid.old, laid.new):
        low = resample(audio, rate_hz=laid.rate_hz, new_rate_hz=LOW_RATE_HZ)
        first = round(laid.first * LOW_RATE_HZ / laid.rate_hz)
        stop = round(laid.stop * LOW_RATE_HZ / laid.rate_hz)
        # frames lie on whole half seconds; the last one of a block ends in its margin
        starts = range(first, stop, hop)
        cut = np.stack([low[start : start + size] for start in starts if start + size <= len(low)])
        spectra = np.fft.rfft(cut * window[np.newaxis, :, np.newaxis], axis=1)[:, :TOP_HZ]
        powers.append(scale * (np.square(spectra.real) + np.square(spectra.imag)))
    at_s = laid.start_s + (first + hop * np.arange(len(powers[0])) + size / 2) / LOW_RATE_HZ
    return LowPowers(at_s=at_s, power=np.stack(powers, axis=1).astype(np.float32))


def noise_changes(
    powers: FramePowers,
    low: Sequence[LowPowers],
    music_s: Span,
    groove_s: Span,
    *,
    highest_hz: float = np.inf,
) -> list[NoiseChange]:
    """What can be said of each kind of noise, on the whole side and on each third of the music (lead-in and run-out belong
    to the outer and the inner one); what cannot be heard beside the music is left out. Surface noise is told up to
    ``highest_hz``."""
    at_s = np.concatenate([part.at_s for part in low])
    inside = (at_s > groove_s[0] + FRAME_S / 2) & (at_s < groove_s[1] - FRAME_S / 2)
    power = np.concatenate([part.power for part in low])[inside]
    third = thirds_of(at_s[inside], music_s)
    surface, surface_third = _surface(powers, music_s, groove_s, highest_hz)
    found = []
    for number, part in ((-1, "all"), *enumerate(THIRDS)):
        here = power if number < 0 else power[third == number]
        found += [
            *_told("groove", part, surface if number < 0 else surface[surface_third == number]),
            *_rumble(part, here.astype(np.float64)),
            *_hum(part, here.astype(np.float64)),
        ]
    return found


def _surface(
    powers: FramePowers, music_s: Span, groove_s: Span, highest_hz: float
) -> tuple[Floats, NDArray[np.int64]]:
    """(frames, takes, channels) powers of the groove without music, and the third of each frame."""
    quiet = quiet_frames(powers, groove_s)
    high = powers.bands_between(500.0, highest_hz)
    sides = np.stack([side[quiet][:, high].sum(axis=1) for side in (powers.old, powers.new)], axis=1)
    return sides.astype(np.float64), thirds_of(powers.at_s[quiet], music_s)


def _rumble(part: str, power: Floats) -> list[NoiseChange]:
    band = power[:, :, RUMBLE_HZ[0] : RUMBLE_HZ[1]].sum(axis=2)
    return _told("rumble", part, band[_quietest(power, *RUMBLE_HZ)])


def _hum(part: str, power: Floats) -> list[NoiseChange]:
    """The lines of the mains frequency that stands out more."""
    best: list[NoiseChange] = []
    for mains_hz in MAINS_HZ:
        lines = [_line(power, mains_hz * harmonic) for harmonic in HARMONICS]
        count = min(len(line) for line in lines)
        found = _told("hum", part, np.sum([line[:count] for line in lines], axis=0))
        if found and (not best or _louder(found[0]) > _louder(best[0])):
            best = found
    return best


def _louder(change: NoiseChange) -> float:
    return max(change.old_dbfs, change.new_dbfs)


def _line(power: Floats, hz: int) -> Floats:
    """(frames, takes, channels) of one line over its neighbours, where those are quietest."""
    chosen = power[_quietest(power, hz - BESIDE_HZ, hz + BESIDE_HZ + 1, without=hz)]
    line = chosen[:, :, hz - LINE_HZ : hz + LINE_HZ + 1].sum(axis=2)
    beside = np.concatenate(
        [chosen[:, :, hz - BESIDE_HZ : hz - LINE_HZ], chosen[:, :, hz + LINE_HZ + 1 : hz + BESIDE_HZ + 1]],
        axis=2,
    ).mean(axis=2)
    return np.maximum(line - (2 * LINE_HZ + 1) * beside, 0.0)


def _quietest(power: Floats, low_hz: int, high_hz: int, without: int | None = None) -> NDArray[np.int64]:
    """The fifth of the frames with least in a range of both takes, in order of time."""
    bins = [hz for hz in range(low_hz, high_hz) if without is None or abs(hz - without) > LINE_HZ]
    both = power[:, :, bins].sum(axis=(2, 3)).prod(axis=1)
    count = max(FEWEST_FRAMES, int(QUIETEST_SHARE * len(both)))
    return np.sort(np.argsort(both, kind="stable")[:count])


def swing_db(beside_db: float) -> float:
    """By how much a tone seems to change where another one, ``beside_db`` under it (less than 0), adds to it on one take and
    takes from it on the other."""
    share = 10.0 ** (beside_db / 20.0)
    return float(20.0 * np.log10((1.0 + share) / (1.0 - share)))


def _told(kind: str, part: str, sides: Floats) -> list[NoiseChange]:
    """From (frames, takes, channels) powers in order of time."""
    if len(sides) < FEWEST_FRAMES:
        return []
    count = blocks_of(len(sides))
    blocks = np.array([np.median(block, axis=0) for block in np.array_split(sides, count)]) + 1e-20
    levels = 10.0 * np.log10(blocks.mean(axis=2))
    middle = np.median(levels, axis=0)
    quietest_dbfs = QUIETEST_DBFS[kind]

    def detectable_db(old: Floats, new: Floats) -> float:
        changes = np.maximum(new, quietest_dbfs) - np.maximum(old, quietest_dbfs)
        floor_db = FLOORS_DB[kind]
        if kind == "hum":
            loudest = max(float(np.median(old)), float(np.median(new)), quietest_dbfs)
            floor_db = float(np.hypot(floor_db, swing_db(BESIDE_HUM_DBFS - loudest)))
        return detectable(floor_db, 1.25 * spread_of(changes) / np.sqrt(count), count)

    by_channel = 10.0 * np.log10(blocks)
    return [
        NoiseChange(
            kind=kind,
            part=part,
            old_dbfs=float(middle[0]),
            new_dbfs=float(middle[1]),
            detectable_db=detectable_db(levels[:, 0], levels[:, 1]),
            channels=tuple(
                ChannelNoise(
                    old_dbfs=float(np.median(old)),
                    new_dbfs=float(np.median(new)),
                    detectable_db=detectable_db(old, new),
                    quietest_dbfs=quietest_dbfs,
                )
                for old, new in zip(by_channel[:, 0].T, by_channel[:, 1].T, strict=True)
            ),
        )
    ]
