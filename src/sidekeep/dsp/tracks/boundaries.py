"""Places where one track may end and the next begin: runs of groove noise, and changes of sound.

Conventions: positions are hops from the start of the play. ``log_odds`` is how much a place speaks for a boundary
by itself, before printed times: from the length of the run for gaps, from the novelty for segues. Novelty: J. Foote,
"Automatic audio segmentation using a measure of audio novelty", ICME 2000, here on band levels and pitch classes.

*By trial* beside a constant: set on the tune sides of ``./run bench tracks``, where one value gave more right marks than its
neighbours; ``docs/tracks.md`` keeps the figures there are. *Chosen by hand*: its neighbours were not tried, no figure is kept. *A
guard* only bounds time, memory or nonsense: no side of the benches comes near it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.groove_noise import GrooveNoise, OverFloor
from sidekeep.dsp.tracks.needle import runs

Floats = NDArray[np.float64]

_GAP_LENGTH_S = (0.0, 0.3, 0.6, 0.8, 0.95, 1.2, 1.8, 3.0, 6.0)
_GAP_LOG_ODDS = (-9.0, -6.5, -3.5, -1.2, 0.8, 2.0, 3.2, 4.2, 5.0)
"""Even odds at 0.9 s: rests inside music are mostly shorter, the gaps of a record mostly 1 to 5 s (common practice, no source);
the slopes by trial."""
_SHORTEST_GAP_S = 0.25
"""What is shorter is never one: its log odds would be about -7."""
_HABIT_REACH_S = 30.0
"""Pauses this near are the habit of this music (speech, sparse notes). By trial."""
_HABIT_FREE, _HABIT_MOST = 1.3, 4.0
"""The run itself is one; more than 4, in log odds, a habit never costs. Chosen by hand."""
_CONTEXT_S = 15.0
_FAINT_MUSIC = 3.0
"""Median excess of the music, over 15 s on either side, from which a pause in it is believed. By trial."""
_SOUND_S, _PITCH_S = 6.0, 12.0
"""A bar or two for the timbre; pitch classes need twice that, for one chord is not yet a key. By trial."""
_USUAL_TIMBRE_DB, _USUAL_PITCH = 2.2, 0.37
"""What two pieces of one record usually differ by: there the sound says nothing either way. By trial."""
_PER_BANDS, _PER_PITCH = 2.2, 2.0
"""Log odds for every factor e over that. By trial."""
_CHANGE_ODDS = (-4.0, 2.5)
"""The same sound going on says more against a boundary than another sound says for it: songs have sections. By trial."""
_RISE_S, _RISE = 0.3, (3.0, 5.0)
"""Excess just after a run: up to 3 the music has risen out of the noise, from 5 on it has set in. On 106 own sides, of the runs
over 2.3 s with the same sound on both sides (change under -1), 22 of 24 below 3.5 lay within a piece, and none of 8 above 5."""
_GAP_WHATEVER_S, _SAY = (1.5, 2.3), (1.0, 0.3)
"""Over runs so long the sound after them loses its say, but for three tenths of it. By trial: up to
3 s a start was lost."""
_MOST_DB = 40.0
"""Over the floor; what is louder counts no further, or loudness would be all that counts."""
_PURE_S, _PURE_REST, _PER_REST = (1.5, 4.0), (0.28, 0.2), 6.0
"""What the average of pure noise of this length leaves over the floor, in spreads (less, the longer), and log odds against for
each spread more. By trial."""
_PURE_SPREADS, _MOST_SPREADS = 0.3, 9.0
"""In each band, spreads over the floor that count nothing, and the most that counts. Chosen by hand."""
_PURE_EXCESS, _PER_EXCESS, _MOST_IMPURE = 0.42, 5.0, 5.0
"""The excess of noise alone is about 0.3; log odds against for each unit over 0.42, and the most of both. Chosen by hand."""
_CROWD_NEAR_S, _CROWD_CLEAR_S = 1.5, 10.0
"""Applause this near borders on the run. Where less than 10 s are left, it ends the side and begins no track. By trial."""
_CROWD_FOLLOWS, _CROWD_ENDS = 6.0, 1.0
"""Log odds: 6 outweigh a gap of any length up to 3 s. By trial."""
_GAP_BEFORE_CROWD_S = (3.0, 8.0)
"""Over runs so long applause after them loses its say likewise. Chosen by hand."""
_CROWD_LENGTH_S, _CROWD_LOG_ODDS = (2.5, 4.0, 6.0), (-3.0, 0.5, 1.7)
"""Short clapping may be a solo's; from 4 s on it is likelier the end of the piece. By trial."""
_SEGUE_SPACING_S = 1.5
"""Half of the 3 s within which a segue counts as found; 3 and 0.8 s changed nothing."""
_NOVELTY_REACH_S = (3.0, 8.0)
"""By trial, with five other pairs and triples."""
_NOVELTY_STEP_S = 0.2
"""Fine enough for places 1.5 s apart."""
_LEAST_SOUND_S = 0.5
"""Of less music before or after a run nothing is said of how it sounds. Chosen by hand."""
_NOVELTY = (0.0, 0.4, 0.6, 0.8, 1.0, 1.2)
_SEGUE_LOG_ODDS = (-9.0, -7.0, -4.5, -2.3, -1.0, 0.0)
"""Never more than even odds: a segue needs a printed time. By trial."""
_MOST_SEGUES = 200
_MOST_GAPS = 150
_MOST_FAINT = 120
"""Guards: the work of a division grows with the square of the places."""
_FAINT_RUN_S, _FAINT_EDGE_S, _FAINT_STEP_S, _FAINT_WINDOW_S = 6.0, 1.0, 1.0, 0.5
"""The gaps of a record are mostly 1 to 5 s (common practice, no source): in a longer run music may begin before it is heard."""
_FAINT_LOG_ODDS, _FAINT_RISE, _FAINT_RISE_CLEAR = -5.0, 2.0, 3.0
"""Against that, where nothing but a printed time speaks for it, and what a rise within the run gives back. On 108 pressed sides
wrong starts of 80 % and more fell from 12 to 6, and 4 more right ones were called unsure (-4: 6 and 8; -3: 5 and 18)."""
_LIKE_ONE_IN = 4.0
"""Half seconds of groove noise are not independent: it crackles, and breathes with the turn (chosen here)."""


@dataclass(frozen=True)
class Place:
    """Music stops at ``stop`` and starts again at ``start`` (equal for a segue). ``is_faint``: within a long gap, before
    anything is heard."""

    stop: int
    start: int
    gap: bool
    log_odds: float
    is_faint: bool = False


def gap_places(
    groove: GrooveNoise, chroma: NDArray[np.float32], hop_s: float, crowd: Sequence[tuple[int, int]] = ()
) -> list[Place]:
    """Runs of groove noise inside the music, ``_SHORTEST_GAP_S`` and more. Long and clean runs speak for a boundary, and so does
    another sound after than before; many pauses near each other (speech, sparse music), faint music around, the same
    sound going on (a false stop) and applause to follow (``crowd``: its spans) speak against."""
    count = len(groove.quiet)
    spans = [span for span in runs(groove.quiet) if (span[1] - span[0]) * hop_s >= _SHORTEST_GAP_S]
    inner = [(start, stop) for start, stop in spans if start > 0 and stop < count]
    lengths = np.array([(stop - start) * hop_s for start, stop in inner])
    middles = np.array([(start + stop) / 2 * hop_s for start, stop in inner])
    places = []
    for index, (start, stop) in enumerate(inner):
        odds = float(np.interp(lengths[index], _GAP_LENGTH_S, _GAP_LOG_ODDS))
        others = np.minimum(1.0, lengths / lengths[index]) ** 3 * np.exp(
            -np.abs(middles - middles[index]) / _HABIT_REACH_S
        )
        odds -= min(_HABIT_MOST, max(0.0, float(others.sum()) - _HABIT_FREE))
        odds -= _impurity(groove, start, stop, hop_s) + _faintness(groove, start, stop, hop_s)
        change = _change_of_sound(groove, chroma, start, stop, hop_s)
        clapping = _applause(crowd, start, stop, hop_s)
        odds += clapping + (change if clapping >= 0.0 else min(change, 0.0))
        places.append(Place(start, stop, True, odds))
    weakest = sorted((place.log_odds for place in places), reverse=True)[:_MOST_GAPS]
    return [place for place in places if place.log_odds >= weakest[-1]]


def _impurity(groove: GrooveNoise, start: int, stop: int, hop_s: float) -> float:
    """What speaks against a run being noise alone: what its average leaves over the floor, which is less the longer the
    run."""
    mean = groove.above_db[start:stop].mean(axis=0) / groove.spread_db
    rest = float(np.sqrt(np.mean(np.clip(mean - _PURE_SPREADS, 0.0, _MOST_SPREADS) ** 2)))
    excess = float(groove.excess[start:stop].mean())
    usual = float(np.interp((stop - start) * hop_s, _PURE_S, _PURE_REST))
    return min(
        _MOST_IMPURE, _PER_REST * max(0.0, rest - usual) + _PER_EXCESS * max(0.0, excess - _PURE_EXCESS)
    )


def _faintness(groove: GrooveNoise, start: int, stop: int, hop_s: float) -> float:
    """Where the music around hardly stands out of the noise, a pause may be music too faint to see."""
    reach = round(_CONTEXT_S / hop_s)
    levels = []
    for part in (slice(max(0, start - reach), start), slice(stop, stop + reach)):
        excess = groove.excess[part]
        levels.append(float(np.median(excess)) if len(excess) else _FAINT_MUSIC)
    return max(0.0, _FAINT_MUSIC - min(levels))


def _change_of_sound(
    groove: GrooveNoise, chroma: NDArray[np.float32], start: int, stop: int, hop_s: float
) -> float:
    """Whether the music after a run is another than before: mean band levels of 6 s each side and pitch classes of 12 s,
    both as ratios to what two pieces of one record usually differ by. A long run of noise is a gap whatever follows, so
    it counts less there; unless the same sound comes back by rising out of the noise: it may have gone on below it."""
    bands_db = _difference(groove.above_db, groove.quiet, start, stop, round(_SOUND_S / hop_s), hop_s)
    pitch = _difference(chroma, groove.quiet, start, stop, round(_PITCH_S / hop_s), hop_s)
    if bands_db is None or pitch is None:
        return 0.0
    timbre_db = float(np.abs(bands_db - np.median(bands_db)).mean())
    odds = _PER_BANDS * np.log(max(timbre_db, 0.1) / _USUAL_TIMBRE_DB)
    odds += _PER_PITCH * np.log(max(float(np.abs(pitch).sum()), 0.02) / _USUAL_PITCH)
    weight = float(np.interp((stop - start) * hop_s, _GAP_WHATEVER_S, _SAY))
    if odds < 0.0:
        rise = float(groove.excess[stop : stop + round(_RISE_S / hop_s)].mean())
        weight = max(weight, float(np.interp(rise, _RISE, _SAY)))
    return weight * float(np.clip(odds, *_CHANGE_ODDS))


def _applause(crowd: Sequence[tuple[int, int]], start: int, stop: int, hop_s: float) -> float:
    """Applause after a run belongs to the track before it; after applause a track begins. A long run of noise is a gap
    whatever follows."""
    near = round(_CROWD_NEAR_S / hop_s)
    odds = 0.0
    if any(first <= stop + near and last > stop + 2 * near for first, last in crowd):
        odds -= _CROWD_FOLLOWS * float(np.interp((stop - start) * hop_s, _GAP_BEFORE_CROWD_S, _SAY))
    elif any(abs(last - start) <= near for _, last in crowd):
        odds += _CROWD_ENDS
    return odds


def faint_starts(groove: GrooveNoise, gaps: Sequence[Place], hop_s: float) -> list[Place]:
    """Where music may begin under the noise in runs of ``gaps`` that are longer than the gaps of a record, a second apart: the
    printed times decide. Likelier where the noise rises a little and stays so until the music is heard."""
    size = max(1, round(_FAINT_WINDOW_S / hop_s))
    noise = groove.excess[groove.quiet]
    parts = noise[: len(noise) // size * size].reshape(-1, size).mean(axis=1)
    if not len(parts):
        return []
    usual, spread = float(np.median(noise)), max(0.05, float(parts.std()))
    found = []
    for place in gaps:
        count = (place.start - place.stop) // size
        if not place.gap or (place.start - place.stop) * hop_s < _FAINT_RUN_S:
            continue
        run = groove.excess[place.stop : place.stop + count * size].reshape(count, size)
        over = np.median(run, axis=1) - usual
        edge, step = round(_FAINT_EDGE_S / _FAINT_WINDOW_S), round(_FAINT_STEP_S / _FAINT_WINDOW_S)
        begins = np.arange(edge, count - edge + 1, step)
        rises = np.array([max(0.0, float(over[at:].mean())) for at in begins])
        likely = (count - begins) * np.square(rises / spread) / (2.0 * _LIKE_ONE_IN)
        odds = np.full(len(begins), place.log_odds + _FAINT_LOG_ODDS)
        if likely.max() > _FAINT_RISE_CLEAR:
            odds += np.maximum(0.0, _FAINT_RISE - (likely.max() - likely))
        found += [
            Place(place.stop, place.stop + int(at) * size, True, float(o), is_faint=True)
            for at, o in zip(begins, odds, strict=True)
        ]
    return sorted(found, key=lambda place: -place.log_odds)[:_MOST_FAINT]


def crowd_places(
    crowd: Sequence[tuple[int, int]], gaps: Sequence[Place], stop: int, hop_s: float
) -> list[Place]:
    """Ends of applause that run into music: where a track of a live record begins. None where a gap follows at once, nor
    in the last ten seconds before ``stop``."""
    near, far = round(_CROWD_NEAR_S / hop_s), round(_CROWD_CLEAR_S / hop_s)
    return [
        Place(last, last, False, float(np.interp((last - first) * hop_s, _CROWD_LENGTH_S, _CROWD_LOG_ODDS)))
        for first, last in crowd
        if stop - last > far and not any(p.stop - near <= last <= p.start + near for p in gaps)
    ]


def _difference(
    table: NDArray[Any] | OverFloor, quiet: NDArray[np.bool_], start: int, stop: int, reach: int, hop_s: float
) -> Floats | None:
    """Means of the columns over the music before and after a run, apart; None with less than half a second of music."""
    means = []
    for part in (slice(max(0, start - reach), start), slice(stop, stop + reach)):
        busy = ~quiet[part]
        if busy.sum() * hop_s < _LEAST_SOUND_S:
            return None
        means.append(np.clip(table[part][busy], 0.0, _MOST_DB).mean(axis=0))
    return np.asarray(means[1] - means[0])


def novelty(
    bands_db: NDArray[np.float32], chroma: NDArray[np.float32], hop_s: float
) -> tuple[NDArray[np.float64], int]:
    """How much the sound changes at each place, 0 to 1 as rank within the side; one value every ``step`` hops."""
    step = max(1, round(_NOVELTY_STEP_S / hop_s))
    count = len(bands_db) // step
    if count < 8:
        return np.zeros(max(count, 1)), step
    bands = bands_db[: count * step].reshape(count, step, -1).mean(axis=1).astype(np.float64)
    pitch = chroma[: count * step].reshape(count, step, -1).mean(axis=1).astype(np.float64)
    bands = bands[:, np.ptp(bands, axis=0) > 0]
    bands = (bands - bands.mean(axis=0)) / (bands.std(axis=0) + 1e-9)
    pitch = (pitch - pitch.mean(axis=0)) / (pitch.std(axis=0) + 1e-9)
    total = np.zeros(count)
    for reach_s in _NOVELTY_REACH_S:
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
