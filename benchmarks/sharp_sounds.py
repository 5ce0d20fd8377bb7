"""Sounds with a sharp edge in every cycle, by general synthesis: what is most easily taken for damage on a worn side.

Arrays are (frames, 2) float64, peaks at -3 dBFS. Sources are pulse trains and steps with the unevenness of breath, bow,
vocal folds or a cheap oscillator; filters are plain resonances. None was used to fit the evidence.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PEAK = 10.0 ** (-3.0 / 20.0)


def _phase(hz: Floats, rate_hz: int) -> Floats:
    return np.cumsum(hz) / rate_hz


def _notes(
    rng: np.random.Generator, seconds: float, rate_hz: int, low: float, high: float
) -> tuple[Floats, Floats]:
    """A line of notes: frequency and loudness a frame, with vibrato and a short rest between."""
    frames = int(seconds * rate_hz)
    hz, loud = np.empty(frames), np.zeros(frames)
    at, note = 0, 0.5 * (low + high)
    while at < frames:
        length = min(frames - at, int(rate_hz * rng.choice([0.15, 0.3, 0.6, 1.2])))
        note = float(np.clip(note * 2.0 ** (rng.integers(-4, 5) / 12.0), low, high))
        t = np.arange(length) / rate_hz
        hz[at : at + length] = note * (1.0 + 0.006 * np.sin(2.0 * np.pi * 5.3 * t) * np.minimum(1.0, 3.0 * t))
        rise = np.minimum(1.0, t / 0.02) * np.minimum(1.0, (length / rate_hz - t) / 0.03)
        loud[at : at + length] = rise * rng.uniform(0.5, 1.0)
        at += length
    return hz, loud


def _resonate(source: Floats, rate_hz: int, peaks: tuple[tuple[float, float, float], ...]) -> Floats:
    """The sum of resonances (Hz, width in Hz, gain)."""
    from scipy.signal import lfilter

    total = np.zeros_like(source)
    for hz, wide, gain in peaks:
        radius = np.exp(-np.pi * wide / rate_hz)
        poles = [1.0, -2.0 * radius * np.cos(2.0 * np.pi * hz / rate_hz), radius * radius]
        total += gain * lfilter([1.0 - radius], poles, source)
    return total


def _pulses(hz: Floats, rate_hz: int, rng: np.random.Generator, uneven: float) -> Floats:
    """One pulse a cycle, a little early or late and of uneven height."""
    cycles = _phase(hz, rate_hz)
    places = np.flatnonzero(np.diff(np.floor(cycles)) > 0.0)
    places = places + np.round(uneven * rate_hz / hz[places] * rng.standard_normal(len(places))).astype(int)
    out = np.zeros(len(hz))
    np.add.at(out, np.clip(places, 0, len(hz) - 1), 1.0 + 2.0 * uneven * rng.standard_normal(len(places)))
    return out


def reed(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """A double reed: narrow pulses through nasal resonances."""
    hz, loud = _notes(rng, seconds, rate_hz, 150.0, 420.0)
    source = np.convolve(_pulses(hz, rate_hz, rng, 0.004) * loud, np.hanning(9), "same")
    return (
        _resonate(source, rate_hz, ((1100.0, 120.0, 1.0), (2900.0, 250.0, 0.8), (5500.0, 900.0, 0.5)))
        + 0.05 * source
    )


def muted_trumpet(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Lip pulses through a mute: most of it between 1.5 and 6 kHz, with an edge every cycle."""
    hz, loud = _notes(rng, seconds, rate_hz, 230.0, 700.0)
    source = np.diff(_pulses(hz, rate_hz, rng, 0.002) * loud**1.5, prepend=0.0)
    return _resonate(source, rate_hz, ((1700.0, 300.0, 1.0), (3800.0, 800.0, 1.2), (8000.0, 2500.0, 0.8)))


def brass(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Loud low brass: the wave steepens to a shock once a cycle."""
    hz, loud = _notes(rng, seconds, rate_hz, 80.0, 260.0)
    cycle = _phase(hz, rate_hz)
    steep = 0.9 * loud
    bent = cycle + steep * np.sin(2.0 * np.pi * cycle) / (2.0 * np.pi)
    shock = np.arctan2(
        0.98 * loud * np.sin(2.0 * np.pi * bent), 1.0 - 0.98 * loud * np.cos(2.0 * np.pi * bent)
    )
    return loud * shock


def vocal_fry(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Creaky voice: 25 to 60 pulses a second, far from even, through the resonances of vowels."""
    hz, loud = _notes(rng, seconds, rate_hz, 25.0, 60.0)
    source = _pulses(hz, rate_hz, rng, 0.08) * (0.3 + 0.7 * loud)
    source += 1e-3 * rng.standard_normal(len(source))
    return _resonate(
        source,
        rate_hz,
        ((600.0, 80.0, 1.0), (1300.0, 100.0, 0.7), (2600.0, 160.0, 0.5), (3600.0, 250.0, 0.3)),
    )


def distorted_guitar(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Two strings a fifth apart through a hard limiter and a loudspeaker."""
    from scipy.signal import lfilter

    hz, loud = _notes(rng, seconds, rate_hz, 80.0, 200.0)
    plain = np.sin(2.0 * np.pi * _phase(hz, rate_hz)) + np.sin(2.0 * np.pi * _phase(1.4983 * hz, rate_hz))
    hard = np.clip(12.0 * (0.2 + loud) * plain + 0.02 * rng.standard_normal(len(hz)), -1.0, 1.0)
    return np.asarray(lfilter([0.45], [1.0, -0.55], hard))


def sawtooth(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """A plain sawtooth with no filter: a step a cycle that falls between the samples as it likes."""
    hz, loud = _notes(rng, seconds, rate_hz, 60.0, 500.0)
    return loud * (2.0 * np.mod(_phase(hz, rate_hz), 1.0) - 1.0)


def chip(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Old game hardware: pulse waves of 12 and 50 % and noise from a shift register, with hard edges and no filter."""
    hz, loud = _notes(rng, seconds, rate_hz, 110.0, 900.0)
    low, _ = _notes(rng, seconds, rate_hz, 55.0, 220.0)
    square = np.where(np.mod(_phase(hz, rate_hz), 1.0) < 0.125, 1.0, -1.0) * np.round(15.0 * loud) / 15.0
    bass = np.round(7.5 * np.abs(4.0 * np.mod(_phase(low, rate_hz), 1.0) - 2.0)) / 7.5 - 1.0
    hold = max(1, rate_hz // 8000)
    noise = np.repeat(rng.choice([-1.0, 1.0], len(hz) // hold + 1), hold)[: len(hz)]
    beat = np.mod(np.arange(len(hz)) / rate_hz, 0.5)
    return 0.5 * square + 0.4 * bass + 0.4 * noise * np.exp(-12.0 * beat)


def cut_up(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Pieces of tones and noise joined with no fades: a step at every cut, off any grid."""
    out = np.empty(int(seconds * rate_hz))
    at = 0
    while at < len(out):
        length = min(len(out) - at, int(rate_hz * rng.uniform(0.01, 0.2)))
        t = np.arange(length) / rate_hz
        tone = np.sin(2.0 * np.pi * rng.uniform(80.0, 2000.0) * t + rng.uniform(0.0, 6.28))
        noise = np.convolve(rng.standard_normal(length + 8), np.ones(9) / 9.0, "valid")
        out[at : at + length] = rng.uniform(0.1, 1.0) * (tone if rng.random() < 0.7 else 0.5 * noise)
        at += length
    return out


def quills(seconds: float, rate_hz: int, rng: np.random.Generator) -> Floats:
    """A harpsichord: quick plucks of many bright partials."""
    out = np.zeros(int(seconds * rate_hz))
    at = 0
    while at < len(out):
        hz = 110.0 * 2.0 ** (rng.integers(0, 30) / 12.0)
        length = min(len(out) - at, int(1.2 * rate_hz))
        t = np.arange(length) / rate_hz
        for k in range(1, int(0.45 * rate_hz / hz)):
            out[at : at + length] += np.exp(-(1.5 + 0.25 * k) * t) * np.sin(2.0 * np.pi * k * hz * t) / k**0.6
        at += int(rate_hz * rng.choice([0.08, 0.16, 0.32]))
    return out


SHARP: dict[str, Callable[[float, int, np.random.Generator], Floats]] = {
    "reed": reed,
    "muted trumpet": muted_trumpet,
    "brass": brass,
    "vocal fry": vocal_fry,
    "distorted guitar": distorted_guitar,
    "sawtooth": sawtooth,
    "chip": chip,
    "cut-up": cut_up,
    "quills": quills,
}


def sharp_sound(name: str, rate_hz: int, seconds: float, seed: int) -> Floats:
    """One of ``SHARP`` in a small room of its own: a little later and duller on the right."""
    rng = np.random.default_rng((seed, sorted(SHARP).index(name)))
    mono = SHARP[name](seconds, rate_hz, rng)
    late = int(0.0004 * rate_hz)
    right = 0.7 * np.roll(mono, late) + 0.15 * np.roll(mono, 3 * late)
    sound = np.stack([mono, right], axis=1)
    return PEAK * sound / np.abs(sound).max()
