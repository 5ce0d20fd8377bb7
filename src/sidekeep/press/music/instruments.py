"""Sustained instruments of the demo: bowed strings, brass, organ, voices, chip tones.

Conventions: ``instrument(pitch_hz, length_s, velocity, rate_hz, rng, ...)`` plays one note and returns
(frames, 1), or (frames, 2) where several players are spread across the stage. ``velocity`` 0 to 1 sets
loudness and, as in life, brightness. The sound outlasts ``length_s`` by the instrument's own release
and starts and ends at zero. Loudest notes peak somewhere below 1.0; the mixer sets the level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sidekeep.press.music.filters import band_noise, pass_band, resonate, run_formants
from sidekeep.press.music.tone import (
    Array,
    control_times,
    harmonic_numbers,
    harmonic_tables,
    hold_curve,
    play_tables,
    vibrato,
    wander,
)

VOWELS: dict[str, tuple[tuple[float, float, float], ...]] = {
    # centre Hz, width Hz, level dB. From memory, in the region of Peterson & Barney 1952 with a
    # singer's cluster near 2.8 kHz.
    "a": ((700, 90, 0), (1150, 100, -5), (2650, 140, -16), (2950, 160, -15), (3900, 250, -30)),
    "o": ((440, 70, 0), (820, 90, -8), (2550, 140, -22), (2850, 160, -20), (3800, 250, -36)),
    "u": ((330, 60, 0), (700, 80, -14), (2450, 140, -28), (2800, 160, -26), (3700, 250, -42)),
    "e": ((430, 70, 0), (1850, 110, -11), (2550, 140, -14), (3000, 160, -15), (3900, 250, -30)),
    "i": ((300, 60, 0), (2200, 120, -15), (2850, 150, -14), (3200, 170, -16), (4000, 250, -32)),
}


def _frames(length_s: float, release_s: float, rate_hz: int) -> int:
    return int((length_s + release_s) * rate_hz) + 1


def pan_gains(position: float) -> tuple[float, float]:
    """Equal-power gains of left and right for a position from -1 (left) to 1 (right)."""
    angle = (position + 1.0) * math.pi / 4.0
    return math.cos(angle), math.sin(angle)


def bowed_strings(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    players: int = 6,
    attack_s: float = 0.13,
    release_s: float = 0.28,
    width: float = 0.7,
) -> Array:
    """A string section on one note: detuned saw-like players, each with a vibrato and a bow of its own."""
    frames = _frames(length_s, release_s, rate_hz)
    times = control_times(frames, rate_hz)
    numbers = harmonic_numbers(pitch_hz, rate_hz)
    corners_hz = np.array([900.0, 2600.0, 6500.0])[:, None]
    tables = harmonic_tables(1.0 / numbers / (1.0 + (numbers * pitch_hz / corners_hz) ** 2) ** 0.6)
    stage = np.zeros((frames, 2))
    for player in range(players):
        late_s = rng.uniform(0.0, 0.025)
        bow = hold_curve(times - late_s, length_s - 0.02, attack_s * rng.uniform(0.8, 1.25), release_s - 0.02)
        bow *= 1.0 + 0.12 * wander(rng, times, 3.0)
        detune = 2.0 ** (rng.normal(0.0, 5.0) / 1200.0)
        sway = vibrato(rng, times, 9.0 + 6.0 * velocity, rng.uniform(4.9, 6.0), 0.25)
        bright = (0.25 + 0.6 * velocity) * bow + 0.06 * wander(rng, times, 4.0)
        gains = pan_gains(width * (2.0 * (player + 0.5) / players - 1.0))
        start = rng.uniform(0.0, 1.0)
        play_tables(tables, pitch_hz * detune * sway, bright, bow, rate_hz, stage, phase=start, gains=gains)
    rosin = band_noise(rng, frames, 1500.0, 7000.0, rate_hz, 1) * np.interp(
        np.arange(frames) / rate_hz, times, hold_curve(times, length_s, 0.04, release_s)
    )
    stage += 0.006 * players * rosin[:, None]
    return stage * (0.23 * (0.2 + 0.8 * velocity) / players**0.75)


def string_body(rate_hz: int, rng: np.random.Generator) -> Array:
    """Impulse response (frames, 1) of a wooden box for ``convolve``: many resonances from 190 Hz up.

    The wood and the string itself are about as loud as each other; as a whole it changes no levels.
    """
    from sidekeep.press.music.tone import ring_modes

    count = 60
    centres = np.geomspace(190.0, 7000.0, count) * rng.uniform(0.94, 1.06, count)
    level = 0.05 * rng.choice([-1.0, 1.0], count) * rng.uniform(0.4, 1.0, count)
    level *= (centres / 400.0) ** 0.25
    wood = ring_modes(centres, 26.0 / centres**0.85, level, int(0.08 * rate_hz), rate_hz, np.pi / 2)
    wood *= np.linspace(1.0, 0.0, wood.size)
    spectrum = np.abs(np.fft.rfft(wood))
    hertz = np.fft.rfftfreq(wood.size, 1.0 / rate_hz)
    wood *= 0.75 / np.sqrt(np.mean(spectrum[(hertz > 250.0) & (hertz < 4000.0)] ** 2))
    wood[0] += 0.55
    return wood[:, None]


def brass(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    players: int = 1,
    attack_s: float = 0.035,
    release_s: float = 0.07,
    width: float = 0.6,
    warm: float = 0.0,
) -> Array:
    """Trumpets (``warm`` 0) to horns (``warm`` 1): the louder, the more the pulse sharpens.

    Harmonics stand in phase, so a loud note is a train of pulses: what click detectors fall for.
    Returns (frames, 1) for one player, (frames, 2) for a section.
    """
    frames = _frames(length_s, release_s, rate_hz)
    times = control_times(frames, rate_hz)
    numbers = harmonic_numbers(pitch_hz, rate_hz)
    hertz = numbers * pitch_hz
    corners_hz = np.geomspace(500.0, 3600.0 - 2000.0 * warm, 6)[:, None]
    levels = 1.0 / (1.0 + (hertz / corners_hz) ** 2.6)
    bell = 1.0 + 0.9 * np.exp(-(((hertz - 1200.0 + 600.0 * warm) / 550.0) ** 2))
    levels = levels * bell / np.sqrt(np.sum((levels * bell) ** 2, axis=1, keepdims=True))
    # Wide bores smear the pulse; a trumpet's stays in phase.
    tables = harmonic_tables(levels, np.pi / 2 + 1.6 * warm * np.log(numbers))
    stage = np.zeros((frames, 2 if players > 1 else 1))
    for player in range(players):
        late_s = rng.uniform(0.0, 0.012) if players > 1 else 0.0
        breath = hold_curve(times - late_s, length_s - 0.01, attack_s * rng.uniform(0.8, 1.2), release_s)
        breath *= 0.82 + 0.18 * np.exp(-np.maximum(times - late_s - attack_s, 0.0) / 0.12)
        breath *= 1.0 + 0.04 * wander(rng, times, 5.0)
        scoop = 1.0 - 0.018 * np.exp(-np.maximum(times - late_s, 0.0) / 0.02)
        detune = 2.0 ** (rng.normal(0.0, 4.0 if players > 1 else 1.0) / 1200.0)
        sway = vibrato(rng, times, 3.0 + 7.0 * (players == 1), rng.uniform(4.8, 5.6), 0.45)
        play_tables(
            tables,
            pitch_hz * detune * scoop * sway,
            breath * (0.12 + 0.88 * velocity) * rng.uniform(0.92, 1.0),
            breath,
            rate_hz,
            stage,
            phase=rng.uniform(0.0, 1.0),
            gains=pan_gains(width * (2.0 * (player + 0.5) / players - 1.0)) if players > 1 else (1.0,),
        )
    tongue_frames = min(frames, int(0.05 * rate_hz))
    tongue = band_noise(rng, tongue_frames, 800.0, 4500.0, rate_hz, 1)
    stage[:tongue_frames] += (0.02 * velocity * tongue * np.hanning(tongue_frames))[:, None]
    return stage * (0.26 * (0.15 + 0.85 * velocity) / players**0.6)


def organ(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    ranks: Sequence[tuple[float, float]] = ((1.0, 1.0), (2.0, 0.6), (3.0, 0.28), (4.0, 0.3), (0.5, 0.5)),
    release_s: float = 0.12,
) -> Array:
    """Pipes: ``ranks`` are (multiple of the pitch, level); each pipe has its own chiff and place."""
    frames = _frames(length_s, release_s, rate_hz)
    times = control_times(frames, rate_hz)
    stage = np.zeros((frames, 2))
    for multiple, level in ranks:
        pipe_hz = pitch_hz * multiple * 2.0 ** (rng.normal(0.0, 1.5) / 1200.0)
        if pipe_hz > 6000.0:
            continue
        numbers = harmonic_numbers(pipe_hz, rate_hz, 14)
        tables = harmonic_tables(
            np.stack([numbers**-3.2, numbers**-2.1]), rng.uniform(0.0, 6.28, numbers.size)
        )
        wind = hold_curve(times, length_s, 0.03 + 6.0 / pipe_hz, release_s)
        wind *= 1.0 + 0.015 * wander(rng, times, 6.0)
        voice = np.zeros((frames, 1))
        play_tables(tables, np.full(times.size, pipe_hz), 0.3 + 0.5 * velocity, wind, rate_hz, voice)
        chiff_frames = min(frames, int(0.07 * rate_hz))
        chiff = resonate(rng.standard_normal(chiff_frames), pipe_hz * 2.0, pipe_hz * 0.3, rate_hz)
        voice[:chiff_frames, 0] += 0.25 * chiff * np.hanning(chiff_frames)
        stage += level * voice * np.array(pan_gains(0.5 * math.sin(1.7 * multiple + 0.11 * pitch_hz)))
    return stage * (0.125 * (0.4 + 0.6 * velocity))


def sung_line(
    notes: Sequence[tuple[float, float, float, float]],
    length_s: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    singers: int = 1,
    glide_s: float = 0.07,
    width: float = 0.8,
) -> Array:
    """Glottal pulses of one voice part, before the mouth: ``shape_vowels`` makes them sing.

    ``notes`` are (start_s, length_s, pitch_hz, velocity) in order, not overlapping. Each singer slides
    between notes that touch and breathes where they do not. Returns (frames, 1) or (frames, 2).
    """
    frames = int(length_s * rate_hz)
    times = control_times(frames, rate_hz)
    highest = max((pitch for _, _, pitch, _ in notes), default=220.0)
    numbers = harmonic_numbers(highest, rate_hz, 300)
    # A pulse that opens slowly and shuts fast: nearly in phase, falling 12 dB an octave when soft.
    tables = harmonic_tables(
        np.stack([numbers**-1.75, numbers**-1.3, numbers**-0.95]), np.pi / 2 + 0.35 * np.log(numbers)
    )
    stage = np.zeros((frames, 2 if singers > 1 else 1))
    loudest = np.zeros(times.size)
    for singer in range(singers):
        late_s = rng.normal(0.0, 0.018) if singers > 1 else 0.0
        cents = np.zeros(times.size)
        loudness = np.zeros(times.size)
        effort = np.zeros(times.size)
        reached = 0.0
        for index, (start_s, note_s, pitch, velocity) in enumerate(notes):
            begin_s = max(0.0, start_s + late_s)
            target = 1200.0 * math.log2(pitch)
            come = np.clip((times - begin_s + 0.4 * glide_s) / glide_s, 0.0, 1.0)
            step = target if index == 0 else target - reached
            cents += step * (1.0 if index == 0 else 0.5 - 0.5 * np.cos(np.pi * come))
            reached = target
            joined = index + 1 < len(notes) and notes[index + 1][0] - start_s - note_s < 0.03
            breath = hold_curve(times - begin_s, note_s, 0.11, 0.06 if joined else 0.2)
            loudness = np.maximum(loudness, breath * (0.25 + 0.75 * velocity))
            effort = np.maximum(effort, breath * velocity)
        detune = rng.normal(0.0, 7.0) if singers > 1 else 0.0
        sway = vibrato(rng, times, 14.0 if singers > 1 else 22.0, rng.uniform(5.0, 5.9), 0.35)
        curve_hz = 2.0 ** ((cents + detune) / 1200.0) * sway
        loudness *= 1.0 + 0.07 * wander(rng, times, 4.0)
        loudest = np.maximum(loudest, loudness)
        gains = pan_gains(width * (2.0 * (singer + 0.5) / singers - 1.0)) if singers > 1 else (1.0,)
        start = rng.uniform(0.0, 1.0)
        play_tables(tables, curve_hz, effort, loudness, rate_hz, stage, phase=start, gains=gains)
    air = band_noise(rng, frames, 900.0, 8000.0, rate_hz, 1)
    air *= 0.02 * np.sqrt(singers) * np.interp(np.arange(frames) / rate_hz, times, loudest)
    return (stage + air[:, None]) * (0.3 / singers**0.6)


def shape_vowels(
    source: Array,
    vowels: Sequence[tuple[float, str]],
    rate_hz: int,
    *,
    scale: float = 1.0,
    change_s: float = 0.15,
) -> Array:
    """The mouth: formants that move from vowel to vowel. ``vowels`` are (start_s, letter of ``VOWELS``).

    ``scale`` stretches the formants (1.12 for a smaller head). Same shape as ``source``.
    """
    times = control_times(source.shape[0], rate_hz)
    table = np.array([VOWELS[letter] for _, letter in vowels])
    # Neighbouring resonances in parallel need opposite signs, else they cancel between.
    table[:, :, 2] = 10.0 ** (table[:, :, 2] / 20.0) * (-1.0) ** np.arange(table.shape[1])
    points_s = [0.0]
    rows = [0]
    for index, (start_s, _) in enumerate(vowels[1:]):
        points_s += [start_s - 0.5 * change_s, start_s + 0.5 * change_s]
        rows += [index, index + 1]
    curves = np.stack(
        [
            np.stack(
                [np.interp(times, points_s, table[rows, formant, kind]) for formant in range(table.shape[1])],
                1,
            )
            for kind in range(3)
        ]
    )
    mouth = run_formants(source, curves[0] * scale, curves[1] * scale, curves[2], rate_hz)
    # The many weak resonances above the fifth, as one band of air.
    return 2.2 * (mouth + 0.06 * pass_band(source, 4200.0, 13_000.0, rate_hz, 1))


def chip_tone(
    pitch_hz: float,
    length_s: float,
    velocity: float,
    rate_hz: int,
    rng: np.random.Generator,
    *,
    shape: str = "square",
    duty: float = 0.5,
) -> Array:
    """Pulse wave of any duty, or triangle: full band, hard edges, the sound of early computers."""
    release_s = 0.01
    frames = _frames(length_s, release_s, rate_hz)
    times = control_times(frames, rate_hz)
    numbers = harmonic_numbers(pitch_hz, rate_hz, 2000)
    if shape == "triangle":
        odd = numbers % 2 == 1
        levels = np.where(odd, 8.0 / (math.pi * numbers) ** 2, 0.0)
        phases = np.pi / 2
    else:
        levels = 4.0 / (math.pi * numbers) * np.sin(math.pi * numbers * duty)
        phases = np.pi / 2
    tables = harmonic_tables(levels, phases)
    level = hold_curve(times, length_s, 0.0015, release_s) * (0.55 + 0.45 * np.exp(-times / 0.18))
    sway = vibrato(rng, times, 6.0, 6.5, 0.2)
    tone = np.zeros((frames, 1))
    play_tables(tables, pitch_hz * sway, 0.5, level, rate_hz, tone, phase=rng.uniform(0.0, 1.0))
    return tone * (0.22 * velocity)
