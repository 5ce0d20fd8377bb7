"""What speaks for a thump's tail at a place of one low-rate channel, and what it is.

Conventions: a series (samples,) at the low rate of ``thump_rings``; ``head`` is the sample at which the basis begins.

After Godsill & Tan (1997), who separate thump and music as two autoregressive signals: the music's model is fitted on both
sides of the tail, the thump is a Gaussian process whose covariance ``thump_rings`` gives. Size and presence come from the
evidence, over a grid of sizes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

ORDER = 28
"""Of the music's model: 70 ms at 400 Hz, which tells two bass tones 14 Hz apart. No other value was measured."""
SIZES_DB = (0.0, 8.0, 16.0, 24.0, 32.0, 40.0, 48.0)
"""Trial sizes of a thump over the music's own unpredictable part. Chosen by hand, no finer reason."""
EVIDENCE = 16.0
"""Nats that a thump must be likelier than none to be looked into. Chosen on pressed sides, no finer reason."""
_UNEASE = 8.0
"""More nats for every factor e that the tail, thump gone, stays louder than twice the context: a drum. Chosen on pressed sides,
no finer reason."""


@dataclass(frozen=True)
class Answer:
    """``evidence`` in nats, what it must exceed over the usual (``needed``), the share of what the family explains that the best
    single ring explains, and the weights of the components."""

    evidence: float
    needed: float
    one_ring: float
    weights: Floats


def _ar_model(low: Floats, known: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Prediction-error filter (1, -a1, ...) by least squares where all it reaches is known; its variance."""
    order = min(ORDER, max(4, int(known.sum()) // 12))
    rows = np.lib.stride_tricks.sliding_window_view(low, order + 1)[:, ::-1]
    counted = np.concatenate(([0], np.cumsum(known)))
    rows = rows[counted[order + 1 :] - counted[: -order - 1] == order + 1]
    past, now = rows[:, 1:], rows[:, 0]
    normal = past.T @ past
    ridge = 1e-7 * np.trace(normal) / order + 1e-20
    a = np.linalg.solve(normal + ridge * np.eye(order), past.T @ now)
    error = now - past @ a
    # Loud moments (a pluck in the context) do not set the scale of the quiet ones around the tail.
    variance = max(float(np.mean(error**2)) * 0.5 + 0.5 * float(np.median(error**2)) / 0.455, 1e-24)
    return np.concatenate(([1.0], -a)), variance


@kernel
def _whiten(filter_: Floats, columns: Floats) -> Floats:
    """Rows of the prediction error where the filter fits whole."""
    reach = filter_.shape[0] - 1
    out = np.zeros((columns.shape[0] - reach, columns.shape[1]))
    for i in range(out.shape[0]):
        for k in range(reach + 1):
            tap = filter_[k]
            for c in range(columns.shape[1]):
                out[i, c] += tap * columns[i + reach - k, c]
    return out


@dataclass(frozen=True)
class _Seen:
    """The basis as the prediction error shows it: ``strength`` and ``axes`` diagonalise the prior-weighted Gram matrix."""

    root: Floats
    strength: Floats
    axes: Floats
    unit: float


def _see(design: Floats, variance: Floats) -> _Seen:
    root = np.sqrt(variance)
    gram = root[:, None] * (design.T @ design) * root
    strength, axes = np.linalg.eigh(gram)
    return _Seen(root, np.maximum(strength, 0.0), axes, max(float(np.trace(gram)) / len(design), 1e-30))


def _size_up(
    seen: _Seen, cross: Floats, total: Floats, count: int, scale: float
) -> tuple[Floats, Floats, Floats]:
    """Evidence, weights and explained energy of the likeliest trial size, for each place; 0 where none beats no thump.

    cross : (components, places), total : (places,) the energy of the surprise there.
    """
    along = seen.axes.T @ (seen.root[:, None] * cross)
    gain = 10.0 ** (np.array(SIZES_DB) / 10.0)[:, None, None] / seen.unit
    loaded = 1.0 + gain * seen.strength[:, None]
    explained = np.sum(gain * np.square(along) / loaded, axis=1)
    evidence = _log_scale_evidence(total - explained, count, scale) - _log_scale_evidence(total, count, scale)
    evidence -= 0.5 * np.sum(np.log(loaded), axis=1)
    best = np.argmax(evidence, axis=0)
    places = np.arange(len(total))
    weights = seen.root[:, None] * (seen.axes @ (gain[best, 0, 0] * along / loaded[best, :, 0].T))
    likelier = evidence[best, places] > 0.0
    return (
        np.where(likelier, evidence[best, places], 0.0),
        np.where(likelier, weights, 0.0),
        np.where(likelier, explained[best, places], 0.0),
    )


def weigh(low: Floats, head: int, basis: Floats, variance: Floats, rings: Floats) -> Answer:
    """Evidence and posterior mean of a thump at one place, by a model of the music round it."""
    known = np.ones(len(low), dtype=bool)
    known[head : head + len(basis)] = False
    filter_, scale = _ar_model(low - low[known].mean(), known)
    order = len(filter_) - 1
    first, stop = head - order, min(head + len(basis) + order, len(low))
    design = _whiten(filter_, _placed(basis, order, stop - first))
    surprise = _whiten(filter_, np.ascontiguousarray(low[first:stop, None]))
    evidence, weights, explained = _size_up(
        _see(design, variance),
        design.T @ surprise,
        np.sum(np.square(surprise), axis=0),
        len(surprise),
        scale,
    )
    if evidence[0] < EVIDENCE:
        return Answer(float(evidence[0]), 0.0 if evidence[0] > 0.0 else np.inf, 0.0, weights[:, 0])
    one_ring = _best_ring(_whiten(filter_, _placed(rings, order, stop - first)), surprise[:, 0])
    tail = low[head : head + len(basis)] - basis @ weights[:, 0]
    around = low[known]
    louder = float(np.mean(tail**2)) / max(2.0 * float(np.mean(around**2)), 1e-30)
    unease = _UNEASE * max(0.0, float(np.log(louder)))
    return Answer(float(evidence[0]), unease, one_ring / float(explained[0]), weights[:, 0])


def evidence_along(low: Floats, heads: Integers, basis: Floats, variance: Floats) -> Floats:
    """Evidence of a thump at each of some neighbouring places, rising, judged by one model of the music for all of them.

    Behind the last of them there must be the basis and the order of the model.
    """
    known = np.ones(len(low), dtype=bool)
    known[heads[0] : heads[-1] + len(basis)] = False
    filter_, scale = _ar_model(low - low[known].mean(), known)
    order = len(filter_) - 1
    design = _whiten(filter_, _placed(basis, order, len(basis) + 2 * order))
    error = _whiten(filter_, np.ascontiguousarray(low[:, None]))[:, 0]
    surprise = np.lib.stride_tricks.sliding_window_view(error, len(design))[heads - order]
    return _size_up(
        _see(design, variance),
        design.T @ surprise.T,
        np.sum(np.square(surprise), axis=1),
        len(design),
        scale,
    )[0]


def _placed(columns: Floats, before: int, length: int) -> Floats:
    """Columns set into silence: ``before`` rows ahead of them, ``length`` in all."""
    placed = np.zeros((length, columns.shape[1]))
    placed[before : before + len(columns)] = columns[: length - before]
    return placed


def _best_ring(rings: Floats, surprise: Floats) -> float:
    """Most energy of the surprise that one ring, of any size and phase, explains."""
    half = rings.shape[1] // 2
    sine, cosine = rings[:, :half], rings[:, half:]
    a, b = sine.T @ surprise, cosine.T @ surprise
    ss, cc, sc = np.sum(sine**2, axis=0), np.sum(cosine**2, axis=0), np.sum(sine * cosine, axis=0)
    determinant = np.maximum(ss * cc - sc**2, 1e-9 * ss * cc)
    return float(np.max((cc * a**2 - 2.0 * sc * a * b + ss * b**2) / determinant))


def _log_scale_evidence(energy: Floats, count: int, scale: float) -> Floats:
    """Log likelihood of ``count`` white errors of that energy, their variance unknown about ``scale``.

    A scaled inverse chi-square prior of eight samples' worth keeps it near the context's.
    """
    worth = 8.0
    value: Floats = -0.5 * (count + worth) * np.log1p(energy / (worth * scale))
    return value
