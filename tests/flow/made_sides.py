"""Small sides made on the spot: groove noise, needle thumps, pieces of simple music. Everything is known exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.tracks.side_features import Features, SideFeatures
from sidekeep.model.record import Side, SleeveTrack

RATE = 22050
"""Low, to be quick; other rates have a test of their own."""
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MadeSide:
    """``starts_s``/``stops_s``: where each piece sounds."""

    audio: Floats
    rate_hz: int
    down_s: float
    up_s: float
    starts_s: tuple[float, ...]
    stops_s: tuple[float, ...]


def tune(seed: int, length_s: float, rate_hz: int = RATE, *, fade_s: float = 0.6) -> Floats:
    """A piece of music of one's own to change; see ``_tune``."""
    return _tune(seed, length_s, rate_hz, fade_s).copy()


@cache
def _tune(seed: int, length_s: float, rate_hz: int, fade_s: float) -> Floats:
    """Plucked notes over a held chord: each seed has its own key, pace and brightness. Starts at once, fades out."""
    rng = np.random.default_rng(seed)
    count = int(length_s * rate_hz)
    t_s = np.arange(count) / rate_hz
    root = 55.0 * 2 ** (rng.integers(0, 24) / 12)
    out = np.zeros((count, 2))
    for step, share in ((0, 0.5), (7, 0.3), (rng.choice([3, 4]), 0.3)):
        turning = np.exp(2j * np.pi * root * 2 ** (step / 12) * t_s)
        parts = [np.exp(1j * rng.uniform(0, 6)) / k for k in range(1, 6)]
        out += share * 0.08 * _powers(turning, parts)[:, None] * np.array([1.0, 0.7 + 0.3 * share])
    pace_s = rng.uniform(0.2, 0.5)
    bright = rng.uniform(2.0, 8.0)
    tail_s = t_s[: int(0.6 * rate_hz)]
    notes: dict[int, Floats] = {}
    for start_s in np.arange(0.0, length_s - 0.1, pace_s):
        step = int(rng.choice([0, 2, 4, 7, 9, 12, 16]))
        if step not in notes:
            turning = np.exp((4j * np.pi * root * 2 ** (step / 12) - 10 / bright) * tail_s)
            note = np.exp(-3 * tail_s) * _powers(turning, [1 / k for k in range(1, 9)])
            notes[step] = 0.12 * note[:, None] * np.array([0.8, 1.0])
        first = int(start_s * rate_hz)
        stop = min(count, first + len(tail_s))
        out[first:stop] += notes[step][: stop - first]
    fade = int(fade_s * rate_hz)
    if fade:
        out[-fade:] *= np.linspace(1.0, 0.0, fade)[:, None] ** 2
    return out


def _powers(turning: NDArray[np.complex128], parts: Sequence[complex]) -> Floats:
    """The imaginary part of ``parts[0] turning + parts[1] turning**2 + ...``: as many sines for the price of one."""
    total = np.full(turning.shape, parts[-1], np.complex128)
    for part in reversed(parts[:-1]):
        total *= turning
        total += part
    total *= turning
    return total.imag


def groove_noise(rng: np.random.Generator, count: int, rate_hz: int, level_dbfs: float) -> Floats:
    """Falling spectrum, 2 dB louder inward, breathing 1 dB once per turn of 1.8 s."""
    from scipy.signal import lfilter

    noise = lfilter([1.0], [1.0, -0.6], rng.standard_normal((count, 2)), axis=0)
    noise *= 10 ** (level_dbfs / 20) / noise.std()
    t_s = np.arange(count) / rate_hz
    swell_db = 2.0 * t_s / max(t_s[-1], 1e-9) + np.cos(2 * np.pi * t_s / 1.8)
    return noise * 10 ** (swell_db / 20)[:, None]


def make_side(
    pieces: Sequence[Floats],
    *,
    gaps_s: Sequence[float] | None = None,
    noise_dbfs: float = -58.0,
    idle_dbfs: float = -85.0,
    down_s: float = 1.5,
    lead_in_s: float = 2.5,
    run_out_s: float = 4.0,
    up_s: float = 1.5,
    clicks_per_s: float = 1.0,
    locked: bool = False,
    rate_hz: int = RATE,
    seed: int = 1,
) -> MadeSide:
    """Idle, thump, lead-in, pieces with gaps (negative: they overlap), run-out, thump, idle."""
    rng = np.random.default_rng(seed)
    gaps = list(gaps_s) if gaps_s is not None else [2.0] * (len(pieces) - 1)
    starts, stops, position = [], [], down_s + lead_in_s
    for index, piece in enumerate(pieces):
        position += gaps[index - 1] if index else 0.0
        starts.append(position)
        position += len(piece) / rate_hz
        stops.append(position)
    lift_s = position + run_out_s
    audio = 10 ** (idle_dbfs / 20) * rng.standard_normal((int((lift_s + up_s) * rate_hz), 2))
    low, high = int(down_s * rate_hz), int(lift_s * rate_hz)
    audio[low:high] += groove_noise(rng, high - low, rate_hz, noise_dbfs)
    for start_s, piece in zip(starts, pieces, strict=True):
        first = int(start_s * rate_hz)
        audio[first : first + len(piece)] += piece
    for where in rng.integers(low, high, int(clicks_per_s * (high - low) / rate_hz)):
        audio[where : where + 3] += rng.normal(0.0, 0.2, (3, 2))[: len(audio) - where]
    if locked:
        for tick_s in np.arange(position + 0.7, lift_s, 1.8):
            where = int(tick_s * rate_hz)
            audio[where : where + 20] += 0.3 * rng.standard_normal((20, 2))
    t_s = np.arange(int(0.3 * rate_hz)) / rate_hz
    thump = 0.3 * np.exp(-t_s / 0.05) * np.sin(2 * np.pi * (20.0 * t_s + 2.0 * (1 - np.exp(-t_s / 0.01))))
    for frame in (low, high):
        end = min(len(audio), frame + len(thump))
        audio[frame:end] += thump[: end - frame, None] * np.array([1.0, -0.7])
    return MadeSide(audio, rate_hz, down_s, lift_s, tuple(starts), tuple(stops))


def features_of(audio: Floats, rate_hz: int = RATE) -> Features:
    """All of the audio through the meter."""
    meter = SideFeatures(rate_hz=rate_hz, channels=audio.shape[1])
    for start in range(0, len(audio), 65536):
        meter.process(audio[start : start + 65536])
    return meter.finish()


def sleeve(lengths_s: Sequence[float | None], name: str = "A") -> Side:
    """A side whose tracks are called A1, A2, ..."""
    tracks = tuple(
        SleeveTrack(number=n, title=f"{name}{n}", duration_s=None if length is None else float(round(length)))
        for n, length in enumerate(lengths_s, start=1)
    )
    return Side(name=name, tracks=tracks)
