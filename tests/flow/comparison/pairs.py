"""Two takes of one made side with everything between them known: speed, wow, level, treble, marks, noise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.model.audio import AudioFormat
from tests.flow.made_sides import tune

RATE = 32_000
LENGTH_S = 44.0
SHORT = 24 * RATE
"""Frames of the first two tunes and the beginning of the third: enough where the length is not the point."""
NOISE = 10 ** (-66 / 20)
Floats = NDArray[np.float64]


class Held:
    """A take in memory, as a source."""

    def __init__(self, audio: Floats, rate_hz: int = RATE) -> None:
        self.audio = audio
        self.format = AudioFormat(rate_hz=rate_hz, channels=audio.shape[1], bits=24, length_frames=len(audio))

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Floats]:
        stop = len(self.audio) if stop_frame is None else stop_frame
        for start in range(start_frame, stop, block_frames):
            yield self.audio[start : min(stop, start + block_frames)]

    def read(self, start_frame: int, stop_frame: int) -> Floats:
        return self.audio[start_frame:stop_frame]


@dataclass(frozen=True)
class Take:
    """``position`` (frames,) of the music at every frame; ``marks_s`` where ticks were put."""

    audio: Floats
    position: Floats
    marks_s: tuple[float, ...]

    def until(self, stop_frame: int) -> Take:
        """Its beginning."""
        return replace(self, audio=self.audio[:stop_frame], position=self.position[:stop_frame])


@cache
def music() -> Floats:
    """Four tunes end to end, brushed cymbals over them, with a rest between."""
    rng = np.random.default_rng(77)
    parts = []
    for seed in (3, 8, 5, 2):
        piece = tune(seed, LENGTH_S / 4 - 1.0, RATE)
        decay = np.exp(-np.arange(RATE // 4) / (0.05 * RATE))[:, None]
        for start in range(RATE // 8, len(piece) - RATE // 2, RATE // 4):
            brush = np.diff(rng.standard_normal((RATE // 4 + 1, 1)), axis=0) * [1.0, 0.8]
            piece[start : start + RATE // 4] += 0.03 * decay * brush
        parts += [piece, np.zeros((RATE, 2))]
    return np.concatenate(parts)


def shared_marks() -> list[tuple[float, float]]:
    """Moments of the music (s) and heights of the ticks that every playing has."""
    disc = np.random.default_rng(99)
    return [
        (float(at_s), float(size)) for at_s, size in zip(disc.uniform(2, 42, 40), disc.uniform(0.03, 0.2, 40))
    ]


def play(
    seed: int,
    *,
    speed: float = 1.0,
    wow: float = 5e-4,
    gain: float = 1.0,
    ticks: tuple[float, ...] = (),
    old_ticks: bool = True,
) -> Take:
    """One playing: the same side, its own noise; ``ticks`` are moments of the music (s) at which a new mark lies."""
    take = _played(seed, speed, wow, gain, ticks, old_ticks)
    return replace(take, audio=take.audio.copy())


@lru_cache(maxsize=4)
def _played(
    seed: int, speed: float, wow: float, gain: float, ticks: tuple[float, ...], old_ticks: bool
) -> Take:
    rng = np.random.default_rng(seed)
    n = np.arange(int(LENGTH_S * RATE / speed))
    turn = 2 * np.pi * n / RATE / 1.8
    position = speed * (n + wow * RATE * 1.8 / (2 * np.pi) * np.sin(turn))
    audio = gain * read_at(music(), position)
    audio += NOISE * rng.standard_normal(audio.shape)
    places = []
    for at_s, size in [*(shared_marks() if old_ticks else []), *((at_s, 0.12) for at_s in ticks)]:
        frame = int(np.searchsorted(position, at_s * RATE))
        part = (position[frame] - at_s * RATE) / speed
        width = np.arange(-8, 9) + part
        shape = np.exp(-np.abs(width)) * np.cos(width)
        if 20 < frame < len(audio) - 20:
            audio[frame - 8 : frame + 9, 0] += gain * size * shape
            audio[frame - 8 : frame + 9, 1] -= gain * 0.7 * size * shape
            if at_s in ticks:
                places.append(frame / RATE)
    return Take(audio=audio, position=position, marks_s=tuple(places))


def true_times(old: Take, new: Take, at_s: Floats) -> Floats:
    """Where moments of the old take are in the new one."""
    frames = np.interp(at_s * RATE, np.arange(len(old.position)), old.position)
    return np.interp(frames, new.position, np.arange(len(new.position))) / RATE
