"""Side A of the demo record: strings at dawn, a plucked song, a brass parade, a quiet piece with pauses.

Conventions: each function returns (frames, 2) of exactly the length asked for, at any level; ``music.py``
sets the level. Everything is our own: rules, tunes, names.
"""

from __future__ import annotations

import numpy as np

from sidekeep.press.music import drums
from sidekeep.press.music.compose import (
    Clock,
    Note,
    beat_pattern,
    degree,
    lead_voices,
    melody,
    play,
    swell,
    triad,
)
from sidekeep.press.music.instruments import bowed_strings, brass, string_body
from sidekeep.press.music.plucked import mallet, piano, plucked_string
from sidekeep.press.music.room import Mix, room_response
from sidekeep.press.music.tone import Array


def soundings(rate_hz: int, length_s: float, rng: np.random.Generator) -> Array:
    """Strings in D minor: cellos state the tune, violins lift it, all close on a bright chord."""
    mix = Mix(rate_hz, length_s)
    clock = Clock(((0, 66), (16, 72), (28, 78), (34, 66), (40, 50)), 0.04)
    body = string_body(rate_hz, rng)
    root, mode = 50, "minor"
    dominant, bright = (57, 61, 64), (50, 54, 57)
    chords = [triad(root, mode, step) for step in (0, 5, 2, 6, 0, 3)]
    chords += [dominant, triad(root, mode, 0), triad(root, mode, 5), bright]
    curve = ((0, 0.55), (14, 0.8), (24, 1.15), (30, 1.1), (40, 0.5))

    inner = []
    for bar, voicing in enumerate(lead_voices(chords, 55, 74, 3)):
        beats = 4.0 if bar < len(chords) - 1 else 5.0
        inner += [Note(4.0 * bar, beats, pitch, 0.48) for pitch in voicing]
    play(
        mix,
        swell(inner, curve),
        bowed_strings,
        clock,
        rng,
        gain=0.36,
        pan=0.1,
        send=0.5,
        body=body,
        attack_s=0.3,
    )

    deep = [
        Note(4.0 * bar, 4.0 if bar < 9 else 5.0, pitch, 0.55)
        for bar, pitch in enumerate((38, 34, 41, 36, 38, 43, 33, 38, 34, 38))
    ]
    play(
        mix, swell(deep, curve), bowed_strings, clock, rng,
        gain=1.1, pan=0.35, send=0.4, body=body, players=4, attack_s=0.22, width=0.3,
    )  # fmt: skip

    cello = (
        (3, 0),
        (1, 1),
        (2, 2),
        (1, 1),
        (1, 0),
        (3, 4),
        (1, 3),
        (2, 3),
        (2, 1),
        (4, 0),
        (2, 3),
        (2, 5),
        (4, 4),
    )
    low_tune = melody(cello, root, mode, velocity=0.62)
    play(
        mix,
        swell(low_tune, curve),
        bowed_strings,
        clock,
        rng,
        gain=1.15,
        pan=0.3,
        send=0.4,
        body=body,
        players=5,
    )

    violin = (
        (1.5, 7), (0.5, 6), (1, 7), (1, 8),
        (2, 10), (1, 9), (1, 8),
        (1, 8), (1, 10), (2, 11),
        (1.5, 9), (0.5, 8), (1, 9), (1, 11),
        (2, 12), (1, 11), (1, 9),
        (5, 11),
    )  # fmt: skip
    high_tune = melody(violin, 62, mode, beat=16.0, velocity=0.55)
    play(
        mix, swell(high_tune, curve), bowed_strings, clock, rng,
        gain=0.8, pan=-0.45, send=0.45, body=body, players=7, attack_s=0.1,
    )  # fmt: skip
    return mix.finish(room_response(rate_hz, rng, decay_s=2.0))


def ledger(rate_hz: int, length_s: float, rng: np.random.Generator) -> Array:
    """A plucked song in six-eight, D dorian: picked chords, a tune, wooden bars on the second round."""
    mix = Mix(rate_hz, length_s)
    clock = Clock(((0, 204), (78, 210), (96, 190), (104, 120)), 0.06)
    body = 0.5 * string_body(rate_hz, rng)
    body[0] += 0.4
    root, mode = 50, "dorian"
    verse, bridge = (0, 6, 3, 0), (2, 6, 4, 3)
    plan = (0, 0, *verse, *verse, *bridge, *verse[:3], 0)
    chords = [triad(root, mode, step) for step in plan]
    picked, bass = [], []
    for bar, (chord, voicing) in enumerate(zip(chords, lead_voices(chords, 55, 71, 3))):
        beat = 6.0 * bar
        low = chord[0] - 12 if chord[0] > 52 else chord[0]
        bass.append(Note(beat, 2.8, low, 0.7))
        if bar > 1:
            bass.append(Note(beat + 3, 2.8, low + (7 if bar % 2 else 0), 0.55))
        order = (0, 1, 2, 1, 0, 1) if bar % 2 == 0 else (0, 2, 1, 2, 0, 2)
        picked += [
            Note(beat + step, 2.4, voicing[place], 0.5 - 0.06 * (step % 3))
            for step, place in enumerate(order)
        ]
    end = 6.0 * len(plan)
    picked += [
        Note(end + 0.09 * place, 9.0, pitch, 0.55) for place, pitch in enumerate((50, 57, 62, 65, 69, 74))
    ]
    play(mix, picked, plucked_string, clock, rng, gain=0.62, pan=-0.42, send=0.2, body=body)
    play(mix, bass, plucked_string, clock, rng, gain=0.85, pan=-0.1, send=0.15, body=body, decay_s=2.2)

    first = (
        (3, 4),
        (1, 2),
        (1, 3),
        (1, 4),
        (2, 6),
        (1, 4),
        (3, 3),
        (2, 5),
        (1, 4),
        (2, 3),
        (1, 2),
        (2, 0),
        (1, 1),
        (3, 2),
    )
    close = (*first[:-3], (2, 1), (1, -1), (3, 0))
    middle = (
        (2, 4), (1, 6), (3, 9), (2, 8), (1, 6), (3, 8),
        (2, 6), (1, 4), (2, 8), (1, 6), (3, 5), (2, 7), (1, 5),
    )  # fmt: skip
    tune = melody(first, 62, mode, beat=12, velocity=0.75, legato=1.3)
    tune += melody(close, 62, mode, beat=36, velocity=0.78, legato=1.3)
    tune += melody(middle, 62, mode, beat=60, velocity=0.8, legato=1.3)
    tune += melody(close, 62, mode, beat=84, velocity=0.7, legato=1.3)
    play(mix, tune, plucked_string, clock, rng, gain=0.95, pan=0.38, send=0.22, body=body, place=0.14)
    bars = [Note(note.beat, note.beats, note.pitch + 12, 0.5) for note in tune if 36 <= note.beat < 84]
    play(mix, bars, mallet, clock, rng, gain=0.5, pan=0.6, send=0.35)
    third = [
        Note(n.beat, n.beats, n.pitch - 3 - (n.pitch % 12 in (0, 5, 7)), 0.4)
        for n in tune
        if 60 <= n.beat < 84
    ]
    play(mix, third, plucked_string, clock, rng, gain=0.6, pan=0.05, send=0.3, body=body)
    beat_pattern(mix, "5.3425", drums.shaker, clock, rng, beat=36, bars=8, bar_beats=6, gain=0.8, pan=0.5)
    beat_pattern(
        mix, "6..4..", drums.tom, clock, rng, beat=36, bars=10, bar_beats=6, gain=0.3, pan=-0.2, tone_hz=92.0
    )
    beat_pattern(
        mix, "...7.4", drums.clave, clock, rng, beat=60, bars=4, bar_beats=6, gain=0.3, pan=0.7, send=0.4
    )
    return mix.finish(room_response(rate_hz, rng, decay_s=1.1))


def parade(rate_hz: int, length_s: float, rng: np.random.Generator) -> Array:
    """A brass march in B flat: fanfare, tune, tune with a descant and glockenspiel, and a stinger."""
    mix = Mix(rate_hz, length_s)
    clock = Clock(((0, 112), (40, 114), (54, 110), (57, 96)), 0.06)
    root, mode = 58, "major"
    plan = (0, 4, 0, 3, 4, 0, 0, 3, 4, 0, 5, 1, 4, 0)
    chords = [triad(root, mode, step) for step in plan]

    tuba, horns = [], []
    for bar, (chord, voicing) in enumerate(zip(chords, lead_voices(chords, 53, 68, 3))):
        if bar < 1:
            continue
        low = chord[0] - 24 if chord[0] - 24 >= 34 else chord[0] - 12
        tuba += [
            Note(4.0 * bar, 0.8, low, 0.75),
            Note(4.0 * bar + 2, 0.8, low - 5 if low > 38 else low + 7, 0.68),
        ]
        if bar % 4 == 1:
            tuba.append(Note(4.0 * bar + 3, 0.7, low + 2, 0.6))
        horns += [Note(4.0 * bar + off, 0.38, pitch, 0.55) for off in (1.0, 3.0, 3.5) for pitch in voicing]
    play(mix, tuba, brass, clock, rng, gain=0.7, pan=0.35, send=0.3, warm=0.9, attack_s=0.04)
    play(mix, horns, brass, clock, rng, gain=0.42, pan=-0.5, send=0.45, warm=0.7, attack_s=0.03)

    fanfare = (
        (0.75, 0),
        (0.25, 0),
        (1, 4),
        (0.75, 4),
        (0.25, 4),
        (1, 7),
        (0.5, 8),
        (0.5, 7),
        (0.5, 6),
        (0.5, 8),
        (2, 4),
    )
    strain = (
        (0.75, 4), (0.25, 4), (1, 7), (1, 4), (1, 2),
        (0.75, 3), (0.25, 4), (1, 5), (2, 7),
        (0.5, 6), (0.5, 5), (0.5, 4), (0.5, 3), (1, 4), (1, 1),
        (1, 2), (0.5, 1), (0.5, 2), (2, 0),
    )  # fmt: skip
    peak = (
        (0.75, 9), (0.25, 8), (1, 7), (1, 9), (1, 7),
        (0.75, 8), (0.25, 7), (1, 5), (1, 8), (1, 5),
        (0.5, 6), (0.5, 7), (0.5, 8), (0.5, 6), (1, 4), (1, 8),
        (1, 7), (0.5, 4), (0.5, 6), (1.6, 7),
    )  # fmt: skip
    tune = melody(fanfare, root, mode, velocity=0.82, legato=0.86)
    tune += melody(strain, root, mode, beat=8, velocity=0.66, legato=0.84)
    tune += melody(strain, root, mode, beat=24, velocity=0.8, legato=0.84)
    tune += melody(peak, root, mode, beat=40, velocity=0.86, legato=0.86)
    play(mix, tune, brass, clock, rng, gain=1.0, pan=-0.12, send=0.3, players=3, width=0.3, attack_s=0.02)
    harmony = [
        Note(n.beat, n.beats, n.pitch - (4 if n.pitch % 12 in (2, 5, 9) else 3), n.velocity - 0.12)
        for n in tune
        if n.beat >= 24
    ]
    play(mix, harmony, brass, clock, rng, gain=0.65, pan=0.3, send=0.35, players=2, attack_s=0.022)
    counter = ((2, 2), (2, 4), (2, 5), (1, 4), (1, 3), (4, 1), (2, 2), (2, 4))
    low_line = melody(counter, root - 12, mode, beat=24, velocity=0.72)
    low_line += melody(((4, 5), (4, 3), (4, 4), (3.5, 7)), root - 12, mode, beat=40, velocity=0.78)
    play(mix, low_line, brass, clock, rng, gain=0.55, pan=0.55, send=0.35, warm=0.5, attack_s=0.05)
    chimes = [Note(n.beat, 0.8, n.pitch + 24, 0.6) for n in tune if n.beat >= 40]
    play(mix, chimes, mallet, clock, rng, gain=0.6, pan=-0.65, send=0.4, bar="metal")

    beat_pattern(
        mix, "3333444455556677", drums.snare, clock, rng, beat=4, bars=1, gain=0.55, pan=0.12, tight=0.9
    )
    beat_pattern(
        mix, "7..47.4.7..47.44", drums.snare, clock, rng, beat=8, bars=12, gain=0.55, pan=0.12, tight=0.9
    )
    beat_pattern(
        mix, "8.6.", drums.kick, clock, rng, beat=8, bars=12, gain=0.6, pan=-0.06, send=0.3, tone_hz=58.0
    )
    beat_pattern(
        mix, "5", drums.cymbal, clock, rng, beat=8, bars=3, bar_beats=16, gain=1.0, pan=-0.3, ring_s=2.2
    )
    sting = 56.0
    for pitch, gain, warm in (
        (34, 0.6, 0.9),
        (46, 0.7, 0.6),
        (58, 0.6, 0.2),
        (65, 0.5, 0.0),
        (70, 0.55, 0.0),
        (74, 0.5, 0.0),
    ):
        play(
            mix,
            [Note(sting, 0.9, pitch, 0.95)],
            brass,
            clock,
            rng,
            gain=gain,
            pan=(pitch - 54) / 60,
            warm=warm,
        )
    beat_pattern(mix, "9", drums.kick, clock, rng, beat=sting, bars=1, gain=0.65, send=0.3, tone_hz=58.0)
    beat_pattern(mix, "7", drums.cymbal, clock, rng, beat=sting, bars=1, gain=1.1, pan=-0.3, ring_s=2.2)
    return mix.finish(room_response(rate_hz, rng, decay_s=1.3))


def lantern(rate_hz: int, length_s: float, rng: np.random.Generator) -> Array:
    """Piano and glass in F lydian, very soft: five thoughts with real silence between them."""
    mix = Mix(rate_hz, length_s)
    clock = Clock(((0, 58), (40, 54)), 0.06)
    mode, root = "lydian", 53
    thoughts = (
        (0.0, (41, 53, 60, 69), ((1, 4), (0.5, 5), (0.5, 4), (1.5, 2))),
        (6.5, (43, 55, 62, 71), ((1, 5), (0.5, 6), (0.5, 8), (1.5, 7))),
        (13.0, (38, 50, 57, 65), ((0.5, 9), (0.5, 8), (1, 7), (0.5, 5), (0.5, 6), (2, 4))),
        (20.5, (36, 52, 60, 67), ((0.5, 9), (1, 8), (0.5, 6), (1.5, 5))),
        (27.0, (41, 53, 60, 64), ((1, 4), (1, 2), (2.5, 0))),
    )
    for beat, chord, phrase in thoughts:
        rolled = [
            Note(beat + 0.11 * place, 4.4, pitch, 0.34 + 0.02 * place) for place, pitch in enumerate(chord)
        ]
        play(mix, rolled, piano, clock, rng, gain=1.3, pan=-0.2, send=0.3, loose_s=0.012, release_s=0.55)
        spoken = melody(phrase, root + 12, mode, beat=beat + 1.0, velocity=0.36)
        play(mix, spoken, piano, clock, rng, gain=1.4, pan=0.15, send=0.35, loose_s=0.015, release_s=0.4)
        answer = [Note(n.beat + 0.5, 1.6, n.pitch + 12, 0.3) for n in spoken[1::2]]
        play(mix, answer, mallet, clock, rng, gain=0.6, pan=0.6, send=0.6, bar="glass")
    under = [Note(13.0, 5.0, pitch, 0.2) for pitch in (57, 62, 69)]
    under += [Note(27.0, 4.6, pitch, 0.18) for pitch in (57, 60, degree(root, mode, 8))]
    play(
        mix, under, bowed_strings, clock, rng,
        gain=0.4, pan=-0.1, send=0.7, attack_s=1.4, release_s=1.2, body=string_body(rate_hz, rng),
    )  # fmt: skip
    return mix.finish(room_response(rate_hz, rng, decay_s=1.5))
