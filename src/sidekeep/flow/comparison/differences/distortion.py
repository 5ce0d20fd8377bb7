"""Distortion that only one of the takes has: where the music is loud, what is in a band of both takes and is not one sound.

A worn or dirty stylus, or a groove that it has hurt, adds products of the music to the music: most where the groove is cut
hardest for its speed, loud places near the end of the side. They are on one take only, so they lower the coherence of the
takes there. Coherence within a frame and a third octave counts neither level nor treble nor a small delay; what plain noise
lowers it by is known from the quiet frames and taken out. The rest, as a share of amplitude, is told for each third
of the side: noise of every third alike is no distortion, what grows inward is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.comparison.differences.bands import (
    THIRDS,
    FramePowers,
    damaged_frames,
    quiet_frames,
    thirds_of,
)
from sidekeep.flow.comparison.differences.certainty import blocks_of, detectable, medians_of

Floats = NDArray[np.float64]
Span = tuple[float, float]

LOW_HZ, HIGH_HZ = 900.0, 6500.0
"""Where products of loud notes fall and the groove is quiet (chosen here). No matter (see the README)."""
LOUD_SHARE = 0.25
FEWEST_FRAMES = 48
"""The loudest quarter; two frames to each of the most blocks. No matter."""
FLOOR = 0.013
"""Share that is on one take only by the takes' small differences in speed: up to 1.2 % on 57 pressed pairs without change."""


@dataclass(frozen=True, kw_only=True)
class Distortion:
    """Of one third and channel: the share (of amplitude, 0.03 = 3 %) of the loud music that only one take has, the smallest
    that could have been detected, and how much more there is on the new take than on the old one (dB; negative: less)."""

    part: str
    channel: int
    share: float
    detectable: float
    more_db: float


def distortion_of(powers: FramePowers, music_s: Span, groove_s: Span) -> list[Distortion]:
    """For every third and channel with enough loud music."""
    bands = powers.bands_between(LOW_HZ, HIGH_HZ)
    quiet = quiet_frames(powers, groove_s)
    inside = (powers.at_s >= music_s[0]) & (powers.at_s < music_s[1]) & ~quiet & ~damaged_frames(powers)
    third = thirds_of(powers.at_s, music_s)
    found = []
    for channel in range(powers.old.shape[2]):
        old, new, shared = (
            side[:, bands, channel].astype(np.float64) for side in (powers.old, powers.new, powers.shared)
        )
        noise = [
            np.median(side[quiet], axis=0) if quiet.any() else np.zeros(len(bands)) for side in (old, new)
        ]
        level = np.sqrt(old.sum(axis=1) * new.sum(axis=1))
        for number, part in enumerate(THIRDS):
            chosen = np.flatnonzero(inside & (third == number))
            loud = (
                chosen[level[chosen] >= np.quantile(level[chosen], 1.0 - LOUD_SHARE)] if len(chosen) else []
            )
            if len(loud) < FEWEST_FRAMES:
                continue
            first, second = np.maximum(old[loud], 1e-20), np.maximum(new[loud], 1e-20)
            expected = np.minimum(noise[0] / first + noise[1] / second, 1.0)
            weights = np.sqrt(first * second)
            rest = ((1.0 - shared[loud] - expected) * weights).sum(axis=1) / weights.sum(axis=1)
            count = blocks_of(len(rest))
            blocks = medians_of(rest, count)
            middle = float(np.median(blocks))
            sd = 1.25 * float(np.std(blocks)) / np.sqrt(count)
            # where the takes differ most, which of them holds more
            apart = np.maximum(1.0 - shared[loud], 0.0)
            more_db, alike_db = (_more_db(share, second, first) for share in (apart, shared[loud]))
            found.append(
                Distortion(
                    part=part,
                    channel=channel,
                    share=float(np.sqrt(max(middle, 0.0))),
                    detectable=float(np.sqrt(detectable(FLOOR**2, sd, count))),
                    more_db=more_db - alike_db,
                )
            )
    return found


def _more_db(share: NDArray[np.float64], new: NDArray[np.float64], old: NDArray[np.float64]) -> float:
    """How much more power the new take has in a share of the sound; none where there is none, as in a take and its copy."""
    return float(10.0 * np.log10(((share * new).sum() + 1e-30) / ((share * old).sum() + 1e-30)))
