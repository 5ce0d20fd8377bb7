"""Whether two takes hold the same cutting, and where it lies: from the onsets in bands.

Conventions: features are (windows, BANDS) at 100 windows a second: how much the level of each band rises, so gain,
polarity and slow differences of treble do not count. A *chunk* is some seconds of the shorter take; it is looked for in
the whole of the other, at several speeds. Chunks of one cutting lie on a straight line (offset and speed ratio); chunks
of different recordings do not. The line is found by trying pairs of chunks (RANSAC: Fischler & Bolles, *Communications
of the ACM* 24, 1981).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.onsets import FEATURE_HZ, moving_mean

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
FEWEST_CHUNKS, FEWEST_BEYOND = 3, 2
"""Any two lie on a line; beside a line that is known two that agree say where the other one is."""


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
    it), of those that could; ``correlation`` their median correlation with what they were found in."""

    offset_s: float
    speed_ratio: float
    share: float
    chunks: int
    correlation: float
    cut: Cut | None = None

    @property
    def is_same(self) -> bool:
        """Whether the takes hold the same cutting."""
        return self.chunks >= FEWEST_CHUNKS and self.share >= SAME_SHARE


def rough_line(old: Floats, new: Floats) -> RoughLine:
    """The best line between two takes' features; see whether it ``is_same``."""
    if len(old) <= len(new):
        return _cut_exactly(_line_of(old, new), old, new)
    line = _cut_exactly(_line_of(new, old), new, old)
    return RoughLine(
        offset_s=-line.offset_s / line.speed_ratio,
        speed_ratio=1.0 / line.speed_ratio,
        share=line.share,
        chunks=line.chunks,
        correlation=line.correlation,
        cut=line.cut
        and Cut(
            start_s=line.offset_s + line.speed_ratio * line.cut.start_s,
            stop_s=line.offset_s + line.speed_ratio * line.cut.stop_s,
            length_s=-line.cut.length_s / line.speed_ratio,
        ),
    )


def _line_of(short: Floats, long: Floats) -> RoughLine:
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
    """A chunk's middle in the short take, where it was found in the long one, at what ratio, how well."""

    at_s: float
    found_s: float
    ratio: float
    correlation: float


def _look_for(short: Floats, long: Floats, ratios: Floats, count: int) -> tuple[list[_Found], float]:
    """Chunks with their best place, and the length of the long take in seconds."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = round(min(CHUNK_S, len(short) / FEATURE_HZ * SHORTEST_CHUNK_S / SHORTEST_S) * FEATURE_HZ)
    if size < SHORTEST_CHUNK_S * FEATURE_HZ or len(long) < size:
        return [], len(long) / FEATURE_HZ
    length = next_fast_len(len(long) + 2 * size, real=True)
    spectrum = rfft(long, length, axis=0)
    energy = np.concatenate([[0.0], np.cumsum(np.square(long).sum(axis=1))])
    found = []
    for start in np.linspace(0, len(short) - size, count + 2).astype(int)[1:-1]:
        chunk = short[start : start + size]
        if not chunk.any():
            continue
        best = (0.0, 0.0, 1.0)
        for ratio in ratios:
            played = _at_ratio(chunk, ratio)
            match = irfft((spectrum * np.conj(rfft(played, length, axis=0))).sum(axis=1), length)
            match = match[: max(1, len(long) - len(played) + 1)]
            there = energy[len(played) : len(played) + len(match)] - energy[: len(match)]
            correlation = match / np.sqrt(np.maximum(there, 1e-9) * max(np.square(played).sum(), 1e-9))
            place = int(np.argmax(correlation))
            if correlation[place] > best[0]:
                best = (float(correlation[place]), place + len(played) / 2.0, float(ratio))
        found.append(_Found((start + size / 2.0) / FEATURE_HZ, best[1] / FEATURE_HZ, best[2], best[0]))
    return found, len(long) / FEATURE_HZ


def _at_ratio(chunk: Floats, ratio: float) -> Floats:
    """The chunk stretched in time by ``ratio``."""
    places = np.arange(round(len(chunk) * ratio)) / ratio
    index = np.minimum(places.astype(np.int64), len(chunk) - 2)
    mix = (places - index)[:, np.newaxis]
    return chunk[index] * (1.0 - mix) + chunk[index + 1] * mix


def _fit(looked: tuple[list[_Found], float]) -> RoughLine:
    found, long_s = looked
    best: list[_Found] = []
    best_line = (0.0, 1.0)
    for i, first in enumerate(found):
        for second in found[i + 1 :]:
            ratio = (second.found_s - first.found_s) / (second.at_s - first.at_s)
            if not 1.0 - FAR_RATIO - 0.01 <= ratio <= 1.0 + FAR_RATIO + 0.01:
                continue
            offset = first.found_s - ratio * first.at_s
            on = [one for one in found if abs(one.found_s - offset - ratio * one.at_s) < LINE_TOLERANCE_S]
            on = [one for one in on if abs(one.ratio - ratio) < 3.0 * STEP_RATIO]
            if (len(on), sum(one.correlation for one in on)) > (
                len(best),
                sum(one.correlation for one in best),
            ):
                best, best_line = on, (offset, ratio)
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
        cut=cut,
    )


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
