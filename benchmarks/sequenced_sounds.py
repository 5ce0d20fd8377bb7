"""Music of short samples on a grid to fit the evidence on: started and cut hard, in coarse steps, each voice on its own side.

Arrays are (frames, 2) float64, peak -3 dBFS. What is easily taken for ticks here is the music's own: a note begins away from
zero, is cut by the next one of its voice, goes on in 8-bit steps that are held, is looped where its ends do not meet, and its
level goes down in steps at an even pace. All numbers are drawn anew for every seed. No sound or number is one of the benches'.
"""

from __future__ import annotations

import io

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PEAK = 10.0 ** (-3.0 / 20.0)
SHAPES = ("cycle", "struck", "burst", "drop", "chord")
WRITE_FRAMES = 16_384


def sequenced_sound(rate_hz: int, seconds: float, seed: int) -> Floats:
    """One piece: three to eight voices on one grid."""
    rng = np.random.default_rng((seed, 303))
    row_s = rng.uniform(0.07, 0.2)
    mixed_hz = int(rng.choice([rate_hz, rate_hz, 22_050, 28_867, 48_000]))
    frames = int(seconds * mixed_hz)
    sound = np.zeros((frames, 2))
    apart = rng.choice([0.5, 0.8, 1.0])
    for voice in range(int(rng.integers(3, 9))):
        mono = _voice(frames, mixed_hz, row_s, rng, str(rng.choice(SHAPES)))
        left = 0.5 + 0.5 * apart * (1.0 if voice % 4 in (0, 3) else -1.0) * rng.uniform(0.6, 1.0)
        sound += rng.uniform(0.2, 1.0) * mono[:, np.newaxis] * np.sqrt([left, 1.0 - left])
    if mixed_hz != rate_hz:
        sound = soxr.resample(sound, mixed_hz, rate_hz, quality="HQ")
    sound = PEAK * sound / (np.abs(sound).max() + 1e-9)
    if rng.random() < 0.4:
        sound = _through_vorbis(sound, rate_hz)
    return np.ascontiguousarray(PEAK * sound / (np.abs(sound).max() + 1e-9))


def _voice(frames: int, rate_hz: int, row_s: float, rng: np.random.Generator, shape: str) -> Floats:
    """Notes of one sample, each until the next begins; a pattern of rows that is repeated with changes."""
    sample, loop_from = _sample(shape, rng)
    held = rng.random() < 0.5
    step_s = row_s / int(rng.integers(3, 8))
    pattern = rng.random(16) < rng.uniform(0.15, 0.8)
    tune = rng.integers(-12, 13, 16)
    out = np.zeros(frames)
    rows = int(frames / rate_hz / row_s)
    starts = [row for row in range(rows) if pattern[row % 16] != (rng.random() < 0.05)]
    fade = rng.choice([0.0, 0.0, 0.02, 0.06, 0.2])
    for row, following in zip(starts, [*starts[1:], rows][: len(starts)], strict=True):
        first, last = int(row * row_s * rate_hz), int(following * row_s * rate_hz)
        last = min(last, first + int(rate_hz * row_s * rng.choice([1, 2, 4, 16])), frames)
        pace = 2.0 ** (tune[row % 16] / 12.0) * 16_000.0 / rate_hz
        place = pace * np.arange(last - first)
        if loop_from is not None:
            long = len(sample) - loop_from
            place = np.where(place < len(sample), place, loop_from + np.mod(place - loop_from, long))
        inside = place[place < len(sample) - 1.0]
        played = sample[inside.astype(int)] if held else np.interp(inside, np.arange(len(sample)), sample)
        steps = np.floor(np.arange(len(inside)) / rate_hz / step_s)
        level = np.round(64.0 * np.maximum(0.0, rng.uniform(0.4, 1.0) - fade * steps)) / 64.0
        out[first : first + len(inside)] = played * level
    return out


def _sample(shape: str, rng: np.random.Generator) -> tuple[Floats, int | None]:
    """A sample in 8-bit steps at some 16 kHz, peak 1, and the frame from which it is looped, if it is."""
    frames = int(rng.uniform(800.0, 9000.0))
    t = np.arange(frames) / 16_000.0
    hz = np.exp(rng.uniform(np.log(110.0), np.log(900.0)))
    loop_from: int | None = None
    match shape:
        case "cycle":
            cycle = int(rng.integers(24, 200))
            parts = rng.standard_normal((2, 12)) / np.arange(1, 13)
            angle = 2.0 * np.pi * np.outer(np.arange(1, 13), np.arange(cycle)) / cycle
            sample = parts[0] @ np.cos(angle) + parts[1] @ np.sin(angle)
            sample = np.tile(np.sign(sample) if rng.random() < 0.4 else sample, 3)
            loop_from = len(sample) - cycle
        case "struck":
            k = np.arange(1, 20)[:, np.newaxis]
            sample = np.sum(
                np.exp(-(3.0 + k) * t) * np.sin(2.0 * np.pi * k * hz * t) / k ** rng.uniform(0.3, 1.3), axis=0
            )
            loop_from = int(frames * rng.uniform(0.5, 0.9)) if rng.random() < 0.5 else None
        case "burst":
            wide = int(rng.integers(1, 9))
            noise = np.convolve(rng.standard_normal(frames + wide - 1), np.ones(wide), "valid")
            sample = noise * np.exp(-t * np.exp(rng.uniform(np.log(5.0), np.log(80.0))))
        case "drop":
            falling = 45.0 + rng.uniform(100.0, 900.0) * np.exp(-t * rng.uniform(15.0, 60.0))
            sample = np.sin(2.0 * np.pi * np.cumsum(falling) / 16_000.0 + rng.uniform(0.0, 1.5))
            sample = sample * np.exp(-t * rng.uniform(3.0, 15.0))
        case _:
            sample = sum(
                np.sin(2.0 * np.pi * hz * 2.0 ** (tone / 12.0) * t + rng.uniform(0.0, 6.28))
                for tone in (0, rng.choice([3, 4]), 7)
            )
            loop_from = int(frames * rng.uniform(0.0, 0.8))
    coarse = float(rng.choice([16.0, 64.0, 127.0, 127.0]))
    return np.round(coarse * sample / (np.abs(sample).max() + 1e-9)) / coarse, loop_from


def _through_vorbis(sound: Floats, rate_hz: int) -> Floats:
    """As a file that was made small would give it: edges with a little ringing before them."""
    file = io.BytesIO()
    with soundfile.SoundFile(file, "w", rate_hz, 2, format="OGG", subtype="VORBIS") as writer:
        for at in range(0, len(sound), WRITE_FRAMES):
            writer.write(sound[at : at + WRITE_FRAMES])
    file.seek(0)
    decoded, _ = soundfile.read(file, dtype="float64", always_2d=True)
    return np.asarray(decoded[: len(sound)])
