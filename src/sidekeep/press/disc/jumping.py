"""A side on which the needle jumps: back into a turn that was played, once or again and again, or forward over some.

The disc is pressed and read once without what each playing adds; that reading is then played along a path with jumps. What
is in the groove (music, groove noise, damage, wow of an off-centre hole) comes back as it was, an exact turn of the platter
later. Flutter, hum, the noise of the chain and a share of the groove noise are new every time.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.press.disc.groove import KNOT_S, Groove, flutter_noise, play_kernel, sinc_table
from sidekeep.press.disc.noise import BLOCK, PlayerNoise
from sidekeep.press.disc.playing import convert, mixing_matrix
from sidekeep.press.disc.settings import PressSettings
from sidekeep.press.disc.side import Piece, Pressed, press_side
from sidekeep.press.disc.truth import TrackTruth, Truth
from sidekeep.units import db_to_gain

Floats = NDArray[np.float64]

UNSTEADY_DB = -12.0
"""Groove noise that is not the same when the groove is played again, under that which is (chosen here, no source)."""
_KNOCK_S = 0.012
_NOTHING_DB = -160.0


@dataclass(frozen=True, kw_only=True)
class Jump:
    """At ``at_s`` of the side as it is pressed (seconds since needle down) the needle lands ``turns`` further out, ``times``
    running; fewer than no turns: further in, which loses them."""

    at_s: float
    turns: int = 1
    times: int = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Jumped:
    """The take with its truth. ``spans``: for every jump the frames at which the needle landed first and at which music that had
    not been played goes on; both are one where music is lost."""

    pressed: Pressed
    spans: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class _Run:
    """Frames ``first`` to ``last`` of the reading are played from frame ``at`` of the take on; fractions count."""

    first: float
    last: float
    at: float

    @property
    def stop(self) -> float:
        return self.at + self.last - self.first


def press_jumping(
    pieces: Sequence[Piece],
    jumps: Sequence[Jump],
    *,
    rate_hz: int,
    settings: PressSettings | None = None,
    seed: int = 1,
    play: int = 0,
) -> Jumped:
    """Press the pieces and play them with the jumps, which are in order of ``at_s``. Same arguments, same samples."""
    settings = settings or PressSettings()
    still = settings.but(
        flutter=0.0, chain_dbfs=_NOTHING_DB, hum_hz=0.0, hum_dbfs=_NOTHING_DB, bits=None, clip_dbfs=None
    )
    read = press_side(pieces, rate_hz=rate_hz, settings=still, seed=seed, play=play)
    truth = read.truth
    groove = Groove(
        settings=settings,
        rate_hz=rate_hz,
        programme_frames=int(truth.music_stop_frame - truth.needle_down_frame),
        lead_in_frames=int(truth.music_start_frame - truth.needle_down_frame),
        disc=(seed, 1),
        playing=(seed, 2, play),
    )
    runs, spans = _path(jumps, groove, truth)
    length = int(runs[-1].stop)
    heard, clean = _played((read.audio, read.twin), runs, length, groove)
    down = truth.needle_down_frame
    up = round(runs[-1].at + truth.needle_up_frame - runs[-1].first)
    _add_noise((heard, clean), groove, runs, down, up)
    index = np.flatnonzero(heard != clean)
    pressed = Pressed(
        audio=heard,
        truth=_truth(truth, runs, length, up, settings),
        music=None,
        twin_index=index,
        twin_values=clean.reshape(-1)[index],
    )
    return Jumped(pressed=pressed, spans=spans)


def _path(
    jumps: Sequence[Jump], groove: Groove, truth: Truth
) -> tuple[list[_Run], tuple[tuple[int, int], ...]]:
    """What is read in the order it is heard, and where the jumps lie in the take."""
    rate, down = groove.rate_hz, truth.needle_down_frame
    runs, spans, first, at = [], [], 0.0, 0.0
    for jump in jumps:
        from_frame = down + jump.at_s * rate
        turn = float(groove.turn_at(jump.at_s)) - jump.turns
        landed = down + float(groove.time_of_turn(np.asarray(turn))) * rate
        runs.append(_Run(first, from_frame, at))
        start = at = runs[-1].stop
        for _ in range(jump.times if jump.turns > 0 else 0):
            runs.append(_Run(landed, from_frame, at))
            at = runs[-1].stop
        first = from_frame if jump.turns > 0 else landed
        spans.append((round(start), round(at)))
    runs.append(_Run(first, float(truth.length_frames), at))
    return runs, tuple(spans)


def _played(
    readings: Sequence[Floats], runs: Sequence[_Run], length: int, groove: Groove
) -> tuple[Floats, ...]:
    """The readings along the path, with the flutter of this playing."""
    step = max(1, round(KNOT_S * groove.rate_hz))
    count = length // step + 4
    shake = np.random.default_rng((*groove.playing, 12))
    size = groove.settings.flutter
    speed = 1.0 + (size * flutter_noise(shake, count, step / groove.rate_hz) if size else np.zeros(count))
    away = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) - 1.0)]) * step
    knots = np.arange(count) * float(step) + away
    table = sinc_table()
    played = []
    for reading in readings:
        out = np.zeros((length, 2))
        for run in runs:
            first, stop = int(np.ceil(run.at)), min(length, int(np.ceil(run.stop)))
            play_kernel(reading, 0.0, knots + (run.first - run.at), speed, step, table, out, first, stop)
        played.append(out)
    return tuple(played)


def _add_noise(takes: Sequence[Floats], groove: Groove, runs: Sequence[_Run], down: int, up: int) -> None:
    """Knocks where the needle lands, noise that is new every time, and the converter; in place, the same for all takes."""
    settings = groove.settings
    loose = settings.but(
        hiss_dbfs=max(_NOTHING_DB, settings.hiss_dbfs + UNSTEADY_DB), rumble_dbfs=_NOTHING_DB
    )
    noise = PlayerNoise(
        dataclasses.replace(groove, settings=loose), down, up, (*groove.playing, 7), mixing_matrix(settings)
    )
    knocks = np.zeros_like(takes[0])
    rng = np.random.default_rng((*groove.playing, 53))
    for run in runs[1:]:
        knock = _knock(rng, groove.rate_hz) * db_to_gain(settings.click_dbfs + 6.0)
        part = knocks[int(run.at) : int(run.at) + len(knock)]
        part += knock[: len(part)]
    for number, first in enumerate(range(0, len(takes[0]), BLOCK)):
        added = knocks[first : first + BLOCK]
        noise.add(added, first)
        dither = np.random.default_rng((*groove.playing, 54, number)).random(
            (len(added), 2), dtype=np.float32
        )
        for take in takes:
            block = take[first : first + BLOCK]
            block[:] = convert(block + added, settings, dither)


def _knock(rng: np.random.Generator, rate_hz: int) -> Floats:
    """(frames, 2) of a needle that slides over the land between two turns: a scrape and a dull knock, mostly vertical."""
    t_s = np.arange(int(_KNOCK_S * rate_hz)) / rate_hz
    scrape = np.exp(-t_s / 0.001) * rng.standard_normal((2, len(t_s)))
    knock = np.exp(-t_s / 0.004) * np.sin(2.0 * np.pi * rng.uniform(120.0, 300.0) * t_s)
    return np.stack([knock + 0.3 * scrape[0], -0.7 * knock + 0.3 * scrape[1]], axis=1)


def _truth(truth: Truth, runs: Sequence[_Run], length: int, up: int, settings: PressSettings) -> Truth:
    """The truth along the path: events come back with their turn, a track lasts from where it is heard first to where last."""
    rows = []
    for run in runs:
        events = truth.events
        here = events[(events["start_frame"] >= run.first) & (events["start_frame"] < run.last)].copy()
        for name in ("start_frame", "stop_frame"):
            here[name] += round(run.at - run.first)
        rows.append(here)
    first, last = (lambda frame: _heard(frame, runs)), (lambda frame: _heard(frame, runs[::-1]))
    tracks: list[TrackTruth] = [
        dataclasses.replace(
            track,
            start_frame=first(track.start_frame),
            stop_frame=last(track.stop_frame),
            audible_start_frame=first(track.audible_start_frame),
            audible_stop_frame=last(track.audible_stop_frame),
        )
        for track in truth.tracks
    ]
    frames = np.concatenate([np.linspace(run.at, run.stop, 64, endpoint=False) for run in runs])
    read = np.concatenate([np.linspace(run.first, run.last, 64, endpoint=False) for run in runs])
    return dataclasses.replace(
        truth,
        length_frames=length,
        needle_up_frame=up,
        music_start_frame=tracks[0].start_frame,
        music_stop_frame=max(track.stop_frame for track in tracks),
        tracks=tuple(tracks),
        events=np.concatenate(rows),
        warp_frames=frames,
        warp_positions=np.interp(read, truth.warp_frames, truth.warp_positions),
        settings=dataclasses.asdict(settings),
    )


def _heard(frame: int, runs: Sequence[_Run]) -> int:
    """Where a frame of the reading is in the take, by the first run that holds it; a lost one is where the music goes on."""
    for run in runs:
        if run.first <= frame <= run.last:
            return round(run.at + frame - run.first)
    later = [run for run in runs if run.first > frame]
    return round((later[0] if later else runs[-1]).at)
