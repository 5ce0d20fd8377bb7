"""The most likely division of a side into tracks, and how sure it is.

Conventions: nodes are places in time order; node 0 is the start of the music, the last node its end. Times are
seconds. Printed times relate to what is heard by one speed factor for the side (0.97 to 1.03); the error of a
printed time is normal with 1 s + 0.8 % of it or, one time in fourteen, a misprint by a dozen seconds or more.
Forward and backward sums over all divisions (as in hidden semi-Markov models; L. Rabiner, Proc. IEEE 77(2), 1989) give
the posterior of each boundary; the best division is the Viterbi path at the best speed.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Printed = Sequence[float | None]

NO = -1e9
"""Stands for a logarithm of nothing and still adds up."""
SPEEDS = tuple(float(speed) for speed in np.linspace(0.97, 1.03, 17))
"""3 % either way holds the tolerance of nearly every player (common practice, no source); steps of 0.4 % are finer than the
0.8 % by which printed times are off."""
SPEED_SD = 0.009
"""Most players are within 1 % (common practice, no source)."""
WRONG_SHARE = 0.07
WRONG_BY_S = 12.0
"""One printed time in fourteen is a misprint, by a dozen seconds: fitted to where tracks of the tune sides began, printed times
there being wrong one in ten, by 5 to 20 s."""
ANYTHING = 0.01 / 400.0
"""A hundredth, spread over 400 s: however wrong a time is, it says something finite."""
_HARDLY_A_MISPRINT, _PER_OCTAVE = 0.4, 3.0
"""Printers confuse digits, but what is under two fifths of its printed time is seldom a misprint, a twentieth as often at every
halving (chosen here, no source): else a line that is not on the side takes a piece of the last track."""
_USUAL_S = 210.0
"""Three and a half minutes: a usual song. A scale only, so that log ratios with and without a time compare."""
_SHORT_S = (0.5, 2.0, 5.0, 10.0, 25.0, 45.0, 70.0)
_SHORT_LOG = (-12.0, -7.0, -4.5, -2.7, -1.2, -0.5, 0.0)
"""Tracks are seldom under a minute (common practice, no source); by trial, wrong marks fell from 22 to 14 for two starts lost."""
NO_LIST = 1.0
"""Without a list pauses inside the music are as many as the gaps between tracks: a place must speak for itself. By trial, -2 to
0.5 gave fewer right marks."""
UNLISTED = float(np.log(0.02))
_ABSENT = np.log(0.004)
"""One track in fifty that no line names, one line in 250 that is not on the side. Guesses: hidden tracks are rare, and a line
that is not played is rarer."""
_SAME_STRETCH = 0.5
"""Two stretches that have more than this of what they cover in common are one track."""
_LEAST_SHARE = 0.01
"""Speeds less likely than this are not asked which line a stretch is."""
_OFF_S, _OFF_SHARE = 1.0, 0.008
"""A printed time is rounded to a second and counts the gaps in its own way; what it is off by grows with it (docs/tracks.md)."""
_LEAST_TRACK_S = 1.0
"""No track is shorter (chosen by hand)."""
_LEAST_S = 0.5
"""Shorter lengths are taken for this: the logarithm of nothing has no end."""
_AFTER_LAST_S = 6.0
"""The printed time of the last track may hold so much of what comes after its music (chosen by hand)."""


@dataclass(frozen=True)
class Division:
    """``nodes``: boundaries of the tracks, first to last (one more than tracks). ``listed``: for each
    track the index of its printed line, or -1 when none fits. ``posterior``: how likely *every* place is a boundary.
    ``line_shares`` (tracks, lines): how likely the stretch of each track is each printed line, over all divisions;
    ``fits`` (tracks, lines): log ratio of each track's length at its speed to each printed time, 0 where none is."""

    nodes: tuple[int, ...]
    listed: tuple[int, ...]
    posterior: NDArray[np.float64]
    speed: float
    score: float
    line_shares: NDArray[np.float64]
    fits: NDArray[np.float64]


def length_log_ratio(length_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """How well a length suits a track when nothing is printed: nothing against 70 s and more, less and less below."""
    return np.interp(np.log(np.maximum(length_s, _LEAST_S)), np.log(_SHORT_S), _SHORT_LOG)


def printed_sd_s(printed_s: float) -> float:
    """Standard deviation of what is heard against a printed time that is no misprint."""
    return _OFF_S + _OFF_SHARE * printed_s


def printed_log_ratio(
    shortest_s: NDArray[np.float64], longest_s: NDArray[np.float64], printed_s: float
) -> NDArray[np.float64]:
    """The same for a printed time, when the music lasts ``shortest`` and with its gap ``longest``.
    What is far shorter than printed is hardly a misprint."""
    sd = printed_sd_s(printed_s)
    error = np.maximum(shortest_s - printed_s, 0.0) + np.maximum(printed_s - longest_s, 0.0)
    inside = (1 - WRONG_SHARE) / (sd * np.sqrt(2 * np.pi)) * np.exp(-0.5 * (error / sd) ** 2)
    outside = WRONG_SHARE / (2 * WRONG_BY_S) * np.exp(-error / WRONG_BY_S) + ANYTHING
    octaves = np.log2(printed_s * _HARDLY_A_MISPRINT / np.maximum(shortest_s, _LEAST_S))
    outside = outside * np.exp(-_PER_OCTAVE * np.maximum(octaves, 0.0))
    return np.log((inside + outside) * _USUAL_S)


def _log_sum(x: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    top = x.max(axis=axis, keepdims=True)
    return np.squeeze(top, axis) + np.log(np.exp(x - top).sum(axis=axis))


def divide(
    stops_s: Sequence[float],
    starts_s: Sequence[float],
    log_odds: Sequence[float],
    printed_s: Sequence[float | None] | None,
    speeds: Sequence[float] = SPEEDS,
) -> Division:
    """Best division. ``stops_s``/``starts_s``: where music stops/starts again at each node (node 0 and the last
    are the music's start and end). ``printed_s``: printed times in order (None where missing), or None without list; 0:00 is
    none, as where a time was to be filled in. ``speeds``: the factors to try."""
    stops, starts = np.asarray(stops_s, float), np.asarray(starts_s, float)
    odds = np.asarray(log_odds, float) - (NO_LIST if printed_s is None else 0.0)
    taken = -np.logaddexp(0.0, -odds)
    passed = -np.logaddexp(0.0, odds)
    taken[0] = taken[-1] = passed[0] = passed[-1] = 0.0
    skipped = np.concatenate([[0.0], np.cumsum(passed)])
    count = len(stops)
    shortest = stops[None, :] - starts[:, None]
    longest = np.concatenate([starts[None, :-1] - starts[:, None], shortest[:, -1:] + _AFTER_LAST_S], axis=1)
    between = skipped[None, :count] - skipped[1 : count + 1][:, None] + taken[None, :]
    allowed = np.triu(np.ones((count, count), dtype=bool), 1) & (shortest > _LEAST_TRACK_S)
    step = np.where(allowed, between, NO)
    free = step + length_log_ratio(np.maximum(shortest, _LEAST_S))
    if printed_s is None:
        return _divide_free(free)
    printed_s = [time or None for time in printed_s]
    weighed = []
    for speed in speeds if any(time is not None for time in printed_s) else (1.0,):
        layers = _layers(free, step, shortest * speed, longest * speed, printed_s)
        sums = _sums(layers, free)
        prior = -0.5 * ((speed - 1.0) / SPEED_SD) ** 2
        weighed.append((float(speed), prior, sums))
    weights = np.array([sums.whole + prior for _, prior, sums in weighed])
    share = np.exp(weights - weights.max())
    share /= share.sum()
    speed, prior, sums = max(weighed, key=lambda one: one[1] + one[2].score)
    spans = [(starts[a], stops[b]) for a, b in itertools.pairwise(sums.nodes)]
    pairs = list(itertools.pairwise(sums.nodes))
    line_shares = np.zeros((len(pairs), len(printed_s)))
    for (at, _, one), weight in zip(weighed, share, strict=True):
        if weight >= _LEAST_SHARE:
            layers = _layers(free, step, shortest * at, longest * at, printed_s)
            line_shares += weight * _line_shares(layers, one, spans, starts, stops)
    return Division(
        nodes=sums.nodes,
        listed=sums.listed,
        posterior=np.tensordot(share, np.array([one.posterior for _, _, one in weighed]), axes=1),
        speed=speed,
        score=sums.score + prior,
        line_shares=np.minimum(line_shares, 1.0),
        fits=_fits(pairs, shortest * speed, longest * speed, printed_s),
    )


def _layers(free: Floats, step: Floats, shortest: Floats, longest: Floats, printed_s: Printed) -> Floats:
    """Log weights of every stretch as every printed line (lines, from, to)."""
    return np.stack(
        [free if time is None else step + printed_log_ratio(shortest, longest, time) for time in printed_s]
    )


def _fits(pairs: Sequence[tuple[int, int]], shortest: Floats, longest: Floats, printed_s: Printed) -> Floats:
    rows, columns = [a for a, _ in pairs], [b for _, b in pairs]
    lengths = shortest[rows, columns], longest[rows, columns]
    found = [
        np.zeros(len(pairs)) if time is None else printed_log_ratio(*lengths, time) for time in printed_s
    ]
    return np.stack(found, axis=1)


def _line_shares(
    layers: Floats, sums: Sums, spans: Sequence[tuple[float, float]], starts: Floats, stops: Floats
) -> Floats:
    """How likely each span is each line: the posterior of all stretches that are mostly the same."""
    low = np.maximum(starts[:, None, None], [span[0] for span in spans])
    high = np.minimum(stops[None, :, None], [span[1] for span in spans])
    first = np.minimum(starts[:, None, None], [span[0] for span in spans])
    last = np.maximum(stops[None, :, None], [span[1] for span in spans])
    alike = (high - low) > _SAME_STRETCH * (last - first)
    shares = np.zeros((len(spans), len(layers)))
    for line, layer in enumerate(layers):
        sources = range(max(0, line - 2), line + 1)
        before = _log_sum(np.stack([sums.total[s] + (line - s) * _ABSENT for s in sources]), 0)
        weight = before[:, None] + layer + sums.after[line + 1][None, :] - sums.whole
        shares[:, line] = np.tensordot(np.exp(np.clip(weight, -60.0, 0.0)) * (weight > -59.0), alike, axes=2)
    return shares


def _divide_free(free: NDArray[np.float64]) -> Division:
    """Any number of tracks."""
    count = len(free)
    forward, backward = np.full(count, NO), np.full(count, NO)
    best, before = np.full(count, NO), np.zeros(count, dtype=int)
    forward[0] = backward[-1] = best[0] = 0.0
    for j in range(1, count):
        reach = best[:j] + free[:j, j]
        before[j] = int(np.argmax(reach))
        best[j] = reach[before[j]]
        forward[j] = _log_sum(forward[:j] + free[:j, j], 0)
    for i in range(count - 2, -1, -1):
        backward[i] = _log_sum(free[i, i + 1 :] + backward[i + 1 :], 0)
    nodes = [count - 1]
    while nodes[-1] > 0:
        nodes.append(int(before[nodes[-1]]))
    nodes.reverse()
    posterior = np.exp(np.clip(forward + backward - forward[-1], -60.0, 0.0))
    none = np.zeros((len(nodes) - 1, 0))
    return Division(tuple(nodes), (-1,) * len(none), posterior, 1.0, float(best[-1]), none, none)


@dataclass(frozen=True)
class Sums:
    """The best division at one speed, and the log sums over all of them: up to each node (``total``) and from it to the
    end (``after``), by printed lines used."""

    nodes: tuple[int, ...]
    listed: tuple[int, ...]
    posterior: NDArray[np.float64]
    score: float
    whole: float
    total: NDArray[np.float64]
    after: NDArray[np.float64]


def _sums(layers: Floats, free: Floats) -> Sums:
    """Tracks in printed order; one may be unlisted, up to two absent, each at a price."""
    lines, count = len(layers), len(free)
    extra = free + UNLISTED
    total, best = np.full((lines + 1, count), NO), np.full((lines + 1, count), NO)
    came = np.zeros((lines + 1, count, 2), dtype=np.int64)
    forward_kernel(layers, extra, _ABSENT, total, best, came)
    after = np.full((lines + 1, count), NO)
    backward_kernel(layers, extra, _ABSENT, after)
    left = (lines - np.arange(lines + 1)) * _ABSENT
    used = int(np.argmax(best[:, -1] + left))
    score = float(best[used, -1] + left[used])
    whole = float(_log_sum(total[:, -1] + left, 0))
    nodes, listed = [count - 1], []
    while nodes[-1] > 0:
        source, node = came[used, nodes[-1]]
        listed.append(-1 if source == used else used - 1)
        used = int(source)
        nodes.append(int(node))
    posterior = np.exp(np.clip(_log_sum(total + after, 0) - whole, -60.0, 0.0))
    return Sums(tuple(reversed(nodes)), tuple(reversed(listed)), posterior, score, whole, total, after)


@kernel
def forward_kernel(
    layers: Floats, extra: Floats, absent: float, total: Floats, best: Floats, came: NDArray[np.int64]
) -> None:
    """Log sums and maxima over all divisions up to each node, by printed lines used. ``layers`` (lines, from, to)
    and ``extra`` (from, to) are log weights of a listed and an unlisted track; ``came`` gets (lines used, node) before."""
    lines, count = layers.shape[0], layers.shape[1]
    total[0, 0] = 0.0
    best[0, 0] = 0.0
    for j in range(1, count):
        for used in range(lines + 1):
            top, summed, highest = -1e300, 0.0, -1e300
            from_used, from_node = 0, 0
            for source in range(max(0, used - 3), used + 1):
                price = 0.0 if source == used else (used - 1 - source) * absent
                for i in range(j):
                    weight = (extra[i, j] if source == used else layers[used - 1, i, j]) + price
                    if weight < -1e6:
                        continue
                    value = best[source, i] + weight
                    if value > highest:
                        highest, from_used, from_node = value, source, i
                    value = total[source, i] + weight
                    if value > top:
                        summed = summed * np.exp(max(top - value, -700.0)) + 1.0
                        top = value
                    elif value > top - 40.0:
                        summed += np.exp(value - top)
            if highest > -1e8:
                best[used, j] = highest
                came[used, j, 0] = from_used
                came[used, j, 1] = from_node
                total[used, j] = top + np.log(summed)


@kernel
def backward_kernel(layers: Floats, extra: Floats, absent: float, after: Floats) -> None:
    """Log sums over all divisions from each node to the end, by printed lines used so far."""
    lines, count = layers.shape[0], layers.shape[1]
    for used in range(lines + 1):
        after[used, count - 1] = (lines - used) * absent
    for i in range(count - 2, -1, -1):
        for used in range(lines + 1):
            top, summed = -1e300, 0.0
            for later in range(used, min(used + 3, lines) + 1):
                price = 0.0 if later == used else (later - 1 - used) * absent
                for j in range(i + 1, count):
                    weight = (extra[i, j] if later == used else layers[later - 1, i, j]) + price
                    if weight < -1e6:
                        continue
                    value = after[later, j] + weight
                    if value > top:
                        summed = summed * np.exp(max(top - value, -700.0)) + 1.0
                        top = value
                    elif value > top - 40.0:
                        summed += np.exp(value - top)
            if top > -1e8:
                after[used, i] = top + np.log(summed)
