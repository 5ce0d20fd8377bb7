"""Shapes of damage: a displacement of the groove wall, and what the playback makes of it.

A shape is written down as a formula of time and goes through the playback response in the frequency domain:
velocity pick-up (a derivative), RIAA replay curve (3180, 318 and 75 us; IEC 60098), cartridge resonance,
converter filter. It is rendered alone, to the exact fraction of a frame, so its span is known. A thump
carries the sliding ring of arm and cartridge behind its head (Esquef, Biscainho & Valimaki, JAES 51(6), 2003; lengths and
frequencies are chosen here).
Pulses are (events, frames) with peak 1; the onset lies ``HEAD_S`` in.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.press.disc.truth import CRACKLE, TICK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OVERSAMPLING = 4
HEAD_S = 0.004
"""Room before the onset for the ringing of the converter filter."""
TAIL_S = 0.24
CARTRIDGE_HZ = 18_000.0
CARTRIDGE_Q = 0.9
EASE_FRAMES = 4
RING_BANDS = ((500.0, 1500.0, 0.5), (1500.0, 4000.0, 0.5), (4000.0, 9000.0, 0.3))
"""Where a pop rings: least and most Hz, relative size."""


def riaa_replay(frequency_hz: NDArray[Any]) -> NDArray[np.complex128]:
    """The replay curve of IEC 60098 (3180, 318 and 75 us), 1 at 0 Hz."""
    s = 2j * np.pi * frequency_hz
    curve: NDArray[np.complex128] = (1.0 + 318e-6 * s) / ((1.0 + 3180e-6 * s) * (1.0 + 75e-6 * s))
    return curve


def playback_response(frequency_hz: NDArray[Any], rate_hz: int) -> NDArray[np.complex128]:
    """From wall displacement to take, free of scale: derivative, RIAA, cartridge, converter filter."""
    s = 2j * np.pi * frequency_hz
    w0 = 2.0 * np.pi * CARTRIDGE_HZ
    cartridge = 1.0 / (1.0 + s / (CARTRIDGE_Q * w0) + (s / w0) ** 2)
    ramp = np.clip((frequency_hz / (0.5 * rate_hz) - 0.84) / 0.16, 0.0, 1.0)
    response: NDArray[np.complex128] = (
        s * riaa_replay(frequency_hz) * cartridge * (0.5 + 0.5 * np.cos(np.pi * ramp))
    )
    return response


def render(
    kind: int,
    width_s: Floats,
    part: Floats,
    rate_hz: int,
    room_s: float,
    rng: np.random.Generator,
    alike: bool = False,
) -> Floats:
    """Pulses of one kind (tick, pop or crackle), each ``width_s`` long on the wall.

    ``part`` is the fraction of a frame by which each comes later; ``room_s`` is kept behind the onset;
    ``alike`` pulses (of one scratch) differ in nothing but width and place.
    """
    frames = 1 << int(np.ceil(np.log2((room_s + HEAD_S) * rate_hz)))
    fine_hz = OVERSAMPLING * rate_hz
    onset = int(HEAD_S * rate_hz) * OVERSAMPLING
    t_s = (np.arange(frames * OVERSAMPLING)[np.newaxis, :] - onset) / fine_hz
    # shorter than the fine grid can hold is as good as an impulse
    rows = (1 if alike else len(width_s), 1)
    shape = _displacement(kind, t_s, np.maximum(width_s, 3.0 / fine_hz)[:, np.newaxis], rows, rng)
    spectrum = np.fft.rfft(shape, axis=1)[:, : frames // 2 + 1]
    frequency_hz = np.fft.rfftfreq(frames, 1.0 / rate_hz)
    spectrum *= playback_response(frequency_hz, rate_hz)
    spectrum *= np.exp(-2j * np.pi / frames * np.arange(frames // 2 + 1) * part[:, np.newaxis])
    return _peak_one(np.fft.irfft(spectrum, frames, axis=1))


def add_tails(heads: Floats, part: Floats, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Heads made longer by A exp(-t/tau) sin(phase): tau 10-40 ms, sliding from 40-80 down to 8-15 Hz."""
    rows = (len(heads), 1)
    t_s = np.arange(int(TAIL_S * rate_hz))[np.newaxis, :] - part[:, np.newaxis]
    t_s = np.maximum(0.0, t_s) / rate_hz
    tau_s = rng.uniform(10e-3, 40e-3, rows)
    high_hz, low_hz = rng.uniform(40.0, 80.0, rows), rng.uniform(8.0, 15.0, rows)
    slide_s = 0.8 * tau_s
    cycles = low_hz * t_s + (high_hz - low_hz) * slide_s * (1.0 - np.exp(-t_s / slide_s))
    tails = np.exp(-t_s / tau_s) * np.sin(2.0 * np.pi * cycles) * (1.0 - np.exp(-t_s / 1.5e-3))
    onset = int(HEAD_S * rate_hz)
    pulses = np.zeros((len(heads), onset + max(heads.shape[1] - onset, t_s.shape[1])))
    pulses[:, : heads.shape[1]] = heads * rng.uniform(0.5, 1.0, rows)
    pulses[:, onset : onset + t_s.shape[1]] += _peak_one(tails) * rng.uniform(0.4, 1.0, rows)
    return _peak_one(pulses)


def bounds(pulses: Floats, floor: Floats) -> tuple[Ints, Ints]:
    """First frame over each pulse's ``floor``, and one past the last."""
    loud = np.abs(pulses) > floor[:, np.newaxis]
    first = loud.argmax(axis=1)
    stop = pulses.shape[1] - loud[:, ::-1].argmax(axis=1)
    return first, stop


def cut(pulses: Floats, first: Ints, stop: Ints) -> Floats:
    """Rows between their bounds, end to end in one array; the last frames eased to nothing."""
    index = np.arange(pulses.shape[1])[np.newaxis, :]
    ease = np.clip((stop[:, np.newaxis] - index) / EASE_FRAMES, 0.0, 1.0)
    inside = (index >= first[:, np.newaxis]) & (index < stop[:, np.newaxis])
    return (pulses * ease)[inside]


def _displacement(
    kind: int, t_s: Floats, width: Floats, rows: tuple[int, int], rng: np.random.Generator
) -> Floats:
    """(events, samples) displacement, onset at t = 0; ``width`` is (events, 1), chance has shape ``rows``."""
    skew = rng.uniform(0.2, 0.5, rows)
    body = _bump(t_s, width, skew)
    if kind == CRACKLE:
        return body
    # the rough edge of a dent: a smaller bump of the other sign behind it
    later_s = t_s - rng.uniform(0.5, 1.5, rows) * width
    body = body - rng.uniform(0.0, 0.7, rows) * _bump(later_s, width * 0.7, skew)
    if kind == TICK:
        return body
    later_s = np.maximum(t_s, 0.0)
    ring = np.zeros((rows[0], t_s.shape[1]))
    for low_hz, high_hz, size in RING_BANDS:
        frequency_hz = np.exp(rng.uniform(np.log(low_hz), np.log(high_hz), rows))
        decay_s = rng.uniform(0.25e-3, 0.9e-3, rows)
        phase = 2.0 * np.pi * frequency_hz * later_s + rng.uniform(0.0, 0.6, rows)
        onset = 1.0 - np.exp(-later_s / 40e-6)
        ring += size * rng.uniform(0.3, 1.0, rows) * np.exp(-later_s / decay_s) * np.sin(phase) * onset
    return body + ring


def _bump(t_s: Floats, width_s: Floats, skew: Floats) -> Floats:
    """A particle or dent: half-Gaussians of unlike width, ``width_s`` long between 10 % points."""
    sigma_s = np.where(t_s < 0.0, width_s * skew, width_s * (1.0 - skew)) / 2.15
    return np.exp(-0.5 * np.square(t_s / sigma_s))


def _peak_one(pulses: Floats) -> Floats:
    return pulses / np.abs(pulses).max(axis=1, keepdims=True)


@kernel
def add_events(
    block: Floats, block_start: int, start: Ints, length: Ints, offset: Ints, gains: Floats, wave: Floats
) -> None:
    """Add events to ``block`` (frames, 2), whose first frame is ``block_start``; parts outside are left out.

    Event i is ``gains[i, channel] * wave[offset[i] : offset[i] + length[i]]`` from frame ``start[i]``.
    """
    frames = block.shape[0]
    for i in range(start.size):
        shift = start[i] - block_start
        low = max(0, -shift)
        high = min(length[i], frames - shift)
        left, right = gains[i, 0], gains[i, 1]
        for k in range(low, high):
            value = wave[offset[i] + k]
            block[shift + k, 0] += left * value
            block[shift + k, 1] += right * value


@kernel
def event_sizes(
    rows: Ints,
    stretch: Ints,
    length: Ints,
    offset: Ints,
    gains: Floats,
    wave: Floats,
    predictors: Floats,
    slopes: Floats,
    heights: Floats,
    sizes: Floats,
) -> None:
    """For events ``rows``: peak, and peak of the event whitened by the music's predictor, over the slope.

    ``predictors`` (stretches, 2, order + 1) and ``slopes`` (stretches, 2); row i belongs to ``stretch[i]``.
    ``heights`` and ``sizes`` (all events) get the larger of the two channels, as plain ratios.
    """
    order = predictors.shape[2] - 1
    for i in range(rows.size):
        event = rows[i]
        for channel in range(2):
            gain = abs(gains[event, channel])
            if gain == 0.0:
                continue
            peak = 0.0
            white = 0.0
            for k in range(length[event] + order):
                if k < length[event]:
                    peak = max(peak, abs(wave[offset[event] + k]))
                total = 0.0
                for lag in range(max(0, k - length[event] + 1), min(order, k) + 1):
                    total += predictors[stretch[i], channel, lag] * wave[offset[event] + k - lag]
                white = max(white, abs(total))
            heights[event] = max(heights[event], gain * peak)
            sizes[event] = max(sizes[event], gain * white / slopes[stretch[i], channel])
