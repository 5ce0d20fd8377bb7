"""Which heads are looked at for a thump's tail, and how sure it must be before it is taken off: the one place that says so.

Conventions: as in ``thumps``. Heads are mended ticks and pops; a tail whose tick was too small to be noticed is looked for
besides. A head costs some milliseconds to look into, so a cheap question comes first: did the low end swell behind it? What is
quieter than the music's own bass is left: it cannot be heard, and cannot be told from it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.thumps import LowBand, Thump

Floats = NDArray[np.float64]
Head = tuple[int, int, float]
"""First frame, last + 1, size over the local slope in dB."""

HEAD_DB = 18.0
"""Repairs this far over the local slope are looked at: the press's thumps begin with one of 20 dB and more."""
APART_S = 0.02
"""A head this near to another is of the same thump; of heads in a row the first quarter of it is looked at once."""
MOST_HEADS = 16
"""Heads looked at in a stretch, those with the greatest swell first: dense crackle has hundreds and seldom a thump."""
SWELL, SWELL_LEAST = 3.0, 1e-6
"""Low power behind a head over that before it, and of full scale, that makes it worth a look: 5 dB, and -60 dBFS."""
LATERAL_WORTH = 0.4
"""A swell in the lateral part counts for less: that is where the bass plays."""
HEADED_DBFS, HEADED_NATS = -60.0, 30.0
"""Least peak and evidence of a tail behind a mended head; the -60 dBFS are about the rumble of a good player."""
FOUND_DBFS, FOUND_NATS = -44.0, 70.0
"""The same of a tail without a head, of which there could be one anywhere."""
LEAST_DB, MOST_DB = -15.0, 75.0
"""Peak of a tail over the music's bass: below the first it is not heard, above the second it is no thump."""


def take_thumps(
    view: Floats, heads: list[Head], first: int, stop: int, rate_hz: int
) -> list[tuple[Thump, Floats]]:
    """The thumps whose tails start in ``[first, stop)`` of ``view``, in order, each with what is to be taken off.

    view : (frames, 1 or 2), some 0.6 s of context on both sides; the tails are taken off it one by one as they are found.
    heads : in order of their start.
    """
    apart = APART_S * rate_hz
    band = LowBand(view, rate_hz)
    swells = Swells(view, rate_hz)
    firsts: list[int] = []
    ends: list[int] = []
    for start, end, _ in heads:
        if not firsts or start - firsts[-1] > 0.25 * apart:
            firsts.append(start)
            ends.append(end)
    vertical, lateral_swell = swells.at(np.array(firsts, dtype=np.int64))
    ranked = sorted(
        zip(
            np.maximum(vertical, lateral_swell).tolist(),
            firsts,
            ends,
            (lateral_swell > SWELL).tolist(),
            strict=True,
        ),
        reverse=True,
    )
    ticks = [(start, end, lateral) for swell, start, end, lateral in ranked[:MOST_HEADS] if swell > SWELL]
    found = [
        (start, end, True)
        for start, end in band.find_heads()
        if first <= start < stop and all(abs(start - tick[0]) > apart for tick in ticks)
    ]
    kept = []
    for start, end, lateral in sorted(ticks + found):
        tail = band.find_tail(start, end, lateral=lateral)
        if tail is None:
            continue
        thump, taken = tail
        headed = (start, end, True) not in found
        least_dbfs, sure = (HEADED_DBFS, HEADED_NATS) if headed else (FOUND_DBFS, FOUND_NATS)
        loud = float(np.abs(taken).max()) >= 10.0 ** (least_dbfs / 20.0)
        if loud and thump.evidence >= sure and LEAST_DB <= thump.size_db <= MOST_DB:
            band.subtract(thump, taken)
            kept.append((thump, taken))
    return kept


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
