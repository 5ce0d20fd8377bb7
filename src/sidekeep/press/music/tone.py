"""Building blocks of the demo's instruments: oscillators, string loops, ringing modes, noise, filters.

Conventions: one voice is a 1-D float64 array at ``rate_hz``; pitches are Hz, times seconds, levels
linear. Slow things (pitch, brightness, loudness of a voice) are *control curves*: one value every
``control_hop(rate_hz)`` frames, joined by straight lines inside the oscillator, so nothing steps.
Everything random takes a ``numpy.random.Generator``: same seed, same samples.

Methods: band-limited wavetables from harmonic amplitudes; plucked strings after Karplus & Strong,
"Digital synthesis of plucked-string and drum timbres", Computer Music Journal 7(2), 1983, tuned by
an all-pass after Jaffe & Smith in the same issue; struck bodies as sums of decaying modes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.errors import ParameterError

Array = NDArray[np.float64]
CONTROL_HZ = 1500
"""Nearest rate of control curves: steps of about 0.7 ms."""
AUDIBLE_HZ = 19_000.0
"""Nothing is synthesised above this (or above 0.45 of the rate)."""


def control_hop(rate_hz: int) -> int:
    """Frames between two points of a control curve."""
    if rate_hz < 8000:
        raise ParameterError("tone-rate", rate_hz=rate_hz)
    return max(1, round(rate_hz / CONTROL_HZ))


def control_times(length_frames: int, rate_hz: int) -> Array:
    """Times in seconds of the control points that cover ``length_frames``."""
    hop = control_hop(rate_hz)
    return np.arange(length_frames // hop + 2, dtype=np.float64) * (hop / rate_hz)


def highest_hz(rate_hz: int) -> float:
    """Where synthesis stops at this rate."""
    return min(AUDIBLE_HZ, 0.45 * rate_hz)


@kernel
def _play_tables(
    tables: Array,
    pitch_hz: Array,
    brightness: Array,
    loudness: Array,
    hop: int,
    rate_hz: float,
    phase: float,
    gains: Array,
    out: Array,
) -> None:
    rows, size = tables.shape
    for point in range((out.shape[0] + hop - 1) // hop):
        step = pitch_hz[point] / rate_hz
        step_change = (pitch_hz[point + 1] - pitch_hz[point]) / rate_hz / hop
        row = brightness[point] * (rows - 1)
        row_change = (brightness[point + 1] - brightness[point]) * (rows - 1) / hop
        level = loudness[point]
        level_change = (loudness[point + 1] - loudness[point]) / hop
        for frame in range(point * hop, min(out.shape[0], (point + 1) * hop)):
            low = min(max(int(row), 0), rows - 2)
            blend = row - low
            place = phase * size
            left = int(place)
            between = place - left
            right = left + 1 if left + 1 < size else 0
            dark = tables[low, left] + between * (tables[low, right] - tables[low, left])
            bright = tables[low + 1, left] + between * (tables[low + 1, right] - tables[low + 1, left])
            value = level * (dark + blend * (bright - dark))
            for channel in range(gains.shape[0]):
                out[frame, channel] += gains[channel] * value
            phase += step
            if phase >= 1.0:
                phase -= 1.0
            step += step_change
            row += row_change
            level += level_change


@kernel
def _loop_string(
    excitation: Array, whole: int, allpass: float, damping: float, keep: float, out: Array
) -> None:
    held = 0.0
    smooth = 0.0
    passed = 0.0
    for frame in range(out.shape[0]):
        back = out[frame - whole] if frame >= whole else 0.0
        smooth = (1.0 - damping) * back + damping * smooth
        passed = allpass * (smooth - passed) + held
        held = smooth
        value = keep * passed
        if frame < excitation.shape[0]:
            value += excitation[frame]
        out[frame] = value


@kernel
def _ring_modes(pole_angle: Array, pole_radius: Array, level: Array, phase: Array, out: Array) -> None:
    for mode in range(pole_angle.shape[0]):
        radius = pole_radius[mode]
        first = 2.0 * radius * np.cos(pole_angle[mode])
        second = radius * radius
        before = level[mode] * np.sin(phase[mode] - pole_angle[mode]) / radius
        now = level[mode] * np.sin(phase[mode])
        lasting = out.shape[0]
        if level[mode] != 0.0:
            # Past -100 dB of full scale a mode is done.
            lasting = min(lasting, int(np.log(1e-5 / abs(level[mode])) / np.log(radius)) + 1)
        for frame in range(lasting):
            out[frame] += now
            after = first * now - second * before
            before = now
            now = after


def harmonic_tables(levels: Array, phase_rad: float | Array = 0.0) -> Array:
    """One cycle of a sum of sines, for each row of brightness.

    ``levels`` has shape (rows, harmonics), fundamental first; ``phase_rad`` 0 stacks sines (a saw's
    slope), pi/2 stacks cosines (a sharp pulse). Returns (rows, size); at least two rows.
    """
    levels = np.atleast_2d(levels)
    if levels.shape[0] == 1:
        levels = np.repeat(levels, 2, axis=0)
    size = 1024
    while size < 12 * levels.shape[1]:
        size *= 2
    spectrum = np.zeros((levels.shape[0], size // 2 + 1), dtype=np.complex128)
    spectrum[:, 1 : levels.shape[1] + 1] = (
        levels * np.exp(1j * (np.asarray(phase_rad) - np.pi / 2)) * size / 2
    )
    return np.ascontiguousarray(np.fft.irfft(spectrum, size, axis=1))


def harmonic_numbers(pitch_hz: float, rate_hz: int, at_most: int = 400) -> Array:
    """1, 2, 3 ... up to the highest harmonic of ``pitch_hz`` that fits, vibrato included."""
    return np.arange(
        1, max(1, min(at_most, int(highest_hz(rate_hz) / (pitch_hz * 1.03)))) + 1, dtype=np.float64
    )


def play_tables(
    tables: Array,
    pitch_hz: Array,
    brightness: Array | float,
    loudness: Array,
    rate_hz: int,
    out: Array,
    *,
    phase: float = 0.0,
    gains: Sequence[float] = (1.0, 1.0),
) -> None:
    """Read wavetables along control curves (pitch in Hz, brightness 0 to 1, linear loudness).

    The voice is added to ``out`` (frames, channels) with one gain a channel. Curves need
    ``control_times(frames, rate_hz).size`` points.
    """
    pitch, bright, loud = (
        np.ascontiguousarray(np.broadcast_to(np.asarray(curve, dtype=np.float64), loudness.shape))
        for curve in (pitch_hz, np.clip(brightness, 0.0, 1.0), loudness)
    )
    used = np.array(gains[: out.shape[1]], dtype=np.float64)
    _play_tables(tables, pitch, bright, loud, control_hop(rate_hz), float(rate_hz), phase % 1.0, used, out)


def loop_string(
    excitation: Array, pitch_hz: float, decay_s: float, damping: float, length_frames: int, rate_hz: int
) -> Array:
    """A plucked string: the excitation travels round a damped delay line tuned to ``pitch_hz``.

    ``decay_s`` is the time to -60 dB of the fundamental, ``damping`` 0..1 how fast the treble dies.
    """
    angle = 2.0 * math.pi * pitch_hz / rate_hz
    smoother = (1.0 - damping) / (1.0 - damping * np.exp(-1j * angle))
    wanted = rate_hz / pitch_hz + float(np.angle(smoother)) / angle
    whole = int(wanted - 0.3)
    fraction = wanted - whole
    allpass = (1.0 - fraction) / (1.0 + fraction)
    keep = min(0.99999, 10.0 ** (-3.0 / (decay_s * pitch_hz)) / abs(smoother))
    out = np.zeros(length_frames)
    _loop_string(np.ascontiguousarray(excitation), whole, allpass, damping, keep, out)
    return out


def ring_modes(
    frequency_hz: Sequence[float] | Array,
    decay_s: Sequence[float] | Array,
    level: Sequence[float] | Array,
    length_frames: int,
    rate_hz: int,
    phase_rad: Sequence[float] | Array | float = 0.0,
) -> Array:
    """Sum of decaying sines (``decay_s``: to -60 dB). Modes too high for the rate are left out."""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    fits = frequency < highest_hz(rate_hz)
    shape = frequency.shape
    out = np.zeros(length_frames)
    _ring_modes(
        np.ascontiguousarray(2.0 * np.pi * frequency[fits] / rate_hz),
        np.ascontiguousarray(10.0 ** (-3.0 / (np.broadcast_to(decay_s, shape)[fits] * rate_hz))),
        np.ascontiguousarray(np.broadcast_to(np.asarray(level, dtype=np.float64), shape)[fits]),
        np.ascontiguousarray(np.broadcast_to(np.asarray(phase_rad, dtype=np.float64), shape)[fits]),
        out,
    )
    return out


def hold_curve(times: Array, length_s: float, attack_s: float, release_s: float) -> Array:
    """0 to 1 in ``attack_s``, held to ``length_s``, back to 0 in ``release_s``; rounded at all corners."""
    up = np.clip(times / max(attack_s, 1e-4), 0.0, 1.0)
    down = np.clip((length_s + release_s - times) / max(release_s, 1e-4), 0.0, 1.0)
    return (0.5 - 0.5 * np.cos(np.pi * up)) * (0.5 - 0.5 * np.cos(np.pi * down))


def wander(rng: np.random.Generator, times: Array, speed_hz: float) -> Array:
    """A slow random curve, about -1 to 1, with ``speed_hz`` new places a second."""
    knots = int(times[-1] * speed_hz) + 3
    place = times * speed_hz + rng.uniform(0.0, 1.0)
    left = place.astype(np.int64)
    between = 0.5 - 0.5 * np.cos(np.pi * (place - left))
    values = rng.uniform(-1.0, 1.0, knots + 1)
    return values[left] * (1.0 - between) + values[left + 1] * between


def vibrato(
    rng: np.random.Generator, times: Array, depth_cents: float, rate_hz: float, onset_s: float
) -> Array:
    """Factor on the pitch: a sway that sets in after ``onset_s``, never twice the same, plus slow drift."""
    arrives = np.clip((times - 0.5 * onset_s) / max(onset_s, 1e-3), 0.0, 1.0)
    speed = rate_hz * (1.0 + 0.06 * wander(rng, times, 1.3))
    phase = np.cumsum(speed) * (times[1] - times[0]) * 2.0 * np.pi + rng.uniform(0.0, 2.0 * np.pi)
    cents = depth_cents * arrives * np.sin(phase) + 3.0 * wander(rng, times, 2.0)
    return 2.0 ** (cents / 1200.0)
