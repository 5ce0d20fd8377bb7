"""Pieces that make a side awkward to cut: applause, speech, false stops, sparse beginnings, long fades.

Audio is (frames, 2) float64 at ``RATE_HZ``; all is drawn from the generator that is handed in.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from sidekeep.press.disc.side import Piece

Floats = NDArray[np.float64]
RATE_HZ = 44100


def with_applause(pieces: list[Piece], rng: np.random.Generator) -> list[Piece]:
    """A live side: applause follows each piece and runs into the next; the marks are where the pieces start."""
    live = []
    for index, piece in enumerate(pieces):
        clap = applause(rng, float(rng.uniform(5.0, 12.0))) * float(np.abs(piece.audio).max()) * 0.35
        audio = np.concatenate([piece.audio[: -RATE_HZ // 2], clap])
        live.append(dataclasses.replace(piece, audio=audio, boundary="segue" if index else "gap"))
    return live


def applause(rng: np.random.Generator, seconds: float) -> Floats:
    """A few hundred people clapping: bursts of band-passed noise, each at its own pace, fading away."""
    from scipy.signal import butter, sosfilt

    count = int(seconds * RATE_HZ)
    hits = np.zeros((count, 2))
    for _ in range(220):
        pace_s, where = rng.uniform(0.2, 0.4), rng.uniform(0.2, 0.8)
        times = np.arange(rng.uniform(0.0, pace_s), seconds * rng.uniform(0.5, 1.0), pace_s)
        index = np.clip(((times + rng.normal(0, 0.02, len(times))) * RATE_HZ).astype(int), 0, count - 1)
        np.add.at(hits, (index, 0), np.sqrt(where) * rng.uniform(0.5, 1.0))
        np.add.at(hits, (index, 1), np.sqrt(1 - where) * rng.uniform(0.5, 1.0))
    burst = rng.standard_normal(int(0.012 * RATE_HZ)) * np.exp(-np.arange(int(0.012 * RATE_HZ)) / 120.0)
    from scipy.signal import fftconvolve

    clap = sosfilt(
        butter(2, [500.0, 5000.0], "bandpass", fs=RATE_HZ, output="sos"),
        fftconvolve(hits, burst[:, np.newaxis], axes=0)[:count],
        axis=0,
    )
    ramp = np.minimum(1.0, np.arange(count) / (0.6 * RATE_HZ))[:, np.newaxis]
    return clap / np.abs(clap).max() * ramp


def speech(rng: np.random.Generator, seconds: float) -> Floats:
    """One voice: voiced syllables with moving formants, pauses between words, half a second to 1.6 s between sentences."""
    from scipy.signal import lfilter

    count = int(seconds * RATE_HZ)
    out = np.zeros(count)
    position = 0
    while position < count:
        for _ in range(int(rng.integers(8, 25))):
            length = int(rng.uniform(0.09, 0.28) * RATE_HZ)
            t_s = np.arange(length) / RATE_HZ
            pitch = rng.uniform(95, 150) * (1 - 0.15 * t_s / t_s[-1])
            source = np.sign(np.sin(2 * np.pi * np.cumsum(pitch) / RATE_HZ)) + 0.2 * rng.standard_normal(
                length
            )
            for formant in (rng.uniform(300, 800), rng.uniform(900, 2300), rng.uniform(2400, 3200)):
                radius = np.exp(-np.pi * 90.0 / RATE_HZ)
                shape = [1.0, -2 * radius * np.cos(2 * np.pi * formant / RATE_HZ), radius**2]
                source = lfilter([1 - radius], shape, source)
            syllable = (
                source / np.abs(source).max() * np.sqrt(np.clip(np.sin(np.pi * t_s / t_s[-1]), 0.0, 1.0))
            )
            end = min(count, position + length)
            out[position:end] += syllable[: end - position] * rng.uniform(0.4, 1.0)
            position += length + int(rng.uniform(0.0, 0.06) * RATE_HZ)
            if position >= count:
                break
        position += int(rng.uniform(0.4, 1.6) * RATE_HZ)
    out = np.trim_zeros(out, "b")
    return np.repeat(out[:, np.newaxis] * 0.3, 2, axis=1)


def false_stop(piece: Piece, rng: np.random.Generator) -> Piece:
    """The music breaks off for 0.8 to 1.6 s in the middle."""
    audio = piece.audio
    at = int(len(audio) * rng.uniform(0.3, 0.7))
    fade = int(0.08 * RATE_HZ)
    before = audio[:at].copy()
    before[-fade:] *= np.linspace(1.0, 0.0, fade)[:, np.newaxis]
    pause = np.zeros((int(rng.uniform(0.8, 1.6) * RATE_HZ), 2))
    return dataclasses.replace(piece, audio=np.concatenate([before, pause, audio[at:]]))


def sparse_start(piece: Piece, rng: np.random.Generator) -> Piece:
    """One to three plucked notes, each alone with its decay, before the music goes on."""
    notes = np.zeros((0, 2))
    loud = float(np.sqrt(np.mean(np.square(piece.audio))))
    for _ in range(int(rng.integers(1, 4))):
        t_s = np.arange(int(rng.uniform(0.5, 1.5) * RATE_HZ)) / RATE_HZ
        pitch_hz = float(rng.uniform(150.0, 700.0))
        tone = sum(
            np.sin(2 * np.pi * pitch_hz * k * t_s) * np.exp(-t_s * (5 + 4 * k)) / k for k in range(1, 7)
        )
        note = np.minimum(1.0, t_s / 0.003) * tone * loud * rng.uniform(0.5, 1.2)
        notes = np.concatenate([notes, note[:, np.newaxis] * rng.uniform(0.6, 1.0, 2)])
    return dataclasses.replace(piece, audio=np.concatenate([notes, piece.audio]))


def long_fades(piece: Piece, rng: np.random.Generator) -> Piece:
    """Comes in over 2 to 6 s and goes out over 6 to 15 s, even in dB over 60 dB as a fader is pulled."""
    audio = piece.audio.copy()
    rise, fall = int(rng.uniform(2.0, 6.0) * RATE_HZ), int(rng.uniform(6.0, 15.0) * RATE_HZ)
    audio[:rise] *= 10 ** (np.linspace(-60.0, 0.0, rise) / 20)[:, np.newaxis]
    audio[-fall:] *= 10 ** (np.linspace(0.0, -60.0, fall) / 20)[:, np.newaxis]
    return dataclasses.replace(piece, audio=audio)
