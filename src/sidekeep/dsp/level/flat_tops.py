"""Flat tops judged: whether a stage before the converter clipped, from the levels of the tops of a whole span.

One flat top means little. A clipped stage leaves many, at nearly one level, and little above it (histogram of the levels of
the tops: Laguna, Lerch, "An efficient algorithm for clipping detection and declipping audio", AES 141, 2016).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.clipping import FLATTEST_LEVEL, LevelRuns


@dataclass(frozen=True, kw_only=True)
class FlatTops:
    """A clipped earlier stage: one channel and polarity, its level (signed, linear) and its tops."""

    channel: int
    level: float
    tops: LevelRuns
    is_sloped: bool


def judge_flat_tops(
    tops: LevelRuns, highest: NDArray[np.float64], lowest: NDArray[np.float64]
) -> list[FlatTops]:
    """Which channels and polarities were clipped by an earlier stage.

    ``highest`` and ``lowest`` (channels,) are the extremes of the same span. A stage that clips at one level
    leaves a spike in the histogram of the tops (steps of 0.1 dB) close under the extreme and next to nothing
    in the 1.7 dB below it; after a coupling capacitor the tops spread over a few dB, and more of them are
    asked for. Tops found by chance lie anywhere.
    """
    judged = []
    for channel in range(len(highest)):
        for extreme in (float(highest[channel]), float(lowest[channel])):
            if abs(extreme) < FLATTEST_LEVEL:
                continue
            mine = tops.chosen((tops.channel == channel) & (tops.level * extreme > 0.0))
            found = _judge_polarity(mine, channel, extreme)
            if found is not None:
                judged.append(found)
    return judged


def _judge_polarity(mine: LevelRuns, channel: int, extreme: float) -> FlatTops | None:
    below_db = -20.0 * np.log10(np.abs(mine.level) / abs(extreme))
    near = below_db < 3.0
    bins = np.bincount((below_db[near] / 0.1).astype(np.int64).clip(0), minlength=40)
    clusters = bins[:-2] + bins[1:-1] + bins[2:]
    mode = int(clusters[:_DEEPEST_MODE].argmax())
    in_mode = int(clusters[mode])
    under = int(bins[mode + 4 : mode + 21].sum())
    if in_mode >= _FEWEST_TOPS and in_mode / 0.3 >= _SPIKE * (1 + under) / 1.7:
        middle_db = 0.1 * (mode + 1.5)
        return FlatTops(
            channel=channel,
            level=extreme * float(10.0 ** (-middle_db / 20.0)),
            tops=mine.chosen(np.abs(below_db - middle_db) <= 0.151),
            is_sloped=False,
        )
    if int(near.sum()) >= _FEWEST_SLOPED and int(near.sum()) >= 0.6 * len(mine):
        chosen = mine.chosen(near)
        return FlatTops(channel=channel, level=float(np.median(chosen.level)), tops=chosen, is_sloped=True)
    return None


_FEWEST_TOPS = 6
_FEWEST_SLOPED = 40
_SPIKE = 12.0
"""How many times denser than the 1.7 dB below it a spike must be. On 21 undamaged pieces of music no polarity
had even five tops in any such spike."""
_DEEPEST_MODE = 8
"""The spike lies within 0.8 dB of the extreme: nothing gets far past a stage that clips."""
