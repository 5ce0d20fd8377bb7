"""Thumps: taking the low tail behind a hard scratch off the music's bass.

Conventions: audio is (frames, channels) float64, full scale +-1.0. A *head* is the span (start, stop)
of a tick or pop, already mended; the tail starts at its start. Only frames between the head's
start and ``TAIL_S`` after it are changed.

Method (after Godsill & Tan 1997, who separate thump and music as two autoregressive signals with the
thump's excitation dying out): around a head the low band is brought to some 1.4 kHz. Music there is
autoregressive, its model fitted on both sides of the tail. The thump is a Gaussian process behind the
head: the covariance of a family of damped, downward sliding rings, written in its few leading
components, which exist as formulas and so can be subtracted at the full rate. Size and presence come
from the evidence, over a grid of sizes. Thumps are mostly vertical and a record's bass is lateral, so
the difference of the channels is judged first, and a kick drum stays out of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.dsp.noise.low_rate import decimate, low_factor
from sidekeep.errors import ParameterError

Floats = NDArray[np.float64]

TAIL_S = 0.24
"""How long a tail may last: six of the longest decays."""
LOW_RATE_HZ = 400.0

_FIRST_STEP = 3
"""Half width of the first of the two low-passes on the way down."""
_KNOT_S = 0.0002
_BEFORE_S, _AFTER_S = 0.55, 0.45
_ORDER = 28
_COMPONENTS = 24
_SIZES_DB = (0.0, 8.0, 16.0, 24.0, 32.0, 40.0, 48.0)
"""Trial sizes of a thump over the music's own unpredictable part."""
_EVIDENCE = 16.0
"""Nats that a thump must be likelier than none."""
_EVIDENCE_LATERAL = 80.0
"""The same for a thump in the lateral part alone, where kick drums live."""
_EVIDENCE_UNEASE = 8.0
"""More nats for every factor e that the tail, thump gone, stays louder than twice the context: a drum."""
_ONE_RING = 0.85
"""Share of what the family explains that a single ring must explain: a thump rings once, a drum does not."""
_CHECKED_RINGS = 240
_FOUND_MORE = 14.0
"""Nats more where no tick marks the head."""
_RISE, _RISES_PER_S = 8.0, 1.0
"""Least power ratio of a sudden rise, and how many of them a second are looked into."""
_SEARCH = (-3, 9)
"""Low-rate samples round a rise that are tried as the head: the window fills before the ring is at its full."""


@dataclass(frozen=True, kw_only=True)
class Thump:
    """One subtracted tail. ``size_db``: its peak over the music's rms below 200 Hz just before it."""

    start_frame: int
    stop_frame: int
    channel: str
    size_db: float
    evidence: float


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


def _rings(time_s: Floats) -> Floats:
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
def _basis(rate_hz: int, factor: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Leading components of the family at the full rate (frames, k) and at the low rate (samples, k), their
    variances, and some single rings at the low rate (samples, 2 rings).

    The low-rate rows start ``_LEAD`` samples before the head (the low-pass reaches ahead).
    """
    low_rate_hz = rate_hz / factor
    frames = int(TAIL_S * rate_hz)
    lead = _lead(factor)
    coarse = _rings(np.arange(int(TAIL_S * low_rate_hz)) / low_rate_hz)
    _, sizes, right = np.linalg.svd(coarse, full_matrices=False)
    members = coarse.shape[1] // 2
    mix = right[:_COMPONENTS].T / sizes[:_COMPONENTS]
    full = _at_full_rate(mix, frames, rate_hz)
    padded = np.concatenate((np.zeros((lead * factor, _COMPONENTS)), full))
    low = _to_low(padded, factor)
    chosen = np.concatenate((np.arange(_CHECKED_RINGS), members + np.arange(_CHECKED_RINGS)))
    variance = sizes[:_COMPONENTS] ** 2
    return (
        full,
        low,
        variance / variance.sum(),
        low @ (sizes[:_COMPONENTS, None] * right[:_COMPONENTS, chosen]),
    )


def _at_full_rate(mix: Floats, frames: int, rate_hz: int) -> Floats:
    """The rings mixed, (frames, k): reckoned every fifth of a millisecond and drawn through by cubics.

    Good to 1e-5 of the peak (their quickest part has a time constant of 1.5 ms), at an eighth of the cost.
    """
    step = max(1, round(_KNOT_S * rate_hz))
    spans = -(-frames // step)
    knots = _rings(np.arange(spans + 3) * step / rate_hz) @ mix
    full = np.empty((spans + 1, step, mix.shape[1]))
    for at in range(step):
        x = at / step
        # Lagrange's cubic through the knots at -1, 0, 1, 2
        before, here = -x * (x - 1.0) * (x - 2.0) / 6.0, (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0
        after, beyond = -(x + 1.0) * x * (x - 2.0) / 2.0, (x + 1.0) * x * (x - 1.0) / 6.0
        full[1:, at] = before * knots[:-3] + here * knots[1:-2] + after * knots[2:-1] + beyond * knots[3:]
    # the rings begin at once, so there is no knot before the first
    full[0] = _rings(np.arange(step) / rate_hz) @ mix
    return np.ascontiguousarray(full.reshape(-1, mix.shape[1])[:frames])


def _coarse_factor(factor: int) -> int:
    """The first of two steps down to the low rate: the largest divisor up to 16."""
    return max(step for step in range(1, 17) if factor % step == 0)


def _to_low(audio: Floats, factor: int) -> Floats:
    """Down to the low rate in two steps, as ``LowBand`` does it."""
    coarse = _coarse_factor(factor)
    return decimate(decimate(audio, coarse, _FIRST_STEP), factor // coarse)


def _lead(factor: int) -> int:
    return 9 if factor > 1 else 0


@dataclass(frozen=True)
class _Answer:
    evidence: float
    needed: float
    weights: Floats


def _ar_model(low: Floats, known: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Prediction-error filter (1, -a1, ...) by least squares where all it reaches is known; its variance."""
    order = min(_ORDER, max(4, int(known.sum()) // 12))
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
    seen: _Seen, cross: Floats, total: float, count: int, scale: float
) -> tuple[float, Floats, float]:
    """Evidence, weights and explained energy of the likeliest of the trial sizes (evidence 0 where none beats none)."""
    along = seen.axes.T @ (seen.root * cross)
    gain = 10.0 ** (np.array(_SIZES_DB) / 10.0)[:, None] / seen.unit
    loaded = 1.0 + gain * seen.strength
    explained = np.sum(gain * along**2 / loaded, axis=1)
    evidence = np.array([_log_scale_evidence(total - float(e), count, scale) for e in explained])
    evidence -= 0.5 * np.sum(np.log(loaded), axis=1) + _log_scale_evidence(total, count, scale)
    best = int(np.argmax(evidence))
    if evidence[best] <= 0.0:
        return 0.0, np.zeros(len(cross)), 0.0
    weights = seen.root * (seen.axes @ (gain[best] * along / loaded[best]))
    return float(evidence[best]), weights, float(explained[best])


def _weigh(low: Floats, head: int, basis: Floats, variance: Floats, rings: Floats) -> _Answer:
    """Evidence and posterior mean of a thump in one low-rate channel; ``head`` is the basis's first row."""
    known = np.ones(len(low), dtype=bool)
    known[head : head + len(basis)] = False
    filter_, scale = _ar_model(low - low[known].mean(), known)
    order = len(filter_) - 1
    first, stop = head - order, min(head + len(basis) + order, len(low))
    design = _whiten(filter_, _placed(basis, order, stop - first))
    surprise = _whiten(filter_, np.ascontiguousarray(low[first:stop, None]))[:, 0]
    seen = _see(design, variance)
    evidence, weights, explained = _size_up(
        seen, design.T @ surprise, float(surprise @ surprise), len(surprise), scale
    )
    best = _Answer(evidence, 0.0 if evidence > 0.0 else np.inf, weights)
    if best.evidence < _EVIDENCE:
        return best
    if _best_ring(_whiten(filter_, _placed(rings, order, stop - first)), surprise) < _ONE_RING * explained:
        return _Answer(best.evidence, np.inf, best.weights)
    tail = low[head : head + len(basis)] - basis @ best.weights
    around = low[known]
    louder = float(np.mean(tail**2)) / max(2.0 * float(np.mean(around**2)), 1e-30)
    return _Answer(best.evidence, _EVIDENCE_UNEASE * max(0.0, float(np.log(louder))), best.weights)


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


def _log_scale_evidence(energy: float, count: int, scale: float) -> float:
    """Log likelihood of ``count`` white errors of that energy, their variance unknown about ``scale``.

    A scaled inverse chi-square prior of eight samples' worth keeps it near the context's.
    """
    worth = 8.0
    return -0.5 * (count + worth) * float(np.log1p(energy / (worth * scale)))


class LowBand:
    """A stretch of a take and its low end at two lower rates, kept in step while tails are taken off.

    audio : (frames, 1 or 2); tails are subtracted from it in place. Some 0.6 s of context about a head is used
        where it exists.
    rate_hz : its rate, 8000 or more.
    """

    def __init__(self, audio: Floats, rate_hz: int) -> None:
        if audio.ndim != 2 or audio.shape[1] not in (1, 2):
            raise ParameterError("thumps-shape", shape=audio.shape)
        if rate_hz < 8000:
            raise ParameterError("thumps-rate", rate_hz=rate_hz)
        self.audio = audio
        self.rate_hz = rate_hz
        self.factor = low_factor(rate_hz, LOW_RATE_HZ)
        self._step = _coarse_factor(self.factor)
        self._coarse = decimate(audio, self._step, _FIRST_STEP)

    def find_tail(self, start: int, stop: int, *, lateral: bool = True) -> tuple[Thump, Floats] | None:
        """The tail behind one mended head, and what to take off from the thump's frames; None if there is none.

        Without ``lateral`` the lateral part is looked at only behind a tail found in the vertical one.
        """
        factor, step, rate_hz = self.factor, self._step, self.rate_hz
        lead = _lead(factor)
        full, basis, variance, rings = _basis(rate_hz, factor)
        # the head to the nearest coarse sample: a fraction of a millisecond
        coarse_start, rest = round(start / step), factor // step
        before = min(int(_BEFORE_S * rate_hz), start) // factor * rest
        before = min(before, coarse_start // rest * rest)
        after = coarse_start + (len(full) + int(_AFTER_S * rate_hz)) // step
        low = decimate(self._coarse[coarse_start - before : after], rest)
        # The ends of the piece stand in silence; keep clear of the low-pass there.
        clear = 8 if factor > 1 else 0
        head = before // rest - lead - clear
        low = low[clear : len(low) - clear]
        if head < 3 * _ORDER or len(low) - head - len(basis) < 2 * _ORDER:
            return None
        length = min(len(full), len(self.audio) - start)
        parts: list[tuple[Floats, tuple[float, ...], float]]
        if low.shape[1] == 1:
            parts = [(low[:, 0], (1.0,), _EVIDENCE_LATERAL)]
        else:
            parts = [
                (0.5 * (low[:, 0] - low[:, 1]), (1.0, -1.0), _EVIDENCE),
                (0.5 * (low[:, 0] + low[:, 1]), (1.0, 1.0), _EVIDENCE_LATERAL),
            ]
        # The mended head already bridges into the tail, so the tail grows over it.
        grow = max(stop - start, int(0.0005 * rate_hz))
        ramp = np.ones(len(full))
        ramp[: min(grow, len(ramp))] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(grow) + 0.5) / grow)[: len(ramp)]
        tail = np.zeros((length, low.shape[1]))
        evidence = 0.0
        for part, signs, needed in parts:
            if evidence == 0.0 and signs == (1.0, 1.0) and not lateral:
                continue
            answer = _weigh(part, head, basis, variance, rings)
            # A tail proved in the vertical part needs no more proof in the lateral.
            if answer.evidence < (needed if evidence == 0.0 else _EVIDENCE) + answer.needed:
                continue
            shape = (full @ answer.weights) * ramp
            tail += shape[:length, None] * np.array(signs)
            evidence += answer.evidence
        if evidence == 0.0:
            return None
        context = low[max(0, head - int(0.2 * rate_hz / factor)) : head]
        rms = float(np.sqrt(np.mean(context**2))) + 1e-9
        peaks = np.abs(tail).max(axis=0)
        loud = peaks > 0.3 * peaks.max()
        channel = "both" if loud.all() and len(loud) == 2 else ("L" if loud[0] else "R")
        thump = Thump(
            start_frame=start,
            stop_frame=start + length,
            channel=channel,
            size_db=float(20.0 * np.log10(max(peaks.max(), 1e-9) / rms)),
            evidence=evidence,
        )
        return thump, tail

    def subtract(self, thump: Thump, tail: Floats) -> None:
        """Take a tail off, at all rates."""
        self.audio[thump.start_frame : thump.stop_frame] -= tail
        first, margin = thump.start_frame // self._step, _FIRST_STEP + 1
        lead = np.zeros((thump.start_frame - first * self._step + margin * self._step, tail.shape[1]))
        coarse = decimate(np.concatenate([lead, tail, np.zeros_like(lead)]), self._step, _FIRST_STEP)
        low = max(0, first - margin)
        piece = self._coarse[low : first - margin + len(coarse)]
        piece -= coarse[low - (first - margin) :][: len(piece)]

    def find_heads(self) -> list[tuple[int, int]]:
        """Heads (start, stop) of thumps whose tick was too small to be noticed, in order.

        Looks for sudden rises below 150 Hz in the vertical part (in a single channel: in all of it), and keeps
        those where a sliding ring from that moment is much likelier than music. Good to a few milliseconds.
        """
        factor = self.factor
        lead = _lead(factor)
        low = decimate(self._coarse, factor // self._step)
        stereo = low.shape[1] == 2
        part = 0.5 * (low[:, 0] - low[:, 1]) if stereo else low[:, 0]
        needed = _FOUND_MORE + (_EVIDENCE if stereo else _EVIDENCE_LATERAL)
        _, basis, variance, rings = _basis(self.rate_hz, factor)
        low_rate_hz = self.rate_hz / factor
        before, after = int(_BEFORE_S * low_rate_hz), len(basis) + int(_AFTER_S * low_rate_hz)
        heads: list[tuple[int, int]] = []
        for onset in _rises(part, low_rate_hz):
            best, best_at = needed, -1
            for at in _likely_heads(part, onset, before, after, basis, variance, lead):
                first = max(0, at - before)
                piece = part[first : at + after]
                answer = _weigh(piece, at - first - lead, basis, variance, rings)
                if answer.evidence - answer.needed > best:
                    best, best_at = answer.evidence - answer.needed, at
            if best_at >= 0 and (not heads or best_at * factor - heads[-1][0] > 0.05 * self.rate_hz):
                start = best_at * factor
                heads.append((start, start + max(1, int(0.001 * self.rate_hz))))
        return heads


def _likely_heads(
    part: Floats, onset: int, before: int, after: int, basis: Floats, variance: Floats, lead: int
) -> list[int]:
    """The likeliest three of the heads tried round a rise, judged by one model of the music for all of them."""
    tried = range(onset + _SEARCH[0], onset + _SEARCH[1])
    first = max(0, tried[0] - before)
    piece = part[first : tried[-1] + after]
    heads = np.array(tried) - first - lead
    if heads[0] < 3 * _ORDER or len(piece) - heads[-1] - len(basis) < 2 * _ORDER:
        return []
    known = np.ones(len(piece), dtype=bool)
    known[heads[0] : heads[-1] + len(basis)] = False
    filter_, scale = _ar_model(piece - piece[known].mean(), known)
    order = len(filter_) - 1
    length = len(basis) + 2 * order
    design = _whiten(filter_, _placed(basis, order, length))
    seen = _see(design, variance)
    error = _whiten(filter_, np.ascontiguousarray(piece[:, None]))[:, 0]
    found = []
    for at, head in zip(tried, heads.tolist()):
        surprise = error[head - order : head - order + len(design)]
        rows = design[: len(surprise)]
        evidence, _, _ = _size_up(seen, rows.T @ surprise, float(surprise @ surprise), len(surprise), scale)
        found.append((evidence, at))
    found.sort(reverse=True)
    return [at for evidence, at in found[:3] if evidence > 0.5 * _EVIDENCE]


def _rises(part: Floats, low_rate_hz: float) -> list[int]:
    """Low-rate samples where the level of the next 40 ms jumps over that of the 120 ms before."""
    ahead, behind = int(0.04 * low_rate_hz), int(0.12 * low_rate_hz)
    if len(part) <= ahead + behind:
        return []
    energy = np.concatenate(([0.0], np.cumsum((part - np.median(part)) ** 2)))
    at = np.arange(behind, len(part) - ahead)
    rise = (energy[at + ahead] - energy[at]) / ahead
    rise /= np.maximum((energy[at] - energy[at - behind]) / behind, 1e-14)
    onsets: list[int] = []
    while len(onsets) < len(part) / low_rate_hz * _RISES_PER_S:
        top = int(np.argmax(rise))
        if rise[top] < _RISE:
            break
        onsets.append(int(at[top]))
        rise[max(0, top - ahead) : top + ahead] = 0.0
    return sorted(onsets)
