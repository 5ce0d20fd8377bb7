"""Sounds of the null set that are made of attacks: drums, wood, hands, and borrowed surface noise.

All are (frames, 2) float64 from rate, seconds and a generator.
"""

from __future__ import annotations

import numpy as np

from sidekeep.press.music import drums
from sidekeep.press.music.filters import convolve, pass_band
from sidekeep.press.music.instruments import chip_tone, pan_gains
from sidekeep.press.music.null_stage import add_voice, empty_stage, hz
from sidekeep.press.music.null_tones import null_brass_section
from sidekeep.press.music.plucked import piano
from sidekeep.press.music.tone import Array


def null_castanets(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    start_s = 0.05
    while start_s < seconds:
        roll = rng.random() < 0.35
        for stroke in range(6 if roll else 1):
            hit = drums.castanet(rng.uniform(0.3, 0.6) if roll else rng.uniform(0.6, 1.0), rate_hz, rng)
            add_voice(
                stage,
                hit,
                start_s + 0.055 * stroke * rng.uniform(0.95, 1.05),
                rate_hz,
                pan=rng.choice([-0.5, 0.5]),
            )
        start_s += 0.4 if roll else float(rng.choice([0.15, 0.3]))
    return stage


def null_claves(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    for bar in range(int(seconds / 2.4) + 1):
        for beat in (0.0, 0.45, 0.9, 1.5, 1.8):
            add_voice(
                stage,
                drums.clave(rng.uniform(0.7, 1.0), rate_hz, rng),
                2.4 * bar + beat + 0.02,
                rate_hz,
                pan=0.3,
            )
            add_voice(stage, drums.shaker(0.6, rate_hz, rng), 2.4 * bar + beat + 0.15, rate_hz, pan=-0.5)
    return stage


def null_snare(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    start_s = 0.05
    while start_s < seconds:
        if rng.random() < 0.3:
            for stroke in range(10):
                add_voice(
                    stage, drums.snare(0.25 + 0.07 * stroke, rate_hz, rng), start_s + 0.052 * stroke, rate_hz
                )
            start_s += 0.62
        else:
            add_voice(stage, drums.snare(rng.uniform(0.7, 1.0), rate_hz, rng), start_s, rate_hz)
            start_s += float(rng.choice([0.16, 0.32, 0.48]))
    return stage


def null_drum_kit(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    step_s = 0.136
    for step in range(int(seconds / step_s)):
        start_s = 0.02 + step * step_s
        add_voice(stage, drums.hat(rng.uniform(0.4, 0.9), rate_hz, rng), start_s, rate_hz, 0.7, 0.3)
        if step % 16 in (0, 3, 8, 10):
            add_voice(stage, drums.kick(1.0, rate_hz, rng), start_s, rate_hz)
        if step % 8 == 4:
            add_voice(stage, drums.snare(0.9, rate_hz, rng), start_s, rate_hz)
        if step % 64 == 0:
            add_voice(stage, drums.cymbal(0.8, rate_hz, rng), start_s, rate_hz, 1.0, -0.4)
    return stage


def null_electronic_clicks(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """Glitches a composer wants: single-cycle blips, 1 ms noise grains, dry hats, a sub under them."""
    stage = empty_stage(rate_hz, seconds)
    step_s = 0.125
    for step in range(int(seconds / step_s)):
        start_s = 0.02 + step * step_s
        grain = int(rng.choice([0.0004, 0.001, 0.003]) * rate_hz)
        if rng.random() < 0.6:
            blip = np.sin(2 * np.pi * rng.choice([900.0, 2400.0, 5200.0]) * np.arange(grain) / rate_hz)
            add_voice(
                stage,
                (blip * np.hanning(grain))[:, None],
                start_s,
                rate_hz,
                0.7,
                float(rng.uniform(-0.9, 0.9)),
            )
        if rng.random() < 0.25:
            noise = rng.standard_normal(grain) * np.linspace(1.0, 0.0, grain)
            add_voice(
                stage, noise[:, None], start_s + 0.5 * step_s, rate_hz, 0.3, float(rng.uniform(-0.9, 0.9))
            )
        add_voice(stage, drums.hat(0.5, rate_hz, rng, open_s=0.03), start_s, rate_hz, 0.6)
        if step % 4 == 0:
            add_voice(stage, drums.kick(0.9, rate_hz, rng), start_s, rate_hz, 0.9)
        if step % 8 == 0:
            add_voice(
                stage, chip_tone(hz(31), 0.9, 1.0, rate_hz, rng, shape="triangle"), start_s, rate_hz, 1.0
            )
    return stage


def null_applause(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = empty_stage(rate_hz, seconds)
    hands = [drums.clap(1.0, rate_hz, rng) for _ in range(48)]
    count = int(seconds * 260)
    starts = np.sort(rng.uniform(0.0, seconds, count))
    for start_s, hand, pan in zip(starts, rng.integers(0, 48, count), rng.uniform(-1.0, 1.0, count)):
        near = float(rng.lognormal(-1.2, 0.7)) * (0.3 + 0.7 * np.sin(np.pi * start_s / seconds) ** 0.5)
        add_voice(stage, hands[hand], float(start_s), rate_hz, near, float(pan))
    return stage


def _crackle_loop(rate_hz: int, length_s: float, rng: np.random.Generator) -> Array:
    frames = int(length_s * rate_hz)
    ticks = np.zeros((frames, 2))
    for _ in range(int(38 * length_s)):
        place = int(rng.integers(0, frames - rate_hz // 200))
        burst = int(rng.uniform(0.0002, 0.0015) * rate_hz) + 3
        shape = rng.standard_normal(burst) * np.exp(-np.arange(burst) / (0.25 * burst))
        ticks[place : place + burst] += (
            shape[:, None] * rng.lognormal(-3.2, 0.8) * np.array(pan_gains(rng.uniform(-1, 1)))
        )
    return pass_band(ticks, 300.0, 9000.0, rate_hz, 1)


def null_vinyl_loop(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """A slow beat over a sampled loop of old surface noise, every loop the same."""
    stage = empty_stage(rate_hz, seconds)
    beat_s = 0.72
    loop = _crackle_loop(rate_hz, 4 * beat_s, rng)
    for start_s in np.arange(0.0, seconds, 4 * beat_s):
        add_voice(stage, loop, float(start_s), rate_hz, 1.6)
    for step in range(int(seconds / beat_s)):
        start_s = 0.02 + step * beat_s
        add_voice(
            stage, (drums.kick if step % 2 == 0 else drums.snare)(0.8, rate_hz, rng), start_s, rate_hz, 0.6
        )
        for note in ((57, 60, 64, 67), (53, 57, 60, 64))[step // 4 % 2]:
            if step % 2 == 0:
                add_voice(stage, piano(hz(note), 1.2, 0.4, rate_hz, rng), start_s, rate_hz, 1.6)
    return stage


def null_needle_rub(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """A hand on a turning record: brass and drums read to and fro at changing speed, over a beat."""
    source = convolve(
        null_brass_section(rate_hz, 2.0, rng) + 0.8 * null_drum_kit(rate_hz, 2.0, rng), np.ones((3, 1)) / 3.0
    )
    frames = round(seconds * rate_hz)
    seconds_axis = np.arange(frames) / rate_hz
    strokes = np.sin(2 * np.pi * 2.7 * seconds_axis) + 0.6 * np.sin(2 * np.pi * 6.1 * seconds_axis + 1.0)
    place = (0.9 + 0.22 * strokes) * rate_hz
    rubbed = np.stack(
        [np.interp(place, np.arange(source.shape[0]), source[:, channel]) for channel in (0, 1)], axis=1
    )
    speed = np.abs(np.gradient(place))
    rubbed *= np.clip(speed / 1.5, 0.0, 1.0)[:, None]
    gate = np.clip(4.0 * np.sin(2 * np.pi * seconds_axis / 1.44) + 0.5, 0.0, 1.0)
    return rubbed * gate[:, None] + 0.6 * null_drum_kit(rate_hz, seconds, rng)
