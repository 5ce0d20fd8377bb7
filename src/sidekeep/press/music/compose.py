"""Rules of composition for the demo: beats, scales, chords that lead into each other, parts played by hand.

Conventions: a ``Note`` lives in beats and note numbers (69 is A at 440 Hz); a ``Clock`` turns beats into
seconds. Scale degrees count from 0 (the root) and may go below 0 or past an octave.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from sidekeep.press.music.filters import convolve
from sidekeep.press.music.room import Mix
from sidekeep.press.music.tone import Array

MODES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "minor": (0, 2, 3, 5, 7, 8, 10),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "lydian": (0, 2, 4, 6, 7, 9, 11),
}


@dataclass(frozen=True)
class Note:
    """One note: when and how long in beats, which note number, how hard (0 to 1)."""

    beat: float
    beats: float
    pitch: float
    velocity: float = 0.7


def note_hz(pitch: float) -> float:
    """Frequency of a note number, equal temperament."""
    return float(440.0 * 2.0 ** ((pitch - 69.0) / 12.0))


class Clock:
    """Beats to seconds, with tempo bends: ``tempo`` is ((beat, beats per minute), ...), straight between."""

    def __init__(self, tempo: Sequence[tuple[float, float]], start_s: float = 0.0) -> None:
        """The first tempo holds before its beat, the last one after."""
        last = tempo[-1][0] + 400.0
        self._beats = np.arange(0.0, last, 1.0 / 16.0)
        speed = np.interp(self._beats, [beat for beat, _ in tempo], [bpm for _, bpm in tempo])
        self._seconds = start_s + np.concatenate([[0.0], np.cumsum(60.0 / speed[:-1] / 16.0)])

    def at_s(self, beat: float) -> float:
        """Time of a beat."""
        return float(np.interp(beat, self._beats, self._seconds))


def degree(root: int, mode: str, step: int) -> int:
    """Note number of a scale degree."""
    octave, place = divmod(step, 7)
    return root + 12 * octave + MODES[mode][place]


def triad(root: int, mode: str, step: int, size: int = 3) -> tuple[int, ...]:
    """Chord in thirds on a scale degree; ``size`` 4 adds the seventh."""
    return tuple(degree(root, mode, step + 2 * third) for third in range(size))


def lead_voices(chords: Sequence[Sequence[int]], low: int, high: int, voices: int) -> list[tuple[int, ...]]:
    """Spread each chord over ``voices`` between two note numbers, moving every voice as little as can be."""
    led: list[tuple[int, ...]] = []
    for chord in chords:
        classes = {pitch % 12 for pitch in chord}
        ladder = [pitch for pitch in range(low, high + 1) if pitch % 12 in classes]
        choices = [
            tuple(ladder[start + stride * voice] for voice in range(voices))
            for stride in (1, 2)
            for start in range(len(ladder) - stride * (voices - 1))
        ]
        full = [
            choice
            for choice in choices
            if {pitch % 12 for pitch in choice} >= classes or voices < len(classes)
        ]
        middle = tuple((low + high) / 2 for _ in range(voices))
        before: Sequence[float] = led[-1] if led else middle
        led.append(
            min(
                full or choices,
                key=lambda choice: sum(abs(new - old) ** 1.5 for new, old in zip(choice, before)),
            )
        )
    return led


def melody(
    phrase: Sequence[tuple[float, int | None]],
    root: int,
    mode: str,
    *,
    beat: float = 0.0,
    velocity: float = 0.7,
    shift: int = 0,
    legato: float = 1.0,
) -> list[Note]:
    """A tune from (beats, scale degree or None for a rest); leans on notes that start a 4-beat group."""
    notes = []
    for beats, step in phrase:
        if step is not None:
            stress = 0.06 if beat % 2 == 0 else 0.0
            rise = 0.012 * (step + shift)
            notes.append(
                Note(
                    beat,
                    beats * legato,
                    degree(root, mode, step + shift),
                    float(np.clip(velocity + stress + rise, 0.05, 1)),
                )
            )
        beat += beats
    return notes


def swell(notes: Iterable[Note], points: Sequence[tuple[float, float]]) -> list[Note]:
    """Scale velocities along a curve of (beat, factor): crescendo and diminuendo."""
    beats = [beat for beat, _ in points]
    factors = [factor for _, factor in points]
    return [
        Note(
            note.beat,
            note.beats,
            note.pitch,
            float(np.clip(note.velocity * np.interp(note.beat, beats, factors), 0.03, 1)),
        )
        for note in notes
    ]


Instrument = Callable[..., Array]


def play(
    mix: Mix,
    notes: Iterable[Note],
    instrument: Instrument,
    clock: Clock,
    rng: np.random.Generator,
    *,
    gain: float = 1.0,
    pan: float = 0.0,
    send: float = 0.25,
    loose_s: float = 0.006,
    body: Array | None = None,
    **options: Any,
) -> None:
    """Play a part into the mix: each note a little early or late, a little louder or softer.

    ``body`` is an impulse response (frames, 1) the whole part sounds through; ``options`` go to the
    instrument.
    """
    desk = mix if body is None else Mix(mix.rate_hz, mix.length_s)
    for note in notes:
        start_s = clock.at_s(note.beat)
        if start_s >= mix.length_s:
            continue
        length_s = max(0.03, clock.at_s(note.beat + note.beats) - start_s)
        velocity = float(np.clip(note.velocity + rng.normal(0.0, 0.025), 0.03, 1.0))
        sound = instrument(note_hz(note.pitch), length_s, velocity, mix.rate_hz, rng, **options)
        late_s = float(np.clip(rng.normal(0.0, loose_s), -2.0 * loose_s, 2.0 * loose_s))
        if body is None:
            desk.add(sound, start_s + late_s, gain, pan, send)
        else:
            desk.add(sound, start_s + late_s, 1.0, 0.0, 0.0)
    if body is not None:
        mix.add(convolve(desk.near, body)[: desk.near.shape[0]], 0.0, gain, pan, send)


def beat_pattern(
    mix: Mix,
    pattern: str,
    drum: Instrument,
    clock: Clock,
    rng: np.random.Generator,
    *,
    beat: float,
    bars: int,
    bar_beats: float = 4.0,
    gain: float = 1.0,
    pan: float = 0.0,
    send: float = 0.2,
    loose_s: float = 0.003,
    **options: Any,
) -> None:
    """Drum notation: one mark a step, ``.`` rest, ``1``-``9`` how hard; the row fills one bar and repeats."""
    step_beats = bar_beats / len(pattern)
    for bar in range(bars):
        for step, mark in enumerate(pattern):
            if mark == ".":
                continue
            start_s = clock.at_s(beat + bar * bar_beats + step * step_beats)
            if start_s >= mix.length_s:
                return
            velocity = float(np.clip(int(mark) / 9.0 + rng.normal(0.0, 0.03), 0.05, 1.0))
            late_s = float(np.clip(rng.normal(0.0, loose_s), -2.0 * loose_s, 2.0 * loose_s))
            mix.add(drum(velocity, mix.rate_hz, rng, **options), start_s + late_s, gain, pan, send)


def timed(notes: Sequence[Note], clock: Clock) -> list[tuple[float, float, float, float]]:
    """(start_s, length_s, pitch_hz, velocity) of a part for one voice; overlaps are cut."""
    line = []
    for note, following in pairwise([*notes, Note(1e6, 1.0, 60)]):
        start_s = clock.at_s(note.beat)
        stop_s = clock.at_s(min(note.beat + note.beats, following.beat))
        line.append((start_s, stop_s - start_s, note_hz(note.pitch), note.velocity))
    return line
