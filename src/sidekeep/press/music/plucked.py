"""Plucked and struck instruments of the demo: strings under finger, quill, pickup and hammer; tuned bars.

Conventions as in ``instruments``: one note in, (frames, 1) out, ringing past ``length_s`` by its release.
"""

from __future__ import annotations

import math

import numpy as np

from sidekeep.press.music.filters import pass_band
from sidekeep.press.music.tone import Array, loop_string, ring_modes


def _frames(length_s: float, release_s: float, rate_hz: int) -> int:
    return int((length_s + release_s) * rate_hz) + 1


def _damp(tone: Array, length_s: float, rate_hz: int) -> Array:
    """Lift the finger at ``length_s``: a smooth end, and zero as the last sample."""
    start = min(tone.shape[0] - 1, int(length_s * rate_hz))
    tone[start:] *= 0.5 + 0.5 * np.cos(np.pi * np.linspace(0.0, 1.0, tone.shape[0] - start))[:, None]
    return tone


def _pick(
    rng: np.random.Generator, pitch_hz: float, treble_hz: float, place: float, rate_hz: int, noise: float
) -> Array:
    """What the finger hands to the string: a lopsided hump of one period, some grit, combed by the place."""
    period = max(8, round(rate_hz / pitch_hz))
    burst = (1.0 - noise) * np.hanning(max(4, min(period, int(0.7 * rate_hz / treble_hz)) + 2))
    shaped = np.zeros(2 * period + burst.size)
    shaped[: burst.size] += burst
    shaped[:period] += noise * rng.uniform(-1.0, 1.0, period) * np.hanning(period)
    smoothed = pass_band(shaped, 0.0, treble_hz, rate_hz, 1)
    behind = max(1, round(place * period))
    combed = smoothed.copy()
    combed[behind:] -= smoothed[:-behind]
    combed *= np.minimum(1.0, np.arange(combed.size, 0, -1) / (0.3 * period))
    return combed / (np.sqrt(np.sum(combed**2)) + 1e-12) * math.sqrt(period) * 0.35


def plucked_string(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    decay_s: float = 3.2,
    place: float = 0.21,
    release_s: float = 0.12,
) -> Array:
    """A gut or nylon string plucked by a finger: the harder, the brighter."""
    frames = _frames(length_s, release_s, rate_hz)
    pick = _pick(rng, pitch_hz, 1200.0 + 4200.0 * velocity, place * rng.uniform(0.9, 1.1), rate_hz, 0.35)
    tone = loop_string(pick, pitch_hz, decay_s * (220.0 / pitch_hz) ** 0.35, 0.34, frames, rate_hz)
    box = ring_modes((104.0, 208.0, 415.0), (0.16, 0.12, 0.07), (0.05, 0.06, 0.04), frames, rate_hz)
    return _damp((tone + box * velocity)[:, None] * (0.4 + 0.6 * velocity), length_s, rate_hz) * 0.75


def harpsichord(
    pitch_hz: float, length_s: float, velocity: float, rate_hz: int, rng: np.random.Generator
) -> Array:
    """Quill on brass wire: a hard, bright edge, two strings a hair apart, and the jack falling back."""
    release_s = 0.09
    frames = _frames(length_s, release_s, rate_hz)
    tone = np.zeros(frames)
    for multiple, level in ((1.0, 1.0), (2.0, 0.45)):
        detuned = pitch_hz * multiple * 2.0 ** (rng.normal(0.0, 1.0) / 1200.0)
        pick = _pick(rng, detuned, 8_000.0, 0.11, rate_hz, 0.08)
        tone += level * loop_string(pick, detuned, 4.0 * (200.0 / detuned) ** 0.4, 0.08, frames, rate_hz)
    quill_frames = min(frames, int(0.004 * rate_hz))
    tone[:quill_frames] += 0.25 * rng.standard_normal(quill_frames) * np.hanning(quill_frames)
    fall = int(length_s * rate_hz)
    tone = _damp(tone[:, None], length_s, rate_hz)
    knock = ring_modes(
        (310.0, 720.0, 1650.0), (0.05, 0.05, 0.05), (0.03, 0.025, 0.015), frames - fall, rate_hz
    )
    tone[fall:, 0] += knock * np.minimum(1.0, np.arange(frames - fall)[::-1] / (0.01 * rate_hz))
    return tone * (0.36 + 0.15 * velocity)


def electric_bass(
    pitch_hz: float, length_s: float, velocity: float, rate_hz: int, rng: np.random.Generator
) -> Array:
    """Round-wound string under a magnetic pickup, finger style."""
    release_s = 0.06
    frames = _frames(length_s, release_s, rate_hz)
    pick = _pick(rng, pitch_hz, 500.0 + 1800.0 * velocity, 0.17, rate_hz, 0.12)
    tone = loop_string(pick, pitch_hz, 5.0, 0.42, frames, rate_hz)
    tone += 0.5 * ring_modes([pitch_hz], [1.6], [0.5], frames, rate_hz)
    tone = np.tanh(1.4 * tone) / 1.4
    return _damp(tone[:, None], length_s, rate_hz) * (0.45 + 0.55 * velocity)


def electric_guitar(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    drive: float = 12.0,
    fifth: bool = False,
) -> Array:
    """Steel string through an overdriven valve stage and a cabinet; ``fifth`` strikes a power chord.

    ``drive`` near 1 is clean. The bend runs at twice the rate, so its overtones do not fold back.
    """
    from scipy.signal import resample_poly

    release_s = 0.08
    frames = _frames(length_s, release_s, rate_hz)
    tone = np.zeros(frames)
    for multiple in (1.0, 1.4983, 2.0) if fifth else (1.0,):
        pick = _pick(rng, pitch_hz * multiple, 2500.0 + 3000.0 * velocity, 0.14, rate_hz, 0.2)
        tone += loop_string(pick, pitch_hz * multiple, 6.0, 0.2, frames, rate_hz)
    tone = _damp(tone[:, None], length_s, rate_hz)[:, 0]
    if drive > 1.0:
        pushed = resample_poly(pass_band(tone, 90.0, 5000.0, rate_hz, 1), 2, 1) * drive
        pushed = np.tanh(pushed + 0.25) - math.tanh(0.25)
        tone = resample_poly(pushed, 1, 2)[:frames] * 0.5
        tone = pass_band(tone, 70.0, 4800.0, rate_hz)
    fade = min(frames, int(0.01 * rate_hz))
    tone[frames - fade :] *= np.linspace(1.0, 0.0, fade)
    return tone[:, None] * (0.15 + 0.15 * velocity)


def piano(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    release_s: float = 0.3,
) -> Array:
    """Hammered strings: stiff (stretched) partials in beating pairs, fast then slow decay, a felt knock."""
    frames = _frames(length_s, release_s, rate_hz)
    stiffness = 3.0e-4 * (pitch_hz / 262.0) ** 1.3
    numbers = np.arange(1, 1 + max(3, min(36, int(9000.0 / pitch_hz))), dtype=np.float64)
    partials = pitch_hz * numbers * np.sqrt((1.0 + stiffness * numbers**2) / (1.0 + stiffness))
    softness_hz = 350.0 + 2600.0 * velocity**1.5 + 0.6 * pitch_hz
    levels = np.abs(np.sin(np.pi * numbers * 0.122)) / numbers**0.6 * np.exp(-partials / softness_hz / 1.6)
    levels /= np.sqrt(np.sum(levels**2))
    decays = 9.0 * (220.0 / pitch_hz) ** 0.55 / (1.0 + 0.09 * numbers)
    apart = 2.0 ** (rng.normal(0.35, 0.1, numbers.size) / 1200.0)
    tone = ring_modes(
        np.concatenate([partials, partials * apart]),
        np.concatenate([decays * 0.42, decays]),
        np.concatenate([0.7 * levels, 0.45 * levels]),
        frames,
        rate_hz,
        rng.uniform(-0.5, 0.5, 2 * numbers.size),
    )
    rise = int((0.0035 - 0.002 * velocity) * rate_hz)
    tone[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    knock_frames = min(frames, int(0.06 * rate_hz))
    knock = pass_band(rng.standard_normal(knock_frames), 80.0, 900.0, rate_hz, 1)
    tone[:knock_frames] += (
        0.12
        * velocity
        * knock
        * np.hanning(2 * knock_frames)[knock_frames:]
        * np.minimum(1.0, np.arange(knock_frames) / (0.002 * rate_hz))
    )
    return _damp(tone[:, None], length_s, rate_hz) * (0.24 * (0.12 + 0.88 * velocity))


def mallet(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    bar: str = "wood",
) -> Array:
    """Tuned bars: ``wood`` (dry, partials 1 : 4 : 10), ``metal`` (long), ``glass`` (thin, high)."""
    ratios, decays, levels = {
        "wood": ((1.0, 3.98, 9.9), (0.9, 0.28, 0.1), (1.0, 0.35, 0.12)),
        "metal": ((1.0, 1.004, 4.02, 10.3), (4.2, 3.6, 1.2, 0.5), (0.6, 0.4, 0.25, 0.12)),
        "glass": ((1.0, 2.76, 5.4, 8.93), (2.6, 1.5, 0.8, 0.4), (0.8, 0.5, 0.25, 0.12)),
    }[bar]
    release_s = 0.5
    frames = _frames(length_s, release_s, rate_hz)
    shine = np.array(levels) * (0.35 + 0.65 * velocity) ** np.arange(len(levels))
    tone = ring_modes(
        pitch_hz * np.array(ratios), np.array(decays) * (330.0 / pitch_hz) ** 0.4, shine, frames, rate_hz
    )
    tap_frames = min(frames, int(0.012 * rate_hz))
    tap = pass_band(rng.standard_normal(tap_frames), 400.0, 3000.0, rate_hz, 1)
    tone[:tap_frames] += 0.12 * velocity * tap * np.hanning(tap_frames)
    rise = max(2, int(0.0012 * rate_hz))
    tone[:rise] *= np.linspace(0.0, 1.0, rise)
    return _damp(tone[:, None], length_s, rate_hz) * (0.42 * (0.2 + 0.8 * velocity))
