"""Drums and small percussion of the demo.

Conventions: ``drum(velocity, rate_hz, rng)`` plays one hit and returns (frames, 1); it starts within a
millisecond (these are meant to be hard edges) and ends at zero.
"""

from __future__ import annotations

import numpy as np

from sidekeep.press.music.filters import band_noise, pass_band
from sidekeep.press.music.tone import Array, ring_modes


def _close(hit: Array, rate_hz: int) -> Array:
    fade = min(hit.size, int(0.01 * rate_hz))
    hit[hit.size - fade :] *= np.linspace(1.0, 0.0, fade)
    return hit[:, None]


def _decay(length_s: float, to_60_db_s: float, rate_hz: int) -> Array:
    return 10.0 ** (-3.0 / to_60_db_s * np.arange(int(length_s * rate_hz)) / rate_hz)


def kick(velocity: float, rate_hz: int, rng: np.random.Generator, *, tone_hz: float = 52.0) -> Array:
    """Bass drum: a falling thud and the click of the beater."""
    seconds = np.arange(int(0.5 * rate_hz)) / rate_hz
    phase = 2.0 * np.pi * (tone_hz * seconds + 95.0 * 0.028 * (1.0 - np.exp(-seconds / 0.028)))
    hit = np.sin(phase) * 10.0 ** (-3.0 * seconds / 0.5) * np.minimum(1.0, seconds / 0.0015)
    beater = band_noise(rng, seconds.size, 900.0, 4500.0, rate_hz, 1) * 10.0 ** (-3.0 * seconds / 0.02)
    hit += 0.14 * velocity * beater * np.minimum(1.0, seconds / 0.0004)
    return _close(hit * 0.8 * velocity, rate_hz)


def snare(velocity: float, rate_hz: int, rng: np.random.Generator, *, tight: float = 0.5) -> Array:
    """Two heads, a shell, and wires that buzz after the stroke."""
    frames = int(0.35 * rate_hz)
    skin = ring_modes(
        (186.0, 278.0, 334.0, 447.0, 595.0),
        (0.2, 0.14, 0.12, 0.09, 0.06),
        (0.5, 0.3, 0.25, 0.18, 0.1),
        frames,
        rate_hz,
    )
    wires = (
        band_noise(rng, frames, 1200.0, 12_000.0, rate_hz, 1)
        * _decay(0.35, 0.32 - 0.15 * tight, rate_hz)[:frames]
    )
    stick = band_noise(rng, frames, 2500.0, 9000.0, rate_hz, 1) * _decay(0.35, 0.012, rate_hz)[:frames]
    wires *= np.minimum(1.0, np.arange(frames) / (0.001 * rate_hz))
    stick *= np.minimum(1.0, np.arange(frames) / (0.0002 * rate_hz))
    return _close((0.55 * skin + 0.2 * wires + 0.22 * velocity * stick) * velocity, rate_hz)


def hat(velocity: float, rate_hz: int, rng: np.random.Generator, *, open_s: float = 0.07) -> Array:
    """Two small cymbals: closed at 0.07 s, open towards 0.6 s."""
    frames = int((open_s * 1.3 + 0.03) * rate_hz)
    seconds = np.arange(frames) / rate_hz
    base = np.array([317.0, 432.0, 521.0, 679.0, 801.0, 947.0])
    metal = np.zeros(frames)
    for frequency in base:
        metal += np.sign(np.sin(2.0 * np.pi * frequency * 4.1 * seconds + rng.uniform(0.0, 6.28)))
    hit = pass_band(metal * 0.12 + 0.35 * rng.standard_normal(frames), 6500.0, 17_000.0, rate_hz)
    hit *= 10.0 ** (-3.0 * seconds / open_s) * np.minimum(1.0, seconds / 0.0003)
    return _close(hit * 0.75 * velocity, rate_hz)


def cymbal(velocity: float, rate_hz: int, rng: np.random.Generator, *, ring_s: float = 3.0) -> Array:
    """A crash: hundreds of modes, the high ones late and short."""
    frames = int(ring_s * 0.8 * rate_hz)
    seconds = np.arange(frames) / rate_hz
    count = 90
    modes = np.sort(rng.uniform(350.0, 9000.0, count))
    shimmer = ring_modes(
        modes,
        ring_s * (2500.0 / (modes + 1200.0)),
        rng.uniform(0.3, 1.0, count) * 0.035,
        frames,
        rate_hz,
        rng.uniform(0.0, 6.28, count),
    )
    wash = band_noise(rng, frames, 3000.0, 15_000.0, rate_hz, 1)
    wash *= (1.0 - 0.6 * np.exp(-seconds / 0.03)) * 10.0 ** (-3.0 * seconds / (0.7 * ring_s))
    hit = (shimmer + 0.085 * wash) * np.minimum(1.0, seconds / 0.0015) * np.linspace(1.0, 0.0, frames)
    return _close(hit * velocity * 1.2, rate_hz)


def ride(velocity: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """Stick on the bow of a large cymbal: a ping over a quiet wash."""
    frames = int(1.1 * rate_hz)
    seconds = np.arange(frames) / rate_hz
    modes = np.array([410.0, 1130.0, 2260.0, 3380.0, 4490.0, 5230.0, 6870.0, 8400.0]) * rng.uniform(
        0.997, 1.003, 8
    )
    ping = ring_modes(modes, 1.3 * (3000.0 / (modes + 1500.0)), np.full(8, 0.06), frames, rate_hz, 1.5)
    wash = band_noise(rng, frames, 4000.0, 14_000.0, rate_hz, 1) * 10.0 ** (-3.0 * seconds / 0.9)
    hit = (ping + 0.03 * wash) * np.minimum(1.0, seconds / 0.0005) * np.linspace(1.0, 0.0, frames)
    return _close(hit * velocity, rate_hz)


def tom(velocity: float, rate_hz: int, rng: np.random.Generator, *, tone_hz: float = 110.0) -> Array:
    """A drum with a pitch."""
    seconds = np.arange(int(0.6 * rate_hz)) / rate_hz
    phase = 2.0 * np.pi * (tone_hz * seconds + 0.35 * tone_hz * 0.05 * (1.0 - np.exp(-seconds / 0.05)))
    hit = (np.sin(phase) + 0.3 * np.sin(1.59 * phase)) * 10.0 ** (-3.0 * seconds / 0.55)
    hit += (
        0.15
        * velocity
        * band_noise(rng, seconds.size, 300.0, 3000.0, rate_hz, 1)
        * 10.0 ** (-3.0 * seconds / 0.05)
    )
    return _close(hit * np.minimum(1.0, seconds / 0.001) * 0.6 * velocity, rate_hz)


def castanet(velocity: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """Two shells of hard wood: a few milliseconds of very fast ringing."""
    frames = int(0.06 * rate_hz)
    modes = np.array([1240.0, 2180.0, 2760.0, 4150.0, 6300.0]) * rng.uniform(0.97, 1.03)
    clack = ring_modes(
        modes, (0.022, 0.03, 0.024, 0.014, 0.009), (0.35, 0.9, 0.6, 0.4, 0.3), frames, rate_hz, 1.2
    )
    clack += 0.25 * rng.standard_normal(frames) * _decay(0.07, 0.006, rate_hz)[:frames]
    clack *= np.minimum(1.0, np.arange(frames) / (0.0001 * rate_hz))
    return _close(clack * 0.5 * velocity, rate_hz)


def clave(velocity: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """Two rods of rosewood."""
    frames = int(0.12 * rate_hz)
    rod = ring_modes(
        np.array([2310.0, 4890.0, 6150.0]) * rng.uniform(0.995, 1.005),
        (0.075, 0.02, 0.012),
        (0.8, 0.2, 0.12),
        frames,
        rate_hz,
        1.0,
    )
    return _close(rod * np.minimum(1.0, np.arange(frames) / (0.0002 * rate_hz)) * 0.8 * velocity, rate_hz)


def shaker(velocity: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """Seeds in a gourd."""
    frames = int(0.11 * rate_hz)
    seeds = band_noise(rng, frames, 4500.0, 12_000.0, rate_hz, 1)
    return _close(seeds * np.hanning(frames) ** 1.5 * 0.16 * velocity, rate_hz)


def clap(velocity: float, rate_hz: int, rng: np.random.Generator, *, room_s: float = 0.12) -> Array:
    """One pair of hands: cupped (low) to flat (high), no two alike."""
    frames = int((room_s + 0.02) * rate_hz)
    cup_hz = rng.uniform(700.0, 1900.0)
    palm = pass_band(rng.standard_normal(frames), 0.6 * cup_hz, 2.2 * cup_hz, rate_hz, 1)
    burst = palm * _decay(room_s + 0.03, rng.uniform(0.012, 0.03), rate_hz)[:frames]
    tail = palm * _decay(room_s + 0.03, room_s, rate_hz)[:frames]
    hit = (burst + 0.08 * tail) * np.minimum(1.0, np.arange(frames) / (0.0003 * rate_hz))
    return _close(hit * velocity / (np.max(np.abs(hit)) + 1e-12), rate_hz)


def stepped_noise(
    velocity: float, rate_hz: int, rng: np.random.Generator, *, step_hz: float = 9000.0
) -> Array:
    """The noise channel of an early sound chip: random steps held for a fixed time, no filter after it."""
    frames = int(0.12 * rate_hz)
    steps = rng.choice([-1.0, 1.0], int(frames * step_hz / rate_hz) + 2)
    held = steps[(np.arange(frames) * (step_hz / rate_hz)).astype(np.int64)]
    return _close(held * _decay(0.13, 0.11, rate_hz)[:frames] * 0.3 * velocity, rate_hz)
