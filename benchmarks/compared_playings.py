"""Pressed playings of one side whose difference is known: where moments lie, which marks changed, how much treble went."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

import sidekeep.press.disc.side as press
from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.differences.bands import frame_powers, thirds_of
from sidekeep.flow.comparison.laying.laid import Laid
from sidekeep.model.audio import AudioFormat
from sidekeep.press.disc.groove import Groove
from sidekeep.press.disc.playing import wear_treble
from sidekeep.press.disc.settings import PressSettings
from sidekeep.press.disc.side import Piece, Pressed, press_side

Floats = NDArray[np.float64]
RATE_HZ = 44_100


class Held:
    """A take in memory, as a source."""

    def __init__(self, audio: Floats, rate_hz: int) -> None:
        self.audio = audio
        self.format = AudioFormat(rate_hz=rate_hz, channels=audio.shape[1], bits=24, length_frames=len(audio))

    def blocks(self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None):  # type: ignore[no-untyped-def]
        stop = len(self.audio) if stop_frame is None else stop_frame
        for start in range(start_frame, stop, block_frames):
            yield self.audio[start : min(stop, start + block_frames)]

    def read(self, start_frame: int, stop_frame: int) -> Floats:
        return self.audio[start_frame:stop_frame]


@dataclass
class Playing:
    """A pressed take and the groove it was played from."""

    pressed: Pressed
    groove: Groove


def play(pieces: list[Piece], rate_hz: int, settings: PressSettings, seed: int, number: int) -> Playing:
    """Press a side and keep its groove, which knows the exact place of every frame."""
    grooves: list[Groove] = []

    def keep(**words: object) -> Groove:
        grooves.append(Groove(**words))  # type: ignore[arg-type]
        return grooves[-1]

    original = press.Groove
    press.Groove = keep  # type: ignore[assignment, misc]
    try:
        pressed = press_side(
            pieces, rate_hz=rate_hz, settings=settings, seed=seed, play=number, keep_music=True
        )
    finally:
        press.Groove = original  # type: ignore[misc]
    return Playing(pressed, grooves[0])


def true_times(old: Playing, new: Playing, at_s: Floats) -> Floats:
    """Where moments of the old take are in the new one, from both grooves."""
    rate_hz = old.pressed.truth.rate_hz

    def frames(one: Playing) -> Floats:
        return one.pressed.truth.needle_down_frame + one.groove.knot_frames * np.arange(
            len(one.groove.position)
        )

    position = CubicSpline(frames(old), old.groove.position)(at_s * rate_hz)
    return np.asarray(CubicSpline(new.groove.position, frames(new))(position)) / rate_hz


def changed_events(of: Pressed, other: Pressed, *, audible: bool = True) -> NDArray[np.float64]:
    """Seconds of events (or of the audible ones) of one take that the other does not have."""

    def place(event: object) -> tuple[int, int, float]:
        return int(event["turn"]), int(event["kind"]), round(float(event["angle"]), 6)  # type: ignore[index]

    there = {place(event) for event in other.truth.events}
    events = of.truth.events[of.truth.audible()] if audible else of.truth.events
    single = [event for event in events if place(event) not in there]
    low, high = of.truth.music_start_frame, of.truth.music_stop_frame
    return (
        np.array([event["start_frame"] for event in single if low <= event["start_frame"] < high])
        / of.truth.rate_hz
    )


def true_treble(old: Playing, settings: PressSettings, comparison: Comparison) -> list[float]:
    """What was pressed: the change in the band round 10 kHz of the music alone, by third of the music, mean of both channels
    and median of the frames that hold any of it."""
    music = old.pressed.music
    assert music is not None
    truth = old.pressed.truth
    worn = music.copy()
    wear_treble(worn, truth.needle_down_frame, truth.needle_up_frame, settings, RATE_HZ)
    laid = Laid(start_s=0.0, first=0, stop=len(music), old=music, new=worn, rate_hz=RATE_HZ)
    powers = frame_powers(laid)
    band = int(np.argmin(np.abs(np.array(powers.centres_hz) - 10_000.0)))
    third = thirds_of(powers.at_s, comparison.music_s)
    changes = []
    for number in range(3):
        here = (
            (third == number) & (powers.at_s > comparison.music_s[0]) & (powers.at_s < comparison.music_s[1])
        )
        first, second = (side[here][:, band].astype(np.float64) for side in (powers.old, powers.new))
        sounding = first > 1e-10
        changes.append(float(np.median(10.0 * np.log10(second[sounding] / first[sounding]))))
    return changes
