"""Sounds of the null set that are tones with sharp edges: brass, quills, distortion, square waves, voices, strings.

All are (frames, 2) float64 from rate, seconds and a generator.
"""

from __future__ import annotations

import numpy as np

from sidekeep.press.music import drums
from sidekeep.press.music.instruments import bowed_strings, brass, chip_tone, organ, shape_vowels, sung_line
from sidekeep.press.music.null_stage import add_voice, empty_stage, hz
from sidekeep.press.music.plucked import (
    electric_bass,
    electric_guitar,
    harpsichord,
    mallet,
    piano,
    plucked_string,
)
from sidekeep.press.music.tone import Array


def null_brass_section(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    chords = ((58, 62, 65, 70), (60, 63, 67, 72), (57, 62, 65, 74), (55, 60, 64, 76))
    start_s = 0.05
    while start_s < seconds:
        chord = chords[int(rng.integers(len(chords)))]
        long_s = float(rng.choice([0.14, 0.14, 0.3, 0.9]))
        for voice, note in enumerate(chord):
            tone = brass(hz(note), long_s, rng.uniform(0.85, 1.0), rate_hz, rng, players=2, attack_s=0.02)
            add_voice(stage, tone, start_s, rate_hz, pan=0.4 * voice - 0.6)
        start_s += long_s + float(rng.choice([0.04, 0.1, 0.25]))
    return stage


def null_solo_trumpet(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    start_s, note = 0.05, 67
    while start_s < seconds:
        long_s = float(rng.choice([0.11, 0.11, 0.22, 0.45, 1.1]))
        note = int(np.clip(note + rng.choice([-5, -3, -2, -1, 1, 2, 4, 5]), 58, 82))
        tone = brass(hz(note), long_s * 0.92, rng.uniform(0.6, 1.0), rate_hz, rng, attack_s=0.018)
        add_voice(stage, tone, start_s, rate_hz, pan=0.1)
        start_s += long_s
    return stage


def null_harpsichord(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    roots = (50, 57, 59, 54, 55, 50, 55, 57)
    step_s = 0.15
    for step in range(int(seconds / step_s)):
        root = roots[step // 8 % len(roots)]
        note = root + 12 + (0, 4, 7, 12, 16, 12, 7, 4)[step % 8]
        add_voice(
            stage, harpsichord(hz(note), 0.28, 0.8, rate_hz, rng), 0.02 + step * step_s, rate_hz, pan=0.2
        )
        if step % 4 == 0:
            add_voice(
                stage,
                harpsichord(hz(root - 12), 0.6, 0.9, rate_hz, rng),
                0.02 + step * step_s,
                rate_hz,
                pan=-0.2,
            )
    return stage


def null_distorted_guitar(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    riff = ((40, 0.15), (40, 0.15), (52, 0.3), (40, 0.15), (43, 0.3), (45, 0.15), (47, 0.6), (38, 0.6))
    start_s, step = 0.05, 0
    while start_s < seconds:
        note, long_s = riff[step % len(riff)]
        for pan in (-0.8, 0.8):
            tone = electric_guitar(hz(note), long_s * 0.8, 0.95, rate_hz, rng, drive=20.0, fifth=True)
            add_voice(stage, tone, start_s, rate_hz, 1.0, pan)
        start_s += long_s
        step += 1
    return stage


def null_chip_squares(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    lead = (72, 76, 79, 84, 79, 76, 74, 77, 81, 86, 81, 77)
    step_s = 0.11
    for step in range(int(seconds / step_s)):
        start_s = 0.02 + step * step_s
        add_voice(
            stage,
            chip_tone(hz(lead[step % 12]), 0.1, 0.9, rate_hz, rng, duty=0.25),
            start_s,
            rate_hz,
            1.0,
            0.4,
        )
        if step % 2 == 0:
            bass = chip_tone(hz(36 + 2 * (step // 6 % 2)), 0.2, 1.0, rate_hz, rng, shape="triangle")
            add_voice(stage, bass, start_s, rate_hz, 1.4)
            add_voice(stage, chip_tone(hz(60), 0.2, 0.8, rate_hz, rng, duty=0.5), start_s, rate_hz, 0.8, -0.4)
        if step % 4 == 2:
            add_voice(stage, drums.stepped_noise(0.8, rate_hz, rng), start_s, rate_hz)
    return stage


def null_solo_voice(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    notes, vowels = [], []
    start_s, note = 0.1, 50
    while start_s < seconds - 0.4:
        long_s = float(rng.choice([0.3, 0.5, 0.9]))
        note = int(np.clip(note + rng.choice([-4, -2, 0, 2, 3]), 41, 57))
        notes.append((start_s, long_s, hz(note), float(rng.uniform(0.6, 1.0))))
        vowels.append((start_s, str(rng.choice(["a", "e", "i", "o"]))))
        start_s += long_s + float(rng.choice([0.0, 0.0, 0.2]))
    source = sung_line(notes, seconds, rate_hz, rng)
    return np.repeat(shape_vowels(source, vowels, rate_hz), 2, axis=1)


def null_choir(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    for part, base in enumerate((48, 55, 64, 72)):
        notes = [
            (s, 1.95, hz(base + step), 0.7)
            for s, step in zip(np.arange(0.1, seconds - 1.0, 2.0), (0, 2, 0, -1) * int(seconds))
        ]
        source = sung_line(notes, seconds, rate_hz, rng, singers=4)
        add_voice(
            stage,
            shape_vowels(source, [(0.0, "a"), (seconds / 2, "o")], rate_hz, scale=1.0 + 0.04 * part),
            0.0,
            rate_hz,
        )
    return stage


def null_piano(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    scale = (0, 2, 4, 7, 9)
    for step in range(int(seconds / 0.2)):
        start_s = 0.03 + 0.2 * step
        note = 60 + scale[int(rng.integers(5))] + 12 * int(rng.integers(0, 3))
        add_voice(
            stage, piano(hz(note), 0.5, rng.uniform(0.4, 1.0), rate_hz, rng), start_s, rate_hz, 1.0, 0.3
        )
        if step % 4 == 0:
            add_voice(
                stage,
                piano(hz(36 + scale[step // 4 % 5]), 0.9, 0.9, rate_hz, rng),
                start_s,
                rate_hz,
                1.0,
                -0.3,
            )
    return stage


def null_organ(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    for index, start_s in enumerate(np.arange(0.05, seconds, 1.2)):
        for note in ((48, 55, 64, 72), (50, 57, 65, 74), (43, 59, 62, 79), (48, 60, 64, 76))[index % 4]:
            add_voice(stage, organ(hz(note), 1.12, 0.9, rate_hz, rng), float(start_s), rate_hz)
    return stage


def null_strings_bells(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """Strings under bells, plucked strings and a clean electric bass: soft edges and hard ones together."""
    stage = empty_stage(rate_hz, seconds)
    for index, start_s in enumerate(np.arange(0.05, seconds, 2.0)):
        for note in ((55, 62, 71), (52, 64, 67), (57, 60, 76), (50, 66, 69))[index % 4]:
            add_voice(
                stage, bowed_strings(hz(note), 1.9, 0.6, rate_hz, rng, players=4), float(start_s), rate_hz
            )
        add_voice(stage, electric_bass(hz(31 + index % 4), 0.8, 0.8, rate_hz, rng), float(start_s), rate_hz)
        for step in range(8):
            note = 79 + (0, 4, 7, 12)[step % 4]
            add_voice(
                stage,
                mallet(hz(note), 0.4, 0.7, rate_hz, rng, bar="glass"),
                start_s + 0.25 * step,
                rate_hz,
                0.5,
                0.5,
            )
            add_voice(
                stage,
                plucked_string(hz(note - 24), 0.4, 0.9, rate_hz, rng),
                start_s + 0.25 * step,
                rate_hz,
                0.7,
                -0.4,
            )
    return stage
