"""Sounds with edges to fit the evidence on: drawn from one wide family, none of them an instrument of the benches.

Arrays are (frames, 2) float64, peak -3 dBFS. A source with an edge in every cycle (pulses, steps, bends, squared waves, struck
rings, pieces joined without a fade), uneven by a random share in time and height, goes through random resonances, sometimes
through a limiter; a second voice may join. ``benchmarks.sharp_sounds`` has its own sources and numbers, and judges.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PEAK = 10.0 ** (-3.0 / 20.0)
SOURCES = ("pulses", "pairs", "steps", "bends", "squares", "rings", "pieces")


def edgy_sound(rate_hz: int, seconds: float, seed: int) -> Floats:
    """One sound of the family."""
    rng = np.random.default_rng((seed, 77))
    mono = _voice(rate_hz, seconds, rng, SOURCES[seed % len(SOURCES)])
    if rng.random() < 0.4:
        mono = mono + rng.uniform(0.1, 0.8) * _voice(rate_hz, seconds, rng, str(rng.choice(SOURCES)))
    late = int(rng.uniform(0.0, 0.001) * rate_hz)
    sound = np.stack([mono, rng.uniform(0.2, 1.1) * np.roll(mono, late)], axis=1)
    sound += rng.uniform(0.0, 0.2) * np.roll(sound[:, ::-1], int(rng.uniform(1.0, 400.0)), axis=0)
    return PEAK * sound / np.abs(sound).max()


def _voice(rate_hz: int, seconds: float, rng: np.random.Generator, source: str) -> Floats:
    frames = int(seconds * rate_hz)
    hz, loud = _line(frames, rate_hz, rng)
    early, high = np.exp(rng.uniform(np.log(1e-3), np.log(0.15), 2))
    match source:
        case "pulses":
            sound = _pulses(hz, rate_hz, rng, early, high) * loud
        case "pairs":
            sound = np.diff(_pulses(hz, rate_hz, rng, early, high), n=int(rng.integers(1, 3)), prepend=0.0)
            sound = np.resize(sound, frames) * loud
        case "steps":
            sound = loud * (2.0 * np.mod(np.cumsum(hz) / rate_hz, 1.0) - 1.0)
        case "bends":
            cycle = 2.0 * np.pi * np.cumsum(hz) / rate_hz
            steep = rng.uniform(0.7, 0.99) * loud
            sound = loud * np.arctan2(steep * np.sin(cycle), 1.0 - steep * np.cos(cycle))
        case "squares":
            width = rng.uniform(0.05, 0.5)
            sound = loud * np.where(np.mod(np.cumsum(hz) / rate_hz, 1.0) < width, 1.0, -1.0)
        case "rings":
            sound = _rings(frames, rate_hz, rng)
        case _:
            sound = _pieces(frames, rate_hz, rng)
    if rng.random() < 0.7:
        sound = _resonate(sound, rate_hz, rng)
    if rng.random() < 0.25:
        sound = np.clip(rng.uniform(2.0, 15.0) * sound / (np.abs(sound).max() + 1e-9), -1.0, 1.0)
    sound = sound + 10.0 ** rng.uniform(-5.0, -2.5) * rng.standard_normal(frames) * np.abs(sound).max()
    return np.asarray(sound / (np.abs(sound).max() + 1e-9))


def _line(frames: int, rate_hz: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Frequency and loudness, frame by frame: notes about a middle that is drawn for the whole line, with rests and slides."""
    middle = np.exp(rng.uniform(np.log(22.0), np.log(700.0)))
    hz, loud = np.empty(frames), np.zeros(frames)
    at = 0
    while at < frames:
        length = min(frames - at, int(rate_hz * np.exp(rng.uniform(np.log(0.06), np.log(1.5)))))
        t = np.linspace(0.0, 1.0, length)
        note = middle * 2.0 ** rng.normal(0.0, 0.35)
        hz[at : at + length] = note * 2.0 ** (rng.normal(0.0, 0.03) * t) * (1.0 + 0.005 * np.sin(40.0 * t))
        edge = rng.uniform(0.005, 0.2)
        loud[at : at + length] = (
            np.clip(np.minimum(t, 1.0 - t) / edge, 0.0, 1.0) * rng.uniform(0.0, 1.0) ** 0.5
        )
        at += length
    return hz, loud


def _pulses(hz: Floats, rate_hz: int, rng: np.random.Generator, early: float, high: float) -> Floats:
    places = np.flatnonzero(np.diff(np.floor(np.cumsum(hz) / rate_hz)) > 0.0)
    shift = early * rate_hz / hz[places] * rng.standard_normal(len(places))
    out = np.zeros(len(hz))
    np.add.at(
        out,
        np.clip(places + shift.astype(int), 0, len(hz) - 1),
        1.0 + high * rng.standard_normal(len(places)),
    )
    wide = int(rng.integers(1, 14))
    return np.convolve(out, np.hanning(wide + 2)[1:-1], "same")


def _rings(frames: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Struck partials that die out, the high ones sooner."""
    out = np.zeros(frames)
    at, bright = 0, rng.uniform(0.2, 1.2)
    while at < frames:
        hz = np.exp(rng.uniform(np.log(80.0), np.log(900.0)))
        length = min(frames - at, int(rng.uniform(0.2, 1.0) * rate_hz))
        t = np.arange(length) / rate_hz
        for k in range(1, min(60, int(0.45 * rate_hz / hz))):
            out[at : at + length] += (
                np.exp(-(2.0 + 0.4 * k) * t) * np.sin(2.0 * np.pi * k * hz * t) / k**bright
            )
        at += int(rate_hz * np.exp(rng.uniform(np.log(0.03), np.log(0.4))))
    return out


def _pieces(frames: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Tones, chords and noises joined as they come; a few joins are faded over some frames."""
    out = np.empty(frames)
    at, longest = 0, np.exp(rng.uniform(np.log(0.05), np.log(0.6)))
    while at < frames:
        length = min(frames - at, max(64, int(rate_hz * rng.uniform(0.008, longest))))
        t = np.arange(length) / rate_hz
        piece = np.zeros(length)
        for _ in range(int(rng.integers(1, 5))):
            hz = np.exp(rng.uniform(np.log(50.0), np.log(5000.0)))
            piece += rng.uniform(0.1, 1.0) * np.sin(2.0 * np.pi * (hz * t + rng.random()))
        if rng.random() < 0.35:
            wide = int(rng.integers(2, 30))
            piece = np.convolve(rng.standard_normal(length + wide - 1), np.ones(wide) / wide, "valid")
        if rng.random() < 0.2:
            edge = min(length // 2, int(rng.integers(2, 60)))
            piece[:edge] *= np.linspace(0.0, 1.0, edge)
        out[at : at + length] = rng.uniform(0.05, 1.0) * piece
        at += length
    return out


def _resonate(source: Floats, rate_hz: int, rng: np.random.Generator) -> Floats:
    from scipy.signal import lfilter

    total = rng.uniform(0.0, 0.3) * source
    for _ in range(int(rng.integers(1, 6))):
        hz = np.exp(rng.uniform(np.log(200.0), np.log(9000.0)))
        radius = np.exp(-np.pi * np.exp(rng.uniform(np.log(50.0), np.log(2500.0))) / rate_hz)
        poles = [1.0, -2.0 * radius * np.cos(2.0 * np.pi * hz / rate_hz), radius * radius]
        total = total + rng.uniform(0.1, 1.0) * lfilter([1.0 - radius], poles, source)
    return np.asarray(total)
