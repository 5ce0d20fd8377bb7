"""The division of a side into tracks while it still plays: what is over, what plays now, how long is left.

Conventions: as in ``division``: nodes are places in time order, node 0 is the start of the music, times are seconds from
the start of the play; but there is no last node: the music goes on. A *state* is (node, line): the track that began at the
node is the line that plays now; line ``n`` of ``n`` lines means that all that is printed has been played.
Forward and backward sums over all divisions, the last track known only to be longer than what was heard of it (a censored
length; L. Rabiner, Proc. IEEE 77(2), 1989, section on durations).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.division import (
    ANYTHING,
    NO,
    SPEED_SD,
    UNLISTED,
    WRONG_BY_S,
    WRONG_SHARE,
    length_log_ratio,
    printed_log_ratio,
    printed_sd_s,
)

Floats = NDArray[np.float64]

SPEEDS = (0.98, 0.99, 1.0, 1.01, 1.02)
"""Coarser than in ``division``: this is asked every few seconds, and a percent of a track is two seconds."""
_UNKNOWN_S, _UNKNOWN_SPREAD = 230.0, 0.45
"""Length of a track when nothing is printed: median and standard deviation of the logarithm (common practice, no source)."""
_PAUSE_S, _PAUSE_SD_S, _PAUSE_NOISE_S = 1.5, 1.5, 3.0
"""How much longer it is from start to start than printed, before any boundary was met: a gap of 0 to 3 s; it is believed as
three gaps met would be. Guesses, soon replaced by what the side shows."""
_FAR_OFF_S = 8.0
"""A length this far off its printed time is taken for a misprint and tells nothing of pauses: six of the deviations of
``printed_sd_s`` at the least."""
_INSIDE = 0.95
"""19 in 20, as ``OpenDivision`` promises."""
_MISPRINTED = 0.1
"""Share of printed times that are wrong by seconds (chosen here, no source). Places are found with
``WRONG_SHARE``, fitted on placing; here only the outcome counts."""


@dataclass(frozen=True)
class OpenDivision:
    """``posterior``: how likely each node is a boundary. ``node``, ``line``, ``sure``: the likeliest state and its share.
    ``starts``: nodes where the lines up to ``line`` began. The forecasts, in seconds, are None when too little is printed;
    twice their deviation is the distance within which the truth lies 19 times in 20, misprints counted."""

    posterior: Floats
    node: int
    line: int
    sure: float
    starts: tuple[int, ...]
    left_s: float | None
    left_sd_s: float | None
    side_left_s: float | None
    side_left_sd_s: float | None


def divide_open(
    stops_s: Sequence[float],
    starts_s: Sequence[float],
    log_odds: Sequence[float],
    printed_s: Sequence[float | None],
    heard_s: float,
) -> OpenDivision:
    """Where the side is after ``heard_s``. ``printed_s``: one entry per printed line, None where no time is printed."""
    stops, starts = np.asarray(stops_s, float), np.asarray(starts_s, float)
    odds = np.asarray(log_odds, float)
    taken, passed = -np.logaddexp(0.0, -odds), -np.logaddexp(0.0, odds)
    taken[0] = passed[0] = 0.0
    skipped = np.concatenate([[0.0], np.cumsum(passed)])
    count = len(stops)
    shortest = stops[None, :] - starts[:, None]
    longest = np.maximum(starts[None, :] - starts[:, None], shortest)
    between = skipped[None, :count] - skipped[1 : count + 1][:, None] + taken[None, :]
    step = np.where(np.triu(np.ones((count, count), bool), 1) & (shortest > 1.0), between, NO)
    played = np.maximum(heard_s - starts, 0.0)
    rest = skipped[-1] - skipped[1 : count + 1]
    totals, states, boundaries, paths = [], [], [], []
    for speed in SPEEDS:
        layers = [
            step
            + (
                length_log_ratio(np.maximum(shortest, 0.5))
                if time is None
                else printed_log_ratio(shortest * speed, longest * speed, time)
            )
            for time in printed_s
        ]
        unfinished = np.stack(
            [rest + _log_longer(played * speed, time) for time in printed_s] + [rest + _log_over(played)]
        )
        forward, came = _forward(layers, count)
        backward = _backward(layers, unfinished)
        totals.append(backward[0, 0] - 0.5 * ((speed - 1.0) / SPEED_SD) ** 2)
        states.append(np.exp(np.clip(forward + unfinished - backward[0, 0], -80.0, 0.0)))
        boundaries.append(
            np.exp(np.clip(_log_sum(forward[1:] + backward[1:], 0) - backward[0, 0], -80.0, 0.0))
        )
        paths.append(came)
    share = np.exp(np.array(totals) - max(totals))
    share /= share.sum()
    by_speed = share[:, None, None] * np.array(states)
    state = by_speed.sum(axis=0)
    line, node = (int(index) for index in np.unravel_index(int(np.argmax(state)), state.shape))
    begun = _path(paths[int(np.argmax(share))], node, line)
    return OpenDivision(
        posterior=np.tensordot(share, np.array(boundaries), axes=1),
        node=node,
        line=line,
        sure=float(state[line, node] / max(state.sum(), 1e-12)),
        starts=begun,
        **_forecast(by_speed, played, starts[list(begun)], printed_s),
    )


def _log_longer(length_s: Floats, printed_s: float | None) -> Floats:
    """Log of the chance that a track is longer than what was heard of it."""
    from scipy.special import ndtr

    if printed_s is None:
        log_length = np.log(np.maximum(length_s, 0.1) / _UNKNOWN_S)
        return np.asarray(np.log(np.maximum(1.0 - ndtr(log_length / _UNKNOWN_SPREAD), 1e-3)))
    late = length_s - printed_s
    right = 1.0 - ndtr(late / printed_sd_s(printed_s))
    tail = 0.5 * np.exp(-np.abs(late) / WRONG_BY_S)
    wrong = np.where(late > 0.0, tail, 1.0 - tail)
    anything = ANYTHING * np.maximum(400.0 - length_s, 0.0)
    return np.asarray(np.log(np.maximum((1 - WRONG_SHARE) * right + WRONG_SHARE * wrong + anything, 1e-6)))


def _log_over(played_s: Floats) -> Floats:
    """Log weight of music going on after all that is printed: fine for a moment, then it is a track that is not printed."""
    return np.asarray(np.where(played_s < 3.0, 0.0, UNLISTED))


def _forward(layers: Sequence[Floats], count: int) -> tuple[Floats, NDArray[np.int64]]:
    """Log sums over all divisions that begin a line at a node, and the likeliest node before."""
    total = np.full((len(layers) + 1, count), NO)
    came = np.zeros((len(layers) + 1, count), np.int64)
    total[0, 0] = 0.0
    for line, layer in enumerate(layers, start=1):
        reach = total[line - 1][:, None] + layer
        came[line] = reach.argmax(axis=0)
        total[line] = np.maximum(_log_sum(reach, 0), NO)
    return total, came


def _backward(layers: Sequence[Floats], unfinished: Floats) -> Floats:
    """Log sums over all that may have followed the start of a line at a node until now."""
    after = unfinished.copy()
    for line in range(len(layers) - 1, -1, -1):
        onward = _log_sum(layers[line] + after[line + 1][None, :], 1)
        after[line] = np.logaddexp(unfinished[line], onward)
    return after


def _path(came: NDArray[np.int64], node: int, line: int) -> tuple[int, ...]:
    nodes = [node]
    for at in range(line, 0, -1):
        nodes.append(int(came[at, nodes[-1]]))
    return tuple(reversed(nodes))


def _log_sum(x: Floats, axis: int) -> Floats:
    top = x.max(axis=axis, keepdims=True)
    return np.asarray(np.squeeze(top, axis) + np.log(np.exp(x - top).sum(axis=axis)))


def _forecast(
    by_speed: Floats, played_s: Floats, begun_s: Floats, printed_s: Sequence[float | None]
) -> dict[str, float | None]:
    """What is left of the track and of the side: a mixture over the states, (speeds, lines and one, nodes)."""
    known = [time for time in printed_s if time is not None]
    if not known or 2 * len(known) < len(printed_s):
        return {"left_s": None, "left_sd_s": None, "side_left_s": None, "side_left_sd_s": None}
    usual = float(np.mean(known))
    spread = max(30.0, float(np.std(known)))
    lengths = np.array([usual if time is None else time for time in printed_s])
    variances = np.array([spread**2 if time is None else printed_sd_s(time) ** 2 for time in printed_s])
    pause, pause_sd = _pause(begun_s, printed_s)
    track, side = _Mixture(), _Mixture()
    for number, line, node in zip(*np.nonzero(by_speed > 1e-3 * by_speed.max()), strict=True):
        weight, speed = float(by_speed[number, line, node]), SPEEDS[number]
        if line == len(printed_s):
            track.add(weight, 0.0, 0.0, 0)
            side.add(weight, 0.0, 0.0, 0)
            continue
        left, left_var = _residual(lengths[line] / speed, variances[line], played_s[node])
        more = len(printed_s) - 1 - line
        track.add(weight, left, left_var, 1)
        side.add(
            weight,
            left + lengths[line + 1 :].sum() / speed + more * pause,
            left_var + variances[line + 1 :].sum() + (more * pause_sd) ** 2,
            1 + more,
        )
    left, left_sd = track.summed_up()
    side_left, side_sd = side.summed_up()
    return {"left_s": left, "left_sd_s": left_sd, "side_left_s": side_left, "side_left_sd_s": side_sd}


def _residual(length_s: float, variance: float, played_s: float) -> tuple[float, float]:
    """What is left of a track of about ``length_s`` that has lasted ``played_s``, and its variance."""
    left = length_s - played_s
    sd = float(np.sqrt(variance))
    if left > 2.0 * sd:
        return left, variance
    # Late or nearly so: if the printed time is wrong it may be by a dozen seconds more.
    late = float(np.clip((2.0 * sd - left) / (4.0 * sd), 0.0, 1.0))
    return max(left, 0.0) + late * WRONG_BY_S, variance + (late * WRONG_BY_S) ** 2


def _pause(begun_s: Floats, printed_s: Sequence[float | None]) -> tuple[float, float]:
    """How much longer than printed it is from start to start, learnt from the tracks that are over."""
    weight, total = 1.0 / _PAUSE_SD_S**2, _PAUSE_S / _PAUSE_SD_S**2
    for first, second, time in zip(begun_s, begun_s[1:], printed_s, strict=False):
        if time is not None and abs(second - first - time) < _FAR_OFF_S:
            weight += 1.0 / _PAUSE_NOISE_S**2
            total += (second - first - time) / _PAUSE_NOISE_S**2
    return float(total / weight), float(weight**-0.5)


class _Mixture:
    """Normal distributions of what is left, each with printed times in it that may be wrong (Laplace by ``WRONG_BY_S``)."""

    def __init__(self) -> None:
        self._rows: list[tuple[float, float, float, int]] = []

    def add(self, weight: float, mean_s: float, variance: float, printed: int) -> None:
        """``printed``: times that may be misprints."""
        self._rows.append((weight, mean_s, variance, printed))

    def summed_up(self) -> tuple[float, float]:
        """The mean, and half of the distance from it within which 19 in 20 lie: of a normal distribution nearly its deviation."""
        weight, mean_s, variance, printed = np.array(self._rows).T
        weight = weight / weight.sum()
        middle_s = float(weight @ mean_s)
        low, high = (
            0.0,
            2.0 * float(np.abs(mean_s - middle_s).max() + 8.0 * np.sqrt(variance.max()) + 12.0 * WRONG_BY_S),
        )
        for _ in range(24):
            within_s = 0.5 * (low + high)
            inside = weight @ (
                _chance_below(middle_s + within_s - mean_s, variance, printed)
                - _chance_below(middle_s - within_s - mean_s, variance, printed)
            )
            low, high = (within_s, high) if inside < _INSIDE else (low, within_s)
        return middle_s, 0.5 * high


def _chance_below(error_s: Floats, variance: Floats, printed: Floats) -> Floats:
    """Chance that the error is less: no misprint, one, or several, whose sum is taken for one as much wider."""
    from scipy.special import ndtr

    right = (1.0 - _MISPRINTED) ** printed
    one = printed * _MISPRINTED * (1.0 - _MISPRINTED) ** np.maximum(printed - 1, 0)
    chance = right * ndtr(error_s / np.sqrt(np.maximum(variance, 1e-6)))
    for share, count in ((one, 1.0), (1.0 - right - one, 2.5)):
        scale = np.sqrt(count * WRONG_BY_S**2 + 0.5 * variance)
        tail = 0.5 * np.exp(-np.abs(error_s) / scale)
        chance = chance + share * np.where(error_s < 0.0, tail, 1.0 - tail)
    return np.asarray(chance)
