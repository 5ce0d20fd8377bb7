"""Places where one track may end and the next begin: runs of groove noise, and changes of sound.

Conventions: positions are hops from the start of the play. ``log_odds`` is how much a place speaks for a boundary
by itself, before printed times: from the length of the run for gaps, from the novelty for segues. Novelty: J. Foote,
"Automatic audio segmentation using a measure of audio novelty", ICME 2000, here on band levels and pitch classes.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.groove import Groove
from sidekeep.dsp.locked_groove import TURN_PERIODS_S
from sidekeep.dsp.needle import runs

_GAP_LENGTH_S = (0.0, 0.3, 0.6, 0.8, 0.95, 1.2, 1.8, 3.0, 6.0)
_GAP_LOG_ODDS = (-9.0, -6.5, -3.5, -1.2, 0.8, 2.0, 3.2, 4.2, 5.0)
_HABIT_REACH_S = 30.0
_CONTEXT_S = 15.0
_FAINT_MUSIC = 3.0
_SOUND_S = 6.0
_SEGUE_SPACING_S = 1.5
_NOVELTY = (0.0, 0.4, 0.6, 0.8, 1.0, 1.2)
_SEGUE_LOG_ODDS = (-9.0, -7.0, -4.5, -2.3, -1.0, 0.0)
_MOST_SEGUES = 200
_MOST_GAPS = 150


@dataclass(frozen=True)
class Place:
    """Music stops at ``stop`` and starts again at ``start`` (equal for a segue)."""

    stop: int
    start: int
    gap: bool
    log_odds: float


def music_bounds(
    groove: Groove, hop_s: float, *, after_thump: bool = False, before_thump: bool = False
) -> tuple[int, int]:
    """First and last hop (half-open) of the music of a play; (0, 0) without any. Short bursts that stand alone before
    the music or after it (dirt in the lead-in, thumps in the run-out) do not count, nor what a needle thump leaves at
    an end where there was one."""
    busy = [span for span in runs(~groove.quiet) if (span[1] - span[0]) * hop_s > 0.1]
    if len(busy) > 1 and after_thump and busy[0][0] == 0 and busy[0][1] * hop_s < 0.5:
        busy.pop(0)
    if len(busy) > 1 and before_thump and busy[-1][1] == len(groove.quiet):
        if (busy[-1][1] - busy[-1][0]) * hop_s < 0.5:
            busy.pop()
    first, last = _strays(groove, busy, hop_s), _strays(groove, busy[::-1], hop_s)
    first = min(first, max(0, len(busy) - 1 - last))
    return (busy[first][0], busy[len(busy) - 1 - last][1]) if busy else (0, 0)


def _strays(groove: Groove, spans: Sequence[tuple[int, int]], hop_s: float) -> int:
    """How many bursts, from the outside inwards, are not music: faint ones, very short ones that stand alone, and
    four or more that come back once per turn as the locked groove does."""
    gaps_s = [(max(a[0], b[0]) - min(a[1], b[1])) * hop_s for a, b in itertools.pairwise(spans)]
    lengths_s = [(stop - start) * hop_s for start, stop in spans]
    ticks = 0
    while ticks < len(gaps_s) and lengths_s[ticks] < 0.6 and gaps_s[ticks] > 0.4:
        ticks += 1
    if ticks >= 4 and _once_per_turn([span[0] * hop_s for span in spans[:ticks]]):
        return ticks
    count = 0
    while count < len(gaps_s):
        excess = float(groove.excess[slice(*spans[count])].mean())
        faint = excess < 1.0 and lengths_s[count] < 1.5 and gaps_s[count] > 0.5
        if not faint and not (lengths_s[count] < 0.2 and gaps_s[count] > 2.0):
            break
        count += 1
    return count


def _once_per_turn(places_s: Sequence[float]) -> bool:
    """True when most distances are whole numbers of turns of one record speed."""
    steps = np.abs(np.diff(places_s))
    for period_s in TURN_PERIODS_S:
        turns = steps / period_s
        if np.quantile(np.abs(turns - np.round(turns)), 0.75) < 0.05 and np.median(turns) < 3.5:
            return True
    return False


def gap_places(groove: Groove, chroma: NDArray[np.float32], hop_s: float) -> list[Place]:
    """Runs of groove noise inside the music, of 0.25 s and more. Long and clean runs speak for a boundary, and so does
    another sound after than before; many pauses near each other (speech, sparse music), faint music around and the same
    sound going on (a false stop) speak against."""
    count = len(groove.quiet)
    spans = [span for span in runs(groove.quiet) if (span[1] - span[0]) * hop_s >= 0.25]
    inner = [(start, stop) for start, stop in spans if start > 0 and stop < count]
    lengths = np.array([(stop - start) * hop_s for start, stop in inner])
    middles = np.array([(start + stop) / 2 * hop_s for start, stop in inner])
    places = []
    for index, (start, stop) in enumerate(inner):
        odds = float(np.interp(lengths[index], _GAP_LENGTH_S, _GAP_LOG_ODDS))
        others = np.minimum(1.0, lengths / lengths[index]) ** 3 * np.exp(
            -np.abs(middles - middles[index]) / _HABIT_REACH_S
        )
        odds -= min(4.0, max(0.0, float(others.sum()) - 1.3))
        odds -= _impurity(groove, start, stop) + _faintness(groove, start, stop, hop_s)
        odds += _change_of_sound(groove, chroma, start, stop, hop_s)
        places.append(Place(start, stop, True, odds))
    weakest = sorted((place.log_odds for place in places), reverse=True)[:_MOST_GAPS]
    return [place for place in places if place.log_odds >= weakest[-1]]


def _impurity(groove: Groove, start: int, stop: int) -> float:
    """What speaks against a run being noise alone: what its average leaves over the floor."""
    mean = groove.above_db[start:stop].mean(axis=0) / groove.spread_db
    rest = float(np.sqrt(np.mean(np.clip(mean - 0.3, 0.0, 9.0) ** 2)))
    excess = float(groove.excess[start:stop].mean())
    return min(5.0, 4.0 * max(0.0, rest - 0.28) + 5.0 * max(0.0, excess - 0.42))


def _faintness(groove: Groove, start: int, stop: int, hop_s: float) -> float:
    """Where the music around hardly stands out of the noise, a pause may be music too faint to see."""
    reach = round(_CONTEXT_S / hop_s)
    levels = []
    for part in (slice(max(0, start - reach), start), slice(stop, stop + reach)):
        excess = groove.excess[part]
        levels.append(float(np.median(excess)) if len(excess) else _FAINT_MUSIC)
    return max(0.0, _FAINT_MUSIC - min(levels))


def _change_of_sound(
    groove: Groove, chroma: NDArray[np.float32], start: int, stop: int, hop_s: float
) -> float:
    """Whether the music after a run is another than before: mean band levels and pitch classes of 6 s each side.
    A long run of noise is a gap whatever follows, so it counts less there."""
    reach = round(_SOUND_S / hop_s)
    sides = []
    for low, high in ((max(0, start - reach), start), (stop, min(len(chroma), stop + reach))):
        busy = ~groove.quiet[low:high]
        if busy.sum() * hop_s < 0.5:
            return 0.0
        level = np.clip(groove.above_db[low:high][busy], 0.0, 40.0).mean(axis=0)
        sides.append((level, chroma[low:high][busy].mean(axis=0)))
    bands_db = float(np.abs(sides[0][0] - sides[1][0]).mean())
    pitch = float(np.abs(sides[0][1] - sides[1][1]).sum())
    odds = float(np.clip(1.5 * (bands_db - 2.3), -2.0, 1.5) + np.clip(3.0 * (pitch - 0.35), -1.0, 1.0))
    return odds * float(np.interp((stop - start) * hop_s, (1.5, 3.0), (1.0, 0.3)))


def novelty(
    bands_db: NDArray[np.float32], chroma: NDArray[np.float32], hop_s: float
) -> tuple[NDArray[np.float64], int]:
    """How much the sound changes at each place, 0 to 1 as rank within the side; one value every ``step`` hops."""
    step = max(1, round(0.2 / hop_s))
    count = len(bands_db) // step
    if count < 8:
        return np.zeros(max(count, 1)), step
    bands = bands_db[: count * step].reshape(count, step, -1).mean(axis=1).astype(np.float64)
    pitch = chroma[: count * step].reshape(count, step, -1).mean(axis=1).astype(np.float64)
    bands = bands[:, np.ptp(bands, axis=0) > 0]
    bands = (bands - bands.mean(axis=0)) / (bands.std(axis=0) + 1e-9)
    pitch = (pitch - pitch.mean(axis=0)) / (pitch.std(axis=0) + 1e-9)
    total = np.zeros(count)
    for reach_s in (2.0, 6.0, 15.0):
        reach = max(2, round(reach_s / (step * hop_s)))
        for table in (bands, pitch):
            total += _change(table, reach)
    return total / max(1e-9, np.quantile(total, 0.995)), step


def _change(table: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Distance of the means before and after each place over the spread inside the two."""
    count = len(table)
    sums = np.concatenate([np.zeros((1, table.shape[1])), np.cumsum(table, axis=0)])
    squares = np.concatenate([np.zeros((1, table.shape[1])), np.cumsum(table**2, axis=0)])
    here = np.arange(count)
    low, high = np.maximum(here - reach, 0), np.minimum(here + reach, count)
    left, right = np.maximum(here - low, 1)[:, None], np.maximum(high - here, 1)[:, None]
    before, after = (sums[here] - sums[low]) / left, (sums[high] - sums[here]) / right
    inside = (squares[high] - squares[low] - left * before**2 - right * after**2) / (left + right)
    change = np.mean((after - before) ** 2 / (inside + 0.1), axis=1)
    change *= np.minimum(left, right)[:, 0] / reach
    return np.sqrt(np.maximum(change, 0.0))


def segue_places(strength: NDArray[np.float64], step: int, hop_s: float) -> list[Place]:
    """Peaks of the novelty, 1.5 s and more apart, the strongest ``_MOST_SEGUES``."""
    reach = max(1, round(_SEGUE_SPACING_S / (step * hop_s)))
    padded = np.pad(strength, reach, constant_values=-1.0)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    peaks = np.flatnonzero((strength >= highest) & (strength > 0.0))
    peaks = np.sort(peaks[np.argsort(-strength[peaks], kind="stable")][:_MOST_SEGUES])
    odds = np.interp(strength[peaks], _NOVELTY, _SEGUE_LOG_ODDS)
    return [
        Place(int(peak) * step, int(peak) * step, False, float(o))
        for peak, o in zip(peaks, odds, strict=True)
    ]
