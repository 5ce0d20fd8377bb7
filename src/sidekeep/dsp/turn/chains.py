"""Damage that comes back once per turn: finding the turn's length and the chains of returning events.

Conventions: times in seconds, sorted, float64. A *chain* is one scratch as the needle meets it turn
after turn; its ``turns`` are whole numbers counted from its first event. A *lag* is the time between
two events.

Method: a lag seen twice in a row (three events, evenly spaced) is almost never chance. Such triples
are counted along the lag axis near the nominal speeds; the best lag must beat a Poisson background
at an extreme-value level. Music that repeats is told apart by its other lags: beats return at half
a bar, one bar and so on, a scratch only at whole turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.units import LP_RPM, SHELLAC_RPM, SINGLE_RPM

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NOMINAL_RPM = (LP_RPM / 2.0, LP_RPM, SINGLE_RPM, *SHELLAC_RPM)
"""16 2/3, 33 1/3, 45 and those of shellac."""
SPEED_REACH = 0.06
"""How far from nominal a player may run (one semitone)."""

_EVEN_S = 0.0007
"""How evenly three events must be spaced (jitter of the damage and of its measured place)."""
_SPREAD = 0.0009
"""Width of the lag window, as a share of the lag: tilted scratches shift up to 300 ppm each turn."""
_MUSICAL_SHARE = 0.6
"""Share of the chain events, beyond chance, that may have company at one other lag: two scratches give a
half, many at once (strewn angles) less."""
_SLOW_NATS, _SLOW_FROM_S = 12.0, 3.0
"""What 16 2/3 must show more: few records turn so slowly, many bars last as long."""
_COMPANY_S = (0.03, 8.5)
"""How far such company is looked for: beyond one blow's own echoes, up to two slow bars."""
_WHOLE_TURN_S = 0.02
"""Company so near a whole turn is that of the scratch itself: other scratches beside it."""
_SHARE_LEAST, _SHARE_ALONE, _SHARE_OF_MANY = 0.3, 0.05, 2.2
"""With n scratches at once about two others may keep one lag with each: the share allowed is the second and the third over n, no
less than the first and no more than ``_MUSICAL_SHARE`` (chosen here)."""
_CELL_S = 0.012
"""How exactly musicians come back."""
_LEVELS_PER_S = (0.7, 2.5, 8.0)
"""Loudest events a second that are looked at, few first: scratches are loud, crackle is dense."""
_STRETCH_S = 10.0
"""In which so many are chosen: some five turns."""
_APART_S, _APART_IN_CHAINS_S = 0.003, 0.0015
"""An event so near a louder one is part of it, while the lag is looked for and while chains are linked (chosen here)."""
_FALSE_ALARM = 1e-4
"""Probability that a whole search finds a turn where there is none."""
_FEWEST_EVENTS, _PEAKS_LOOKED_AT = 5, 8
"""Of a lag: two triples that share one event. And how many of the highest peaks are judged in each range of speeds."""
_BESIDE_WIDTHS, _BESIDE_CELLS = 5.5, 10.0
"""A peak's surroundings: five widths to either side of its own, which hold ten."""
_LEAST_BACKGROUND = 0.02
"""Triples a cell by chance at least: with none at all two would beat any level (chosen here)."""
_NOMINAL_SD, _NOMINAL_MOST = 0.006, 40.0
"""How far players run from their speed, as a share of it, and the square of how many times that at most (chosen here)."""
_MOST_SKIPPED = 4
"""Turns that a step of a chain may bridge."""
_REACH = 1.2e-3
"""How far a chain's own lag may lie from that of all, as a share of it: ``_TILT`` of the forecast three times over."""
_STEP_OFF = 1.5
"""How far a step may be off the chain's own lag, in ``_EVEN_S``."""
_BEGUN, _SKIP_COSTS, _OFF_COSTS, _FAR_COSTS = 0.9, 0.3, 0.5, 0.3
"""A step adds 1 to a chain, the first one a little less; a skipped turn, the square of how far it is off, and how far the first
lag is from that of all take from it (chosen here)."""
_LAG_FOLLOWS = 0.3
"""How much of each step the chain's own lag takes over (chosen here)."""


@dataclass(frozen=True)
class Recurrence:
    """The best lag: ``log_chance`` is the natural log of the false-alarm probability of the whole search."""

    lag_s: float
    log_chance: float


@dataclass(frozen=True)
class ClickChain:
    """One returning event. ``size`` is the mean weight."""

    times_s: Floats
    turns: Ints
    size: float = 1.0
    is_locked: bool = False

    @property
    def middle_s(self) -> float:
        """Where on the take the chain sits."""
        return 0.5 * float(self.times_s[0] + self.times_s[-1])


def thin(times_s: Floats, weights: Floats, apart_s: float, per_s: float, duration_s: float) -> Ints:
    """Indices of the heaviest of sorted events: none within ``apart_s`` of a heavier one, at most ``per_s`` a
    second in every ``_STRETCH_S`` (so that a dusty corner does not crowd out the rest)."""
    count = len(times_s)
    # Equal weights are broken evenly, not in order of time.
    order = np.lexsort((np.random.default_rng(5).permutation(count), -weights))
    rank = np.empty(count, dtype=np.int64)
    rank[order] = np.arange(count)
    alone = np.ones(count, dtype=bool)
    for shift in range(1, count):
        close = times_s[shift:] - times_s[:-shift] < apart_s
        if not close.any():
            break
        alone[shift:] &= ~close | (rank[shift:] < rank[:-shift])
        alone[:-shift] &= ~close | (rank[:-shift] < rank[shift:])
    left = np.flatnonzero(alone)
    stretch_s = min(_STRETCH_S, max(duration_s, 1e-3))
    room = max(3, round(per_s * stretch_s))
    stretch = np.floor(times_s[left] / stretch_s).astype(np.int64)
    left = left[np.lexsort((rank[left], stretch))]
    sizes = np.unique(stretch, return_counts=True)[1]
    place = np.arange(len(left)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    return np.sort(left[place < room])


def _pairs(times_s: Floats, low_s: float, high_s: float) -> tuple[Ints, Ints]:
    """Indices (earlier, later) of all pairs with a lag in [low_s, high_s]."""
    first = np.searchsorted(times_s, times_s + low_s, side="left")
    stop = np.searchsorted(times_s, times_s + high_s, side="right")
    counts = stop - first
    earlier = np.repeat(np.arange(len(times_s)), counts)
    offsets = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)
    return earlier, np.repeat(first, counts) + offsets


def _triples(times_s: Floats, masks: Ints, low_s: float, high_s: float) -> tuple[Floats, Ints]:
    """Mean lag, and the three indices, of evenly spaced triples on a common channel."""
    one, two = _pairs(times_s, low_s, high_s)
    shared = masks[one] & masks[two]
    one, two, shared = one[shared > 0], two[shared > 0], shared[shared > 0]
    due = 2.0 * times_s[two] - times_s[one]
    first = np.searchsorted(times_s, due - _EVEN_S, side="left")
    stop = np.searchsorted(times_s, due + _EVEN_S, side="right")
    found = stop > first
    one, two, first, shared = one[found], two[found], first[found], shared[found]
    fits = (masks[first] & shared) > 0
    members = np.stack((one[fits], two[fits], first[fits]), axis=1)
    return 0.5 * (times_s[members[:, 2]] - times_s[members[:, 0]]), members


def _log_poisson_tail(count: int, mean: float) -> float:
    """Natural log of P(N >= count) for a Poisson variable, by its leading terms (good for count > mean)."""
    from math import lgamma, log

    if count <= mean:
        return 0.0
    lead = -mean + count * log(mean) - lgamma(count + 1)
    return min(0.0, lead - log(1.0 - mean / (count + 1)))


def _is_musical(own: Floats, times_s: Floats, lag_s: float) -> bool:
    """Whether most of the chain events ``own`` have company, among all, at one lag that is no whole turn."""
    one, two = _pairs_between(own, times_s, *_COMPANY_S)
    lags = times_s[two] - own[one]
    turns = lags / lag_s
    away = np.abs(turns - np.rint(turns)) * lag_s > _WHOLE_TURN_S
    one, lags = one[away], lags[away]
    if not len(lags):
        return False
    # The last events of a take have nothing after them.
    left_s = np.sort(times_s[-1] - own)
    at_once = len(own) * lag_s / max(own[-1] - own[0], lag_s)
    limit = min(_MUSICAL_SHARE, max(_SHARE_LEAST, _SHARE_ALONE + _SHARE_OF_MANY / at_once))
    for shift in (0.0, 0.5):
        cells = np.floor(lags / _CELL_S + shift).astype(np.int64)
        distinct = np.unique(cells * len(own) + one)
        counts = np.bincount(distinct // len(own))
        able = len(own) - np.searchsorted(left_s, (np.arange(len(counts)) + 1 - shift) * _CELL_S)
        chance = 1.0 - np.exp(-len(times_s) * _CELL_S / max(times_s[-1] - times_s[0], 1.0))
        share = (counts / np.maximum(able, 5.0) - chance) / (1.0 - chance)
        if share.max() > limit:
            return True
    return False


def _pairs_between(own: Floats, times_s: Floats, low_s: float, high_s: float) -> tuple[Ints, Ints]:
    first = np.searchsorted(times_s, own + low_s, side="left")
    stop = np.searchsorted(times_s, own + high_s, side="right")
    counts = stop - first
    one = np.repeat(np.arange(len(own)), counts)
    offsets = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)
    return one, np.repeat(first, counts) + offsets


def _speed_ranges() -> list[tuple[float, float]]:
    """Period ranges round the nominal speeds, overlapping ones joined."""
    ranges = sorted((60.0 / rpm / (1 + SPEED_REACH), 60.0 / rpm * (1 + SPEED_REACH)) for rpm in NOMINAL_RPM)
    joined = [ranges[0]]
    for low, high in ranges[1:]:
        if low <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(high, joined[-1][1]))
        else:
            joined.append((low, high))
    return joined


SPEED_RANGES_S = tuple(_speed_ranges())


def distance_from_nominal(period_s: float) -> float:
    """Smallest relative difference from a nominal speed."""
    return min(abs(60.0 / rpm / period_s - 1.0) for rpm in NOMINAL_RPM)


def nominal_nats(period_s: float) -> float:
    """What it speaks against a turn, in nats, that it is off the nominal speeds."""
    return 0.5 * min((distance_from_nominal(period_s) / _NOMINAL_SD) ** 2, _NOMINAL_MOST)


def find_recurrence(times_s: Floats, weights: Floats, masks: Ints, duration_s: float) -> Recurrence | None:
    """The lag at which events come back, or None. Cost grows with the square of the event rate (capped)."""
    best: Recurrence | None = None
    company = times_s[thin(times_s, weights, _APART_S, 2.0 * _LEVELS_PER_S[-1], duration_s)]
    for per_s in _LEVELS_PER_S:
        kept = thin(times_s, weights, _APART_S, per_s, duration_s)
        some, some_masks = times_s[kept], masks[kept]
        for low_s, high_s in SPEED_RANGES_S:
            found = _best_lag(some, some_masks, low_s, high_s, company)
            for lag_s, log_chance in found:
                if (best is None or log_chance < best.log_chance) and log_chance < np.log(_FALSE_ALARM):
                    best = Recurrence(lag_s, log_chance)
        if len(kept) == len(times_s):
            break
    return best


def _best_lag(
    times_s: Floats, masks: Ints, low_s: float, high_s: float, company_s: Floats
) -> list[tuple[float, float]]:
    """Lags that beat chance, with the log of it; music is left out, judged by its ``company_s``."""
    lags, members = _triples(times_s, masks, low_s, high_s)
    if len(lags) < 2:
        return []
    order = np.argsort(lags)
    lags, members = lags[order], members[order]
    width_s = _SPREAD * 0.5 * (low_s + high_s)
    stop = np.searchsorted(lags, lags + width_s, side="right")
    counts = stop - np.arange(len(lags))
    cells = (high_s - low_s) / width_s
    results: list[tuple[float, float]] = []
    for start in np.argsort(-counts, kind="stable")[:_PEAKS_LOOKED_AT]:
        inside = np.arange(start, stop[start])
        lag_s = float(np.median(lags[inside]))
        used = np.unique(members[inside])
        if len(used) < _FEWEST_EVENTS or any(abs(lag_s - other) < width_s for other, _ in results):
            continue
        # Hand-played music returns to within some milliseconds: judge a peak by its own surroundings as well.
        near = np.count_nonzero(np.abs(lags - lag_s) < _BESIDE_WIDTHS * width_s) - len(inside)
        background = max((len(lags) - len(inside)) / cells, near / _BESIDE_CELLS, _LEAST_BACKGROUND)
        # So many cells were tried in each of three levels and four ranges.
        log_chance = _log_poisson_tail(len(inside), background) + np.log(3.0 * 4.0 * cells)
        # Players run near their speed: what is 1 % off must show more.
        log_chance += nominal_nats(lag_s)
        log_chance += _SLOW_NATS if lag_s > _SLOW_FROM_S else 0.0
        if log_chance < 0.0 and not _is_musical(times_s[used], company_s, lag_s):
            results.append((lag_s, float(log_chance)))
    return results


def find_chains(
    times_s: Floats, weights: Floats, masks: Ints, lag_s: float, duration_s: float
) -> list[ClickChain]:
    """All chains near a lag: from the loudest events, and again from more of them; the longer view wins."""
    best: list[ClickChain] = []
    for per_s in _LEVELS_PER_S:
        kept = thin(times_s, weights, _APART_IN_CHAINS_S, per_s, duration_s)
        rate = len(kept) / duration_s
        # As long as chance would make one chain in ten takes.
        pairing = min(0.5, rate * 2.0 * _EVEN_S * 2.5)
        least = 4 + int(max(0.0, np.log(0.1 / (len(kept) * pairing**3 + 1e-9)) / np.log(pairing)))
        chains = link_chains(
            times_s[kept], weights[kept], masks[kept], lag_s, reach_s=_REACH * lag_s, least=least
        )
        if _worth(chains) > _worth(best):
            best = chains
        if len(kept) == len(times_s):
            break
    return best


def _worth(chains: list[ClickChain]) -> float:
    """How much chains can tell of the period: long ones count most."""
    return float(sum(len(chain.times_s) ** 1.5 for chain in chains))


def link_chains(
    times_s: Floats, weights: Floats, masks: Ints, lag_s: float, *, reach_s: float, least: int = 4
) -> list[ClickChain]:
    """Events that follow each other at whole turns, longest chains first.

    ``reach_s`` is how far a chain's own lag may lie from ``lag_s`` per turn. Steps of up to four turns
    bridge drop-outs. Each event belongs to at most one chain.
    """
    count = len(times_s)
    score = np.zeros(count)
    back = np.full(count, -1, dtype=np.int64)
    own_lag = np.full(count, np.nan)
    for later in range(count):
        now = times_s[later]
        for skip in range(1, _MOST_SKIPPED + 1):
            near = skip * reach_s + _EVEN_S
            low = int(np.searchsorted(times_s, now - skip * lag_s - near, side="left"))
            high = int(np.searchsorted(times_s, now - skip * lag_s + near, side="right"))
            for earlier in range(low, high):
                if not masks[earlier] & masks[later]:
                    continue
                step_s = (now - times_s[earlier]) / skip
                if back[earlier] >= 0:
                    off = abs(step_s - own_lag[earlier]) * skip
                    if off > _STEP_OFF * _EVEN_S:
                        continue
                    gain = 1.0 - _SKIP_COSTS * (skip - 1) - _OFF_COSTS * (off / _EVEN_S) ** 2
                    held = own_lag[earlier] + _LAG_FOLLOWS * (step_s - own_lag[earlier])
                else:
                    gain = _BEGUN - _SKIP_COSTS * (skip - 1) - _FAR_COSTS * abs(step_s - lag_s) / reach_s
                    held = step_s
                if score[earlier] + gain > score[later]:
                    score[later] = score[earlier] + gain
                    back[later] = earlier
                    own_lag[later] = held
    chains: list[ClickChain] = []
    taken = np.zeros(count, dtype=bool)
    for end in np.argsort(-score, kind="stable"):
        path = []
        at = int(end)
        while at >= 0 and not taken[at]:
            path.append(at)
            at = int(back[at])
        if len(path) < least:
            continue
        members = np.array(path[::-1])
        taken[members] = True
        steps = np.rint(np.diff(times_s[members]) / lag_s).astype(np.int64)
        turns = np.concatenate(([0], np.cumsum(steps)))
        chains.append(ClickChain(times_s[members], turns, float(np.mean(weights[members]))))
    return chains
