"""Side B of the demo record: a groove, a choir that runs into a dance for keys, and a long farewell.

Conventions as in ``first_side``. The choir and the dance are one performance: ``tide_mill_and_weir`` plays
both and the boundary is the dance's first beat.
"""

from __future__ import annotations

import numpy as np

from sidekeep.press.music import drums
from sidekeep.press.music.compose import (
    Clock,
    Note,
    beat_pattern,
    lead_voices,
    melody,
    play,
    swell,
    timed,
    triad,
)
from sidekeep.press.music.instruments import (
    bowed_strings,
    brass,
    chip_tone,
    organ,
    shape_vowels,
    string_body,
    sung_line,
)
from sidekeep.press.music.plucked import electric_bass, electric_guitar, harpsichord, mallet, plucked_string
from sidekeep.press.music.room import Mix, room_response
from sidekeep.press.music.tone import Array


def engine(rate_hz: int, length_s: float, rng: np.random.Generator) -> Array:
    """A groove in E dorian: drums, bass and two guitars build up, a lead sings, all stop together."""
    mix = Mix(rate_hz, length_s)
    clock = Clock(((0, 104), (400, 104)), 0.06)
    low, mode = 28, "dorian"
    riff = ((0.75, 0), (0.25, None), (0.5, 0), (0.5, 4), (0.5, 6), (0.5, 7), (0.5, 6), (0.5, 4))
    answer = ((0.75, 3), (0.25, None), (0.5, 3), (0.5, 5), (0.5, 7), (0.5, 5), (0.5, 6), (0.5, 1))
    bass: list[Note] = []
    for bar in range(2, 16):
        if bar != 12:
            bass += melody(
                answer if bar % 4 == 3 else riff, low, mode, beat=4.0 * bar, velocity=0.78, legato=0.85
            )
    play(mix, bass, electric_bass, clock, rng, gain=0.72, send=0.04, loose_s=0.003)

    for pan, seed_shift in ((-0.75, 0), (0.75, 1)):
        stabs = []
        for bar in range(4, 16):
            if bar == 12:
                continue
            base = 45 if bar % 4 == 3 else 40
            beats = (
                ((0.0, 0.3), (1.5, 0.2), (2.0, 0.25), (3.5, 0.4))
                if (bar + seed_shift) % 2
                else ((0.0, 0.3), (2.5, 0.9))
            )
            stabs += [Note(4.0 * bar + beat, beats_long, base, 0.72) for beat, beats_long in beats]
        play(mix, stabs, electric_guitar, clock, rng, gain=0.9, pan=pan, send=0.12, fifth=True, drive=9.0)

    comp = [triad(52, mode, step, 4) for step in (0, 0, 0, 3) * 3]
    keys = [
        Note(4.0 * bar + beat, 0.8, pitch, 0.5)
        for bar, voicing in zip(range(4, 16), lead_voices(comp, 62, 79, 4))
        if bar != 12
        for beat in (0.5, 1.5, 2.75)
        for pitch in voicing
    ]
    play(mix, keys, mallet, clock, rng, gain=0.36, pan=0.3, send=0.3, bar="metal")

    lead_phrase = (
        (1, None), (0.5, 7), (0.5, 9), (1.5, 8), (0.5, 7),
        (0.5, 6), (0.5, 4), (2, 6), (1, None),
        (1, None), (0.5, 9), (0.5, 11), (1.5, 10), (0.5, 9),
        (0.5, 10), (0.5, 8), (1, 7), (1, 5), (1, 7),
    )  # fmt: skip
    lead = melody(lead_phrase, 52, mode, beat=32, velocity=0.8, legato=0.95)
    play(mix, lead, chip_tone, clock, rng, gain=0.62, pan=-0.2, send=0.45, duty=0.31)
    punches = [
        Note(32 + 8.0 * turn_index + beat, beats, pitch, 0.85)
        for turn_index in range(2)
        for beat, beats in ((3.5, 0.3), (7.0, 0.25), (7.5, 0.35))
        for pitch in (64, 67, 71, 74)
    ]
    punches += [
        Note(52.0 + beat, 0.3, pitch, 0.9) for beat in (0.0, 4.0, 8.0, 11.5) for pitch in (64, 67, 71, 76)
    ]
    play(mix, punches, brass, clock, rng, gain=0.42, pan=0.2, send=0.35, players=2, attack_s=0.018)

    beat_pattern(
        mix, "9.....6.98......", drums.kick, clock, rng, beat=0, bars=12, gain=0.8, send=0.05, loose_s=0.002
    )
    beat_pattern(
        mix, "9.....6.98......", drums.kick, clock, rng, beat=52, bars=3, gain=0.8, send=0.05, loose_s=0.002
    )
    beat_pattern(
        mix, "7464746474647465", drums.hat, clock, rng, beat=0, bars=16, gain=1.2, pan=0.35, send=0.1
    )
    beat_pattern(
        mix, "..............7.", drums.hat, clock, rng, beat=0, bars=16, gain=0.9, pan=0.35, open_s=0.4
    )
    beat_pattern(mix, "....8..2.2..8..2", drums.snare, clock, rng, beat=8, bars=10, gain=0.95, send=0.2)
    beat_pattern(mix, "....8..2.2..8..2", drums.snare, clock, rng, beat=52, bars=3, gain=0.95, send=0.2)
    beat_pattern(
        mix, "..6..6..6..6.656", drums.clave, clock, rng, beat=32, bars=4, gain=0.5, pan=-0.7, send=0.3
    )
    for index, tone_hz in enumerate((180.0, 140.0, 105.0, 80.0)):
        beat_pattern(
            mix, "678", drums.tom, clock, rng,
            beat=48 + index, bars=1, bar_beats=1, gain=0.5, pan=-0.6 + 0.4 * index, tone_hz=tone_hz,
        )  # fmt: skip
    for beat in (16.0, 32.0, 52.0, 64.0):
        beat_pattern(mix, "8", drums.cymbal, clock, rng, beat=beat, bars=1, gain=1.0, pan=-0.45)
    end = [Note(64.0, 2.6, 40, 0.8)]
    play(mix, [Note(64.0, 2.6, 28, 0.85)], electric_bass, clock, rng, gain=0.8, send=0.05)
    for pan in (-0.75, 0.75):
        play(mix, end, electric_guitar, clock, rng, gain=0.9, pan=pan, send=0.15, fifth=True, drive=9.0)
    beat_pattern(mix, "9", drums.kick, clock, rng, beat=64, bars=1, gain=0.75, send=0.1)
    return mix.finish(room_response(rate_hz, rng, decay_s=0.9))


def _choir(mix: Mix, clock: Clock, rng: np.random.Generator) -> None:
    """Four parts and a solo voice, A minor; the last chord hangs over into the dance."""
    root, mode = 57, "minor"
    steps = (0, 5, 3, 4, 0, 2, 5, 6, 3, 0, 6, 4, 5, 3, 6, 0)
    chords = [triad(root, mode, step) for step in steps]
    voicings = lead_voices(chords, 48, 76, 4)
    loud = ((0, 0.7), (12, 0.9), (20, 1.25), (26, 1.2), (32, 0.75))
    length_s = min(mix.length_s, clock.at_s(37.0))
    vowels = ("u", "u", "o", "o", "a", "a", "o", "u")
    for part in range(4):
        notes: list[Note] = []
        for index, voicing in enumerate(voicings):
            beats = 1.96 if index % 4 != 3 else 1.6
            if index == len(voicings) - 1:
                beats = 4.6
            notes.append(Note(2.0 * index, beats, voicing[part], 0.55))
        source = sung_line(timed(swell(notes, loud), clock), length_s, mix.rate_hz, rng, singers=4, width=0.4)
        mouths = [(clock.at_s(4.0 * index), letter) for index, letter in enumerate(vowels)]
        sung = shape_vowels(source, mouths, mix.rate_hz, scale=1.0 + 0.045 * part)
        mix.add(sung, 0.0, (0.52, 0.46, 0.42, 0.4)[part], (0.6, 0.25, -0.25, -0.6)[part], 0.6)
    tune = (
        (1.5, 7),
        (0.5, 8),
        (1, 9),
        (1, 7),
        (2, 5),
        (1, 6),
        (0.7, 8),
        (0.3, None),
        (1.5, 9),
        (0.5, 10),
        (1, 11),
        (1, 9),
        (2, 8),
        (1.8, 7),
    )
    solo = melody(tune, 57, mode, beat=10, velocity=0.62)
    source = sung_line(timed(swell(solo, loud), clock), length_s, mix.rate_hz, rng)
    mouths = [(clock.at_s(note.beat), "aoae"[index % 4]) for index, note in enumerate(solo)]
    mix.add(shape_vowels(source, mouths, mix.rate_hz, scale=1.1), 0.0, 0.7, -0.05, 0.4)


def _weir(mix: Mix, clock: Clock, rng: np.random.Generator) -> None:
    """The dance: harpsichord wheels, organ, bars of wood, strings; ends on a major chord."""
    root, mode = 57, "minor"
    plan = (0, 0, 5, 6, 0, 2, 3, 4, 0, 5, 3, 6)
    chords = [triad(root, mode, step) for step in plan]
    wheels, deep, held = [], [], []
    for bar, (chord, voicing) in enumerate(zip(chords, lead_voices(chords, 57, 76, 3))):
        beat = 4.0 * bar
        order = (0, 1, 2, 1) if bar % 2 == 0 else (2, 1, 0, 1)
        wheels += [
            Note(beat + 0.5 * step, 0.62, voicing[order[step % 4]] + (12 if step in (3, 6) else 0), 0.7)
            for step in range(8)
        ]
        low = chord[0] - 24 if chord[0] >= 60 else chord[0] - 12
        deep += [Note(beat, 1.9, low, 0.6), Note(beat + 2, 1.9, low + (7 if bar % 2 else 0), 0.55)]
        if bar >= 4:
            held += [Note(beat, 3.95, pitch, 0.5) for pitch in voicing]
    body = string_body(mix.rate_hz, rng)
    play(mix, wheels, harpsichord, clock, rng, gain=0.85, pan=-0.4, send=0.25, body=body)
    play(
        mix, deep, organ, clock, rng, gain=1.1, pan=0.0, send=0.4, ranks=((1.0, 1.0), (2.0, 0.5), (0.5, 0.4))
    )
    curve = ((16, 0.6), (32, 1.0), (44, 1.2), (50, 0.9))
    play(mix, swell(held, curve), organ, clock, rng, gain=0.4, pan=0.2, send=0.5)
    tune = (
        (1.5, 7), (0.5, 8), (1, 9), (1, 11), (1, 9), (0.5, 8), (0.5, 9), (2, 6),
        (1.5, 10), (0.5, 9), (1, 8), (1, 7), (1, 8), (0.5, 6), (0.5, 5), (2, 4),
    )  # fmt: skip
    steps = melody(tune, 57, mode, beat=16, velocity=0.66, legato=1.1)
    play(mix, steps, mallet, clock, rng, gain=0.85, pan=0.5, send=0.35)
    strings = melody(tune, 57, mode, beat=32, velocity=0.6)
    play(mix, strings, bowed_strings, clock, rng, gain=0.62, pan=-0.15, send=0.45, body=body, attack_s=0.08)
    ring = melody(tune, 69, mode, beat=32, velocity=0.5)
    play(mix, ring, mallet, clock, rng, gain=0.5, pan=0.6, send=0.45, bar="glass")
    beat_pattern(
        mix, "6..46.4.", drums.tom, clock, rng, beat=16, bars=8, gain=0.5, pan=0.25, send=0.35, tone_hz=86.0
    )
    beat_pattern(mix, "..5...5.", drums.castanet, clock, rng, beat=32, bars=4, gain=0.8, pan=-0.65, send=0.4)
    close = [Note(48.0, 4.0, pitch, 0.62) for pitch in (45, 57, 61, 64, 69)]
    play(mix, close, organ, clock, rng, gain=0.45, pan=0.1, send=0.5)
    last = [
        Note(48.0 + 0.07 * place, 4.0, pitch, 0.7) for place, pitch in enumerate((45, 52, 57, 61, 64, 69, 73))
    ]
    play(mix, last, harpsichord, clock, rng, gain=0.7, pan=-0.4, send=0.3, body=body)


def tide_mill_and_weir(rate_hz: int, choir_s: float, dance_s: float, rng: np.random.Generator) -> Array:
    """Both pieces in one go, choir first; the dance's first beat falls ``choir_s`` after the start."""
    mix = Mix(rate_hz, choir_s + dance_s)
    slow = Clock(((0, 55.7), (12, 60.6), (24, 58.8), (34, 55)), 0.0)
    # The choir's last bar line is the dance's first beat: start so that beat 33 falls on it.
    _choir(mix, Clock(((0, 55.7), (12, 60.6), (24, 58.8), (34, 55)), choir_s - slow.at_s(33.0)), rng)
    _weir(mix, Clock(((0, 104), (32, 108), (44, 104), (48, 80)), choir_s), rng)
    return mix.finish(room_response(rate_hz, rng, decay_s=2.2))


def channel(rate_hz: int, length_s: float, fade_s: float, rng: np.random.Generator) -> Array:
    """The whole band going out to sea in G: it never ends, it is faded over the last ``fade_s``."""
    mix = Mix(rate_hz, length_s)
    clock = Clock(((0, 98), (400, 98)), 0.08)
    root, mode = 55, "major"
    bars = int((length_s * 98 / 60) / 4) + 1
    plan = (0, 3) + (0, 5, 3, 4, 2, 3, 1, 4) * 3
    chords = [triad(root, mode, step) for step in plan[:bars]]
    picked, pads, bass = [], [], []
    for bar, (chord, voicing) in enumerate(zip(chords, lead_voices(chords, 59, 79, 4))):
        beat = 4.0 * bar
        order = (0, 2, 1, 3, 2, 1, 3, 2)
        picked += [Note(beat + 0.5 * step, 1.2, voicing[order[step]], 0.55) for step in range(8)]
        low = chord[0] - 24 if chord[0] - 24 >= 31 else chord[0] - 12
        if bar >= 2:
            bass += [Note(beat, 1.4, low, 0.74), Note(beat + 1.5, 0.9, low, 0.6)]
            bass += [Note(beat + 2.5, 0.45, low + 12, 0.6), Note(beat + 3.0, 0.9, low + 7, 0.62)]
        if bar >= 4:
            pads += [Note(beat, 4.0, pitch, 0.42 + 0.02 * (bar % 8)) for pitch in voicing[:3]]
    body = string_body(rate_hz, rng)
    play(mix, picked, plucked_string, clock, rng, gain=0.75, pan=-0.55, send=0.2, body=body)
    play(mix, bass, electric_bass, clock, rng, gain=0.6, send=0.05, loose_s=0.004)
    play(
        mix, pads, bowed_strings, clock, rng, gain=0.34, pan=0.2, send=0.5, body=body, attack_s=0.3, players=5
    )

    verse = (
        (1.5, 4), (0.5, 5), (1, 4), (1, 2), (3, 7), (1, None),
        (1.5, 5), (0.5, 6), (1, 7), (1, 8), (3, 8), (1, 6),
    )  # fmt: skip
    refrain = (
        (1.5, 9), (0.5, 8), (1, 6), (1, 9), (2, 10), (1, 9), (1, 7),
        (1.5, 8), (0.5, 7), (1, 5), (1, 3), (3, 4), (1, None),
    )  # fmt: skip
    tune = melody(verse, root, mode, beat=8, velocity=0.56, legato=0.95)
    tune += melody(refrain, root, mode, beat=24, velocity=0.66, legato=0.95)
    tune += melody(verse, root, mode, beat=40, velocity=0.64, legato=0.95)
    tune += melody(refrain, root, mode, beat=56, velocity=0.72, legato=0.95)
    play(mix, tune, brass, clock, rng, gain=0.95, pan=0.05, send=0.4, attack_s=0.05, warm=0.25)
    above = melody(verse, root + 12, mode, beat=40, velocity=0.6)
    above += melody(refrain, root + 12, mode, beat=56, velocity=0.66)
    play(mix, above, bowed_strings, clock, rng, gain=0.5, pan=-0.3, send=0.45, body=body, attack_s=0.09)

    beat_pattern(
        mix, "8...3...7.8.....", drums.kick, clock, rng, beat=16, bars=bars - 4, gain=0.75, send=0.06
    )
    beat_pattern(
        mix, "....6..1....6.1.", drums.snare, clock, rng, beat=16, bars=bars - 4, gain=0.9, send=0.25
    )
    beat_pattern(mix, "6.4.6.4.6.4.6.45", drums.ride, clock, rng, beat=16, bars=bars - 4, gain=1.2, pan=0.45)
    beat_pattern(mix, "4343434343434343", drums.shaker, clock, rng, beat=8, bars=bars - 2, gain=0.9, pan=-0.7)
    for beat in (24.0, 40.0, 56.0):
        beat_pattern(mix, "6", drums.cymbal, clock, rng, beat=beat, bars=1, gain=1.0, pan=-0.35)
    sound = mix.finish(room_response(rate_hz, rng, decay_s=1.4))
    remaining_s = length_s - np.arange(sound.shape[0]) / rate_hz
    return sound * (np.clip(remaining_s / fade_s, 0.0, 1.0) ** 2.2)[:, None]
