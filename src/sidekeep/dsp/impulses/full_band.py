"""Takes whose sound does not reach half their rate: brought to a rate that fits, and the empty top filled, for the search.

Conventions: planes are (channels, frames) float64; frequencies in cycles a frame of the take, 0 to 0.5. A predictor that
knows a band to be empty expects nothing there, and all else looks like chance beside that: neither candidate nor
evidence is what it is on a full band. So the mender is shown a stretch whose sound ends at ``edge`` as it would be at
``steps / STEPS`` of the rate, with noise in what is still empty, as loud as the sound just below the edge. What it
would take out there is brought back to the take's own frames by a windowed sinc of ``REACH`` frames a side, and
subtracted: nothing else of the take passes through any filter.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.band import Band
from sidekeep.dsp.impulses.mending import Manner, mend_channels
from sidekeep.dsp.impulses.priors import Due
from sidekeep.dsp.impulses.repaired import (
    DAMAGED,
    FATE,
    LEFT,
    LENGTH,
    MENDED,
    PEAK,
    SIZE_DB,
    START,
    TAKEN_OUT,
    WALL,
    Repaired,
)
from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]

FADE = 256
"""Frames faded at the ends of a stretch before its rate is changed; nothing is mended there."""
STEPS = 64
"""Lower rates are so many parts of the take's own: a table of the sinc has as many rows."""
REACH = 24
"""Frames at the lower rate of the sinc, a side."""
KAISER_BETA = 8.0
"""-80 dB outside 0.05 of the rate round the edge (Kaiser's formula)."""
NOISE_SEED = 8
"""Any: the same take must be filled up with the same noise every time."""


def fitting_steps(edge: float) -> int:
    """Parts of ``STEPS`` of the rate at which the sound still fits."""
    return min(STEPS, math.ceil(2.0 * STEPS * edge))


def noise_above(band: Band, frames: int, steps: int) -> Floats:
    """What fills the band from its edge up, (channels, frames) at ``steps / STEPS`` of the rate."""
    size = 2 * (band.spectrum.shape[1] - 1)
    even = frames + frames % 2
    at = np.arange(even // 2 + 1) * (steps / STEPS / even)
    rng = np.random.default_rng(NOISE_SEED)
    filled = np.zeros((len(band.density), frames))
    for channel, density in enumerate(band.density):
        there = np.interp(at * size, np.arange(size // 2 + 1), band.spectrum[channel])
        wanted = np.where(at > band.edge - 0.5 / size, np.maximum(0.0, density - there), 0.0)
        # a bin of a Hann window holds 3/8 of its length times the mean square a frame
        height = np.sqrt(0.5 * wanted / (0.375 * size) * even * steps / STEPS)
        phases = rng.standard_normal(len(at)) + 1j * rng.standard_normal(len(at))
        filled[channel] = np.fft.irfft(height * phases, even)[:frames]
    return filled


def lower_rate(planes: Floats, steps: int) -> Floats:
    """What lies below half of ``steps / STEPS`` of the rate, at that rate; frame k stands for frame ``k STEPS / steps``.

    Sharp in the frequencies of the whole stretch, its ends faded.
    """
    channels, frames = planes.shape
    wide = min(frames // 2, FADE * STEPS // steps)
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(wide) + 0.5) / wide)
    size = -(-frames // 1024) * 1024
    faded = np.zeros((channels, size))
    faded[:, :frames] = planes
    faded[:, :wide] *= fade
    faded[:, frames - wide : frames] *= fade[::-1]
    low = size * steps // STEPS
    spectrum = np.fft.rfft(faded, axis=1)[:, : low // 2 + 1] * (low / size)
    count = -(-frames * steps // STEPS)
    return np.ascontiguousarray(np.fft.irfft(spectrum, low, axis=1)[:, :count])


def mend_stretch(
    planes: Floats,
    rate_hz: int,
    manner: Manner,
    due: list[Due],
    start: int,
    stop: int,
    band: Band | None,
) -> Repaired:
    """``mend_channels`` at the rate, and on the band, that a stretch needs; all frames in and out are the take's own."""
    if band is None:
        return mend_channels(planes, rate_factor_of(rate_hz), rate_hz, manner, due, start, stop)
    steps = fitting_steps(band.reach)
    share = steps / STEPS
    shown = lower_rate(planes, steps) if steps < STEPS else planes
    shown = shown + noise_above(band, shown.shape[1], steps)
    repaired = mend_channels(
        shown,
        rate_factor_of(rate_hz * share),
        rate_hz * share,
        manner,
        [(at * share, wide * share, odds, walls) for at, wide, odds, walls in due],
        -(-start * steps // STEPS),
        -(-stop * steps // STEPS),
    )
    return bring_back(repaired, planes, shown, steps)


def rate_factor_of(rate_hz: float) -> int:
    """1 at 44.1 and 48 kHz and below, 2 at 96, 4 at 192: reaches in frames grow with it."""
    return max(1, round(rate_hz / 48_000))


def bring_back(repaired: Repaired, planes: Floats, shown: Floats, steps: int) -> Repaired:
    """Repairs made in ``shown``, on the take's own frames; those whose reaches meet are one."""
    reach = REACH if steps < STEPS else 0
    table = sinc_table(steps)
    frames = planes.shape[1]
    spans, facts = repaired.spans, repaired.facts
    own_spans = _at_own_rate(spans, steps, frames)
    mended = spans[:, FATE] == MENDED
    left = np.flatnonzero(~mended)
    back, told, new = list(own_spans[left]), list(facts[left]), [np.empty(0)] * len(left)
    ends = np.cumsum(np.where(mended, spans[:, LENGTH], 0))
    for channel in range(len(planes)):
        taken_out = np.zeros(shown.shape[1])
        rows = np.flatnonzero(mended & (spans[:, WALL] == channel))
        starts, stops = spans[rows, START], spans[rows, START] + spans[rows, LENGTH]
        for start, stop, end in zip(starts.tolist(), stops.tolist(), ends[rows].tolist(), strict=True):
            taken_out[start:stop] = shown[channel, start:stop] - repaired.values[end - stop + start : end]
        apart = (
            starts[1:] - reach >= stops[:-1] + reach if reach else np.ones(max(0, len(rows) - 1), np.bool_)
        )
        for group in np.split(rows, np.flatnonzero(apart) + 1) if len(rows) else []:
            last = int(spans[group[-1], START] + spans[group[-1], LENGTH]) - 1 + reach
            first = max(0, (int(spans[group[0], START]) - reach) * STEPS // steps + (reach > 0))
            stop = min(frames, -(-last * STEPS // steps) + (reach == 0))
            values = np.empty(stop - first)
            interpolate(taken_out, table, steps, first, values)
            own = planes[channel, first:stop] - values
            largest = group[np.argmax(facts[group, SIZE_DB])]
            row, fact = own_spans[largest].copy(), facts[largest].copy()
            row[START], row[LENGTH] = first, stop - first
            row[DAMAGED] = int(spans[group, DAMAGED].sum()) * STEPS // steps
            fact[TAKEN_OUT], fact[LEFT] = values @ values, own @ own
            back.append(row)
            told.append(fact)
            new.append(own)
    return Repaired.from_parts(back, told, new)


def _at_own_rate(spans: NDArray[np.int64], steps: int, frames: int) -> NDArray[np.int64]:
    """The same places in a stretch of so many frames: the last frame of the lower rate may stand for less than a whole one."""
    own = spans.copy()
    own[:, START] = spans[:, START] * STEPS // steps
    own[:, LENGTH] = np.minimum(frames - own[:, START], spans[:, LENGTH] * STEPS // steps)
    own[:, PEAK] = spans[:, PEAK] * STEPS // steps
    return own


def sinc_table(steps: int) -> Floats:
    """Weights (STEPS, 2 REACH) of the frames round each of ``STEPS`` places between two frames of the lower rate."""
    if steps == STEPS:
        table = np.zeros((STEPS, 2 * REACH))
        table[:, REACH - 1] = 1.0
        return table
    place = np.arange(STEPS)[:, np.newaxis] / STEPS + np.arange(REACH - 1, -REACH - 1, -1)
    weights = np.sinc(place) * np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - np.square(place / REACH))))
    return np.asarray(weights / np.i0(KAISER_BETA))


@kernel
def interpolate(low: Floats, table: Floats, steps: int, first: int, values: Floats) -> None:
    """``values[i]`` gets what ``low``, at ``steps`` parts of the rate, is at frame ``first + i``; see ``sinc_table``."""
    parts, taps = table.shape
    for i in range(values.shape[0]):
        at = (first + i) * steps
        begin = at // parts - taps // 2 + 1
        row = table[at % parts]
        total = 0.0
        for k in range(max(0, -begin), min(taps, low.shape[0] - begin)):
            total += row[k] * low[begin + k]
        values[i] = total
