"""Which places are looked at for a thump's tail, and how sure it must be before it is taken off.

Conventions: as in ``thumps``. Heads are mended ticks and pops, or left for doubt; a tail whose tick was too small to be
noticed is looked for where the low end rises. A look costs milliseconds, so a cheap question comes first: did the low end swell
behind the tick? What is quieter than the music's own bass is left: it cannot be heard, and cannot be told from it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.thumps import LATERAL_FOUND_NATS, LowBand, Thump

Floats = NDArray[np.float64]
Head = tuple[int, int, float]
"""First frame, last + 1, size over the local slope in dB."""

HEAD_DB = 18.0
"""Repairs this far over the local slope are looked at: the press's thumps begin with one of 20 dB and more."""
APART_S = 0.02
"""Within this of a thump there is no other, and of the ticks within it one is looked round: a look reaches as far."""
MOST_HEADS = 16
"""Ticks looked round at once in a stretch, those with the greatest swell first: dense crackle has hundreds and seldom a thump.
Chosen for speed, no finer reason."""
SWELL, SWELL_LEAST = 3.0, 1e-6
"""Low power behind a head over that before it, and of full scale, that makes it worth a look: 5 dB, and -60 dBFS. Chosen for
speed, no finer reason; what swells less is seldom heard."""
LATERAL_WORTH = 0.4
"""A swell in the lateral part counts for less: that is where the bass plays. Chosen on pressed sides, no finer reason."""
HEADED_DBFS, HEADED_NATS = -60.0, 30.0
"""Least peak and evidence of a tail behind a mended head; the -60 dBFS are about the rumble of a good player. Where there are no
thumps, ticks before other sounds reach 23 nats, 28 in one piece with drums on both walls (38 pressed sides)."""
FOUND_DBFS, FOUND_NATS = -44.0, 70.0
"""The same of a tail without a head, of which there could be one anywhere, in the vertical part by itself. A drum on one wall, a
piano or castanets show about as much in both parts, up to 46 in the vertical one; of 50 true tails one shows under 70 there."""
PURE_HEADED_NATS = 24.0
"""The same behind a head of what is pure (``thumps.PURE``): on 38 sides without one it reaches 22 in the vertical part. Without
a head it need show as much as any: in clean music sounds as pure show up to 67, a bass line 120 in the lateral part."""
UPRIGHT = 3.0
"""... where the tail has so many times the energy in the vertical part. One that has less must show as much as a lateral one, in
either part: where drums and basses leave little in the vertical part, a little of them stands out there. Two of 160 pieces of
music came out 19 and 31 dB worse somewhere by 134 and 88 nats of such; of 879 true tails none that has less shows under 150."""
AMONG_NONE = 2.0
"""So many times as much a tail without a head must show on a record with next to no damage, where thumps are rarer than what
sounds like them. On 24 clean records of music what is none shows up to 248 nats, of which at most 72 where it is upright; the
thump of the needle as it is lowered or lifted 385 and more, and that is upright."""
EITHER_NATS = 50.0
"""... and so much in either part, if there are two: a needle that is thrown is never thrown straight up. On 53 clean records the
thump of the needle as it is lowered or lifted shows 153 and more in the weaker part; drums in opposite phase show 297, 288 and
140 in the vertical part and nothing in the other, and came out 57 dB worse than they were."""
LEAST_DB, MOST_DB = -15.0, 75.0
"""Peak of a tail over the music's bass: below the first it is not heard, above the second it is no thump.
Chosen by hand, no finer reason."""
AGAIN_S = 0.7
"""Within this of a tail that was taken off all is looked at again: it stood in the music that others were judged by."""


def take_thumps(
    view: Floats,
    heads: list[Head],
    first: int,
    stop: int,
    rate_hz: int,
    *,
    hardly_damaged: bool = False,
) -> list[tuple[Thump, Floats]]:
    """The thumps whose tails start in ``[first, stop)`` of ``view``, in order, each with what is to be taken off.

    Where the low end swells most is looked at first. Once a tail is off, what was refused near it is asked again: of two tails
    that run into each other one cannot be judged beside the other.

    view : (frames, 1 or 2), some 0.6 s of context on both sides; the tails are taken off it one by one as they are found.
    heads : in order of their start.
    hardly_damaged : whether the record has next to no damage.
    """
    band = LowBand(view, rate_hz)
    ticks = [(start, end) for start, end, _ in heads]
    apart = APART_S * rate_hz
    kept: list[tuple[Thump, Floats]] = []
    refused: set[int] = set()
    places = _places(band, ticks, apart)
    while place := next((one for one in places if one not in refused), None):
        likely = [
            (surplus, thump.start_frame, thump, tail)
            for start, end, headed in band.likely_heads(place, ticks)
            if first <= start < stop and all(abs(start - one.start_frame) >= apart for one, _ in kept)
            if (found := band.find_tail(start, end)) is not None
            for thump, tail in [found]
            if (surplus := _surplus(thump, tail, headed, hardly_damaged)) >= 0.0
        ]
        if not likely:
            refused.add(place)
            continue
        _, start, thump, tail = max(likely, key=lambda one: one[:2])
        band.subtract(thump, tail)
        kept.append((thump, tail))
        refused = {one for one in refused if abs(one - start) >= AGAIN_S * rate_hz}
        places = _places(band, ticks, apart)
    return sorted(kept, key=lambda one: one[0].start_frame)


def _surplus(thump: Thump, tail: Floats, headed: bool, hardly_damaged: bool) -> float:
    """Nats beyond those a tail needs; less than nothing where it is too quiet, or out of all proportion. Whether there is one
    without a head each part tells by itself; where it begins both together."""
    loud = float(np.abs(tail).max()) >= 10.0 ** ((HEADED_DBFS if headed else FOUND_DBFS) / 20.0)
    if not loud or not LEAST_DB <= thump.size_db <= MOST_DB:
        return -1.0
    if headed:
        return thump.evidence - (PURE_HEADED_NATS if thump.is_pure else HEADED_NATS)
    if hardly_damaged and tail.shape[1] > 1 and min(thump.vertical_nats, thump.lateral_nats) < EITHER_NATS:
        return -1.0
    surer = AMONG_NONE if hardly_damaged else 1.0
    upright, other = surer * FOUND_NATS, surer * LATERAL_FOUND_NATS
    if thump.vertical_nats >= (upright if _is_upright(tail) else other):
        return thump.evidence - upright
    return thump.evidence - other if thump.lateral_nats >= other else -1.0


def _is_upright(tail: Floats) -> bool:
    """Whether most of a tail is vertical; of one channel nothing is."""
    vertical, lateral = (float(np.sum(np.square(tail[:, 0] + sign * tail[:, -1]))) for sign in (-1.0, 1.0))
    return vertical >= UPRIGHT * lateral


def _places(band: LowBand, ticks: list[tuple[int, int]], apart: float) -> list[int]:
    """Frames to be looked round: ticks behind which the low end swells, one of those near each other, those with the greatest
    swell first; then where it rises without a tick."""
    starts = np.array([start for start, _ in ticks], dtype=np.int64)
    vertical, lateral = Swells(band.audio, band.rate_hz).at(starts)
    swell = np.maximum(vertical, lateral)
    chosen: list[int] = []
    while len(swell) and len(chosen) < MOST_HEADS and swell.max() > SWELL:
        top = int(starts[np.argmax(swell)])
        chosen.append(top)
        swell[np.abs(starts - top) < apart] = 0.0
    return chosen + [at for at in band.rises() if all(abs(at - one) >= 0.5 * apart for one in chosen)]


class Swells:
    """How much more there is below some 300 Hz just behind a frame than in the calmest stretch before it.

    A cheap question, asked before the dear one; of the vertical and the lateral part in stereo.
    """

    def __init__(self, view: Floats, rate_hz: int) -> None:
        self._step = max(1, rate_hz // 700)
        self._before = int(0.36 * rate_hz) // self._step // 6 * 6
        self._after = int(0.04 * rate_hz) // self._step // 2 * 2
        whole = len(view) // self._step
        low = np.add.reduceat(view[: whole * self._step], np.arange(0, whole * self._step, self._step))
        low /= self._step
        parts = np.stack([low[:, 0] - low[:, -1], low[:, 0] + low[:, -1]])
        self._energy = np.zeros((2, whole + 1))
        np.cumsum(0.25 * np.square(parts), axis=1, out=self._energy[:, 1:])

    def at(self, frames: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Power ratios, vertical and lateral, for each frame; infinite where there is too little round it to tell."""
        middle = frames // self._step
        seen = (middle >= self._before) & (middle + self._after < self._energy.shape[1])
        here = middle[seen, np.newaxis]
        ahead = self._energy[:, here + np.arange(0, self._after + 1, self._after // 2)]
        behind = self._energy[:, here + np.arange(-self._before, 1, self._before // 6)]
        loud = np.diff(ahead, axis=2).max(axis=2) / (self._after // 2)
        calm = np.maximum(0.0, np.diff(behind, axis=2).min(axis=2)) / (self._before // 6)
        ratios = np.full((2, len(frames)), np.inf)
        ratios[:, seen] = np.where(loud > SWELL_LEAST, loud / (calm + 1e-12), 0.0)
        return ratios[0], LATERAL_WORTH * ratios[1]
