"""Whether two takes hold the same cutting, and where it lies: from the onsets in bands and the notes that sound.

Conventions: onsets are (windows, BANDS) at 100 windows a second: how much the level of each band rises, so gain,
polarity and slow differences of treble do not count; notes are a profile of pitch, ten times a second. A *chunk* is some
seconds of the shorter take; it is looked for in the whole of the other, at several speeds, where both are alike. Onsets tell
the place finely, but those of every bar may be alike, and those of another piece of the same beat; notes are not. Chunks of
one cutting lie on a straight line (offset and speed ratio); chunks of different recordings do not. The line is found by
trying pairs of chunks (RANSAC: Fischler & Bolles, *Communications of the ACM* 24, 1981).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.onsets import FEATURE_HZ, moving_mean
from sidekeep.dsp.alignment.pitch import PITCH_HZ, transposed
from sidekeep.dsp.alignment.within import Within

Floats = NDArray[np.float64]
CHUNK_S = 15.0
CHUNKS = 14
SHORTEST_CHUNK_S = 2.0
"""Fourteen pieces of fifteen seconds, spread over the shorter take: some dozens of onsets in each (chosen here)."""
SHORTEST_S = 4.0 * SHORTEST_CHUNK_S
"""Of less music no chunks can be told from chance: a chunk is not more than a quarter of the take."""
STEP_RATIO = 0.0015
"""Over a chunk half of this moves an onset by 11 ms, about one window."""
NEAR_RATIO, FAR_RATIO = 0.006, 0.084
"""Turntables of one speed differ by less than the first; pitch controls reach the second (common practice, no source)."""
LINE_TOLERANCE_S = 0.35
SAME_SHARE = 0.6
BESIDE_CUT_S = 1.0
"""How far drift takes a piece off the line; the share on it: another recording put 14 % there
(``./run bench compare --only other``); and what is left out beside a cut,
which is known to a second."""
LEAST_STEP_S = 0.025
"""From one second to the next; no turntable drifts by so much, even while it runs up to its speed."""
STEP_EXPLAINS = 0.1
"""A step is believed where it leaves no more than this of what a line misses."""
LEAST_ALIKE = 0.5
"""Median correlation of the notes on the line. On 14 pieces of a minute, five of them loops at three tempos, another playing of
the same came to 0.8 and more, other music to 0.37 at most, at any place (2026-11-28)."""
NOTES_WEIGH = 2.0
"""Beside the onsets of a piece, which between two windows may be less alike than those of another bar on them."""
AS_GOOD, MOST_PLACES = 0.15, 8
"""A place of a chunk that is as good as its best to within so much, of 3, may be the right one: music copies itself."""
PITCH_STEP = 0.006
"""Half of it moves the ends of a chunk by less than a window, and a note by a tenth of a band."""
FEWEST_CHUNKS, FEWEST_BEYOND = 3, 2
"""Any two lie on a line; beside a line that is known two that agree say where the other one is."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Told:
    """What is told of one take: its ``onsets`` (``OnsetFeatures``) and its ``notes`` (``PitchProfile``)."""

    onsets: Floats
    notes: Floats


@dataclass(frozen=True, kw_only=True)
class Cut:
    """One take has been cut: only ``start_s`` to ``stop_s`` of the old one lie on the line; the rest lies on another that runs
    beside it, ``length_s`` earlier in the new take (which lacks so much; negative: the old one does)."""

    start_s: float
    stop_s: float
    length_s: float


@dataclass(frozen=True, kw_only=True)
class RoughLine:
    """``new_s = offset_s + speed_ratio * old_s``. ``share`` of the chunks that lie on it (or beyond ``cut``, on the one beside
    it), of those that could; ``correlation`` the median correlation of their onsets with what they were found in, ``alike``
    that of their notes."""

    offset_s: float
    speed_ratio: float
    share: float
    chunks: int
    correlation: float
    alike: float
    cut: Cut | None = None

    @property
    def is_same(self) -> bool:
        """Whether the takes hold the same cutting."""
        return self.chunks >= FEWEST_CHUNKS and self.share >= SAME_SHARE and self.alike >= LEAST_ALIKE


def rough_line(old: Told, new: Told) -> RoughLine:
    """The best line between two takes; see whether it ``is_same``."""
    if len(old.onsets) <= len(new.onsets):
        return _cut_exactly(_line_of(old, new), old.onsets, new.onsets)
    line = _cut_exactly(_line_of(new, old), new.onsets, old.onsets)
    return RoughLine(
        offset_s=-line.offset_s / line.speed_ratio,
        speed_ratio=1.0 / line.speed_ratio,
        share=line.share,
        chunks=line.chunks,
        correlation=line.correlation,
        alike=line.alike,
        cut=line.cut
        and Cut(
            start_s=line.offset_s + line.speed_ratio * line.cut.start_s,
            stop_s=line.offset_s + line.speed_ratio * line.cut.stop_s,
            length_s=-line.cut.length_s / line.speed_ratio,
        ),
    )


def _line_of(short: Told, long: Told) -> RoughLine:
    near = np.arange(-NEAR_RATIO, NEAR_RATIO + 1e-9, STEP_RATIO) + 1.0
    line = _fit(_look_for(short, long, near, CHUNKS))
    if line.is_same:
        return line
    far = np.arange(-FAR_RATIO, FAR_RATIO + 1e-9, STEP_RATIO) + 1.0
    few = _fit(_look_for(short, long, far, 4))
    if few.chunks < FEWEST_CHUNKS:
        return line
    around: Floats = few.speed_ratio + np.arange(-2.0, 3.0) * STEP_RATIO
    found = _fit(_look_for(short, long, around, CHUNKS))
    return found if found.share > line.share else line


@dataclass(frozen=True)
class _Found:
    """A chunk's middle in the short take, a place where it may lie in the long one, at what ratio, how well by onsets and notes,
    and how much worse than the best place."""

    at_s: float
    found_s: float
    ratio: float
    correlation: float
    alike: float
    worse: float


def _look_for(short: Told, long: Told, ratios: Floats, count: int) -> tuple[list[list[_Found]], float]:
    """The places of every chunk, the best first, and the length of the long take in seconds."""
    own = short.onsets
    size = round(min(CHUNK_S, len(own) / FEATURE_HZ * SHORTEST_CHUNK_S / SHORTEST_S) * FEATURE_HZ)
    length_s = len(long.onsets) / FEATURE_HZ
    if size < SHORTEST_CHUNK_S * FEATURE_HZ or len(long.onsets) < size:
        return [], length_s
    onsets, notes = Within(long.onsets, size), Within(long.notes, size * PITCH_HZ // FEATURE_HZ)
    windows = FEATURE_HZ // PITCH_HZ
    found = []
    for start in np.linspace(0, len(own) - size, count + 2).astype(int)[1:-1] // windows * windows:
        chunk = own[start : start + size]
        if not chunk.any():
            continue
        sung = short.notes[start // windows : (start + size) // windows]
        alike_at: dict[int, Floats] = {}
        best = np.full((4, len(long.onsets) + size), -np.inf)
        for ratio in ratios:
            step = round((ratio - 1.0) / PITCH_STEP)
            if step not in alike_at:
                alike_at[step] = notes.correlation(transposed(sung, 1.0 + step * PITCH_STEP))
            played = _at_ratio(chunk, ratio)
            correlation = onsets.correlation(played)
            coarse = np.arange(len(alike_at[step])) * windows
            alike = np.interp(np.arange(len(correlation)), coarse, alike_at[step])
            score = correlation + NOTES_WEIGH * alike
            here = best[:, len(played) // 2 : len(played) // 2 + len(score)]
            better = score > here[0]
            here[:, better] = np.stack([score, correlation, alike, np.full(len(score), ratio)])[:, better]
        found.append(_places((start + size / 2.0) / FEATURE_HZ, size, best))
    return found, length_s


def _places(at_s: float, size: int, best: Floats) -> list[_Found]:
    """The places of a chunk that are as good as its best and sound alike, that one first. ``best``: (4, windows) score,
    correlation of onsets and of notes, and ratio, for every window at which its middle may lie."""
    score, places = best[0].copy(), list[_Found]()
    highest = float(score.max())
    apart = round(LINE_TOLERANCE_S * FEATURE_HZ)
    while len(places) < MOST_PLACES and score.max() >= highest - AS_GOOD:
        middle = int(np.argmax(score))
        correlation, alike, ratio = (float(value) for value in best[1:, middle])
        if places and alike < LEAST_ALIKE:
            break  # where other notes sound is no copy
        # a piece of an odd number of windows has its middle half a window later
        found_s = (middle + (round(size * ratio) % 2) / 2.0) / FEATURE_HZ
        places.append(_Found(at_s, found_s, ratio, correlation, alike, highest - float(score[middle])))
        score[max(0, middle - apart) : middle + apart + 1] = -np.inf
    return places


def _at_ratio(chunk: Floats, ratio: float) -> Floats:
    """The chunk stretched in time by ``ratio``."""
    places = np.arange(round(len(chunk) * ratio)) / ratio
    index = np.minimum(places.astype(np.int64), len(chunk) - 2)
    mix = (places - index)[:, np.newaxis]
    return chunk[index] * (1.0 - mix) + chunk[index + 1] * mix


def _fit(looked: tuple[list[list[_Found]], float]) -> RoughLine:
    chunks, long_s = looked
    found = [places[0] for places in chunks]
    best, best_line = _best_line(chunks, long_s)
    if len(best) >= 2:
        best_line = _through(best)
    cut, beside = _cut(found, best, best_line)
    could = [one for one in found if 0.0 <= best_line[0] + best_line[1] * one.at_s <= long_s or one in beside]
    return RoughLine(
        offset_s=best_line[0],
        speed_ratio=best_line[1],
        share=(len(best) + len(beside)) / max(1, len(could)),
        chunks=len(best),
        correlation=float(np.median([one.correlation for one in best])) if best else 0.0,
        alike=float(np.median([one.alike for one in best])) if best else 0.0,
        cut=cut,
    )


def _best_line(chunks: list[list[_Found]], long_s: float) -> tuple[list[_Found], tuple[float, float]]:
    """The line on which most chunks lie, at places that are as good as their best, and these places. Of lines that are as good
    but for one chunk, that on which most of the takes lies: music that copies itself lies on many."""
    every = [one for places in chunks for one in places]
    if len(chunks) < 2:
        return [], (0.0, 1.0)
    at_s, found_s, ratios, worse = (
        np.array([getattr(one, name) for one in every]) for name in ("at_s", "found_s", "ratio", "worse")
    )
    chunk = np.repeat(np.arange(len(chunks)), [len(places) for places in chunks])
    first, second = np.nonzero(chunk[:, np.newaxis] < chunk)
    slope = (found_s[second] - found_s[first]) / (at_s[second] - at_s[first])
    possible = np.abs(slope - 1.0) <= FAR_RATIO + 0.01
    first, slope = first[possible], slope[possible]
    offset = found_s[first] - slope * at_s[first]
    if not len(slope):
        return [], (0.0, 1.0)
    starts = np.flatnonzero(np.diff(chunk, prepend=-1))
    worth = np.empty((len(slope), len(starts)))
    for low in range(0, len(slope), 512):
        part = slice(low, low + 512)
        missed = np.abs(found_s - offset[part, np.newaxis] - slope[part, np.newaxis] * at_s)
        on = (missed < LINE_TOLERANCE_S) & (np.abs(ratios - slope[part, np.newaxis]) < 3.0 * STEP_RATIO)
        worth[part] = np.maximum.reduceat(np.where(on, 1.0 - worse / (2.0 * AS_GOOD), 0.0), starts, axis=1)
    total = worth.sum(axis=1)
    ends_s = offset + slope * (at_s.max() + at_s.min())
    common_s = np.minimum(long_s, ends_s) - np.maximum(0.0, offset)
    good = np.flatnonzero(total > total.max() - 1.0)
    whole = good[common_s[good] > common_s[good].max() - LINE_TOLERANCE_S]
    line = int(whole[np.argmax(total[whole])])
    on_line = [
        [
            one
            for one in places
            if abs(one.found_s - offset[line] - slope[line] * one.at_s) < LINE_TOLERANCE_S
            and abs(one.ratio - slope[line]) < 3.0 * STEP_RATIO
        ]
        for places in chunks
    ]
    return [places[0] for places in on_line if places], (float(offset[line]), float(slope[line]))


def _through(on: list[_Found]) -> tuple[float, float]:
    """Offset and slope of the line through places; where a moment is missing from one take they lie on two that run beside each
    other, and the slope is theirs, the offset that of the middle."""
    at_s, found_s = (np.array(values) for values in zip(*sorted((one.at_s, one.found_s) for one in on)))
    slope, offset = np.polyfit(at_s, found_s, 1)
    missed = float(np.square(found_s - slope * at_s - offset).sum())
    for count in range(2, len(on) - 1):
        shape = np.stack([at_s, np.ones(len(on)), np.arange(len(on)) >= count], axis=1)
        fitted = np.linalg.lstsq(shape, found_s, rcond=None)[0]
        left = float(np.square(found_s - shape @ fitted).sum())
        if left < STEP_EXPLAINS * missed and abs(fitted[2]) > LEAST_STEP_S:
            missed, slope, offset = left / STEP_EXPLAINS, fitted[0], fitted[1] + 0.5 * fitted[2]
    return float(offset), float(slope)


def _cut(found: list[_Found], on: list[_Found], line: tuple[float, float]) -> tuple[Cut | None, list[_Found]]:
    """Where all chunks on one side of those on the line lie on a second line beside it, and these chunks."""
    if len(on) < FEWEST_CHUNKS:
        return None, []
    first, last = min(one.at_s for one in on), max(one.at_s for one in on)
    sure = 0.6 * float(np.median([one.correlation for one in on]))
    behind = _on_second_line([one for one in found if one.at_s > last], line[1], sure)
    before = _on_second_line([one for one in found if one.at_s < first], line[1], sure)
    best = before if len(before) > len(behind) else behind
    if not best:
        return None, []
    apart = float(np.median([one.found_s - line[1] * one.at_s for one in best]))
    after = best[0].at_s > last
    return (
        Cut(
            start_s=0.0 if after else max(one.at_s for one in best),
            stop_s=min(one.at_s for one in best) if after else float("inf"),
            length_s=(line[0] - apart) if after else (apart - line[0]),
        ),
        best,
    )


def _on_second_line(beyond: list[_Found], ratio: float, sure: float) -> list[_Found]:
    """Of the chunks beyond those on the line the most that lie on one line of the same slope: more than half of them, and each
    surer than ``sure``; else none."""
    clear = [one for one in beyond if one.correlation > sure and abs(one.ratio - ratio) < 3.0 * STEP_RATIO]
    best: list[_Found] = []
    for one in clear:
        apart = one.found_s - ratio * one.at_s
        along = [each for each in clear if abs(each.found_s - ratio * each.at_s - apart) < LINE_TOLERANCE_S]
        if len(along) >= max(FEWEST_BEYOND, len(best) + 1) and len(along) > 0.5 * len(beyond):
            best = along
    return best


def _cut_exactly(line: RoughLine, short: Floats, long: Floats) -> RoughLine:
    """With the place of the cut to about a second: up to there the sound is as the one line says, from there as the other."""
    if line.cut is None:
        return line
    after = np.isfinite(line.cut.stop_s)
    shift = -line.cut.length_s if after else line.cut.length_s
    index = np.arange(len(short))

    def correlation(offset_s: float) -> Floats:
        places = np.rint((offset_s * FEATURE_HZ) + line.speed_ratio * index).astype(np.int64)
        inside = (places >= 0) & (places < len(long))
        product = np.where(inside, (short * long[np.clip(places, 0, len(long) - 1)]).sum(axis=1), 0.0)
        return np.concatenate([[0.0], np.cumsum(product)])

    on, beside = correlation(line.offset_s), correlation(line.offset_s + shift)
    first, last = (on, beside) if after else (beside, on)
    place_s = int(np.argmax(first + last[-1] - last)) / FEATURE_HZ
    cut = line.cut
    if after:
        return replace(line, cut=replace(cut, stop_s=max(0.0, place_s - BESIDE_CUT_S)))
    return replace(line, cut=replace(cut, start_s=place_s + BESIDE_CUT_S))


def follow(
    old: Floats, new: Floats, line: RoughLine, *, reach_s: float = 0.6, width_s: float = 8.0
) -> Floats:
    """How far the new take is from the line, in seconds, at every window of the old one (slow drift of the speed).

    Only what stays within ``reach_s`` of the line is found; a running median of seven seconds-apart places keeps
    single mistakes out.
    """
    reach = round(reach_s * FEATURE_HZ)
    places = (line.offset_s + line.speed_ratio * np.arange(len(old)) / FEATURE_HZ) * FEATURE_HZ
    width = round(width_s * FEATURE_HZ)
    at = np.arange(width // 2, len(old), FEATURE_HZ)
    scores = np.zeros((len(at), 2 * reach + 1))
    for shift in range(-reach, reach + 1):
        index = np.rint(places + shift).astype(np.int64)
        inside = (index >= 0) & (index < len(new))
        product = np.where(inside, (old * new[np.clip(index, 0, len(new) - 1)]).sum(axis=1), 0.0)
        sums = np.concatenate([[0.0], np.cumsum(product)])
        low, high = np.maximum(0, at - width // 2), np.minimum(len(old), at + width // 2)
        scores[:, shift + reach] = sums[high] - sums[low]
    peak = np.clip(np.argmax(scores, axis=1), 1, 2 * reach - 1)
    rows = np.arange(len(at))
    left, middle, right = (scores[rows, peak + step] for step in (-1, 0, 1))
    bend = np.minimum(left - 2.0 * middle + right, -1e-9)
    drift = (peak - reach + np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) / FEATURE_HZ
    if not len(drift):
        return np.zeros(len(old))
    certain = np.array([np.median(drift[max(0, i - 4) : i + 5]) for i in range(len(drift))])
    # a piece that one take lacks is a step: what lies on either side of it is smoothed by itself
    steps = np.flatnonzero(np.abs(np.diff(certain)) > LEAST_STEP_S) + 1
    smooth = np.concatenate([moving_mean(part[:, np.newaxis], 9)[:, 0] for part in np.split(certain, steps)])
    return np.interp(np.arange(len(old)), at, smooth)
