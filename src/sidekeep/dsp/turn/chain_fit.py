"""From chains of returning events to one period: tilt, drift and period fitted together.

Conventions: times in seconds, periods in seconds, shifts in turns per turn.

A chain's events lie at ``time = offset + P(t) (k + shift(k))``. The shift comes from the scratch's tilt
to the radius: a scratch at angle psi moves by ``pitch tan(psi) / (2 pi r)`` turns each turn, a bias that
no number of turns averages away. It does curve, though, since the groove moves inward: a scratch of
constant tilt draws ``tan(psi) ln(r0 / r)``, a straight line on the disc bends faster. So tilt is told
from period by the curvature of long chains, by the spread of many, and by the locked groove, which has
none. Pitch and radius are guessed from the length of the take, over a grid; every grid point is a
robust Gaussian fit (iterated linear least squares), and the answers are averaged by their evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.turn.chains import ClickChain

Floats = NDArray[np.float64]

_TILT_SD = 0.9
"""Spread of tan(tilt): even between -60 and 60 degrees gives 0.81."""
_TILT_LIMIT = 2.5
"""68 degrees off the radius: a scratch that runs so flat along the groove is seldom met, and what fits only so is no scratch."""
_LOCKED_TILT_SD = 0.01
"""None in principle: the ring closes on itself. What is left keeps the equations solvable."""
_DRIFTS_PER_S = ((3e-8, 1.0), (1e-6, 0.1))
"""Spread of the relative drift, and weight: players that hold their speed, and belts that drift by about
0.01 % a minute (common practice, no source)."""
_OUTER_MM, _INNER_MM, _WIDEST_PITCH_MM = 146.3, 60.0, 0.3
"""IEC 98 recorded radius of a 30 cm disc; the grid of scales covers other sizes and pitches."""
_PITCH_SCALES = ((0.6, 0.5), (0.8, 1.0), (1.0, 1.5), (1.25, 1.0), (1.6, 0.5))
_PITCHES_MM = ((0.1, 0.7), (0.15, 1.0), (0.22, 0.7), (0.3, 0.7))
"""Pitches, with weights, tried when the take is too short to be a whole side."""
_JITTER_S = 1e-4
_JITTER_FLOOR_S = 1.5e-5
"""Scatter of the crossings of a chain where too few tell it, and the least that is believed: under a frame at 48 kHz (chosen
here)."""
_LOCKED_JITTER_S = 4e-5
"""A locked groove plays the very same spot each time."""
_JITTER_MOST_S = 5e-4
"""... and the most (chosen here)."""
_SHRINKS = 4.0
"""Events that the common scatter counts for beside a chain's own (chosen here)."""
_ROBUST = 3.0
"""Scatters from which an event counts less and less (chosen here)."""
_PERIOD_SD, _OFFSET_PRECISION = 0.05, 1e-6
"""Prior spread of the period, as a share of it, and 1 / s^2 of the offsets: next to nothing is known of either."""
_MOST_SWEPT, _TILT_STEP = 0.6, 1.5
"""Share of the radius that a chain may cross, and the most that tan(tilt) changes in one round: both keep the fit from leaping
off the disc."""
_ROUNDS = 7
"""Of weighting anew; a fixed number (chosen here)."""


@dataclass(frozen=True)
class PeriodFit:
    """``drift`` is the relative change of the period over the take; ``used`` the chains that agree."""

    period_s: float
    sd_s: float
    drift: float
    used: tuple[ClickChain, ...]


@dataclass
class _State:
    period_s: float
    drift_per_s: float
    tilts: Floats
    variance: float
    evidence: float


def fit_period(
    chains: list[ClickChain], lag_s: float, duration_s: float, *, sure_of_locked: bool = False
) -> PeriodFit:
    """Mean period over the take from chains found near ``lag_s``.

    Unless ``sure_of_locked``, chains marked as locked groove are also tried as ordinary scratches.
    """
    beliefs: tuple[tuple[bool, float], ...] = ((True, 1.0),)
    if not sure_of_locked and any(chain.is_locked for chain in chains):
        beliefs = ((True, 1.0), (False, 0.5))
    jitters = _jitters(chains)
    geometries = _geometries(duration_s / lag_s)
    kept = list(range(len(chains)))
    for _ in range(3):
        some = [chains[i] for i in kept]
        states, log_weights = [], []
        for is_straight, (pitch_mm, sweep_mm, weight), (drift_sd, share), (believed, belief) in product(
            (False, True), geometries, _DRIFTS_PER_S, beliefs
        ):
            groove = _Groove(pitch_mm, sweep_mm, is_straight, believed)
            model = _Model(some, jitters[kept], lag_s, duration_s, groove)
            state = model.solve(drift_sd)
            states.append(state)
            log_weights.append(state.evidence + float(np.log(weight * share * belief)))
        shares = np.exp(np.array(log_weights) - max(log_weights))
        shares /= shares.sum()
        tilts = np.sum([share * np.abs(state.tilts) for share, state in zip(shares, states)], axis=0)
        odd = [i for i, tilt in zip(kept, tilts) if tilt > _TILT_LIMIT]
        if not odd or len(odd) == len(kept):
            break
        kept = [i for i in kept if i not in odd]
    return _mean_fit(states, shares, duration_s, tuple(chains[i] for i in kept))


def _jitters(chains: list[ClickChain]) -> Floats:
    """Scatter of every chain, in seconds. Few points say little about their own: it is shrunk towards what is common to all."""
    jitters = np.array([_chain_jitter(chain) for chain in chains])
    sizes = np.array([max(len(chain.times_s) - 3, 0) for chain in chains], dtype=np.float64)
    common = _JITTER_S
    if sizes.sum() > 3:
        common = float(
            np.clip(np.sqrt(np.sum(sizes * jitters**2) / sizes.sum()), _JITTER_FLOOR_S, _JITTER_MOST_S)
        )
    expected = np.array([min(common, _LOCKED_JITTER_S) if chain.is_locked else common for chain in chains])
    return np.sqrt((sizes * jitters**2 + _SHRINKS * expected**2) / (sizes + _SHRINKS))


def _mean_fit(
    states: list[_State], shares: Floats, duration_s: float, used: tuple[ClickChain, ...]
) -> PeriodFit:
    """The mean over all that was tried, each by its share; how far they lie apart is part of the uncertainty."""
    periods = np.array([state.period_s for state in states])
    variances = np.array([state.variance for state in states])
    drifts = np.array([state.drift_per_s for state in states])
    period_s = float(shares @ periods)
    variance = float(shares @ (variances + (periods - period_s) ** 2))
    return PeriodFit(period_s, float(np.sqrt(variance)), float(shares @ drifts) * duration_s, used)


def _geometries(turns: float) -> list[tuple[float, float, float]]:
    """(pitch, radius lost a turn, weight) to try, in mm.

    Both are one and the same on a disc; a short take that still runs from the rim to the label (an excerpt
    cut for a trial) has its radius fall faster than its pitch allows.
    """
    whole_mm = (_OUTER_MM - _INNER_MM) / turns
    if whole_mm <= _WIDEST_PITCH_MM:
        return [(whole_mm * scale, whole_mm * scale, weight) for scale, weight in _PITCH_SCALES]
    pitches = [(pitch_mm, pitch_mm, weight) for pitch_mm, weight in _PITCHES_MM]
    return [*pitches, (_WIDEST_PITCH_MM, whole_mm, 0.7)]


def _chain_jitter(chain: ClickChain) -> float:
    """Scatter of the events about a robust parabola over the turns, with its own freedom allowed for."""
    k = chain.turns - 0.5 * chain.turns[-1]
    columns = np.stack((np.ones(len(k)), k, k**2), axis=1)[:, : 3 if len(k) > 5 else 2]
    weights = np.ones(len(k))
    residual = np.zeros(len(k))
    for _ in range(6):
        root = np.sqrt(weights)
        solution = np.linalg.lstsq(columns * root[:, None], chain.times_s * root, rcond=None)[0]
        residual = chain.times_s - columns @ solution
        scale = max(1.4826 * float(np.median(np.abs(residual))), _JITTER_FLOOR_S)
        weights = 1.0 / (1.0 + (residual / (_ROBUST * scale)) ** 2) ** 2
    freedom = max(len(k) - columns.shape[1], 1)
    return max(float(np.sqrt(np.sum(weights * residual**2) / freedom)), _JITTER_FLOOR_S)


@dataclass(frozen=True)
class _Groove:
    """One hypothesis of the disc."""

    pitch_mm: float
    sweep_mm: float
    is_straight: bool
    has_locked: bool


class _Model:
    """One hypothesis. Unknowns: period, drift, then offset and tilt of each chain."""

    def __init__(
        self, chains: list[ClickChain], jitters: Floats, lag_s: float, duration_s: float, groove: _Groove
    ) -> None:
        self.count = len(chains)
        self.lag_s, self.is_straight = lag_s, groove.is_straight
        self.owner = np.repeat(np.arange(self.count), [len(chain.times_s) for chain in chains])
        self.k = np.concatenate([chain.turns - 0.5 * chain.turns[-1] for chain in chains])
        self.times = np.concatenate([chain.times_s - chain.middle_s for chain in chains])
        self.jitter = jitters[self.owner]
        self.place_s = np.array([chain.middle_s for chain in chains]) - 0.5 * duration_s
        radius_mm = _OUTER_MM + (_INNER_MM - _OUTER_MM) * np.clip(self.place_s / duration_s + 0.5, 0.0, 1.0)
        locked = np.array([chain.is_locked and groove.has_locked for chain in chains])
        self.step = np.where(locked, 1e-9, groove.sweep_mm / radius_mm)
        self.scale = groove.pitch_mm / groove.sweep_mm
        self.tilt_sd = np.where(locked, _LOCKED_TILT_SD, _TILT_SD)

    def shift(self, tilts: Floats) -> tuple[Floats, Floats]:
        """Shift of every event in turns, and its slope in the tilt."""
        share = np.clip(self.k * self.step[self.owner], -_MOST_SWEPT, _MOST_SWEPT)
        spiral = -np.log1p(-share) * (self.scale / (2.0 * np.pi))
        if not self.is_straight:
            return tilts[self.owner] * spiral, spiral
        # Straight line: angle = arcsin(h / r) up to a constant, h / r0 = sin(psi), tan(psi) = tilt.
        tilt = tilts[self.owner]
        delta = 1e-3
        value = self.scale * _straight(tilt, share)
        rise = _straight(tilt + delta, share) - _straight(tilt - delta, share)
        return value, rise * (0.5 * self.scale / delta)

    def solve(self, drift_sd_per_s: float) -> _State:
        """Iterated robust least squares from no tilt; Laplace's evidence at the end."""
        count, owner = self.count, self.owner
        period, drift = self.lag_s, 0.0
        tilts = np.zeros(count)
        offsets = np.zeros(count)
        precision = np.concatenate(
            (
                [1.0 / (_PERIOD_SD * self.lag_s) ** 2, 1.0 / (drift_sd_per_s * self.lag_s) ** 2],
                np.full(count, _OFFSET_PRECISION),
                1.0 / self.tilt_sd**2,
            )
        )
        weights = np.ones(len(owner))
        rows = np.arange(len(owner))
        hessian, residual, state = np.eye(2 + 2 * count), np.zeros(len(owner)), np.zeros(2 + 2 * count)
        for _ in range(_ROUNDS):
            shift, slope = self.shift(tilts)
            turns = self.k + shift
            local = period + drift * self.place_s[owner]
            design = np.zeros((len(owner), 2 + 2 * count))
            design[:, 0] = turns
            design[:, 1] = self.place_s[owner] * turns + 0.5 * period * turns**2
            design[rows, 2 + owner] = 1.0
            design[rows, 2 + count + owner] = local * slope
            predicted = offsets[owner] + local * turns + 0.5 * drift * period * turns**2
            residual = self.times - predicted
            weights = 1.0 / (1.0 + (residual / (_ROBUST * self.jitter)) ** 2) ** 2
            weighted = design * (weights / self.jitter**2)[:, None]
            state = np.concatenate(([period - self.lag_s, drift], offsets, tilts))
            hessian = design.T @ weighted + np.diag(precision)
            change = np.linalg.solve(hessian, weighted.T @ residual - precision * state)
            period += float(change[0])
            drift += float(change[1])
            offsets += change[2 : 2 + count]
            tilts += np.clip(change[2 + count :], -_TILT_STEP, _TILT_STEP)
        # Half of Cauchy-like robust energy; the same constant for every geometry is left out.
        energy = float(np.sum(np.log1p((residual / (_ROBUST * self.jitter)) ** 2))) * _ROBUST**2
        prior = float(np.sum(precision * state**2))
        spread = float(np.linalg.slogdet(hessian)[1]) - float(np.sum(np.log(precision)))
        evidence = -0.5 * (energy + prior + spread)
        variance = float(np.linalg.inv(hessian)[0, 0])
        return _State(period, drift / self.lag_s, tilts, variance, evidence)


def _straight(tilt: Floats, share: Floats) -> Floats:
    """Angle gained, in turns, along a straight scratch as the radius shrinks by ``share`` of itself."""
    sine = tilt / np.sqrt(1.0 + tilt**2)
    inward = np.clip(sine / (1.0 - share), -0.9999, 0.9999)
    return (np.arcsin(inward) - np.arcsin(sine)) / (2.0 * np.pi)
