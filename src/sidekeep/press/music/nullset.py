"""Clean music that looks like damage: what a mender must leave alone.

There is no groove in these sounds: no hiss, no dust, no scratch. Whatever a mender "repairs" here is a
false repair (loud brass makes periodic pulses in the prediction error: Esquef, Karjalainen & Valimaki,
Proc. Digital Signal Processing, 2002; drum and castanet attacks, quills,
hard-edged waves, clipped hands and borrowed surface noise are the other classic traps).
Two of the sounds hold crackle and needle noise *as part of the music*, the way a composer uses samples;
on those any tool must lean on context, so scores on them are best shown apart (``BORROWED``).

Arrays are (frames, 2) float64, peaks at -3 dBFS, the first and last 20 ms faded.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sidekeep.errors import ParameterError
from sidekeep.press.music import drums
from sidekeep.press.music.instruments import (
    bowed_strings,
    brass,
    chip_tone,
    organ,
    pan_gains,
    shape_vowels,
    sung_line,
)
from sidekeep.press.music.plucked import (
    electric_bass,
    electric_guitar,
    harpsichord,
    mallet,
    piano,
    plucked_string,
)
from sidekeep.press.music.tone import Array, convolve, pass_band

BORROWED = ("vinyl-loop", "needle-rub")
"""Names of the sounds whose music is itself made of record noise."""

PEAK = 10.0 ** (-3.0 / 20.0)


def _hz(note: float) -> float:
    """Pitch of a note number (69 is A at 440 Hz)."""
    return 440.0 * 2.0 ** ((note - 69.0) / 12.0)


def _add(
    stage: Array, sound: Array, start_s: float, rate_hz: int, gain: float = 1.0, pan: float = 0.0
) -> None:
    start = int(start_s * rate_hz)
    room = stage.shape[0] - start
    if room <= 0:
        return
    placed = gain * (sound * np.array(pan_gains(pan)) if sound.shape[1] == 1 else sound)
    stage[start : start + placed.shape[0]] += placed[:room]


def _stage(rate_hz: int, seconds: float) -> Array:
    return np.zeros((round(seconds * rate_hz), 2))


def _brass_section(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    chords = ((58, 62, 65, 70), (60, 63, 67, 72), (57, 62, 65, 74), (55, 60, 64, 76))
    start_s = 0.05
    while start_s < seconds:
        chord = chords[int(rng.integers(len(chords)))]
        long_s = float(rng.choice([0.14, 0.14, 0.3, 0.9]))
        for voice, note in enumerate(chord):
            tone = brass(_hz(note), long_s, rng.uniform(0.85, 1.0), rate_hz, rng, players=2, attack_s=0.02)
            _add(stage, tone, start_s, rate_hz, pan=0.4 * voice - 0.6)
        start_s += long_s + float(rng.choice([0.04, 0.1, 0.25]))
    return stage


def _solo_trumpet(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    start_s, note = 0.05, 67
    while start_s < seconds:
        long_s = float(rng.choice([0.11, 0.11, 0.22, 0.45, 1.1]))
        note = int(np.clip(note + rng.choice([-5, -3, -2, -1, 1, 2, 4, 5]), 58, 82))
        tone = brass(_hz(note), long_s * 0.92, rng.uniform(0.6, 1.0), rate_hz, rng, attack_s=0.018)
        _add(stage, tone, start_s, rate_hz, pan=0.1)
        start_s += long_s
    return stage


def _castanets(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    start_s = 0.05
    while start_s < seconds:
        roll = rng.random() < 0.35
        for stroke in range(6 if roll else 1):
            hit = drums.castanet(rng.uniform(0.3, 0.6) if roll else rng.uniform(0.6, 1.0), rate_hz, rng)
            _add(
                stage,
                hit,
                start_s + 0.055 * stroke * rng.uniform(0.95, 1.05),
                rate_hz,
                pan=rng.choice([-0.5, 0.5]),
            )
        start_s += 0.4 if roll else float(rng.choice([0.15, 0.3]))
    return stage


def _claves(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    for bar in range(int(seconds / 2.4) + 1):
        for beat in (0.0, 0.45, 0.9, 1.5, 1.8):
            _add(
                stage,
                drums.clave(rng.uniform(0.7, 1.0), rate_hz, rng),
                2.4 * bar + beat + 0.02,
                rate_hz,
                pan=0.3,
            )
            _add(stage, drums.shaker(0.6, rate_hz, rng), 2.4 * bar + beat + 0.15, rate_hz, pan=-0.5)
    return stage


def _snare(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    start_s = 0.05
    while start_s < seconds:
        if rng.random() < 0.3:
            for stroke in range(10):
                _add(
                    stage, drums.snare(0.25 + 0.07 * stroke, rate_hz, rng), start_s + 0.052 * stroke, rate_hz
                )
            start_s += 0.62
        else:
            _add(stage, drums.snare(rng.uniform(0.7, 1.0), rate_hz, rng), start_s, rate_hz)
            start_s += float(rng.choice([0.16, 0.32, 0.48]))
    return stage


def _drum_kit(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    step_s = 0.136
    for step in range(int(seconds / step_s)):
        start_s = 0.02 + step * step_s
        _add(stage, drums.hat(rng.uniform(0.4, 0.9), rate_hz, rng), start_s, rate_hz, 0.7, 0.3)
        if step % 16 in (0, 3, 8, 10):
            _add(stage, drums.kick(1.0, rate_hz, rng), start_s, rate_hz)
        if step % 8 == 4:
            _add(stage, drums.snare(0.9, rate_hz, rng), start_s, rate_hz)
        if step % 64 == 0:
            _add(stage, drums.cymbal(0.8, rate_hz, rng), start_s, rate_hz, 1.0, -0.4)
    return stage


def _harpsichord(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    roots = (50, 57, 59, 54, 55, 50, 55, 57)
    step_s = 0.15
    for step in range(int(seconds / step_s)):
        root = roots[step // 8 % len(roots)]
        note = root + 12 + (0, 4, 7, 12, 16, 12, 7, 4)[step % 8]
        _add(stage, harpsichord(_hz(note), 0.28, 0.8, rate_hz, rng), 0.02 + step * step_s, rate_hz, pan=0.2)
        if step % 4 == 0:
            _add(
                stage,
                harpsichord(_hz(root - 12), 0.6, 0.9, rate_hz, rng),
                0.02 + step * step_s,
                rate_hz,
                pan=-0.2,
            )
    return stage


def _distorted_guitar(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    riff = ((40, 0.15), (40, 0.15), (52, 0.3), (40, 0.15), (43, 0.3), (45, 0.15), (47, 0.6), (38, 0.6))
    start_s, step = 0.05, 0
    while start_s < seconds:
        note, long_s = riff[step % len(riff)]
        for pan in (-0.8, 0.8):
            tone = electric_guitar(_hz(note), long_s * 0.8, 0.95, rate_hz, rng, drive=20.0, fifth=True)
            _add(stage, tone, start_s, rate_hz, 1.0, pan)
        start_s += long_s
        step += 1
    return stage


def _chip_squares(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    lead = (72, 76, 79, 84, 79, 76, 74, 77, 81, 86, 81, 77)
    step_s = 0.11
    for step in range(int(seconds / step_s)):
        start_s = 0.02 + step * step_s
        _add(
            stage,
            chip_tone(_hz(lead[step % 12]), 0.1, 0.9, rate_hz, rng, duty=0.25),
            start_s,
            rate_hz,
            1.0,
            0.4,
        )
        if step % 2 == 0:
            bass = chip_tone(_hz(36 + 2 * (step // 6 % 2)), 0.2, 1.0, rate_hz, rng, shape="triangle")
            _add(stage, bass, start_s, rate_hz, 1.4)
            _add(stage, chip_tone(_hz(60), 0.2, 0.8, rate_hz, rng, duty=0.5), start_s, rate_hz, 0.8, -0.4)
        if step % 4 == 2:
            _add(stage, drums.stepped_noise(0.8, rate_hz, rng), start_s, rate_hz)
    return stage


def _electronic_clicks(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """Glitches a composer wants: single-cycle blips, 1 ms noise grains, dry hats, a sub under them."""
    stage = _stage(rate_hz, seconds)
    step_s = 0.125
    for step in range(int(seconds / step_s)):
        start_s = 0.02 + step * step_s
        grain = int(rng.choice([0.0004, 0.001, 0.003]) * rate_hz)
        if rng.random() < 0.6:
            blip = np.sin(2 * np.pi * rng.choice([900.0, 2400.0, 5200.0]) * np.arange(grain) / rate_hz)
            _add(
                stage,
                (blip * np.hanning(grain))[:, None],
                start_s,
                rate_hz,
                0.7,
                float(rng.uniform(-0.9, 0.9)),
            )
        if rng.random() < 0.25:
            noise = rng.standard_normal(grain) * np.linspace(1.0, 0.0, grain)
            _add(stage, noise[:, None], start_s + 0.5 * step_s, rate_hz, 0.3, float(rng.uniform(-0.9, 0.9)))
        _add(stage, drums.hat(0.5, rate_hz, rng, open_s=0.03), start_s, rate_hz, 0.6)
        if step % 4 == 0:
            _add(stage, drums.kick(0.9, rate_hz, rng), start_s, rate_hz, 0.9)
        if step % 8 == 0:
            _add(stage, chip_tone(_hz(31), 0.9, 1.0, rate_hz, rng, shape="triangle"), start_s, rate_hz, 1.0)
    return stage


def _applause(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    hands = [drums.clap(1.0, rate_hz, rng) for _ in range(48)]
    count = int(seconds * 260)
    starts = np.sort(rng.uniform(0.0, seconds, count))
    for start_s, hand, pan in zip(starts, rng.integers(0, 48, count), rng.uniform(-1.0, 1.0, count)):
        near = float(rng.lognormal(-1.2, 0.7)) * (0.3 + 0.7 * np.sin(np.pi * start_s / seconds) ** 0.5)
        _add(stage, hands[hand], float(start_s), rate_hz, near, float(pan))
    return stage


def _solo_voice(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    notes, vowels = [], []
    start_s, note = 0.1, 50
    while start_s < seconds - 0.4:
        long_s = float(rng.choice([0.3, 0.5, 0.9]))
        note = int(np.clip(note + rng.choice([-4, -2, 0, 2, 3]), 41, 57))
        notes.append((start_s, long_s, _hz(note), float(rng.uniform(0.6, 1.0))))
        vowels.append((start_s, str(rng.choice(["a", "e", "i", "o"]))))
        start_s += long_s + float(rng.choice([0.0, 0.0, 0.2]))
    source = sung_line(notes, seconds, rate_hz, rng)
    return np.repeat(shape_vowels(source, vowels, rate_hz), 2, axis=1)


def _choir(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    for part, base in enumerate((48, 55, 64, 72)):
        notes = [
            (s, 1.95, _hz(base + step), 0.7)
            for s, step in zip(np.arange(0.1, seconds - 1.0, 2.0), (0, 2, 0, -1) * int(seconds))
        ]
        source = sung_line(notes, seconds, rate_hz, rng, singers=4)
        _add(
            stage,
            shape_vowels(source, [(0.0, "a"), (seconds / 2, "o")], rate_hz, scale=1.0 + 0.04 * part),
            0.0,
            rate_hz,
        )
    return stage


def _piano(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    scale = (0, 2, 4, 7, 9)
    for step in range(int(seconds / 0.2)):
        start_s = 0.03 + 0.2 * step
        note = 60 + scale[int(rng.integers(5))] + 12 * int(rng.integers(0, 3))
        _add(stage, piano(_hz(note), 0.5, rng.uniform(0.4, 1.0), rate_hz, rng), start_s, rate_hz, 1.0, 0.3)
        if step % 4 == 0:
            _add(
                stage,
                piano(_hz(36 + scale[step // 4 % 5]), 0.9, 0.9, rate_hz, rng),
                start_s,
                rate_hz,
                1.0,
                -0.3,
            )
    return stage


def _organ(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    stage = _stage(rate_hz, seconds)
    for index, start_s in enumerate(np.arange(0.05, seconds, 1.2)):
        for note in ((48, 55, 64, 72), (50, 57, 65, 74), (43, 59, 62, 79), (48, 60, 64, 76))[index % 4]:
            _add(stage, organ(_hz(note), 1.12, 0.9, rate_hz, rng), float(start_s), rate_hz)
    return stage


def _strings_bells(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """Strings under bells, plucked strings and a clean electric bass: soft edges and hard ones together."""
    stage = _stage(rate_hz, seconds)
    for index, start_s in enumerate(np.arange(0.05, seconds, 2.0)):
        for note in ((55, 62, 71), (52, 64, 67), (57, 60, 76), (50, 66, 69))[index % 4]:
            _add(stage, bowed_strings(_hz(note), 1.9, 0.6, rate_hz, rng, players=4), float(start_s), rate_hz)
        _add(stage, electric_bass(_hz(31 + index % 4), 0.8, 0.8, rate_hz, rng), float(start_s), rate_hz)
        for step in range(8):
            note = 79 + (0, 4, 7, 12)[step % 4]
            _add(
                stage,
                mallet(_hz(note), 0.4, 0.7, rate_hz, rng, bar="glass"),
                start_s + 0.25 * step,
                rate_hz,
                0.5,
                0.5,
            )
            _add(
                stage,
                plucked_string(_hz(note - 24), 0.4, 0.9, rate_hz, rng),
                start_s + 0.25 * step,
                rate_hz,
                0.7,
                -0.4,
            )
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


def _vinyl_loop(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """A slow beat over a sampled loop of old surface noise, every loop the same."""
    stage = _stage(rate_hz, seconds)
    beat_s = 0.72
    loop = _crackle_loop(rate_hz, 4 * beat_s, rng)
    for start_s in np.arange(0.0, seconds, 4 * beat_s):
        _add(stage, loop, float(start_s), rate_hz, 1.6)
    for step in range(int(seconds / beat_s)):
        start_s = 0.02 + step * beat_s
        _add(stage, (drums.kick if step % 2 == 0 else drums.snare)(0.8, rate_hz, rng), start_s, rate_hz, 0.6)
        for note in ((57, 60, 64, 67), (53, 57, 60, 64))[step // 4 % 2]:
            if step % 2 == 0:
                _add(stage, piano(_hz(note), 1.2, 0.4, rate_hz, rng), start_s, rate_hz, 1.6)
    return stage


def _needle_rub(rate_hz: int, seconds: float, rng: np.random.Generator) -> Array:
    """A hand on a turning record: brass and drums read to and fro at changing speed, over a beat."""
    source = convolve(
        _brass_section(rate_hz, 2.0, rng) + 0.8 * _drum_kit(rate_hz, 2.0, rng), np.ones((3, 1)) / 3.0
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
    return rubbed * gate[:, None] + 0.6 * _drum_kit(rate_hz, seconds, rng)


SOUNDS: dict[str, Callable[[int, float, np.random.Generator], Array]] = {
    "brass-section": _brass_section,
    "solo-trumpet": _solo_trumpet,
    "castanets": _castanets,
    "claves": _claves,
    "snare": _snare,
    "drum-kit": _drum_kit,
    "harpsichord": _harpsichord,
    "distorted-guitar": _distorted_guitar,
    "chip-squares": _chip_squares,
    "electronic-clicks": _electronic_clicks,
    "applause": _applause,
    "solo-voice": _solo_voice,
    "choir": _choir,
    "piano": _piano,
    "organ": _organ,
    "strings-bells": _strings_bells,
    "vinyl-loop": _vinyl_loop,
    "needle-rub": _needle_rub,
}
"""Every sound by name; each makes (frames, 2) from rate, seconds and a generator."""


def null_sound(name: str, rate_hz: int, seconds: float, seed: int = 1) -> Array:
    """One sound of the null set, (frames, 2) float64; same arguments, same samples."""
    if name not in SOUNDS:
        raise ParameterError("nullset-name", name=name, known=SOUNDS)
    if seconds < 2.0:
        raise ParameterError("nullset-seconds", seconds=seconds)
    rng = np.random.default_rng([seed, *name.encode()])
    stage = SOUNDS[name](rate_hz, seconds, rng)[: round(seconds * rate_hz)]
    fade = int(0.02 * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    stage[:fade] *= ramp[:, None]
    stage[-fade:] *= ramp[::-1, None]
    return stage * (PEAK / np.max(np.abs(stage)))


def null_set(rate_hz: int, seconds: float, seed: int = 1) -> list[tuple[str, Array]]:
    """All sounds of the null set, ``seconds`` each, as (name, audio (frames, 2))."""
    return [(name, null_sound(name, rate_hz, seconds, seed)) for name in SOUNDS]
