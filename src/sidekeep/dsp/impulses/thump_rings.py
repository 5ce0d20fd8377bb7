"""The rings a thump is told by: a family of damped, downward sliding tones, in few components, at the full and at a low rate.

Conventions: audio is (frames, channels) float64. The low rate is about ``LOW_RATE_HZ``; its samples are those of
``noise.low_rate``, reached in two steps. Times are from the head of the thump on.

Arm and cartridge ring when a hard edge kicks the stylus, and the ring slides down as they come to rest (Esquef, Biscainho &
Valimaki, JAES 51(6), 2003). Its covariance over the family has few leading components, which exist as formulas and so can be
subtracted at the full rate.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.noise.low_rate import decimate

Floats = NDArray[np.float64]

TAIL_S = 0.24
"""How long a tail may last: six of the longest decays."""
LOW_RATE_HZ = 400.0
"""Passes 140 Hz (0.35 of it), and rings begin under 95 Hz. No other value was measured."""
FIRST_STEP = 3
"""Half width of the first of the two low-passes on the way down: only what folds onto the lowest frequencies matters there."""
_KNOT_S = 0.0002
"""A seventh of the quickest time constant there is: cubics through such knots are good to 1e-5 of the peak."""
COMPONENTS = 24
"""Leading components kept: all but 1e-10 of the family's energy. With 16 (all but 1e-5) sides come out up to 0.4 dB less
better, and looking costs a fiftieth less."""
CHECKED_RINGS = 240
"""Single rings of the 600 that are tried for being the one ring. Chosen for speed, no finer reason."""


@lru_cache(maxsize=1)
def _family() -> tuple[Floats, Floats, Floats, Floats]:
    """Decay, start frequency, end frequency, slide time of every member ring."""
    rng = np.random.default_rng(7)
    count = 600
    decay_s = np.exp(rng.uniform(np.log(8e-3), np.log(45e-3), count))
    high_hz = np.exp(rng.uniform(np.log(34.0), np.log(95.0), count))
    low_hz = np.exp(rng.uniform(np.log(7.0), np.log(18.0), count))
    slide_s = decay_s * np.exp(rng.uniform(np.log(0.4), np.log(1.6), count))
    return decay_s, high_hz, low_hz, slide_s


def rings_at(time_s: Floats) -> Floats:
    """(times, 2 members): cosine and sine of every ring, from 0 s on, eased in and out."""
    decay_s, high_hz, low_hz, slide_s = _family()
    t = np.maximum(time_s, 0.0)[:, None]
    cycles = low_hz * t + (high_hz - low_hz) * slide_s * (1.0 - np.exp(-t / slide_s))
    envelope = np.exp(-t / decay_s)
    rise = 1.0 - np.exp(-t / 1.5e-3)
    ease = np.clip((TAIL_S - time_s) / (0.25 * TAIL_S), 0.0, 1.0)
    ease = np.where(time_s >= 0.0, 0.5 - 0.5 * np.cos(np.pi * ease), 0.0)[:, None]
    angle = 2.0 * np.pi * cycles
    body = ease * envelope * rise
    return np.concatenate((body * np.sin(angle), 0.35 * body * np.cos(angle)), axis=1)


@lru_cache(maxsize=8)
def basis_at(rate_hz: int, factor: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Leading components of the family at the full rate (frames, k) and at the low rate (k, samples), their
    variances, and some single rings as mixtures of them (k, 2 rings), sines first.

    The low-rate samples start ``lead_of`` samples before the head (the low-pass reaches ahead).
    """
    low_rate_hz = rate_hz / factor
    frames = int(TAIL_S * rate_hz)
    lead = lead_of(factor)
    coarse = rings_at(np.arange(int(TAIL_S * low_rate_hz)) / low_rate_hz)
    _, sizes, right = np.linalg.svd(coarse, full_matrices=False)
    members = coarse.shape[1] // 2
    mix = right[:COMPONENTS].T / sizes[:COMPONENTS]
    full = at_full_rate(mix, frames, rate_hz)
    padded = np.concatenate((np.zeros((lead * factor, COMPONENTS)), full))
    low = np.ascontiguousarray(to_low(padded, factor).T)
    chosen = np.concatenate((np.arange(CHECKED_RINGS), members + np.arange(CHECKED_RINGS)))
    variance = sizes[:COMPONENTS] ** 2
    return (
        full,
        low,
        variance / variance.sum(),
        sizes[:COMPONENTS, None] * right[:COMPONENTS, chosen],
    )


def at_full_rate(mix: Floats, frames: int, rate_hz: int) -> Floats:
    """The rings mixed, (frames, k): reckoned every fifth of a millisecond and drawn through by cubics.

    Good to 1e-5 of the peak (their quickest part has a time constant of 1.5 ms), at an eighth of the cost.
    """
    step = max(1, round(_KNOT_S * rate_hz))
    spans = -(-frames // step)
    knots = rings_at(np.arange(spans + 3) * step / rate_hz) @ mix
    full = np.empty((spans + 1, step, mix.shape[1]))
    for at in range(step):
        x = at / step
        # Lagrange's cubic through the knots at -1, 0, 1, 2
        before, here = -x * (x - 1.0) * (x - 2.0) / 6.0, (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0
        after, beyond = -(x + 1.0) * x * (x - 2.0) / 2.0, (x + 1.0) * x * (x - 1.0) / 6.0
        full[1:, at] = before * knots[:-3] + here * knots[1:-2] + after * knots[2:-1] + beyond * knots[3:]
    # the rings begin at once, so there is no knot before the first
    full[0] = rings_at(np.arange(step) / rate_hz) @ mix
    return np.ascontiguousarray(full.reshape(-1, mix.shape[1])[:frames])


def coarse_factor(factor: int) -> int:
    """The first of two steps down to the low rate: the largest divisor up to 16."""
    return max(step for step in range(1, 17) if factor % step == 0)


def to_low(audio: Floats, factor: int) -> Floats:
    """Down to the low rate in two steps, as ``LowBand`` does it."""
    coarse = coarse_factor(factor)
    return decimate(decimate(audio, coarse, FIRST_STEP), factor // coarse)


def lead_of(factor: int) -> int:
    return 9 if factor > 1 else 0
