"""Thumps: taking the low tail behind a hard scratch off the music's bass.

Conventions: audio is (frames, channels) float64, full scale +-1.0. A *head* is the span (start, stop)
of a tick or pop, already mended; the tail starts at its start. Only frames between the head's
start and ``TAIL_S`` after it are changed.

Around a head the low band is brought to some 400 Hz, where music and thump are told apart (``thump_evidence``, ``thump_rings``).
Thumps are mostly vertical and a record's bass is lateral. So the vertical part is asked first, and a tail that speaks more in
the lateral part, where kick drums live, must be surer and more like one ring.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.thump_directions import weigh_together
from sidekeep.dsp.impulses.thump_evidence import EVIDENCE, ORDER, Answer, evidence_along, weigh
from sidekeep.dsp.impulses.thump_rings import FIRST_STEP, LOW_RATE_HZ, basis_at, coarse_factor, lead_of
from sidekeep.dsp.noise.low_rate import decimate, low_factor
from sidekeep.errors import ParameterError

Floats = NDArray[np.float64]

_BEFORE_S, _AFTER_S = 0.55, 0.45
"""Music on either side that its model is fitted on: eight times the model's order before, six behind. Chosen by hand, no
finer reason."""
LATERAL_NATS, LATERAL_FOUND_NATS = 80.0, 150.0
"""Evidence of a tail that speaks more in the lateral part, behind a tick and without one. On 38 pressed sides without thumps
drums that pass as one ring reach 73 behind a tick and 89 without one, a bass line of the
tests 137; of 423 true tails one lay between 60 and 80."""
VERTICAL_NATS = 30.0
"""... or so much in the vertical part alone, if it is one ring there. Chosen on pressed sides: three tails in 263."""
_ONE_RING, _ONE_RING_LATERAL, _SURE_NATS = 0.85, 0.92, 150.0
"""Share of what the family explains that a single ring must explain: a thump rings once, a drum does not. 98 % of true tails
reach 0.92, one in a hundred less than 0.89. Drums, which lie more in the lateral part, have 0.85 to 0.93 at up to 116 nats; the
needle's own thumps, of 150 and more, go down to 0.85."""
PURE, _PURE_LATERAL_NATS = 0.96, 55.0
"""What a single ring explains so much of is *pure*, and so many nats of it in the lateral part are enough behind a tick. On 38
pressed sides without thumps nothing so pure passes 50 nats there; less pure drums do."""
_SAME_NATS = 5.0
"""What both parts show together over the surer one alone, from which a tail of which one part is sure is taken off the other as
well, in the shape that fits both. Of 30 tails of seven pressed sides the other part's error falls by 4 to 16 dB from here on, all
eight; below it is hit or miss."""
_SAME_ALONE_NATS = 20.0
"""... from which a pure one is a tail of which neither part is sure. Off-centre drums of six sides without thumps show up to 34,
but none of them is as pure in both at once (0.87)."""
_RISE, _RISES_PER_S = 5.0, 2.0
"""Least power ratio of a sudden rise, and how many of them a second are looked into. With 8 and one a second four of 263 tails
are missed, for the same time."""
_AROUND = 9
"""Low-rate samples on either side of a place that are tried as the head, 22 ms. The level rises before the head, for the
window fills early, and the loudest tick of a thump may lie behind it."""
_TOPS, _LEAST = 2, 12.0
"""Of these, so many of the likeliest are looked into, from so much evidence on. Chosen on pressed sides, no finer reason."""
_NEAR = 1.5
"""Low-rate samples within which a mended tick is the head: half a grid's step more than the place is good to."""


@dataclass(frozen=True, kw_only=True)
class Thump:
    """One subtracted tail. ``size_db``: its peak over the music's rms below 200 Hz just before it. ``evidence`` in nats, and what
    the vertical and the lateral part show each by itself, 0 where nothing is taken off it; ``is_pure``: the part that shows more
    is one ring and hardly anything else."""

    start_frame: int
    stop_frame: int
    channel: str
    size_db: float
    evidence: float
    vertical_nats: float
    lateral_nats: float
    is_pure: bool


def get_ready(rate_hz: int) -> None:
    """Reckon what every look at a take of ``rate_hz`` needs: it takes as long as mending fifteen seconds, and needs no sound."""
    basis_at(rate_hz, low_factor(rate_hz, LOW_RATE_HZ))


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
        self._step = coarse_factor(self.factor)
        self._coarse = decimate(audio, self._step, FIRST_STEP)
        self._low = self._parts(decimate(self._coarse, self.factor // self._step))

    @staticmethod
    def _parts(low: Floats) -> Floats:
        """The vertical and the lateral part, (2, samples); of one channel it alone, counted as lateral."""
        if low.shape[1] == 1:
            return np.ascontiguousarray(low.T)
        return 0.5 * np.stack([low[:, 0] - low[:, 1], low[:, 0] + low[:, 1]])

    def find_tail(self, start: int, stop: int) -> tuple[Thump, Floats] | None:
        """The tail behind one mended head, and what to take off from the thump's frames; None if there is none."""
        factor, step, rate_hz = self.factor, self._step, self.rate_hz
        lead = lead_of(factor)
        full, basis, variance, rings = basis_at(rate_hz, factor)
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
        if head < 3 * ORDER or len(low) - head - basis.shape[1] < 2 * ORDER:
            return None
        answers = [weigh(part, head, basis, variance, rings) for part in self._parts(low)]
        taken, nats = _weigh_parts(answers)
        if len(answers) == 2 and min(nats) == 0.0:
            _ask_together(answers, variance, rings, taken, nats)
        evidence = sum(nats)
        if evidence == 0.0:
            return None
        length = min(len(full), len(self.audio) - start)
        # The mended head already bridges into the tail, so the tail grows over it.
        grow = max(stop - start, int(0.0005 * rate_hz))
        ramp = np.ones(len(full))
        ramp[: min(grow, len(ramp))] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(grow) + 0.5) / grow)[: len(ramp)]
        parts = (full @ taken.T)[:length] * ramp[:length, None]
        tail = (
            parts if low.shape[1] == 1 else np.stack([parts.sum(axis=1), parts[:, 1] - parts[:, 0]], axis=1)
        )
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
            vertical_nats=nats[0] if len(nats) == 2 else 0.0,
            lateral_nats=nats[-1],
            is_pure=answers[int(np.argmax(nats))].one_ring >= PURE,
        )
        return thump, tail

    def subtract(self, thump: Thump, tail: Floats) -> None:
        """Take a tail off, at all rates."""
        self.audio[thump.start_frame : thump.stop_frame] -= tail
        first, margin = thump.start_frame // self._step, FIRST_STEP + 1
        lead = np.zeros((thump.start_frame - first * self._step + margin * self._step, tail.shape[1]))
        coarse = decimate(np.concatenate([lead, tail, np.zeros_like(lead)]), self._step, FIRST_STEP)
        low = max(0, first - margin)
        piece = self._coarse[low : first - margin + len(coarse)]
        piece -= coarse[low - (first - margin) :][: len(piece)]
        self._low = self._parts(decimate(self._coarse, self.factor // self._step))

    def rises(self) -> list[int]:
        """Frames where the sound below some 150 Hz rises suddenly in either part, in order: a thump may begin near them."""
        rate_hz = self.rate_hz / self.factor
        return sorted({at * self.factor for part in self._low for at in _rises(part, rate_hz)})

    def likely_heads(self, near: int, ticks: list[tuple[int, int]]) -> list[tuple[int, int, bool]]:
        """Spans (start, stop) round a frame that may be the head of a thump, and whether each is a mended tick; in order.

        ticks : the mended spans of the stretch, by their start.
        """
        factor, lead = self.factor, lead_of(self.factor)
        _, basis, variance, _ = basis_at(self.rate_hz, factor)
        low_rate_hz = self.rate_hz / factor
        before, after = int(_BEFORE_S * low_rate_hz), basis.shape[1] + int(_AFTER_S * low_rate_hz)
        tried = np.arange(near // factor - _AROUND, near // factor + _AROUND + 1)
        first = max(0, int(tried[0]) - before)
        stop = min(self._low.shape[1], int(tried[-1]) + after)
        heads = tried - first - lead
        fits = (heads >= 3 * ORDER) & (stop - first - heads - basis.shape[1] >= 2 * ORDER)
        if not fits.any():
            return []
        tried, heads = tried[fits], heads[fits]
        likely: set[int] = set()
        for part in self._low:
            evidence = evidence_along(part[first:stop], int(heads[0]), len(heads), basis, variance)
            likely |= {int(tried[k]) for k in np.argsort(-evidence)[:_TOPS] if evidence[k] >= _LEAST}
        spans: set[tuple[int, int, bool]] = set()
        apart = int(0.0007 * self.rate_hz)
        for place in likely:
            start = place * factor
            spans.add((start, start + max(1, int(0.001 * self.rate_hz)), False))
            last = -apart
            near_by = slice(
                bisect_left(ticks, start - _NEAR * factor, key=_first),
                bisect_right(ticks, start + _NEAR * factor, key=_first),
            )
            for head, end in ticks[near_by]:
                if head - last > apart:
                    spans.add((head, end, True))
                    last = head
        return sorted(spans)


def _first(tick: tuple[int, int]) -> int:
    return tick[0]


def _weigh_parts(answers: list[Answer]) -> tuple[Floats, list[float]]:
    """Weights of each part (parts, components) and its evidence, both 0 where nothing is taken off it.

    A tail that speaks more in the lateral part is judged by that alone, but where the vertical one would do.
    """
    weights = np.stack([answer.weights for answer in answers])
    nats = [0.0] * len(answers)
    lateral = answers[-1]
    if len(answers) == 1 or lateral.evidence > answers[0].evidence:
        share = _ONE_RING if lateral.evidence >= _SURE_NATS else _ONE_RING_LATERAL
        beside = len(answers) > 1 and _proved(answers[0], VERTICAL_NATS, share)
        alone = _PURE_LATERAL_NATS if lateral.one_ring >= PURE else LATERAL_NATS
        if not _proved(lateral, EVIDENCE if beside else alone, share):
            return weights, nats
    for at, answer in enumerate(answers):
        if _proved(answer, EVIDENCE, _ONE_RING):
            nats[at] = answer.evidence
        else:
            weights[at] = 0.0
    return weights, nats


def _ask_together(
    answers: list[Answer], variance: Floats, rings: Floats, weights: Floats, nats: list[float]
) -> None:
    """Put one tail for both parts in place where nothing is taken off one of them, if together they are sure of it."""
    if max(nats) > 0.0:
        asked, least, share = min(answer.evidence for answer in answers) > 0.0, _SAME_NATS, _ONE_RING_LATERAL
    else:
        asked = all(answer.evidence >= EVIDENCE + answer.needed for answer in answers)
        least, share = _SAME_ALONE_NATS, PURE
    if not asked:
        return
    both = weigh_together(answers[0].seen, answers[1].seen, variance, rings)
    if both.beyond < least or both.one_ring < share:
        return
    weights[:] = both.gains[:, np.newaxis] * both.weights
    for at, answer in enumerate(answers):
        nats[at] = nats[at] or answer.evidence


def _proved(answer: Answer, nats: float, share: float) -> bool:
    return answer.one_ring >= share and answer.evidence >= nats + answer.needed


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
