"""The most likely division of a side into tracks, and how sure it is.

Conventions: nodes are places in time order; node 0 is the start of the music, the last node its end. Times are
seconds. Printed times relate to what is heard by one speed factor for the side (0.97 to 1.03); the error of a
printed time is normal with 1 s + 0.8 % of it or, one time in fourteen, a misprint by a dozen seconds or more.
Forward and backward sums over all divisions (as in hidden semi-Markov models; L. Rabiner, Proc. IEEE 77(2), 1989) give
the posterior of each boundary; the best division is the Viterbi path at the best speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]

_NO = -1e9
SPEEDS = np.linspace(0.97, 1.03, 17)
_SPEED_SD = 0.009
_WRONG_SHARE = 0.07
_WRONG_BY_S = 12.0
_ANYTHING = 0.01 / 400.0
_USUAL_S = 210.0
_SHORT_S = (0.5, 2.0, 5.0, 10.0, 25.0, 45.0, 70.0)
_SHORT_LOG = (-12.0, -7.0, -4.5, -2.7, -1.2, -0.5, 0.0)
_NO_LIST = 1.0
"""Without a list pauses inside the music are as many as the gaps between tracks: a place must speak for itself."""
_UNLISTED = np.log(0.02)
_ABSENT = np.log(0.004)


@dataclass(frozen=True)
class Division:
    """``nodes``: boundaries of the tracks, first to last (one more than tracks). ``listed``: for each
    track the index of its printed line, or -1 when none fits. ``posterior``: how likely *every* place is a boundary."""

    nodes: tuple[int, ...]
    listed: tuple[int, ...]
    posterior: NDArray[np.float64]
    speed: float
    score: float


def length_log_ratio(length_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """How well a length suits a track when nothing is printed: nothing against 70 s and more, less and less below."""
    return np.interp(np.log(np.maximum(length_s, 0.5)), np.log(_SHORT_S), _SHORT_LOG)


def _printed_log_ratio(
    shortest_s: NDArray[np.float64], longest_s: NDArray[np.float64], printed_s: float
) -> NDArray[np.float64]:
    """The same for a printed time, when the music lasts ``shortest`` and with its gap ``longest``."""
    sd = 1.0 + 0.008 * printed_s
    error = np.maximum(shortest_s - printed_s, 0.0) + np.maximum(printed_s - longest_s, 0.0)
    inside = (1 - _WRONG_SHARE) / (sd * np.sqrt(2 * np.pi)) * np.exp(-0.5 * (error / sd) ** 2)
    outside = _WRONG_SHARE / (2 * _WRONG_BY_S) * np.exp(-error / _WRONG_BY_S) + _ANYTHING
    return np.log((inside + outside) * _USUAL_S)


def _log_sum(x: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    top = x.max(axis=axis, keepdims=True)
    return np.squeeze(top, axis) + np.log(np.exp(x - top).sum(axis=axis))


def divide(
    stops_s: Sequence[float],
    starts_s: Sequence[float],
    log_odds: Sequence[float],
    printed_s: Sequence[float | None] | None,
) -> Division:
    """Best division. ``stops_s``/``starts_s``: where music stops/starts again at each node (node 0 and the last
    are the music's start and end). ``printed_s``: printed times in order (None where missing), or None without list."""
    stops, starts = np.asarray(stops_s, float), np.asarray(starts_s, float)
    odds = np.asarray(log_odds, float) - (_NO_LIST if printed_s is None else 0.0)
    taken = -np.logaddexp(0.0, -odds)
    passed = -np.logaddexp(0.0, odds)
    taken[0] = taken[-1] = passed[0] = passed[-1] = 0.0
    skipped = np.concatenate([[0.0], np.cumsum(passed)])
    count = len(stops)
    shortest = stops[None, :] - starts[:, None]
    longest = np.concatenate([starts[None, :-1] - starts[:, None], shortest[:, -1:] + 6.0], axis=1)
    between = skipped[None, :count] - skipped[1 : count + 1][:, None] + taken[None, :]
    allowed = np.triu(np.ones((count, count), dtype=bool), 1) & (shortest > 1.0)
    step = np.where(allowed, between, _NO)
    free = step + length_log_ratio(np.maximum(shortest, 0.5))
    if printed_s is None:
        return _divide_free(free)
    best: Division | None = None
    weights, posteriors = [], []
    for speed in SPEEDS:
        layers = np.stack(
            [
                free if time is None else step + _printed_log_ratio(shortest * speed, longest * speed, time)
                for time in printed_s
            ]
        )
        division, total, posterior = _divide_listed(layers, free)
        prior = -0.5 * ((speed - 1.0) / _SPEED_SD) ** 2
        weights.append(total + prior)
        posteriors.append(posterior)
        if best is None or division.score + prior > best.score:
            best = replace(division, speed=float(speed), score=division.score + prior)
    assert best is not None
    share = np.exp(np.array(weights) - max(weights))
    mean = np.tensordot(share / share.sum(), np.array(posteriors), axes=1)
    return replace(best, posterior=mean)


def _divide_free(free: NDArray[np.float64]) -> Division:
    """Any number of tracks."""
    count = len(free)
    forward, backward = np.full(count, _NO), np.full(count, _NO)
    best, before = np.full(count, _NO), np.zeros(count, dtype=int)
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
    return Division(tuple(nodes), (-1,) * (len(nodes) - 1), posterior, 1.0, float(best[-1]))


def _divide_listed(layers: Floats, free: Floats) -> tuple[Division, float, Floats]:
    """Tracks in printed order; one may be unlisted, up to two absent, each at a price."""
    lines, count = len(layers), len(free)
    extra = free + _UNLISTED
    total, best = np.full((lines + 1, count), _NO), np.full((lines + 1, count), _NO)
    came = np.zeros((lines + 1, count, 2), dtype=np.int64)
    forward_kernel(layers, extra, _ABSENT, total, best, came)
    after = np.full((lines + 1, count), _NO)
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
    division = Division(tuple(reversed(nodes)), tuple(reversed(listed)), posterior, 1.0, score)
    return division, whole, posterior


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
